"""When a clip was recorded comes from the file where it can, and every doubt is said."""

import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from detect.errors import ClipError
from detect.recording_time import NoRecordingTime, parse_moment, place_moment, read_recording_time

Maker = Callable[..., Path]

LONDON = ZoneInfo("Europe/London")
NOW = datetime(2024, 8, 1, tzinfo=UTC)
TAGS = {"movflags": "use_metadata_tags"}
FILE_DATE = datetime(2024, 7, 20, 9, 30, tzinfo=UTC)


def set_file_date(path: Path, moment: datetime) -> Path:
    os.utime(path, (moment.timestamp(), moment.timestamp()))
    return path


def save_photo(path: Path, **tags: str) -> Path:
    exif = Image.Exif()
    exif[0x0112] = 1
    block = exif.get_ifd(0x8769)
    numbers = {"original": 0x9003, "offset": 0x9011, "fraction": 0x9291, "digitised": 0x9004}
    for name, value in tags.items():
        block[numbers[name]] = value
    Image.new("RGB", (8, 8)).save(path, exif=exif)
    return set_file_date(path, FILE_DATE)


@pytest.mark.parametrize("name", ["clip.mp4", "clip.mov", "clip.mkv"])
def test_creation_time_is_utc(make_clip: Maker, name: str) -> None:
    """The creation time of MP4, QuickTime and Matroska is UTC, and is shown in the recorder's zone."""
    path = make_clip(name, times_s=2, metadata={"creation_time": "2024-07-06T11:20:33Z"})
    found = read_recording_time(path, zone=LONDON, now=NOW)
    assert found.at_utc == datetime(2024, 7, 6, 11, 20, 33, tzinfo=UTC)
    assert found.at_utc.utcoffset() == timedelta(0)
    assert (found.zone, found.source, found.warnings) == ("Europe/London", "metadata", ())


def test_creation_time_as_ffprobe_reads_it(make_clip: Maker, run_ffmpeg: Callable[..., bytes]) -> None:
    """Reference: the creation time that the ffprobe program lists."""
    path = make_clip(times_s=2, metadata={"creation_time": "2024-07-06T11:20:33Z"})
    listed = run_ffmpeg(
        "ffprobe", "-show_entries", "format_tags=creation_time", "-of", "csv=p=0", path
    ).decode()
    assert read_recording_time(path, zone=LONDON, now=NOW).at_utc == datetime.fromisoformat(listed.strip())


def test_local_offset_of_a_phone_counts_first(make_clip: Maker) -> None:
    """A time with its own offset beats the creation time, which some programs set when they copy."""
    metadata = {
        "creation_time": "2024-07-30T00:00:00Z",
        "com.apple.quicktime.creationdate": "2024-07-06T12:20:33+0100",
    }
    path = make_clip("clip.mov", times_s=2, metadata=metadata, container_options=TAGS)
    found = read_recording_time(path, zone=LONDON, now=NOW)
    assert (found.at_utc, found.zone, found.warnings) == (
        datetime(2024, 7, 6, 11, 20, 33, tzinfo=UTC),
        "Europe/London",
        (),
    )


def test_offset_other_than_the_zone_is_kept_and_said(make_clip: Maker) -> None:
    metadata = {"com.apple.quicktime.creationdate": "2024-07-06T13:20:33+0200"}
    path = make_clip("clip.mov", times_s=2, metadata=metadata, container_options=TAGS)
    found = read_recording_time(path, zone=LONDON, now=NOW)
    assert (found.at_utc, found.zone) == (datetime(2024, 7, 6, 11, 20, 33, tzinfo=UTC), "+02:00")
    assert "camera's clock was at +02:00" in found.warnings[0]


def test_time_without_zone_is_of_the_recorders_zone(make_clip: Maker) -> None:
    path = make_clip("clip.mkv", times_s=2, metadata={"date": "2024:07:06 12:20:33"})
    found = read_recording_time(path, zone=LONDON, now=NOW)
    assert (found.at_utc, found.source) == (datetime(2024, 7, 6, 11, 20, 33, tzinfo=UTC), "metadata")


@pytest.mark.parametrize(
    "placeholder",
    ["1904-01-01T00:00:00Z", "1970-01-01T00:00:00Z", "1980-01-01T00:00:00Z", "2036-02-06T06:28:15Z"],
)
def test_time_of_an_unset_clock_is_none(make_clip: Maker, placeholder: str) -> None:
    """The years where unset clocks begin, and the future, are passed over with a word; the file's date takes their place."""
    path = set_file_date(make_clip("clip.mkv", times_s=2, metadata={"creation_time": placeholder}), FILE_DATE)
    found = read_recording_time(path, zone=LONDON, now=NOW)
    assert (found.at_utc, found.source, found.zone) == (FILE_DATE, "file date", "Europe/London")
    assert placeholder[:10] in found.warnings[0] and "copying may have changed" in found.warnings[1]


@pytest.mark.parametrize("text", ["", "2024", "2024-07-06", "next summer", "12:20", "0000-00-00T00:00:00Z"])
def test_what_is_no_time_gives_the_file_date(make_clip: Maker, text: str) -> None:
    path = set_file_date(
        make_clip("clip.mkv", times_s=2, metadata={"date": text, "creation_time": text}), FILE_DATE
    )
    found = read_recording_time(path, zone=LONDON, now=NOW)
    assert (found.at_utc, found.source, len(found.warnings)) == (FILE_DATE, "file date", 1)


def test_nothing_usable_is_asked_for(make_clip: Maker) -> None:
    """Where the file's date is none either, a person must say; the message tells what was found."""
    path = set_file_date(make_clip(times_s=2), datetime(1970, 1, 2, tzinfo=UTC))
    with pytest.raises(
        NoRecordingTime, match=r"found 1970-01-02 00:00 as its date .*; say when it was recorded"
    ):
        read_recording_time(path, zone=LONDON, now=NOW)


def test_a_clock_a_few_hours_ahead_is_believed(make_clip: Maker) -> None:
    path = make_clip(times_s=2, metadata={"creation_time": "2024-08-01T10:00:00Z"})
    assert read_recording_time(path, zone=LONDON, now=NOW).source == "metadata"


def test_photo_with_offset(tmp_path: Path) -> None:
    path = save_photo(tmp_path / "p.jpg", original="2024:07:06 12:20:33", offset="+01:00", fraction="25")
    found = read_recording_time(path, zone=LONDON, now=NOW)
    assert found.at_utc == datetime(2024, 7, 6, 11, 20, 33, 250_000, tzinfo=UTC)
    assert (found.zone, found.source, found.warnings) == ("Europe/London", "metadata", ())


@pytest.mark.parametrize(
    "tags", [{"original": "2024:07:06 12:20:33"}, {"digitised": "2024:07:06 12:20:33", "offset": "+05:00"}]
)
def test_photo_without_offset_is_of_the_recorders_zone(tmp_path: Path, tags: dict[str, str]) -> None:
    found = read_recording_time(save_photo(tmp_path / "p.jpg", **tags), zone=LONDON, now=NOW)
    assert found.at_utc == datetime(2024, 7, 6, 11, 20, 33, tzinfo=UTC)


@pytest.mark.parametrize(
    "original", ["0000:00:00 00:00:00", "    :  :     :  :  ", "2024:07:06", "0001:01:01 00:00:00"]
)
def test_photo_with_unset_date_gives_the_file_date(tmp_path: Path, original: str) -> None:
    found = read_recording_time(save_photo(tmp_path / "p.jpg", original=original), zone=LONDON, now=NOW)
    assert (found.at_utc, found.source) == (FILE_DATE, "file date")


def test_folder_begins_with_its_first_photo(tmp_path: Path) -> None:
    save_photo(tmp_path / "b.jpg", original="2024:07:06 12:20:33")
    save_photo(tmp_path / "a.jpg", original="2024:07:06 12:25:00")
    save_photo(tmp_path / "0.jpg")
    found = read_recording_time(tmp_path, zone=LONDON, now=NOW)
    assert (found.at_utc, found.source) == (datetime(2024, 7, 6, 11, 20, 33, tzinfo=UTC), "metadata")


def test_hour_that_the_clock_shows_twice(tmp_path: Path) -> None:
    """27 October 2024, 01:30 in London, happened twice (end of summer time at 01:00 UTC); the first is taken, and said."""
    path = save_photo(tmp_path / "p.jpg", original="2024:10:27 01:30:00")
    found = read_recording_time(path, zone=LONDON, now=datetime(2024, 12, 1, tzinfo=UTC))
    assert found.at_utc == datetime(2024, 10, 27, 0, 30, tzinfo=UTC)
    assert "shows 2024-10-27 01:30 twice" in found.warnings[0]


def test_hour_that_the_clock_leaves_out(tmp_path: Path) -> None:
    """31 March 2024, 01:30 in London, never was (summer time begins at 01:00 UTC); a clock not put forward shows it."""
    path = save_photo(tmp_path / "p.jpg", original="2024:03:31 01:30:00")
    found = read_recording_time(path, zone=LONDON, now=NOW)
    assert found.at_utc == datetime(2024, 3, 31, 1, 30, tzinfo=UTC)
    assert "leaves 2024-03-31 01:30 out" in found.warnings[0]


@given(
    st.datetimes(datetime(1990, 1, 2), datetime(2050, 1, 1)),  # noqa: DTZ001 - a camera clock has no zone
    st.sampled_from(["Europe/London", "Asia/Kathmandu", "UTC"]),
)
def test_every_other_time_is_placed_without_a_doubt(moment: datetime, name: str) -> None:
    """A local time that the clock shows once comes back as itself; one without doubt is shown once."""
    zone = ZoneInfo(name)
    at_utc, doubt = place_moment(moment, zone)
    back = at_utc.astimezone(zone).replace(tzinfo=None, fold=0)
    assert (back == moment) or doubt
    later = (at_utc + timedelta(hours=1)).astimezone(zone).replace(tzinfo=None, fold=0)
    assert bool(doubt) == (back != moment or later == moment)


@given(st.text(max_size=40) | st.from_regex(r"\A[0-9]{4}[-:/][0-9]{2}[-:/][0-9]{2}[T ][0-9:.Z+-]{0,20}\Z"))
def test_any_text_is_a_time_or_none(text: str) -> None:
    moment = parse_moment(text)
    assert moment is None or isinstance(moment, datetime)


def test_file_that_is_no_clip_is_told(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match="nothing there"):
        read_recording_time(tmp_path / "none.mp4", zone=LONDON)

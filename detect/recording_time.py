"""When a clip was recorded: from the file itself, else from the file's date with a warning.

Moments are aware UTC; beside them stands the zone to show them in: the name of the zone asked with, or the clip's own offset
where the two differ. A date that no camera clock shows in earnest (before 1990, or in the future) counts as absent. Whether a
camera's clock was right cannot be told, nor whether a camera wrote local time where its format prescribes UTC.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from detect.clip_info import ReadReport
from detect.clips import find_kind
from detect.errors import ClipError
from detect.photos import find_photos, order_shots
from detect.video import read_metadata

TimeSource = Literal["metadata", "file date"]

EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
"""No camera wrote such files before. Unset clocks begin in 1904 (QuickTime), 1970 (Unix) or 1980 (FAT)."""

CLOCK_SLACK = timedelta(days=1)
"""A clock set to a zone ahead, or read as UTC, shows up to 14 hours too much; more than a day ahead is no clock's error."""

METADATA_KEYS = ("com.apple.quicktime.creationdate", "creation_time", "date")
"""Where a time is looked for, best first: Apple's holds the local offset, the second is UTC by ISO/IEC 14496-12 and by
Matroska, the third is whatever a program put there."""

HAS_CLOCK = re.compile(r"\d{1,2}:\d{2}")
"""A date alone is no recording time."""


class NoRecordingTime(ClipError):
    """Nothing tells when the clip was recorded; a person must."""


@dataclass(frozen=True, slots=True)
class RecordingTime:
    """When a clip began.

    Attributes
    ----------
    at_utc : aware, UTC
    zone : name of an IANA zone, or an offset such as "+02:00"
    source : "metadata" or "file date"
    warnings : what a person should know before relying on it, in sentences
    """

    at_utc: datetime
    zone: str
    source: TimeSource
    warnings: tuple[str, ...]


def read_recording_time(path: Path, *, zone: ZoneInfo, now: datetime | None = None) -> RecordingTime:
    """Find when a clip was recorded.

    Parameters
    ----------
    path : a video, a photo, or a folder of photos (then of the first one taken)
    zone : where the recorder's clock stood; used for times that name no zone
    now : aware; later times are not believed. None for the present

    Raises
    ------
    NoRecordingTime
        Where neither the file nor its date tells.
    ClipError
        Where the clip cannot be opened.
    """
    latest = (datetime.now(UTC) if now is None else now) + CLOCK_SLACK
    warnings: list[str] = []
    dated_file, stamps = _find_stamps(path)
    for stamp in stamps:
        # Years far off are told before they are turned to UTC, which has no year 0 or 10000.
        is_near = EARLIEST.year - 1 <= stamp.year <= latest.year + 1
        at_utc, doubt = place_moment(stamp, zone) if is_near else (EARLIEST, "")
        if not is_near or not EARLIEST <= at_utc <= latest:
            warnings.append(
                f"{dated_file}: the time in the file, {stamp:%Y-%m-%d %H:%M}, is none that a set clock shows"
            )
            continue
        label, difference = _name_zone(stamp, at_utc, zone)
        warnings.extend(f"{dated_file}: {text}" for text in (doubt, difference) if text)
        return RecordingTime(at_utc, label, "metadata", tuple(warnings))
    at_utc = datetime.fromtimestamp(dated_file.stat().st_mtime, UTC)
    if not EARLIEST <= at_utc <= latest:
        raise NoRecordingTime(
            f"{dated_file}: expected a time of recording in the file or as its date, found {at_utc:%Y-%m-%d %H:%M} as its "
            "date and no usable time inside; say when it was recorded"
        )
    warnings.append(
        f"{dated_file}: no time of recording in the file; its date is used, which copying may have changed and which cameras "
        "set at the end of a clip"
    )
    return RecordingTime(at_utc, zone.key, "file date", tuple(warnings))


def place_moment(moment: datetime, zone: ZoneInfo) -> tuple[datetime, str]:
    """Return a moment in UTC, and a doubt in words or "".

    A time without offset is taken to be of the zone. Of the hour that the clock shows twice in autumn the first is taken; a
    time in the hour that it leaves out in spring is taken as by a clock not yet put forward (PEP 495, fold 0).
    """
    if moment.tzinfo is not None:
        return moment.astimezone(UTC), ""
    early, late = (moment.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    at_utc = early.astimezone(UTC)
    if early.utcoffset() == late.utcoffset():
        return at_utc, ""
    if at_utc.astimezone(zone).replace(tzinfo=None) != moment:
        return (
            at_utc,
            f"the clock in {zone.key} leaves {moment:%Y-%m-%d %H:%M} out; the clock may not have been put forward",
        )
    return (
        at_utc,
        f"the clock in {zone.key} shows {moment:%Y-%m-%d %H:%M} twice; the first, summer time, is taken",
    )


def _find_stamps(path: Path) -> tuple[Path, Iterator[datetime]]:
    """Return the file whose date counts, and the times that stand in it, best first."""
    if find_kind(path) == "video":
        return path, _parse_metadata(read_metadata(path))
    timed = order_shots(find_photos(path), ReadReport())
    if not timed:
        raise ClipError(
            f"{path}: expected photos that can be read, found none; copy them again from the camera"
        )
    shot = timed[0].shot
    return shot.path, iter(() if shot.taken_at is None else (shot.taken_at,))


def _parse_metadata(metadata: Mapping[str, str]) -> Iterator[datetime]:
    lowered = {key.lower(): value for key, value in metadata.items()}
    for key in METADATA_KEYS:
        moment = parse_moment(lowered.get(key, ""))
        if moment is not None:
            yield moment


def parse_moment(text: str) -> datetime | None:
    """Read a date with a time as it stands in a file's metadata; None for anything else."""
    if not HAS_CLOCK.search(text):
        return None
    # Some cameras part the date with colons, as EXIF does.
    text = re.sub(r"^(\d{4})[:/](\d{2})[:/](\d{2})", r"\1-\2-\3", text.strip())
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _name_zone(stamp: datetime, at_utc: datetime, zone: ZoneInfo) -> tuple[str, str]:
    """Return the zone to show the moment in and, where the clip's own offset is not the zone's, a sentence on it."""
    offset = stamp.utcoffset()
    is_utc_by_format = stamp.tzinfo is not None and not offset
    local = at_utc.astimezone(zone)
    if offset is None or is_utc_by_format or offset == local.utcoffset():
        return zone.key, ""
    own = f"{stamp:%z}"
    label = f"{own[:3]}:{own[3:5]}"
    return (
        label,
        f"the camera's clock was at {label} from UTC, {zone.key} was at {local:%z} then; the camera's is kept",
    )

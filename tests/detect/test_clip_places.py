"""Where clips and photos were taken, read from files that are really written."""

from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from detect.clip_places import GPS_TAG, parse_iso6709, read_place


def write_photo(path: Path, gps: dict[int, object]) -> Path:
    """Write a JPEG with GPS information."""
    exif = Image.Exif()
    exif[GPS_TAG] = gps
    Image.new("RGB", (32, 24)).save(path, exif=exif)
    return path


def say_place(
    latitude: tuple[float, float, float], longitude: tuple[float, float, float], *, east: str
) -> dict[int, object]:
    """GPS information north of the equator."""
    return {
        1: "N",
        2: tuple(IFDRational(round(part * 1000), 1000) for part in latitude),
        3: east,
        4: tuple(IFDRational(round(part * 1000), 1000) for part in longitude),
    }


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("+51.2001-001.1003+084.200/", (51.2001, -1.1003)),
        ("+5112.006-00106.018/", (51.2001, -1.1003)),
        ("+511200.36-0010601.08/", (51.2001, -1.1003)),
        ("-33.5+151.25CRSWGS_84/", (-33.5, 151.25)),
        ("+00.0000+000.0000/", None),
        ("+95.0+001.0/", None),
        ("+5199.0-00106.0/", None),
        ("51.2, -1.1", None),
        ("", None),
        ("+" * 10_000, None),
    ],
)
def test_iso_6709_is_read_in_its_three_forms(text: str, place: tuple[float, float] | None) -> None:
    """Degrees, minutes and seconds are told apart by their figures; what is no place is None."""
    read = parse_iso6709(text)
    assert read is None if place is None else read == pytest.approx(place)


def test_a_video_says_where_it_began(tmp_path: Path) -> None:
    """The place written into an MP4 by FFmpeg is read from it."""
    path = tmp_path / "walk.mp4"
    with av.open(str(path), "w") as container:
        container.metadata["location"] = "+51.2001-001.1003/"
        stream = container.add_stream("mpeg4", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    place = read_place(path)
    assert place is not None
    assert (place.latitude_deg, place.longitude_deg) == pytest.approx((51.2001, -1.1003), abs=1e-4)


def test_photos_say_where_they_were_taken(tmp_path: Path) -> None:
    """Degrees, minutes, seconds, west and the stated error are read; photos far apart have no one place; none is None."""
    near = say_place((51, 12, 0.36), (1, 6, 1.08), east="W") | {31: IFDRational(7, 2)}
    place = read_place(write_photo(tmp_path / "one.jpg", near))
    assert place is not None
    assert (place.latitude_deg, place.longitude_deg) == pytest.approx((51.2001, -1.1003))
    assert place.error_m == 3.5
    write_photo(tmp_path / "two.jpg", say_place((51, 13, 0), (1, 6, 0), east="W"))
    assert read_place(tmp_path) is None
    bare = tmp_path / "bare.jpg"
    Image.new("RGB", (32, 24)).save(bare)
    assert read_place(bare) is None
    broken = say_place((51, 12, 0), (1, 6, 0), east="W") | {2: (IFDRational(51, 1), IFDRational(1, 0), 0)}
    assert read_place(write_photo(tmp_path / "broken.jpg", broken)) is None

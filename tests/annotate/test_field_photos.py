"""Photos from the field: shown upright, stripped of all that says where they were taken, hostile ones refused."""

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from annotate.errors import AnnotateError
from annotate.field.field_photos import MOST_BYTES, MOST_SIDE_PX, clean_photo, read_photo_file

ORIENTATION, GPS, MAKE = 0x0112, 0x8825, 0x010F
TURNED_CLOCKWISE = 6
"""The camera was held so that the picture must be turned by 90 degrees clockwise to stand upright (CIPA DC-008)."""


def draw_corner() -> Image.Image:
    """A dark picture, 80 wide and 40 high, with a red block in its top left corner."""
    picture = np.full((40, 80, 3), 40, np.uint8)
    picture[:16, :16] = (220, 30, 30)
    return Image.fromarray(picture)


def write_photo(picture: Image.Image, kind: str = "JPEG", *, orientation: int = 1) -> bytes:
    """The bytes of a photo that says its position, its camera and how it was held."""
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    exif[MAKE] = "INVENTED CAMERA 4711"
    exif.get_ifd(GPS).update({1: "N", 2: (51.0, 5.0, 3.0), 3: "W", 4: (1.0, 14.0, 4.2)})
    stream = io.BytesIO()
    picture.save(stream, kind, exif=exif.tobytes(), quality=95)
    return stream.getvalue()


def read_back(data: bytes) -> Image.Image:
    """The picture of bytes that must be a JPEG."""
    picture = Image.open(io.BytesIO(data))
    assert picture.format == "JPEG"
    return picture


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIF"])
def test_nothing_but_the_pixels_is_kept(kind: str) -> None:
    """Position and camera stand in the photo and nowhere in what is kept of it, whatever its kind."""
    import pillow_heif

    pillow_heif.register_heif_opener()
    data = write_photo(draw_corner(), kind)
    assert b"INVENTED CAMERA" in data or kind == "PNG"
    kept = clean_photo(data)
    picture = read_back(kept)
    assert len(picture.getexif()) == 0
    assert not set(picture.info) & {"exif", "xmp", "icc_profile", "comment", "photoshop"}
    assert b"INVENTED" not in kept and b"Exif" not in kept


def test_a_photo_held_sideways_stands_upright() -> None:
    """Its top left corner lies at the top right once turned, in pixels, not by a mark that some programs pass over."""
    picture = read_back(clean_photo(write_photo(draw_corner(), orientation=TURNED_CLOCKWISE)))
    assert picture.size == (40, 80)
    red, green, _ = picture.getpixel((34, 5))  # type: ignore[misc]
    assert red > 180 and green < 80
    assert picture.getpixel((5, 5))[0] < 90  # type: ignore[index]


def test_large_photos_are_reduced_and_small_ones_kept() -> None:
    """No side is longer than the limit; a small photo keeps its pixels."""
    large = Image.new("RGB", (MOST_SIDE_PX + 904, 20), (10, 200, 10))
    assert read_back(clean_photo(write_photo(large))).width == MOST_SIDE_PX
    assert read_back(clean_photo(write_photo(draw_corner()))).size == (80, 40)


def claim_size(width: int, height: int) -> bytes:
    """A PNG that claims that many pixels and holds none."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b""))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "found an empty file"),
        (b"MZ\x90\0 a program", "expected a photo"),
        (b"<svg onload=alert(1)>", "expected a photo"),
        (b"\xff\xd8\xff\xe0 cut off at once", "cut off or damaged"),
        (write_photo(draw_corner())[:-200], "cut off or damaged"),
        (claim_size(60_000, 60_000), "at most 120 million pixels"),
        (bytes(MOST_BYTES + 1), "at most 40 MB"),
        (b"GIF89a" + bytes(64), "expected a photo"),
    ],
    ids=["empty", "program", "drawing", "broken", "cut", "bomb", "huge", "gif"],
)
def test_what_is_no_photo_is_refused(data: bytes, said: str) -> None:
    """Each is told from a photo by its bytes, before it fills the memory, and the sentence names no folder of this computer."""
    with pytest.raises(AnnotateError, match=said) as caught:
        clean_photo(data)
    assert str(caught.value).startswith("photo: ")
    assert "/" not in str(caught.value)


def test_files_are_read_and_missing_ones_told(tmp_path: Path) -> None:
    """A file gives its photo; one that is missing or a folder gives one sentence."""
    path = tmp_path / "OT03.jpg"
    path.write_bytes(write_photo(draw_corner()))
    assert read_back(read_photo_file(path)).size == (80, 40)
    for wrong in (tmp_path / "missing.jpg", tmp_path):
        with pytest.raises(AnnotateError, match="expected a file that can be read"):
            read_photo_file(wrong)
    with path.open("r+b") as stream:
        stream.truncate(MOST_BYTES + 1)
    with pytest.raises(AnnotateError, match="at most 40 MB; found 40 MB"):
        read_photo_file(path)

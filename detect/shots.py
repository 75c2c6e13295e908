"""One photo: its header, and its pixels upright by its EXIF orientation (for HEIC by the file's own turn).

JPEG, PNG and HEIC, told apart by their bytes. Colour profiles are not applied, and nothing is said of where a photo was taken.
How photos make up a clip stands in `detect.photos`.
"""

import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path
from threading import Lock
from typing import IO, TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from detect.errors import ClipError
from detect.file_kinds import PHOTO_KINDS, FileKind, sniff_file
from detect.pictures import turn_upright

if TYPE_CHECKING:
    from PIL.Image import Image

MOST_PIXELS = 120_000_000
"""Larger pictures are refused: over the 108 million of the largest common phone sensor, and 360 MB once decoded."""

ORIENTATION_TAG = 0x0112
EXIF_BLOCK = 0x8769
MOMENT_TAGS = ((0x9003, 0x9291, 0x9011), (0x9004, 0x9292, 0x9012))
"""Date, fraction of a second and offset from UTC, of the original and else of the digitised picture (CIPA DC-008)."""

EQUIVALENT_FOCAL_TAG = 0xA405
"""FocalLengthIn35mmFilm, whole millimetres, 0 for unknown (CIPA DC-008)."""

MOMENT_LAYOUT = "%Y:%m:%d %H:%M:%S"

MIRRORED_AND_TURNED = {
    1: (False, 0),
    2: (True, 0),
    3: (False, 180),
    4: (True, 180),
    5: (True, 90),
    6: (False, 270),
    7: (True, 270),
    8: (False, 90),
}
"""What makes each EXIF orientation upright: first mirror left and right, then turn counter-clockwise (CIPA DC-008)."""

_pillow_turn = Lock()


@dataclass(frozen=True, slots=True)
class Shot:
    """One photo before it is decoded.

    Attributes
    ----------
    path, kind : the file, and what its first bytes say it is
    width_px, height_px : of the upright picture
    bit_depth : of one channel
    taken_at : by EXIF; aware where the photo says its offset from UTC, else by the camera's clock; None where it says no time
    """

    path: Path
    kind: FileKind
    width_px: int
    height_px: int
    bit_depth: int
    taken_at: datetime | None


def read_shot(path: Path) -> Shot:
    """Read a photo's header.

    Raises
    ------
    ClipError
        Where it is no photo, cannot be read, or claims more than `MOST_PIXELS`.
    """
    with _open_picture(path) as (image, kind):
        width, height = image.size
        if _read_orientation(image, kind)[1] in (90, 270):
            width, height = height, width
        depth = 16 if image.mode.startswith("I") else 8
        return Shot(path, kind, width, height, depth, _read_moment(image.getexif().get_ifd(EXIF_BLOCK)))


def read_photo(path: Path) -> NDArray[np.uint8]:
    """Decode a photo to upright uint8 (H, W, 3) RGB.

    Raises
    ------
    ClipError
        As `read_shot`, and where the pixels are cut off or damaged.
    """
    with _open_picture(path) as (image, kind):
        rgb = _take_rgb(image)
        is_mirrored, rotation_deg = _read_orientation(image, kind)
    if is_mirrored:
        rgb = rgb[:, ::-1]
    return np.ascontiguousarray(turn_upright(np.ascontiguousarray(rgb), rotation_deg))


def read_equivalent_focal(path: Path) -> float | None:
    """Return the focal length in mm, as equivalent on 35 mm film, that a photo's EXIF states; None where it states none.

    Raises
    ------
    ClipError
        As `read_shot`.
    """
    with _open_picture(path) as (image, _):
        value = image.getexif().get_ifd(EXIF_BLOCK).get(EQUIVALENT_FOCAL_TAG)
    return float(value) if isinstance(value, int) and value > 0 else None


@contextmanager
def _open_picture(path: Path) -> Iterator[tuple["Image", FileKind]]:
    """Open a photo; whatever goes wrong with it, also while its pixels are read, becomes a ClipError."""
    # Pillow warns of broken EXIF, which is no news to a recorder. Warning filters are global, so readers take turns.
    with _pillow_turn, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with path.open("rb") as stream:
                yield _start_picture(stream, path)
        except ClipError:
            raise
        except Exception as error:  # the libraries raise nearly every kind on broken bytes
            if isinstance(error, OSError) and error.errno is not None:
                raise ClipError(
                    f"{path}: expected a photo that can be read, found that it cannot be ({error.strerror}); "
                    "check the name, the disk and your rights to it"
                ) from error
            raise ClipError(
                f"{path}: expected a whole photo, found it cut off or damaged ({error}); copy it again from the camera"
            ) from error


def _start_picture(stream: IO[bytes], path: Path) -> tuple["Image", FileKind]:
    """Read the header by the library for the kind that the bytes say, and refuse what would not fit into memory."""
    from PIL.JpegImagePlugin import JpegImageFile
    from PIL.PngImagePlugin import PngImageFile

    kind = sniff_file(path)
    if kind not in PHOTO_KINDS:
        raise ClipError(f"{path}: expected a photo (JPEG, PNG or HEIC), found something else; leave it out")
    if kind == "heic":
        return _start_heic(stream, path), kind
    # The classes are called directly: Image.open has a limit of its own, half of it told by a warning.
    image: Image = JpegImageFile(stream) if kind == "jpeg" else PngImageFile(stream)
    _check_size(image.size, path)
    return image, kind


def _start_heic(stream: IO[bytes], path: Path) -> "Image":
    import pillow_heif

    heif = pillow_heif.open_heif(stream)
    _check_size(heif.size, path)
    image: Image = heif.to_pillow()
    return image


def _check_size(size: tuple[int, int], path: Path) -> None:
    width, height = size
    if width * height > MOST_PIXELS:
        raise ClipError(
            f"{path}: expected a photo of at most {MOST_PIXELS // 1_000_000} million pixels, found one that claims "
            f"{width} x {height}; export it smaller, or leave it out"
        )


def _take_rgb(image: "Image") -> NDArray[np.uint8]:
    if not image.mode.startswith("I"):
        return np.asarray(image.convert("RGB"))
    # Pillow clips 16-bit grey instead of scaling it.
    grey = (np.asarray(image).astype(np.int64) >> 8).clip(0, 255).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)


def _read_orientation(image: "Image", kind: FileKind) -> tuple[bool, int]:
    """Return whether to mirror and how far to turn; HEIC comes turned from its library, whatever its EXIF repeats."""
    if kind == "heic":
        return MIRRORED_AND_TURNED[1]
    return MIRRORED_AND_TURNED.get(image.getexif().get(ORIENTATION_TAG, 1), MIRRORED_AND_TURNED[1])


def _read_moment(block: Mapping[int, Any]) -> datetime | None:
    """Return the time taken; broken or unset dates are none."""
    for date_tag, fraction_tag, offset_tag in MOMENT_TAGS:
        try:
            moment = datetime.strptime(_read_text(block, date_tag), MOMENT_LAYOUT)  # noqa: DTZ007 - the zone follows
        except ValueError:
            continue
        fraction = _read_text(block, fraction_tag)
        if fraction.isdecimal() and fraction.isascii():
            moment += timedelta(seconds=float(f"0.{fraction}"))
        return moment.replace(tzinfo=_read_offset(_read_text(block, offset_tag)))
    return None


def _read_offset(text: str) -> timezone | None:
    """Read "+02:00" as EXIF writes it."""
    try:
        return timezone(datetime.strptime(text, "%z").utcoffset() or timedelta(0))
    except ValueError:
        return None


def _read_text(block: Mapping[int, Any], tag: int) -> str:
    value = block.get(tag, "")
    return value.strip("\0 ") if isinstance(value, str) else ""

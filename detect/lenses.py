"""From pixels to millimetres: the 35 mm-equivalent focal length, the frame that was cut out of the lens's picture, the distance.

An equivalent focal length compares diagonals (CIPA DCG-001; CIPA DC-008 only says "assuming a 35 mm film camera"): the whole
picture that it was stated for lies on a circle of 43.27 mm, the diagonal of 36 x 24 mm. So its long side is worth
43.27 * a / sqrt(a * a + 1) mm of film, a being long over short side: 36.0 mm for 3:2, 34.6 mm for 4:3, 37.7 mm for 16:9. A
frame of another shape is cut from that picture as wide as fits; steadying cuts off more (`crop`, 1.1 where a tenth is lost). Then

    mm per px = film_long_mm * distance_mm / (focal_equivalent_mm * long side in px)

in the middle of the frame, for what lies square to the view. Portrait or landscape makes no difference: the long side is the
long side. Lens distortion is not corrected, and no distance is measured here.
"""

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

from detect.clips import find_kind
from detect.errors import ClipError, DetectError
from detect.photos import find_photos
from detect.shots import read_equivalent_focal
from detect.video import read_metadata

FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)
"""43.27 mm, of the 36 x 24 mm frame of 35 mm film."""

SHAPES = {"3:2": 3 / 2, "4:3": 4 / 3, "16:9": 16 / 9}
"""Shapes of the whole picture that a focal length may have been stated for. By 3:2 the frame's long side is worth 36 mm."""

AS_FILMED = "as filmed"
"""Said of a frame that is itself the whole picture that the focal length was stated for: a photo."""

PLAIN_LONG_MM = 36.0
"""Taken where nobody says: the usual reckoning, and the middle of the three shapes."""

NO_CROP, MOST_CROP = 1.0, 2.0
USUAL_CROPS = (1.0, 1.2)
"""What steadying cuts off in phones, as a factor on the focal length: common practice, no source."""

STATED_SHARE = 0.011
"""Deviation of a focal length stated in whole millimetres: up to half of one in 26, all as likely."""

LEAST_FOCAL_MM, MOST_FOCAL_MM = 4.0, 2000.0
"""From a whole-sky lens to the longest tele with digital zoom; anything else in a file is a slip."""

VIDEO_KEYS = ("com.apple.quicktime.camera.focal_length.35mm_equivalent", "focallengthin35mmfilm")
"""Where clips say it: QuickTime's key, text such as "26.00mm" of the video track, and EXIF's name as some programs copy it."""


@dataclass(frozen=True, slots=True)
class Lens:
    """A lens with the frame that was taken of its picture.

    Attributes
    ----------
    focal_equivalent_mm : as stated
    film_long_mm : of film that the frame's long side is worth
    error_share : deviation of their ratio, as a share: how well the shape and the crop are known
    """

    focal_equivalent_mm: float
    film_long_mm: float
    error_share: float


def fit_lens(
    focal_equivalent_mm: float,
    *,
    frame_size_px: tuple[int, int],
    shape: str | None = None,
    crop: float | None = None,
) -> Lens:
    """Return the lens for frames of (rows, columns).

    Parameters
    ----------
    shape : of the whole picture that the focal length was stated for, one of `SHAPES` or `AS_FILMED`; None where that is not
        known
    crop : cut off for steadying, 1 for none; None where that is not known. Where either is not known, the middle of what is
        usual is taken and its spread stands in `error_share`

    Raises
    ------
    DetectError
        Where the focal length, shape or crop is none that exists.
    """
    check_focal(focal_equivalent_mm)
    shapes = {**SHAPES, AS_FILMED: max(frame_size_px) / min(frame_size_px)}
    if shape is not None and shape not in shapes:
        raise DetectError(
            f"shape of the lens's whole picture: expected one of {', '.join(shapes)}; found {shape!r}; choose one of these"
        )
    if crop is not None and not NO_CROP <= crop <= MOST_CROP:
        raise DetectError(
            f"crop: expected a factor from {NO_CROP:g} to {MOST_CROP:g} (1.1 where a tenth is cut off); found {crop:g}; "
            "correct it"
        )
    ends = [
        _measure_film(shapes[name], frame_size_px) / factor
        for name in ((shape,) if shape else tuple(SHAPES))
        for factor in ((crop,) if crop else USUAL_CROPS)
    ]
    low, high = min(ends), max(ends)
    middle = (low + high) / 2
    spread = (high - low) / math.sqrt(12) / middle
    return Lens(focal_equivalent_mm, middle, math.hypot(spread, STATED_SHARE))


def reckon_plainly(
    focal_equivalent_mm: float, *, frame_size_px: tuple[int, int], crop: float = NO_CROP
) -> Lens:
    """Return the lens by the usual reckoning: 36 mm along the frame's long side, and for 4:3 the 34.6 mm of its own diagonal.

    Without a crop this makes a larva rather too short than too long, as a guide should.
    """
    plain = fit_lens(focal_equivalent_mm, frame_size_px=frame_size_px, shape=AS_FILMED, crop=crop)
    return replace(plain, film_long_mm=min(plain.film_long_mm, PLAIN_LONG_MM / crop))


def check_focal(focal_equivalent_mm: float) -> None:
    """Raise a DetectError where no lens has such a focal length."""
    if not LEAST_FOCAL_MM <= focal_equivalent_mm <= MOST_FOCAL_MM:
        raise DetectError(
            f"focal length: expected {LEAST_FOCAL_MM:g} to {MOST_FOCAL_MM:g} mm, as equivalent on 35 mm film; found "
            f"{focal_equivalent_mm:g}; a phone's main lens has 23 to 28"
        )


def _measure_film(shape: float, frame_size_px: tuple[int, int]) -> float:
    """Return the mm of film of the long side of a frame that is cut as large as fits from a whole picture of that shape."""
    long_px, short_px = max(frame_size_px), min(frame_size_px)
    whole_long = FILM_DIAGONAL_MM * shape / math.hypot(shape, 1.0)
    return min(whole_long, whole_long / shape * long_px / short_px)


def find_mm_per_px(lens: Lens, *, distance_m: float, frame_size_px: tuple[int, int]) -> float:
    """Return the ground sample distance: mm that a pixel covers at a distance, square to the view."""
    return lens.film_long_mm * distance_m * 1000 / (lens.focal_equivalent_mm * max(frame_size_px))


def find_distance_m(lens: Lens, *, mm_per_px: float, frame_size_px: tuple[int, int]) -> float:
    """Return the distance at which a pixel covers so many mm: `find_mm_per_px` turned round."""
    return mm_per_px * lens.focal_equivalent_mm * max(frame_size_px) / (lens.film_long_mm * 1000)


def read_focal_length(path: Path) -> float | None:
    """Return the 35 mm-equivalent focal length that a clip's file states, None where it states none, or several.

    Raises
    ------
    ClipError
        Where the clip cannot be opened.
    """
    if find_kind(path) == "video":
        stated = {key.lower(): text for key, text in read_metadata(path).items()}
        return next((mm for key in VIDEO_KEYS if (mm := _parse_focal(stated.get(key, ""))) is not None), None)
    found = set()
    for photo in find_photos(path):
        try:
            found.add(read_equivalent_focal(photo))
        except ClipError:
            continue  # a photo that cannot be read takes no part in the search either
    only = found.pop() if len(found) == 1 else None
    return only if only is not None and LEAST_FOCAL_MM <= only <= MOST_FOCAL_MM else None


NUMBER = re.compile(r"\d{1,4}(?:\.\d{1,6})?")


def _parse_focal(text: str) -> float | None:
    found = NUMBER.match(text.strip())
    mm = float(found[0]) if found else 0.0
    return mm if LEAST_FOCAL_MM <= mm <= MOST_FOCAL_MM else None

"""Where a clip or photo was taken, as its file says: ISO 6709 in a video's metadata, GPS in a photo's EXIF.

Degrees of WGS 84, with the radius of error that the file states, None where it states none. Of a folder of photos each place is
read; they count as one only while they lie together. Whether the receiver was right cannot be told.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from detect.clips import find_kind
from detect.errors import ClipError
from detect.photos import find_photos
from detect.video import read_metadata

VIDEO_KEYS = ("com.apple.quicktime.location.iso6709", "location", "location-eng")
VIDEO_ERROR_KEY = "com.apple.quicktime.location.accuracy.horizontal"

ISO_6709 = re.compile(
    r"([+-])(\d{2,6})(\.\d{1,12})?([+-])(\d{3,7})(\.\d{1,12})?(?:[+-]\d{1,6}(?:\.\d{1,9})?)?(?:CRS.{0,40})?/?"
)
"""ISO 6709, annex H: degrees, or degrees and minutes, or degrees, minutes and seconds, told apart by the number of figures."""

TOGETHER_M = 10.0
"""Photos of one tree lie within about this."""

MOST_ERROR_M = 10_000.0
GPS_TAG = 0x8825
LATITUDE_REF, LATITUDE, LONGITUDE_REF, LONGITUDE, DILUTION, ERROR = 1, 2, 3, 4, 11, 31
"""EXIF 2.32, table 15: tags of the GPS information."""


@dataclass(frozen=True, slots=True)
class ClipPlace:
    """A place of WGS 84; `error_m` is the radius that the file states, None where it states none."""

    latitude_deg: float
    longitude_deg: float
    error_m: float | None


def read_place(path: Path) -> ClipPlace | None:
    """Return where a clip was taken, None where its file says nothing that can be a place.

    Raises
    ------
    ClipError
        Where the clip cannot be opened.
    """
    if find_kind(path) == "video":
        return _find_in_metadata({key.lower(): text for key, text in read_metadata(path).items()})
    places = [place for photo in find_photos(path) if (place := _read_photo(photo)) is not None]
    return _join(places)


def parse_iso6709(text: str) -> tuple[float, float] | None:
    """Return latitude and longitude in degrees of text such as "+51.2001-001.1003+084.2/", None for anything else."""
    found = ISO_6709.fullmatch(text.strip())
    if not found:
        return None
    latitude = _read_figures(found[1], found[2], found[3] or "", of_degrees=2)
    longitude = _read_figures(found[4], found[5], found[6] or "", of_degrees=3)
    return _check(latitude, longitude)


def _read_figures(sign: str, whole: str, rest: str, *, of_degrees: int) -> float | None:
    more = len(whole) - of_degrees
    if more not in (0, 2, 4):
        return None
    parts = [float(whole[:of_degrees])] + [
        float(whole[at : at + 2]) for at in range(of_degrees, len(whole), 2)
    ]
    parts[-1] += float(f"0{rest}") if rest else 0.0
    if any(part >= 60 for part in parts[1:]):
        return None
    degrees: float = sum(part / 60**power for power, part in enumerate(parts))
    return -degrees if sign == "-" else degrees


def _check(latitude: float | None, longitude: float | None) -> tuple[float, float] | None:
    if latitude is None or longitude is None or not (math.isfinite(latitude) and math.isfinite(longitude)):
        return None
    # A receiver without a fix writes nought and nought.
    if (latitude, longitude) == (0.0, 0.0) or abs(latitude) > 90 or abs(longitude) > 180:
        return None
    return latitude, longitude


def _find_in_metadata(stated: Mapping[str, str]) -> ClipPlace | None:
    for key in VIDEO_KEYS:
        place = parse_iso6709(stated.get(key, ""))
        if place is not None:
            return ClipPlace(*place, _read_error(stated.get(VIDEO_ERROR_KEY)))
    return None


def _read_photo(path: Path) -> ClipPlace | None:
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(path) as picture:
            gps = picture.getexif().get_ifd(GPS_TAG)
    except (OSError, UnidentifiedImageError, SyntaxError, ValueError, ClipError):
        return None  # a photo that cannot be read takes no part in the search either
    place = _check(
        _read_angle(gps.get(LATITUDE), gps.get(LATITUDE_REF), back="S"),
        _read_angle(gps.get(LONGITUDE), gps.get(LONGITUDE_REF), back="W"),
    )
    return None if place is None else ClipPlace(*place, _read_error(gps.get(ERROR)))


def _read_angle(parts: Any, reference: Any, *, back: str) -> float | None:
    try:
        degrees, minutes, seconds = (float(part) for part in parts)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    angle = degrees + minutes / 60 + seconds / 3600
    return -angle if str(reference).strip("\0 ").upper() == back else angle


def _read_error(stated: Any) -> float | None:
    try:
        error_m = float(stated)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return error_m if 0 < error_m <= MOST_ERROR_M else None


def _join(places: list[ClipPlace]) -> ClipPlace | None:
    """Return the mean of photos that lie together, None where they do not."""
    if not places:
        return None
    latitude = sum(place.latitude_deg for place in places) / len(places)
    longitude = sum(place.longitude_deg for place in places) / len(places)
    metres = 111_195.0
    shrink = math.cos(math.radians(latitude))
    apart = max(
        math.hypot(
            (place.latitude_deg - latitude) * metres, (place.longitude_deg - longitude) * metres * shrink
        )
        for place in places
    )
    errors = [place.error_m for place in places if place.error_m is not None]
    return ClipPlace(latitude, longitude, max(errors, default=None)) if apart <= TOGETHER_M else None

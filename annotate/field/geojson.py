"""GeoJSON as RFC 7946 has it: points with properties, longitude before latitude, degrees of WGS 84 and nothing else.

A file is one FeatureCollection. What is read comes out as cells of text by column, as from a table, so that one set of checks
does for both; features are numbered from 1. What the columns mean is for others to say.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from annotate.errors import AnnotateError
from annotate.sheets import MOST_BYTES, Cell, SheetError

GEOJSON_ENDINGS = (".geojson", ".json")
LATITUDE, LONGITUDE = "latitude_deg", "longitude_deg"

KNOWN_SYSTEMS = ("urn:ogc:def:crs:OGC:1.3:CRS84", "urn:ogc:def:crs:OGC::CRS84", "EPSG:4326")
"""Names of the same system in files of the older GeoJSON of 2008, which could name others."""

DEGREES_DECIMALS = 9
"""A tenth of a millimetre on the ground, as the register keeps them: a file that is read back changes nothing. How exact a place
is stands beside it."""

NOTHING_DONE = "nothing was imported; correct the file and import it again"


@dataclass(frozen=True, slots=True)
class Point:
    """One feature: where it stands in the file, in words, and its cells by column."""

    where: str
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Points:
    """The features of a file, and what to know about how they were read."""

    points: tuple[Point, ...]
    notes: tuple[str, ...]


def read_points(path: Path, *, known: Sequence[str]) -> Points:
    """Read a FeatureCollection of points; features without a geometry are allowed.

    Parameters
    ----------
    known : properties that are read; others are left out, and told

    Raises
    ------
    annotate.errors.AnnotateError
        Where the file is no such thing, or places in it are wrong; all are named at once.
    """
    data = _load(path)
    _check_collection(path, data)
    problems: list[str] = []
    points = [
        _read_feature(feature, f"feature {number}", known=known, problems=problems)
        for number, feature in enumerate(data["features"], start=1)
    ]
    if problems:
        raise SheetError(str(path), problems, advice=NOTHING_DONE)
    left_out = sorted(
        {
            name
            for feature in data["features"]
            for name in feature.get("properties") or {}
            if name.casefold() not in known
        }
    )
    named = ", ".join(repr(name[:40]) for name in left_out[:20])
    notes = (f"properties that are not known were left out: {named}",) if left_out else ()
    return Points(tuple(points), notes)


def write_points(rows: Sequence[Mapping[str, Cell]]) -> str:
    """Return rows as a FeatureCollection; those without latitude and longitude have no geometry."""
    features = [
        {
            "type": "Feature",
            "geometry": _write_geometry(row),
            "properties": {name: value for name, value in row.items() if name not in (LATITUDE, LONGITUDE)},
        }
        for row in rows
    ]
    return (
        json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False, indent=1) + "\n"
    )


def _write_geometry(row: Mapping[str, Cell]) -> dict[str, Any] | None:
    latitude, longitude = row[LATITUDE], row[LONGITUDE]
    if latitude is None or longitude is None:
        return None
    return {
        "type": "Point",
        "coordinates": [round(float(value), DEGREES_DECIMALS) for value in (longitude, latitude)],
    }


def _load(path: Path) -> Any:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise AnnotateError(
                f"{path}: expected a GeoJSON file of at most {MOST_BYTES // 1_000_000} MB; "
                f"found {path.stat().st_size // 1_000_000} MB; check that it is the right file"
            )
        data = path.read_bytes()
    except OSError as error:
        raise AnnotateError(
            f"{path}: expected a GeoJSON file that can be read; found '{error.strerror}'; check its name and rights"
        ) from error
    try:
        return json.loads(data.decode("utf-8-sig"), parse_constant=_refuse_constant)
    # A number of thousands of digits is a ValueError too; brackets without end exhaust the stack.
    except (ValueError, RecursionError) as error:
        raise AnnotateError(
            f"{path}: expected GeoJSON (RFC 7946) in UTF-8; found something else ({str(error)[:80]}); "
            "export it anew as GeoJSON"
        ) from error


def _refuse_constant(word: str) -> None:
    raise ValueError(f"{word} is no number of JSON")


def _check_collection(path: Path, data: Any) -> None:
    kind = data.get("type") if isinstance(data, dict) else type(data).__name__
    if kind != "FeatureCollection" or not isinstance(data.get("features"), list):
        raise AnnotateError(
            f"{path}: expected a FeatureCollection of points; found {str(kind)[:40]!r}; export the trees as one"
        )
    system = data.get("crs")
    if system is None:
        return
    properties = system.get("properties") if isinstance(system, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else system
    if name not in KNOWN_SYSTEMS:
        raise AnnotateError(
            f"{path}: expected degrees of WGS 84, the only system of GeoJSON (RFC 7946); found {str(name)[:80]!r}; "
            "export it anew in WGS 84, or import a CSV table with the column epsg"
        )


def _read_feature(feature: Any, where: str, *, known: Sequence[str], problems: list[str]) -> Point:
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        problems.append(f"{where}: expected a Feature; found {_show(feature)}; remove it or correct its type")
        return Point(where, {})
    cells = {}
    properties = feature.get("properties")
    if not isinstance(properties, dict | None):
        problems.append(f"{where}: expected properties by name; found {_show(properties)}; correct them")
        properties = {}
    for name, value in (properties or {}).items():
        column = name.casefold()
        if column not in known:
            continue
        if isinstance(value, bool | list | dict):
            problems.append(
                f"{where}, column {column}: expected text or a number; found {_show(value)}; correct it"
            )
        else:
            cells[column] = "" if value is None else str(value).strip()
    if LATITUDE in cells or LONGITUDE in cells:
        problems.append(
            f"{where}: expected the position as the feature's geometry; found it among the properties; remove {LATITUDE} there"
        )
    place = _read_geometry(feature.get("geometry"), where, problems=problems)
    has_other = any(cells.get(name) for name in ("grid_ref", "easting", "northing"))
    if place is not None or not has_other:
        cells[LONGITUDE], cells[LATITUDE] = place or ("", "")
    return Point(where, cells)


def _read_geometry(geometry: Any, where: str, *, problems: list[str]) -> tuple[str, str] | None:
    """Return longitude and latitude as text; None where there is no geometry."""
    if geometry is None:
        return None
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    places = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if kind != "Point" or not isinstance(places, list) or not 2 <= len(places) <= 3:
        problems.append(
            f"{where}: expected a Point with longitude and latitude; found {_show(geometry)}; a tree stands in one place"
        )
        return None
    numbers = [_to_number(value) for value in places]
    if not all(math.isfinite(number) for number in numbers):
        problems.append(f"{where}: expected numbers as coordinates; found {_show(places)}; correct them")
        return None
    return repr(numbers[0]), repr(numbers[1])


def _to_number(value: Any) -> float:
    """Return a number of JSON; what is none, or is too large for one, is not a number."""
    try:
        return math.nan if isinstance(value, bool) or not isinstance(value, int | float) else float(value)
    except OverflowError:
        return math.nan


def _show(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "..."

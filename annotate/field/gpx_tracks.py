"""Reads a way walked from a GPX file: all its positions that have a time, in order of time.

Times that name no zone are UTC, as GPX prescribes. Several tracks and segments in a file are joined; the gaps between them
stay gaps. A file is read whole or not at all. XML that declares a document type is refused before gpxpy, which reads entities as
the parser beneath it does, ever sees it: no such file needs one, and entities can be made to fill any memory. Routes and
waypoints are no way walked and are left out.
"""

import hashlib
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.parsers import expat

import numpy as np

from annotate.errors import AnnotateError
from annotate.field.track_stretches import USUAL_ERROR_M, WalkedTrack

if TYPE_CHECKING:
    from gpxpy.gpx import GPX, GPXTrackPoint

MOST_BYTES = 64 * 1024 * 1024
"""A day of positions each second is 15 MB."""

DEEPEST = 32
"""Elements within elements; GPX 1.1 with extensions needs ten."""

MOST_NAMESPACES = 64
"""gpxpy seeks each from the file's beginning on; a file made of nothing else would take for ever."""

LEAST_ERROR_M, MOST_ERROR_M = 1.0, 500.0
"""No phone knows its place better, and worse than this it knows nothing."""

EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
"""No receiver wrote positions before."""

ACCURACY_NAMES = ("accuracy", "hacc", "horizontalaccuracy")
"""Extensions in which programs write the radius of a position's error, in m; common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class ReadTrack:
    """A way walked with its file's sha256 and name; `notes` say what a person should know, in sentences."""

    walked: WalkedTrack
    sha256: str
    name: str
    notes: tuple[str, ...]


def read_gpx(path: Path) -> ReadTrack:
    """Read a GPX file.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it cannot be read, is no GPX, or has fewer than two positions with times.
    """
    data = _read_bytes(path)
    _check_xml(path, data)
    gpx = _parse(path, data)
    rows, untimed, notes = _gather(path, gpx)
    if len(rows) < 2:
        what = f"{untimed} without a time" if untimed else "none"
        raise AnnotateError(
            f"{path}: expected a track of positions with times; found {len(rows)} with and {what}; record a track, "
            "not a route, and export it with its times"
        )
    if untimed:
        notes.append(f"{untimed} positions have no time and are left out")
    times, latitudes, longitudes, errors = np.array(rows, float).T
    order = np.argsort(times, kind="stable")
    kept = order[np.concatenate([[True], np.diff(times[order]) > 0])]
    walked = WalkedTrack(times[kept], latitudes[kept], longitudes[kept], errors[kept])
    if len(kept) < 2:
        raise AnnotateError(
            f"{path}: expected positions at different times; found all at one; export the track again"
        )
    return ReadTrack(walked, hashlib.sha256(data).hexdigest(), path.name, tuple(notes))


def _read_bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise AnnotateError(
            f"{path}: expected a GPX file; found: {error.strerror}; check the name"
        ) from error
    if len(data) > MOST_BYTES:
        raise AnnotateError(
            f"{path}: expected at most {MOST_BYTES >> 20} MiB; found more; export one day at a time"
        )
    if not data.strip():
        raise AnnotateError(f"{path}: expected a GPX file; found it empty; export the track again")
    return data


def _check_xml(path: Path, data: bytes) -> None:
    """Refuse what is not XML, declares a document type, or is nested or named beyond what GPX needs."""
    depth = 0

    def refuse_type(*_: Any) -> None:
        raise AnnotateError(
            f"{path}: expected a GPX file; found a document type declared, which GPX has none of and which can do harm; "
            "export the track again"
        )

    def go_in(*_: Any) -> None:
        nonlocal depth
        depth += 1
        if depth > DEEPEST:
            raise AnnotateError(
                f"{path}: expected elements at most {DEEPEST} deep; found more; export the track again"
            )

    def go_out(*_: Any) -> None:
        nonlocal depth
        depth -= 1

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refuse_type
    parser.StartElementHandler, parser.EndElementHandler = go_in, go_out
    try:
        parser.Parse(data, True)
    except (expat.ExpatError, ValueError, LookupError) as error:
        raise AnnotateError(
            f"{path}: expected a GPX file; found broken XML ({error}); it may be cut off: export the track again"
        ) from error
    if data.count(b"xmlns") > MOST_NAMESPACES or data.count(b"schemaLocation") > MOST_NAMESPACES:
        raise AnnotateError(
            f"{path}: expected at most {MOST_NAMESPACES} namespaces; found more; export the track again"
        )


def _parse(path: Path, data: bytes) -> "GPX":
    import gpxpy
    from gpxpy.gpx import GPXException

    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _refuse(path, error) from error
    if not re.search(r"<(?:\w+:)?gpx[\s/>]", text):
        raise AnnotateError(f"{path}: expected a GPX file; found other XML; export the track as GPX")
    try:
        # The declaration may name another encoding than the one decoded by; text has none.
        return gpxpy.parse(re.sub(r"^\s*<\?xml[^>]*\?>", "", text, count=1))
    except (GPXException, ValueError, TypeError, LookupError, ArithmeticError) as error:
        raise _refuse(path, error) from error


def _refuse(path: Path, error: Exception) -> AnnotateError:
    return AnnotateError(
        f"{path}: expected a GPX file in UTF-8; found one that cannot be read ({error}); export the track again"
    )


def _gather(path: Path, gpx: "GPX") -> tuple[list[tuple[float, float, float, float]], int, list[str]]:
    """Return (UNIX time, latitude, longitude, error) of each position with a time, how many have none, and notes."""
    rows, untimed, no_zone = [], 0, False
    for point in _list_points(gpx):
        if point.time is None:
            untimed += 1
            continue
        no_zone = no_zone or point.time.tzinfo is None
        moment = point.time.replace(tzinfo=UTC) if point.time.tzinfo is None else point.time
        latitude, longitude = point.latitude, point.longitude
        if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
            raise AnnotateError(
                f"{path}: expected latitudes to 90 and longitudes to 180 degrees; found {latitude:g}, {longitude:g}; "
                "export the track again"
            )
        if moment < EARLIEST:
            raise AnnotateError(
                f"{path}: expected times of this century; found {moment:%Y-%m-%d}; set the receiver's clock"
            )
        rows.append((moment.timestamp(), latitude, longitude, _read_error(point)))
    notes = ["its times name no zone; they are taken as UTC, as GPX prescribes"] if no_zone else []
    if len(gpx.tracks) > 1:
        notes.append(f"its {len(gpx.tracks)} tracks are taken as one walk")
    return rows, untimed, notes


def _list_points(gpx: "GPX") -> "Iterator[GPXTrackPoint]":
    for track in gpx.tracks:
        for segment in track.segments:
            yield from segment.points


def _read_error(point: "GPXTrackPoint") -> float:
    """Return the radius that the point states for itself, else one from its dilution of precision, else the usual."""
    for extension in point.extensions:
        for element in extension.iter():
            name = str(element.tag).rpartition("}")[2].lower()
            if name in ACCURACY_NAMES and (stated := _read_number(element.text)) is not None:
                return min(max(stated, LEAST_ERROR_M), MOST_ERROR_M)
    dilution = point.horizontal_dilution
    if dilution is not None and math.isfinite(dilution) and dilution > 1:
        # A dilution of 1 is the best sky there is; the usual error is stated for it.
        return min(USUAL_ERROR_M * dilution, MOST_ERROR_M)
    return USUAL_ERROR_M


def _read_number(text: str | None) -> float | None:
    try:
        number = float(text or "")
    except ValueError:
        return None
    return number if math.isfinite(number) and number > 0 else None

"""The register of trees from and to files: each cell checked, all imported or nothing.

One row of a table, or one point of a GeoJSON file, is one tree. Positions are kept as degrees of WGS 84 and may be given as
such, as a reference of the British national grid, or in any EPSG system (`annotate.field.positions`); what that leaves open is
added to their accuracy. A decimal comma is understood where cells are not parted by commas. What happens in the database stands
in `annotate.logbook.places`, how GeoJSON is read and written in `annotate.field.geojson`.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from annotate.errors import AnnotateError
from annotate.field.geojson import DEGREES_DECIMALS, GEOJSON_ENDINGS, read_points, write_points
from annotate.field.positions import Position, is_in_degrees, place_coordinates, place_grid_reference
from annotate.field.site_plan import EARTH_RADIUS_M
from annotate.json_files import write_text
from annotate.logbook.opening import Logbook
from annotate.logbook.places import TreeChange, TreeEntry, list_trees, write_trees
from annotate.logbook.records import Tree
from annotate.sheets import Cell, Sheet, SheetError, read_sheet, write_sheet

COLUMNS = (
    "site",
    "code",
    "host_taxon",
    "latitude_deg",
    "longitude_deg",
    "accuracy_m",
    "height_m",
    "notes",
    "cautions",
    "expected_taxon",
    "walk_order",
    "marker",
)
"""Of a table that is written."""

POSITION_COLUMNS = ("grid_ref", "easting", "northing", "epsg")
READ_COLUMNS = (*COLUMNS, *POSITION_COLUMNS)
"""Of one that is read."""

REQUIRED = ("site", "code")

LONGEST_CODE = 40
LONGEST_TEXT = 2000
SITE_MARK = "/"
"""Stands between site and tree where both are named, so no code may hold it."""

MOST_ACCURACY_M = 10_000
MOST_HEIGHT_M = 130
"""The tallest known tree is a coast redwood of about 116 m (from memory)."""

STRAY_M = 20_000
"""A tree farther than this from every other one of its site is told of: no walk is so long, and a wrong letter of a grid
reference or a latitude for a longitude is 100 km and more."""

MOST_PLACES = 9999
MOST_MARKER = 249
MOST_METRES = 1e8
MOST_EPSG = 99_999

RANGES = {
    "latitude_deg": (-90.0, 90.0, "degrees"),
    "longitude_deg": (-180.0, 180.0, "degrees"),
    "accuracy_m": (0.0, MOST_ACCURACY_M, "metres, more than 0"),
    "height_m": (0.0, MOST_HEIGHT_M, "metres, more than 0"),
    "walk_order": (1, MOST_PLACES, "whole steps"),
    "marker": (0, MOST_MARKER, "a card, whole"),
    "easting": (-MOST_METRES, MOST_METRES, "metres"),
    "northing": (-MOST_METRES, MOST_METRES, "metres"),
    "epsg": (1024, MOST_EPSG, "an EPSG system, whole"),
}
ABOVE_ZERO = ("accuracy_m", "height_m")
WHOLE = ("walk_order", "marker", "epsg")


@dataclass(frozen=True, slots=True)
class TreeImport:
    """What an import did: one change a row, and what to know about how the file was read."""

    changes: tuple[TreeChange, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Said:
    """What a file says of one tree: where in the file, in words, and the cells by column."""

    where: str
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong with what is said of a tree: the column, empty where several are concerned, and a sentence."""

    column: str
    sentence: str


def import_trees(logbook: Logbook, path: Path, *, who: str = "import") -> TreeImport:
    """Import a CSV or GeoJSON file of trees; known trees are updated in what the file says, sites are made where new.

    Parameters
    ----------
    who : stands in the history of what is changed

    Raises
    ------
    annotate.errors.AnnotateError
        Where anything in the file is wrong; the message names every place, and nothing is imported.
    """
    if path.suffix.casefold() in GEOJSON_ENDINGS:
        points = read_points(path, known=READ_COLUMNS)
        said = [Said(point.where, point.cells) for point in points.points]
        entries, notes = read_entries(path, said, comma_is_decimal=False)
        return _write_entries(logbook, entries, notes=(*points.notes, *notes), who=who)
    sheet = read_sheet(path, known=READ_COLUMNS, required=REQUIRED)
    entries, notes = read_entries(path, list_rows(sheet), comma_is_decimal=sheet.separator != ",")
    return _write_entries(logbook, entries, notes=(*sheet.notes, *notes), who=who)


def export_trees(path: Path, trees: Sequence[Tree]) -> None:
    """Write trees as CSV, or as GeoJSON where the file's name says so, in a form that `import_trees` reads.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the name ends otherwise, or the file cannot be written.
    """
    ending = path.suffix.casefold()
    rows = [describe_tree(tree) for tree in trees]
    if ending in GEOJSON_ENDINGS:
        text = write_points(rows)
    elif ending == ".csv":
        text = write_sheet(COLUMNS, rows)
    else:
        raise AnnotateError(
            f"{path}: expected a file that ends in .csv or .geojson; found {path.suffix or 'no ending'!r}; name it so"
        )
    write_text(path, text, what="the trees", advice="choose another file")


def tell_strays(trees: Sequence[Tree], *, among: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Return a sentence for each tree that stands far from all others of its site.

    Parameters
    ----------
    trees : all of the sites
    among : (site, code) of those to look at
    """
    wanted = set(among)
    sentences = []
    for tree in trees:
        if (tree.site, tree.code) not in wanted:
            continue
        nearest_m = _find_nearest(tree, trees)
        if nearest_m is not None and nearest_m > STRAY_M:
            sentences.append(
                f"{tree.code} stands {nearest_m / 1000:,.0f} km from the nearest other tree of {tree.site}; check its "
                "position, such as the letters of its grid reference, the sign of its longitude, and which number is which"
            )
    return tuple(sentences)


def _find_nearest(tree: Tree, trees: Sequence[Tree]) -> float | None:
    """Return metres to a tree of the same site no farther than `STRAY_M`, else to the nearest; None without positions."""
    nearest_m: float | None = None
    for other in trees:
        if other.site != tree.site or other == tree:
            continue
        apart_m = _measure_apart(tree, other)
        if apart_m is not None and (nearest_m is None or apart_m < nearest_m):
            nearest_m = apart_m
            if nearest_m <= STRAY_M:
                break
    return nearest_m


def _measure_apart(tree: Tree, other: Tree) -> float | None:
    """Return metres between two trees along the sphere, None where one has no position."""
    from pyproj import Geod

    here, there = (tree.longitude_deg, tree.latitude_deg), (other.longitude_deg, other.latitude_deg)
    if None in here or None in there:
        return None
    sphere = Geod(a=EARTH_RADIUS_M, b=EARTH_RADIUS_M)
    return float(sphere.inv(*here, *there)[2])


def _write_entries(
    logbook: Logbook, entries: Sequence[TreeEntry], *, notes: tuple[str, ...], who: str
) -> TreeImport:
    changes = write_trees(logbook, entries, who=who)
    strays = tell_strays(list_trees(logbook), among=((one.site, one.code) for one in changes))
    return TreeImport(changes, (*notes, *strays))


def list_rows(sheet: Sheet) -> list[Said]:
    """Return the rows of a table as what they say."""
    return [Said(f"row {row.number}", row.cells) for row in sheet.rows]


def read_entries(
    path: Path, said: Sequence[Said], *, comma_is_decimal: bool
) -> tuple[tuple[TreeEntry, ...], tuple[str, ...]]:
    """Return the trees that a file tells of, and what to know about their positions; or raise an error that names all places."""
    problems: list[str] = []
    notes: list[str] = []
    number = _NumberReader(comma_is_decimal=comma_is_decimal)
    entries = []
    for one in said:
        wrong: list[Problem] = []
        entries.append(_read_tree(one.cells, number, problems=wrong, notes=notes))
        problems += [
            f"{one.where}{f', column {problem.column}' if problem.column else ''}: {problem.sentence}"
            for problem in wrong
        ]
    problems += _find_doubles(said)
    if problems:
        raise SheetError(
            str(path), problems, advice="nothing was imported; correct the file and import it again"
        )
    if not entries:
        raise AnnotateError(
            f"{path}: expected at least one tree; found none in it; add a row, or a point, for each tree"
        )
    return tuple(entries), tuple(dict.fromkeys(notes))


def read_form(cells: Mapping[str, str]) -> tuple[TreeEntry, tuple["Problem", ...], tuple[str, ...]]:
    """Return the tree that a filled form tells of, what is wrong with it, and what to know about its position.

    Where anything is wrong, the tree is not to be used. A decimal comma is understood.
    """
    problems: list[Problem] = []
    notes: list[str] = []
    entry = _read_tree(cells, _NumberReader(comma_is_decimal=True), problems=problems, notes=notes)
    return entry, tuple(problems), tuple(notes)


def describe_tree(tree: Tree) -> dict[str, Cell]:
    """Return a tree as data; the names are those that `import_trees` reads."""
    return {name: getattr(tree, name) for name in COLUMNS}


def _read_tree(
    cells: Mapping[str, str], number: "_NumberReader", *, problems: list["Problem"], notes: list[str]
) -> TreeEntry:
    """Return the tree that cells tell of; what is wrong with it is added to `problems`."""

    def read(column: str, reader: Callable[[str, str], Any]) -> Any:
        try:
            return reader(column, cells.get(column, ""))
        except AnnotateError as error:
            problems.append(Problem(column, str(error)))
            return None

    values = {}
    before = len(problems)
    for column in cells:
        if column in RANGES:
            values[column] = read(column, number)
        elif column not in REQUIRED:
            values[column] = read(column, _read_text)
    site, code = read("site", read_code), read("code", read_code)
    if len(problems) == before:
        try:
            _settle_position(values, cells, notes=notes)
        except AnnotateError as error:
            problems.append(Problem("", str(error)))
    return TreeEntry(
        site or "", code or "", {name: value for name, value in values.items() if name in COLUMNS}
    )


def _settle_position(values: dict[str, Any], cells: Mapping[str, str], *, notes: list[str]) -> None:
    """Put degrees of WGS 84 into the values, in whichever way the place is given; and what that leaves open into the accuracy."""
    if not any(name in cells for name in ("latitude_deg", "longitude_deg", *POSITION_COLUMNS)):
        return
    position = _read_position(values, cells)
    if position is None:
        values["latitude_deg"] = values["longitude_deg"] = None
        return
    # As files are written, so that what goes out comes back the same.
    values["latitude_deg"] = round(position.latitude_deg, DEGREES_DECIMALS)
    values["longitude_deg"] = round(position.longitude_deg, DEGREES_DECIMALS)
    if position.note:
        notes.append(position.note)
    given_m = values.get("accuracy_m")
    if cells.get("grid_ref"):
        # Whatever somebody says, the reference names a square and no better place in it.
        values["accuracy_m"] = max(round(position.error_m, 1), given_m or 0.0)
    elif position.error_m and given_m is not None:
        values["accuracy_m"] = given_m + position.error_m


def _read_position(values: Mapping[str, Any], cells: Mapping[str, str]) -> Position | None:
    degrees = [name for name in ("latitude_deg", "longitude_deg") if cells.get(name)]
    metres = [name for name in ("easting", "northing") if cells.get(name)]
    reference, epsg = cells.get("grid_ref", ""), values.get("epsg")
    if len(degrees) == 1:
        raise AnnotateError(
            "expected both latitude_deg and longitude_deg or neither; found one of them; add the other"
        )
    if len(metres) == 1:
        raise AnnotateError("expected both easting and northing or neither; found one of them; add the other")
    if bool(degrees) + bool(metres) + bool(reference) > 1:
        raise AnnotateError(
            "expected a position given in one way; found two of degrees, easting with northing, and grid_ref; leave one"
        )
    if reference:
        return place_grid_reference(reference)
    if metres:
        return _place_metres(values, epsg)
    if not degrees:
        return None
    if epsg is None:
        return Position(values["latitude_deg"], values["longitude_deg"], 0.0, "")
    if not is_in_degrees(epsg):
        raise AnnotateError(
            f"expected easting and northing for EPSG:{epsg}, which is in metres; found degrees; use those columns"
        )
    return place_coordinates(values["longitude_deg"], values["latitude_deg"], epsg=epsg)


def _place_metres(values: Mapping[str, Any], epsg: int | None) -> Position:
    if epsg is None:
        raise AnnotateError(
            "expected the EPSG code of easting and northing in the column epsg, such as 27700; found none; add it"
        )
    if is_in_degrees(epsg):
        raise AnnotateError(
            f"expected latitude_deg and longitude_deg for EPSG:{epsg}, which is in degrees; found easting and northing; "
            "use those columns"
        )
    return place_coordinates(values["easting"], values["northing"], epsg=epsg)


def _find_doubles(said: Sequence[Said]) -> Iterable[str]:
    first: dict[tuple[str, str], str] = {}
    for one in said:
        site, code = one.cells.get("site", ""), one.cells.get("code", "")
        key = (site.casefold(), code.casefold())
        if key in first and all(key):
            yield (
                f"{one.where}, column code: expected each tree once; found {code!r} of site "
                f"{site!r} again, first in {first[key]}; remove one of them or give it another code"
            )
        first.setdefault(key, one.where)


def read_code(column: str, cell: str) -> str:
    """Return the code of a site or tree; the column says in the message which it is."""
    if not cell:
        raise AnnotateError(f"expected a short name; found an empty cell; write the {column} into it")
    if SITE_MARK in cell or not cell.isprintable() or len(cell) > LONGEST_CODE:
        raise AnnotateError(
            f"expected at most {LONGEST_CODE} letters on one line without {SITE_MARK!r}; found {cell[:60]!r}; change it"
        )
    return cell


def _read_text(column: str, cell: str) -> str:
    if len(cell) > LONGEST_TEXT:
        raise AnnotateError(f"expected at most {LONGEST_TEXT} letters; found {len(cell)}; shorten it")
    odd = [letter for letter in cell if not letter.isprintable() and letter not in "\r\n\t"]
    if odd:
        raise AnnotateError(f"expected letters that can be shown; found {odd[0]!r}; remove it")
    return cell.replace("\r\n", "\n").replace("\r", "\n")


@dataclass(frozen=True, slots=True)
class _NumberReader:
    """Reads a number in the range of its column; an empty cell is None."""

    comma_is_decimal: bool

    def __call__(self, column: str, cell: str) -> float | int | None:
        number = self._read(column, cell)
        if number is None or column not in WHOLE:
            return number
        if number != int(number):
            raise AnnotateError(f"expected a whole number; found {cell[:60]!r}; correct it")
        return int(number)

    def _read(self, column: str, cell: str) -> float | None:
        if not cell:
            return None
        least, most, unit = RANGES[column]
        expected = f"expected a number of {unit} from {least:g} to {most:g}"
        plain = cell.replace("\N{MINUS SIGN}", "-")
        if "," in plain and not self.comma_is_decimal:
            raise AnnotateError(
                f"{expected}; found {cell!r}; write a point, not a comma, before the decimals"
            )
        if self.comma_is_decimal and plain.count(",") == 1 and "." not in plain:
            plain = plain.replace(",", ".")
        try:
            number = float(plain) if plain.isascii() and "_" not in plain else math.nan
        except ValueError:
            number = math.nan
        if math.isnan(number):
            advice = (
                "write decimal degrees, such as 51.0843"
                if unit == "degrees"
                else "write digits only, without a unit"
            )
            raise AnnotateError(f"{expected}; found {cell[:60]!r}; {advice}")
        if not least <= number <= most or (number == 0 and column in ABOVE_ZERO):
            swapped = "; are latitude and longitude swapped?" if column == "latitude_deg" else "; correct it"
            raise AnnotateError(f"{expected}; found {cell[:60]!r}{swapped}")
        return number


def sum_changes(changes: Sequence[TreeChange]) -> tuple[int, int, int]:
    """Return how many trees are new, changed and as they were."""
    new = sum(change.is_new for change in changes)
    changed = sum(bool(change.changed) for change in changes)
    return new, changed, len(changes) - new - changed


def sort_by_walk(trees: Iterable[Tree]) -> list[Tree]:
    """Return trees by site and, within it, in the order in which they are walked; those without a place in it last, by code."""
    return sorted(
        trees, key=lambda tree: (tree.site, tree.walk_order is None, tree.walk_order or 0, tree.code)
    )

"""The register of trees from a file: each cell checked, all imported or nothing.

One row is one tree. Positions are degrees of WGS 84. A decimal comma is understood where cells are not parted by commas. What
happens in the database stands in `annotate.logbook.places`.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from annotate.errors import AnnotateError
from annotate.logbook.opening import Logbook
from annotate.logbook.places import TreeChange, TreeEntry, write_trees
from annotate.logbook.records import Tree
from annotate.sheets import Cell, Sheet, SheetError, SheetRow, read_sheet

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
)
REQUIRED = ("site", "code")

LONGEST_CODE = 40
LONGEST_TEXT = 2000
SITE_MARK = "/"
"""Stands between site and tree where both are named, so no code may hold it."""

MOST_ACCURACY_M = 10_000
MOST_HEIGHT_M = 130
"""The tallest known tree is a coast redwood of about 116 m (from memory)."""

RANGES = {
    "latitude_deg": (-90.0, 90.0, "degrees"),
    "longitude_deg": (-180.0, 180.0, "degrees"),
    "accuracy_m": (0.0, MOST_ACCURACY_M, "metres, more than 0"),
    "height_m": (0.0, MOST_HEIGHT_M, "metres, more than 0"),
}
ABOVE_ZERO = ("accuracy_m", "height_m")


@dataclass(frozen=True, slots=True)
class TreeImport:
    """What an import did: one change a row, and what to know about how the file was read."""

    changes: tuple[TreeChange, ...]
    notes: tuple[str, ...]


def import_trees(logbook: Logbook, path: Path) -> TreeImport:
    """Import a CSV file of trees; known trees are updated in the columns the file has, sites are made where new.

    Raises
    ------
    annotate.errors.AnnotateError
        Where anything in the file is wrong; the message names every place, and nothing is imported.
    """
    sheet = read_sheet(path, known=COLUMNS, required=REQUIRED)
    entries = read_entries(path, sheet)
    return TreeImport(write_trees(logbook, entries), sheet.notes)


def read_entries(path: Path, sheet: Sheet) -> tuple[TreeEntry, ...]:
    """Return the trees of a sheet, or raise a `SheetError` that names all wrong cells."""
    problems: list[str] = []
    entries = [_read_row(sheet, row, problems=problems) for row in sheet.rows]
    problems += _find_doubles(sheet)
    if problems:
        raise SheetError(
            str(path), problems, advice="nothing was imported; correct the file and import it again"
        )
    if not entries:
        raise AnnotateError(
            f"{path}: expected at least one tree under the header; found no rows; add a row for each tree"
        )
    return tuple(entries)


def describe_tree(tree: Tree) -> dict[str, Cell]:
    """Return a tree as data; the names are those that `import_trees` reads."""
    return {name: getattr(tree, name) for name in COLUMNS}


def _read_row(sheet: Sheet, row: SheetRow, *, problems: list[str]) -> TreeEntry:
    """Return the tree of a row; what is wrong with it is added to `problems`."""

    def read(column: str, reader: Callable[[str, str], Any]) -> Any:
        try:
            return reader(column, row.cells[column])
        except AnnotateError as error:
            problems.append(f"row {row.number}, column {column}: {error}")
            return None

    values = {}
    for column in sheet.columns:
        if column in RANGES:
            values[column] = read(column, _NumberReader(comma_is_decimal=sheet.separator != ","))
        elif column not in REQUIRED:
            values[column] = read(column, _read_text)
    site, code = read("site", _read_code), read("code", _read_code)
    if _has_half_position(row):
        problems.append(
            f"row {row.number}: expected both latitude_deg and longitude_deg or neither; found one of them; add the other"
        )
    return TreeEntry(site or "", code or "", values)


def _has_half_position(row: SheetRow) -> bool:
    return bool(row.cells.get("latitude_deg")) != bool(row.cells.get("longitude_deg"))


def _find_doubles(sheet: Sheet) -> Iterable[str]:
    first: dict[tuple[str, str], int] = {}
    for row in sheet.rows:
        key = (row.cells["site"].casefold(), row.cells["code"].casefold())
        if key in first and all(key):
            yield (
                f"row {row.number}, column code: expected each tree once; found {row.cells['code']!r} of site "
                f"{row.cells['site']!r} again, first in row {first[key]}; remove one of the rows or give it another code"
            )
        first.setdefault(key, row.number)


def _read_code(column: str, cell: str) -> str:
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

    def __call__(self, column: str, cell: str) -> float | None:
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

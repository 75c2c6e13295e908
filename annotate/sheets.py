"""Tables as text files: CSV read as people and spreadsheets write it, and written so that any program reads it.

Reading takes UTF-8 with or without a byte order mark, UTF-16 with one, and Windows-1252; cells parted by commas, semicolons or
tabs. Rows are numbered as a spreadsheet numbers them, the header being row 1. Writing follows RFC 4180 in UTF-8. A text cell
that a spreadsheet would run as a formula is written with an apostrophe before it, and reading takes that apostrophe away
again. What the cells mean is for others to say.
"""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from unicodedata import normalize

from annotate.errors import AnnotateError

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""First letters by which a spreadsheet takes a cell for a formula (OWASP, CSV Injection)."""

MOST_PROBLEMS_SHOWN = 20
MOST_BYTES = 20_000_000
"""No register of trees is larger; a film chosen by mistake is."""

NEAR_ENOUGH = 0.6

Cell = str | float | int | None


class SheetError(AnnotateError):
    """A table that cannot be read; `problems` has one sentence for each place, the message has them all."""

    def __init__(self, what: str, problems: Sequence[str], *, advice: str) -> None:
        self.problems = tuple(problems)
        super().__init__(_join_problems(what, problems, advice=advice))


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row: its number as a spreadsheet shows it, and its cells by column."""

    number: int
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table that was read.

    Attributes
    ----------
    columns : those present, in order, by their known names
    separator : what stood between the cells
    notes : what a person should know about how it was read
    """

    columns: tuple[str, ...]
    rows: tuple[SheetRow, ...]
    separator: str
    notes: tuple[str, ...]


def read_sheet(path: Path, *, known: Sequence[str], required: Sequence[str]) -> Sheet:
    """Read a CSV file whose first row names its columns.

    Parameters
    ----------
    known : columns that may stand there, whatever their order and capitals
    required : those of them that must

    Raises
    ------
    annotate.errors.AnnotateError
        Where the file cannot be read or is no table.
    SheetError
        Where the header or rows are wrong; all such places are named at once.
    """
    text, notes = _decode(path, _read_bytes(path))
    header = text.split("\n", 1)[0]
    separator = max(SEPARATORS, key=lambda mark: _count_known(header, mark, known=known))
    records = _split(path, text, separator=separator)
    if not records:
        raise AnnotateError(
            f"{path}: expected a table whose first row names its columns; found nothing in it; its columns are {', '.join(known)}"
        )
    columns = _read_header(path, records[0], known=known, required=required, separator=separator)
    rows: list[SheetRow] = []
    problems: list[str] = []
    for number, record in enumerate(records[1:], start=2):
        cells = [_clean(cell) for cell in record]
        if not any(cells):
            continue
        if len(cells) > len(columns) and not any(cells[len(columns) :]):
            cells = cells[: len(columns)]
        if len(cells) != len(columns):
            problems.append(
                f"row {number}: expected {len(columns)} cells; found {len(cells)}; "
                f"put quotation marks around a text that holds a {SEPARATORS[separator]}"
            )
            continue
        rows.append(SheetRow(number, dict(zip(columns, cells, strict=True))))
    if problems:
        raise SheetError(
            str(path), problems, advice="nothing was imported; correct the file and import it again"
        )
    return Sheet(columns, tuple(rows), separator, notes)


def write_sheet(columns: Sequence[str], rows: Sequence[Mapping[str, Cell]]) -> str:
    """Return a table as CSV (RFC 4180: commas, CRLF, quotation marks doubled); None becomes an empty cell."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, dialect="excel", lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_write_cell(row[column]) for column in columns])
    return stream.getvalue()


def guard_formula(text: str) -> str:
    """Return a text with an apostrophe before it where a spreadsheet would run it, or where reading would drop one."""
    return "'" + text if text.lstrip(" '").startswith(FORMULA_STARTS) else text


def strip_guard(text: str) -> str:
    """Return what `guard_formula` was given."""
    return text[1:] if text.startswith("'") and text.lstrip(" '").startswith(FORMULA_STARTS) else text


def _join_problems(what: str, problems: Sequence[str], *, advice: str) -> str:
    if len(problems) == 1:
        return f"{what}, {problems[0]}; {advice}"
    shown = [f"  {problem}" for problem in problems[:MOST_PROBLEMS_SHOWN]]
    if len(problems) > MOST_PROBLEMS_SHOWN:
        shown.append(f"  and {len(problems) - MOST_PROBLEMS_SHOWN} more")
    return "\n".join([f"{what}: {len(problems)} places are wrong; {advice}:", *shown])


def _read_bytes(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise AnnotateError(f"{path}: expected a CSV file; found a folder; name the file in it")
        if path.stat().st_size > MOST_BYTES:
            raise AnnotateError(
                f"{path}: expected a CSV file of at most {MOST_BYTES // 1_000_000} MB; "
                f"found {path.stat().st_size // 1_000_000} MB; check that it is the right file"
            )
        return path.read_bytes()
    except OSError as error:
        raise AnnotateError(
            f"{path}: expected a CSV file that can be read; found '{error.strerror}'; check its name and rights"
        ) from error


def _decode(path: Path, data: bytes) -> tuple[str, tuple[str, ...]]:
    encodings = ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            break
        note = f"{path.name} is not UTF-8 and was read as Windows-1252; check the letters with marks"
        return text, (note,) if encoding == "cp1252" else ()
    raise AnnotateError(
        f"{path}: expected text in UTF-8 or Windows-1252; found bytes that are neither; save it as 'CSV UTF-8'"
    )


def _count_known(header: str, separator: str, *, known: Sequence[str]) -> int:
    names = [name.strip().strip('"').casefold() for name in header.split(separator)]
    return sum(name in known for name in names)


def _split(path: Path, text: str, *, separator: str) -> list[list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    records: list[list[str]] = []
    try:
        records.extend(reader)
    except csv.Error as error:
        raise AnnotateError(
            f"{path}, row {len(records) + 1}: expected cells with closed quotation marks; found '{error}'; "
            "nothing was imported; correct that row"
        ) from error
    return records


SHORTEST_STEM = 3
"""A column's name may be cut short, but not to less: "lat" is latitude_deg, "a" might be anything."""


def _complete(name: str, known: Sequence[str]) -> list[str]:
    """Return the one known name that begins with a name cut short, or nothing."""
    longer = [one for one in known if len(name) >= SHORTEST_STEM and one.startswith(name)]
    return longer if len(longer) == 1 else []


def _read_header(
    path: Path, record: Sequence[str], *, known: Sequence[str], required: Sequence[str], separator: str
) -> tuple[str, ...]:
    names = [_clean(cell).casefold() for cell in record]
    while names and not names[-1]:
        names.pop()
    problems = []
    missing = [name for name in required if name not in names]
    otherwise = (
        f"remove it, or name it {missing[0]!r} if that is what it holds" if len(missing) == 1 else "remove it"
    )
    for number, name in enumerate(names, start=1):
        if name not in known:
            nearest = get_close_matches(name, known, n=1, cutoff=NEAR_ENOUGH) or _complete(name, known)
            advice = f"did you mean {nearest[0]!r}?" if nearest else otherwise
            problems.append(
                f"row 1, column {number}: expected one of {', '.join(known)}; found {_clean(record[number - 1])[:60]!r}; {advice}"
            )
        elif name in names[: number - 1]:
            problems.append(
                f"row 1, column {number}: expected each column once; found {name!r} again; remove one"
            )
    if missing:
        problems.append(
            f"row 1: expected the columns {', '.join(required)}; found no {' and no '.join(missing)} "
            f"(cells parted by {SEPARATORS[separator]}s); name the columns in the first row"
        )
    if problems:
        raise SheetError(
            str(path), problems, advice="nothing was imported; correct the file and import it again"
        )
    return tuple(names)


def _clean(cell: str) -> str:
    """Return a cell in composed Unicode, without outer blanks and the guard against formulas."""
    return strip_guard(normalize("NFC", cell).strip())


def _write_cell(value: Cell) -> str:
    if value is None:
        return ""
    return guard_formula(value) if isinstance(value, str) else str(value)

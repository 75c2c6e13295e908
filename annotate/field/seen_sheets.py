"""Records by eye from a file: one row each, all imported or nothing; the same file again changes nothing.

Needed are `tree` and either `date` (with `time` by the local clock, or noon) or one of `at_local` and `at_utc`. The columns are
those that `leafshade observations --by-eye --csv` writes, so its tables can be read back; `id`, `zone` and `candidate_id` are
read over, for they belong to the logbook they come from. A count of 0, or the source "none found", is a search in vain. A row
is known by its `entry_key`, and without one by all it says: corrected in the file it is another row, so correct what was
imported in the logbook.
"""

import hashlib
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from annotate.errors import AnnotateError
from annotate.field.field_photos import read_photo_file
from annotate.field.seen import check_together, read_moment, read_stamp, read_text, read_value
from annotate.field.visits import read_date
from annotate.logbook.by_eye import SEEN_SOURCES, EntryDone, SeenEntry, add_seen
from annotate.logbook.opening import Logbook
from annotate.logbook.pictures import keep_picture, picture_path
from annotate.logbook.places import find_tree, list_sites
from annotate.logbook.records import Tree
from annotate.sheets import Sheet, SheetError, SheetRow, read_sheet
from annotate.words import read_word
from annotate.zones import find_local_date

VALUES = (
    "taxon",
    "stage",
    "condition",
    "behaviour",
    "note",
    "count",
    "observer",
    "height_m",
    "aspect",
    "branch",
    "marker",
    "searched_min",
    "length_mm",
    "length_error_mm",
    "length_from",
)
WHEN = ("date", "time", "at_local", "at_utc")
READ_OVER = ("id", "zone", "candidate_id")
COLUMNS = (*WHEN, "site", "tree", *VALUES, "source", "photo", "evidence_sha256", "entry_key")
KNOWN = (*COLUMNS, "withdrawn_at_utc", *READ_OVER)
REQUIRED = ("tree",)

LONGEST_KEY = 100
KEY_PREFIX = "row-"


@dataclass(frozen=True, slots=True)
class SeenImport:
    """What an import did.

    Attributes
    ----------
    rows : (row number, what became of it)
    notes : what a person should know
    """

    rows: tuple[tuple[int, EntryDone], ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Row:
    """A row read: its entry, the photo to keep with it, and the hash of the picture that another logbook had."""

    number: int
    entry: SeenEntry
    photo: bytes | None
    has_time: bool


def import_seen(
    logbook: Logbook, path: Path, *, observer: str = "", now: datetime | None = None
) -> SeenImport:
    """Import a CSV file of records by eye.

    Parameters
    ----------
    observer : stands where a row names nobody

    Raises
    ------
    annotate.errors.AnnotateError
        Where anything in the file is wrong; the message names every place, and nothing is imported.
    """
    sheet = read_sheet(path, known=KNOWN, required=REQUIRED)
    rows = _read_rows(logbook, path, sheet, observer=observer, now=now or datetime.now(UTC))
    missing = [
        row.number for row in rows if row.entry.evidence and not _has_picture(logbook, row.entry.evidence)
    ]
    entries = []
    for row in rows:
        evidence = None if row.number in missing else row.entry.evidence
        if row.photo is not None:
            evidence = keep_picture(logbook, row.photo)
        entries.append(replace(row.entry, evidence=evidence))
    done = add_seen(logbook, entries)
    notes = list(sheet.notes)
    if missing:
        notes.append(
            f"not in this logbook: the pictures of {_say_rows(missing)}; their records stand without"
        )
    if at_noon := [row.number for row in rows if not row.has_time]:
        notes.append(f"no time given in {_say_rows(at_noon)}: noon was written")
    paired = tuple((row.number, one) for row, one in zip(rows, done, strict=True))
    if other := [number for number, one in paired if one.differs]:
        notes.append(f"left as it is in the logbook, where it says something else by now: {_say_rows(other)}")
    return SeenImport(paired, tuple(notes))


def make_key(values: Mapping[str, Any], *, copy: int) -> str:
    """Return the key of a row without one: a hash of all it says, and of how many rows before it say the same."""
    text = json.dumps([sorted(values.items()), copy], ensure_ascii=False, default=str)
    return KEY_PREFIX + hashlib.sha256(text.encode()).hexdigest()


def _read_rows(
    logbook: Logbook, path: Path, sheet: Sheet, *, observer: str, now: datetime
) -> tuple[_Row, ...]:
    problems: list[str] = []
    if not any(column in sheet.columns for column in ("date", "at_local", "at_utc")):
        raise SheetError(
            str(path),
            ["row 1: expected a column date, at_local or at_utc; found none of them; say when each was seen"],
            advice="nothing was imported; correct the file and import it again",
        )
    reader = _RowReader(logbook, path, sheet, observer=observer, now=now, problems=problems)
    rows = [reader.read(row) for row in sheet.rows]
    problems += _find_double_keys(rows)
    if problems:
        raise SheetError(
            str(path), problems, advice="nothing was imported; correct the file and import it again"
        )
    if not rows:
        raise AnnotateError(
            f"{path}: expected at least one record under the header; found no rows; add a row for each record"
        )
    return tuple(row for row in rows if row is not None)


class _RowReader:
    """Reads row by row; what is wrong is gathered, and how often a row was there before is counted."""

    def __init__(
        self,
        logbook: Logbook,
        path: Path,
        sheet: Sheet,
        *,
        observer: str,
        now: datetime,
        problems: list[str],
    ) -> None:
        self._logbook = logbook
        self._folder = path.parent
        self._comma_is_decimal = sheet.separator != ","
        self._observer = observer
        self._now = now
        self._problems = problems
        self._zones = {site.code: site.zone for site in list_sites(logbook)}
        self._copies: Counter[str] = Counter()
        self._trees: dict[str, Tree] = {}

    def read(self, row: SheetRow) -> _Row | None:
        """Return a row read, None where something in it is wrong."""
        before = len(self._problems)
        cells = row.cells
        tree = self._try(row, "tree", lambda: self._find_tree(cells))
        values: dict[str, Any] = {}
        for column in VALUES:
            if column in cells:
                values[column] = self._try(row, column, lambda c=column: self._read(c, cells[c]))
        self._try(row, "source", lambda: self._settle_count(cells, values))
        self._try(row, "count", lambda: check_together(values))
        zone = self._zones[tree.site] if tree else "UTC"
        at = self._try(row, _name_when(cells), lambda: self._read_when(cells, zone))
        withdrawn_at = self._try(row, "withdrawn_at_utc", lambda: self._read_withdrawn(cells, zone))
        photo = self._try(row, "photo", lambda: self._read_photo(cells))
        evidence = self._try(row, "evidence_sha256", lambda: _read_hash(cells.get("evidence_sha256", "")))
        key = self._try(row, "entry_key", lambda: _read_key(cells.get("entry_key", "")))
        if len(self._problems) > before or tree is None or at is None:
            return None
        if not key:
            content = {column: cells[column] for column in COLUMNS if cells.get(column)}
            plain = make_key(content, copy=0)
            key = make_key(content, copy=self._copies[plain])
            self._copies[plain] += 1
        said = {name: value for name, value in values.items() if value is not None}
        said["observer"] = said.get("observer") or self._observer
        entry = SeenEntry(
            tree_id=tree.id, at=at, evidence=evidence, entry_key=key, withdrawn_at=withdrawn_at, **said
        )
        has_time = any(cells.get(column) for column in ("time", "at_local", "at_utc"))
        return _Row(row.number, entry, photo, has_time)

    def _try(self, row: SheetRow, column: str, act: Any) -> Any:
        try:
            return act()
        except AnnotateError as error:
            said = str(error).removeprefix(f"{column}: ")
            named, _, rest = said.partition(": ")
            if named in WHEN:
                # Of date and time it is the one that the error is about, if there is such a cell.
                column, said = (named if row.cells.get(named) else column), rest
            self._problems.append(f"row {row.number}, column {column}: {said}")
            return None

    def _find_tree(self, cells: Mapping[str, str]) -> Tree:
        site = cells.get("site", "")
        word = f"{site}/{cells['tree']}" if site else cells["tree"]
        if word not in self._trees:
            self._trees[word] = find_tree(self._logbook, word)
        return self._trees[word]

    def _read(self, column: str, cell: str) -> Any:
        return read_value(column, cell, comma_is_decimal=self._comma_is_decimal)

    def _settle_count(self, cells: Mapping[str, str], values: dict[str, Any]) -> None:
        """Let source and count say the same; either may be left out."""
        source = read_word(cells.get("source", ""), (*SEEN_SOURCES, "footage"), what="source")
        if source == "footage":
            raise AnnotateError(
                "expected eye or none found; found 'footage'; such records arise when a candidate is confirmed: leave the row out"
            )
        count = values.get("count")
        if source == "none found" and count:
            raise AnnotateError(f"expected a count of 0 with none found; found {count}; correct one of them")
        if source == "eye" and count == 0:
            raise AnnotateError("expected a count of 1 or more with eye; found 0; correct one of them")
        values["count"] = 0 if source == "none found" else 1 if count is None else count

    def _read_when(self, cells: Mapping[str, str], zone: str) -> datetime:
        stamp = cells.get("at_utc") or cells.get("at_local")
        day = read_date(cells["date"]) if cells.get("date") else None
        if not stamp:
            if day is None:
                raise AnnotateError(
                    "expected a date such as 2026-05-17; found an empty cell; say when it was seen"
                )
            return read_moment(cells.get("time", ""), day=day, zone=zone, now=self._now)
        moment = read_stamp(
            stamp if not cells.get("at_utc") else stamp.replace("Z", "+00:00"),
            zone="UTC" if cells.get("at_utc") else zone,
            now=self._now,
        )
        if day is not None and find_local_date(moment, zone) != day:
            raise AnnotateError(
                f"expected {find_local_date(moment, zone)}, as {stamp} says; found {day}; "
                "correct one of them, or empty at_local and at_utc"
            )
        return moment

    def _read_withdrawn(self, cells: Mapping[str, str], zone: str) -> datetime | None:
        stamp = cells.get("withdrawn_at_utc", "")
        return read_stamp(stamp, zone="UTC", now=self._now) if stamp else None

    def _read_photo(self, cells: Mapping[str, str]) -> bytes | None:
        name = cells.get("photo", "")
        return read_photo_file(self._folder / name) if name else None


def _name_when(cells: Mapping[str, str]) -> str:
    """Return the column that an error about the moment is in."""
    for column in ("at_utc", "at_local", "time"):
        if cells.get(column):
            return column
    return "date"


def _read_hash(cell: str) -> str | None:
    name = cell.lower()
    if name and not (len(name) == 64 and all(letter in "0123456789abcdef" for letter in name)):
        raise AnnotateError(f"expected 64 hexadecimal letters; found {cell[:70]!r}; leave the cell empty")
    return name or None


def _read_key(cell: str) -> str:
    return read_text(cell, what="entry_key", longest=LONGEST_KEY)


def _find_double_keys(rows: list[_Row | None]) -> list[str]:
    first: dict[str, int] = {}
    problems = []
    for row in rows:
        if row is None:
            continue
        key = row.entry.entry_key
        if key in first:
            problems.append(
                f"row {row.number}, column entry_key: expected each key once; found {key[:60]!r} again, "
                f"first in row {first[key]}; empty it in one of them"
            )
        first.setdefault(key, row.number)
    return problems


def _has_picture(logbook: Logbook, sha256: str) -> bool:
    try:
        picture_path(logbook, sha256)
    except AnnotateError:
        return False
    return True


def _say_rows(numbers: list[int]) -> str:
    """Return "row 3" or "rows 3, 5 and 4 more"."""
    shown = ", ".join(str(number) for number in numbers[:5])
    more = f" and {len(numbers) - 5} more" if len(numbers) > 5 else ""
    return f"row {shown}" if len(numbers) == 1 else f"rows {shown}{more}"

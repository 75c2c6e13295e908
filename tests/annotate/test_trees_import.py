"""A file of trees is imported whole or not at all, however a spreadsheet wrote it, and every wrong cell is named."""

import csv
import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from annotate.errors import AnnotateError
from annotate.field.trees import COLUMNS, describe_tree, import_trees, sum_changes
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import find_tree, list_sites, list_trees
from annotate.sheets import SheetError, guard_formula, read_sheet, strip_guard, write_sheet

HEADER = "site,code,host_taxon,latitude_deg,longitude_deg,accuracy_m,height_m,notes,cautions"
GOOD = "OTTERHOLT,OT01,Populus tremula,51.0843,-1.2345,5,12.5,by the gate,dead wood"


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as opened:
        yield opened


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    """A logbook into which nothing is ever imported: every file named to it is refused."""
    with open_logbook(create_logbook(tmp_path_factory.mktemp("empty") / "book")) as opened:
        yield opened


def write(folder: Path, *lines: str, encoding: str = "utf-8", end: str = "\n") -> Path:
    path = folder / "trees.csv"
    path.write_bytes((end.join(lines) + end).encode(encoding))
    return path


def test_a_row_becomes_a_tree_and_its_site(logbook: Logbook, tmp_path: Path) -> None:
    """All columns arrive, and the site is made with the zone of the settings."""
    done = import_trees(logbook, write(tmp_path, HEADER, GOOD, "OTTERHOLT,OT02,,,,,,,"))
    assert sum_changes(done.changes) == (2, 0, 0) and done.notes == ()
    (site,) = list_sites(logbook)
    assert (site.code, site.zone) == ("OTTERHOLT", "Europe/London")
    first, second = list_trees(logbook)
    assert describe_tree(first) == {
        "site": "OTTERHOLT",
        "code": "OT01",
        "host_taxon": "Populus tremula",
        "latitude_deg": 51.0843,
        "longitude_deg": -1.2345,
        "accuracy_m": 5.0,
        "height_m": 12.5,
        "notes": "by the gate",
        "cautions": "dead wood",
        "expected_taxon": "",
        "walk_order": None,
        "marker": None,
    }
    assert (second.code, second.latitude_deg, second.notes) == ("OT02", None, "")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_spreadsheets_write_in_many_ways(tmp_path: Path, encoding: str, separator: str, end: str) -> None:
    """Byte order marks, Windows-1252, UTF-16, semicolons and tabs, and both line ends give the same cells."""
    header = separator.join(("Site", "CODE", "notes"))
    row = separator.join(("Höhe", "Ü1", '"grün, am; ""Tor"""'))
    path = write(tmp_path, header, row, encoding=encoding, end=end)
    sheet = read_sheet(path, known=COLUMNS, required=("site", "code"))
    assert [dict(read.cells) for read in sheet.rows] == [
        {"site": "Höhe", "code": "Ü1", "notes": 'grün, am; "Tor"'}
    ]
    assert sheet.rows[0].number == 2 and sheet.separator == separator
    assert bool(sheet.notes) == (encoding == "cp1252")


def test_a_decimal_comma_is_understood_where_it_can_be(logbook: Logbook, tmp_path: Path) -> None:
    """Between semicolons 51,0843 is a number; between commas it is refused, for it may be two cells or thousands."""
    import_trees(
        logbook, write(tmp_path, "site;code;latitude_deg;longitude_deg;height_m", "A;1;51,0843;-1,5;8.5")
    )
    (tree,) = list_trees(logbook)
    assert (tree.latitude_deg, tree.longitude_deg, tree.height_m) == (51.0843, -1.5, 8.5)
    with pytest.raises(
        AnnotateError, match=r"row 2, column height_m: .* found '1,234'; write a point, not a comma"
    ):
        import_trees(logbook, write(tmp_path, "site,code,height_m", 'A,2,"1,234"'))


def test_importing_again_updates_and_says_what_changed(logbook: Logbook, tmp_path: Path) -> None:
    """Only columns that the file has are touched; capitals of a code do not make another tree; an empty cell empties."""
    import_trees(logbook, write(tmp_path, HEADER, GOOD, GOOD.replace("OT01", "OT02")))
    done = import_trees(
        logbook,
        write(tmp_path, "code,site,height_m,cautions", "ot01,otterholt,14,", "OT02,OTTERHOLT,12.5,dead wood"),
    )
    assert sum_changes(done.changes) == (0, 1, 1)
    assert done.changes[0].changed == (("height_m", 12.5, 14.0), ("cautions", "dead wood", ""))
    tree = find_tree(logbook, "OT01")
    assert (tree.code, tree.height_m, tree.notes, tree.cautions) == ("OT01", 14.0, "by the gate", "")
    assert len(list_trees(logbook)) == 2 and len(list_sites(logbook)) == 1


def replace_cell(column: str, value: str) -> str:
    cells = next(csv.reader([GOOD]))
    cells[HEADER.split(",").index(column)] = value
    stream = io.StringIO()
    csv.writer(stream).writerow(cells)
    return stream.getvalue().strip("\r\n")


@pytest.mark.parametrize(
    ("column", "value", "expected"),
    [
        ("site", "", "expected a short name; found an empty cell"),
        ("code", "A/B", "without '/'; found 'A/B'"),
        ("code", "x" * 41, "at most 40 letters"),
        ("latitude_deg", "95.2", "from -90 to 90; found '95.2'; are latitude and longitude swapped?"),
        ("latitude_deg", "51°05'", 'found "51°05\'"; write decimal degrees, such as 51.0843'),
        ("longitude_deg", "-181", "from -180 to 180; found '-181'"),
        ("longitude_deg", "nan", "found 'nan'"),
        ("longitude_deg", "inf", "found 'inf'"),
        ("latitude_deg", "5_1", "found '5_1'"),
        ("latitude_deg", "٥١", "write decimal degrees"),
        ("accuracy_m", "0", "metres, more than 0"),
        ("accuracy_m", "-3", "found '-3'"),
        ("height_m", "12 m", "found '12 m'; write digits only, without a unit"),
        ("height_m", "200", "from 0 to 130"),
        ("notes", "x" * 2001, "at most 2000 letters; found 2001"),
        ("cautions", "bell \x07", "found '\\x07'; remove it"),
    ],
)
def test_a_wrong_cell_is_named_by_row_and_column(
    empty: Logbook, tmp_path: Path, column: str, value: str, expected: str
) -> None:
    """The row is counted as a spreadsheet does; the good rows before it are not imported."""
    good = GOOD.replace("OT01", "OT09")
    with pytest.raises(SheetError) as caught:
        import_trees(empty, write(tmp_path, HEADER, good, "", replace_cell(column, value)))
    assert f"trees.csv, row 4, column {column}: " in str(caught.value) and expected in str(caught.value)
    assert "nothing was imported" in str(caught.value)
    assert list_trees(empty) == () and list_sites(empty) == ()


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (
            [HEADER.replace("code", "cod"), GOOD],
            "row 1, column 2: expected one of .* found 'cod'; did you mean 'code'",
        ),
        (
            ["site,code,lat,longitude_deg", "Otterholt,OT01,0.01,0.01"],
            "row 1, column 3: .* found 'lat'; did you mean 'latitude_deg'",
        ),
        ([HEADER + ",colour", GOOD + ",red"], "column 10: .* found 'colour'; remove it"),
        ([HEADER + ",notes", GOOD + ",x"], "expected each column once; found 'notes' again"),
        (["code,notes", "A,b"], "row 1: expected the columns site, code; found no site"),
        (
            [HEADER, GOOD + ",x"],
            "row 2: expected 9 cells; found 10; put quotation marks around a text that holds a comma",
        ),
        ([HEADER, "OTTERHOLT,OT01"], "row 2: expected 9 cells; found 2"),
        (
            [HEADER, GOOD, GOOD.replace("OT01", "ot01")],
            "row 3, column code: expected each tree once; .* first in row 2",
        ),
        (
            ["site,code,latitude_deg,longitude_deg", "A,1,51,"],
            "row 2: expected both latitude_deg and longitude_deg",
        ),
        (["site,code,latitude_deg", "A,1,51"], "row 2: expected both"),
        ([HEADER], "expected at least one tree; found none"),
        ([""], "row 1: expected the columns"),
        ([HEADER, 'A,"1'], "closed quotation marks"),
        (["\0\0\0\0"], "neither"),
    ],
)
def test_a_wrong_table_is_told(empty: Logbook, tmp_path: Path, lines: list[str], expected: str) -> None:
    """Header, number of cells, doubles and halves: each with what was expected and found, and nothing is imported."""
    with pytest.raises(AnnotateError, match=expected):
        import_trees(empty, write(tmp_path, *lines))
    assert list_trees(empty) == ()


def test_all_wrong_places_are_told_at_once(empty: Logbook, tmp_path: Path) -> None:
    """One line each, so that a file is corrected in one go; very many are cut short."""
    rows = [replace_cell("height_m", f"tall {n}").replace("OT01", f"OT{n}") for n in range(30)]
    with pytest.raises(SheetError) as caught:
        import_trees(empty, write(tmp_path, HEADER, *rows))
    lines = str(caught.value).splitlines()
    assert "30 places are wrong; nothing was imported" in lines[0] and len(lines) == 22
    assert lines[1].startswith("  row 2, column height_m: ") and lines[-1] == "  and 10 more"
    assert len(caught.value.problems) == 30


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (lambda path: None, "No such file"),
        (lambda path: path.mkdir(), "found a folder"),
        (lambda path: path.write_bytes(b""), "found nothing in it"),
        (lambda path: path.write_bytes(b"\x81\x8d\xff\xd8" * 9), "neither"),
        (lambda path: path.write_bytes(bytes(20_000_001)), "at most 20 MB; found 20 MB"),
    ],
    ids=["missing", "folder", "empty", "picture", "film"],
)
def test_what_is_no_table_is_refused(empty: Logbook, tmp_path: Path, make: object, expected: str) -> None:
    """One line, whatever was named by mistake."""
    make(tmp_path / "trees.csv")  # type: ignore[operator]
    with pytest.raises(AnnotateError, match=expected) as caught:
        import_trees(empty, tmp_path / "trees.csv")
    assert "\n" not in str(caught.value)


def test_trees_are_found_by_code_and_site(logbook: Logbook, tmp_path: Path) -> None:
    """Capitals do not matter; where two sites have the code, the site must be said; a slip is met with the nearest."""
    import_trees(logbook, write(tmp_path, "site,code", "OTTERHOLT,OT01", "OTTERHOLT,OT02", "NEXT,OT02"))
    assert find_tree(logbook, " ot01 ").code == "OT01"
    assert find_tree(logbook, "next/ot02").site == "NEXT"
    with pytest.raises(AnnotateError, match="found NEXT/OT02, OTTERHOLT/OT02; write it with its site"):
        find_tree(logbook, "OT02")
    with pytest.raises(AnnotateError, match="did you mean 'OT01'"):
        find_tree(logbook, "OT011")
    with pytest.raises(AnnotateError, match="none among 3 trees"):
        find_tree(logbook, "ELSEWHERE/OT01")


CELL = st.text(
    st.characters(exclude_categories=("Cs", "Cc"), include_characters="\n") | st.sampled_from("=+-@',;\""),
    max_size=12,
)


@given(
    cells=st.lists(st.tuples(CELL, CELL), max_size=5),
    number=st.none() | st.integers() | st.floats(allow_nan=False),
)
def test_written_tables_are_read_by_others_and_by_us(
    cells: list[tuple[str, str]], number: float | None
) -> None:
    """RFC 4180: CRLF, one number of cells a row; Python's own csv reader gets every cell, and no cell is a formula."""
    rows = [{"site": a, "code": b, "height_m": number} for a, b in cells]
    text = write_sheet(("site", "code", "height_m"), rows)
    read = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert read[0] == ["site", "code", "height_m"] and len(read) == len(rows) + 1
    for row, (a, b) in zip(read[1:], cells, strict=True):
        assert [strip_guard(cell) for cell in row[:2]] == [a, b]
        assert row[2] == ("" if number is None else str(number))
        assert not any(cell.startswith(("=", "+", "-", "@")) for cell in row[:2])
    assert text.endswith("\r\n") and text.replace("\r\n", "").count("\r") == "".join(
        a + b for a, b in cells
    ).count("\r")


@pytest.mark.parametrize("text", ["=1+1", "+44 1234", "-", "@x", " =x", "'=x", "''-", "\t=x"])
def test_a_spreadsheet_runs_nothing_that_was_written_as_text(text: str) -> None:
    """An apostrophe stands before what would be a formula, and reading gives the text back (OWASP, CSV Injection)."""
    assert guard_formula(text) == f"'{text}" and strip_guard(guard_formula(text)) == text
    assert guard_formula("it's") == strip_guard("it's") == "it's"
    assert strip_guard("'quoted'") == "'quoted'"


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file that each example writes anew."""
    return tmp_path_factory.mktemp("any") / "any.csv"


@given(
    data=st.binary(max_size=80)
    | st.text(st.sampled_from("site,code;\t\"\n\rAB1'="), max_size=60).map(str.encode)
)
def test_any_bytes_are_a_table_or_told(path: Path, data: bytes) -> None:
    """Whatever stands in a file, it is read as rows of known columns or refused in words."""
    path.write_bytes(data)
    try:
        sheet = read_sheet(path, known=COLUMNS, required=("site", "code"))
    except AnnotateError as error:
        assert "expected" in str(error) and "found" in str(error)
    else:
        assert set(sheet.columns) >= {"site", "code"}
        assert all(set(row.cells) == set(sheet.columns) for row in sheet.rows)


ROW = st.tuples(
    st.sampled_from(["A", "B", ""]),
    st.sampled_from(["1", "2", "3", "4", "5", "x/y", ""]),
    st.sampled_from(["", "5", "5.5", "tall", "-1"]),
)


@settings(max_examples=40, deadline=None)
@given(rows=st.lists(ROW, min_size=1, max_size=6))
def test_a_file_is_never_half_imported(shared: Logbook, rows: list[tuple[str, str, str]]) -> None:
    """All rows stand in the logbook afterwards, or the trees are exactly those from before."""
    path = shared.folder / "rows.csv"
    path.write_text("site,code,height_m\n" + "".join(",".join(row) + "\n" for row in rows))
    before = list_trees(shared)
    wanted = {
        (site, code): float(height) if height else None for site, code, height in rows if _is_number(height)
    }
    try:
        import_trees(shared, path)
    except AnnotateError:
        assert list_trees(shared) == before
    else:
        after = {(tree.site, tree.code): tree.height_m for tree in list_trees(shared)}
        assert wanted.items() <= after.items() and len(after) <= len(before) + len(wanted)


def _is_number(text: str) -> bool:
    return text in ("", "5", "5.5")


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    with open_logbook(create_logbook(tmp_path_factory.mktemp("shared") / "book")) as opened:
        yield opened


def test_a_large_register_is_imported_in_one_go(logbook: Logbook, tmp_path: Path) -> None:
    """Two thousand trees are no matter (the work grows with their number, not its square)."""
    rows = [f"OTTERHOLT,T{n:04},Salix caprea,51.{n:04},-1.{n:04},5,8,," for n in range(2000)]
    done = import_trees(logbook, write(tmp_path, HEADER, *rows))
    assert sum_changes(done.changes) == (2000, 0, 0) and len(list_trees(logbook)) == 2000

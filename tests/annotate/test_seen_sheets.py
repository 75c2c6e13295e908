"""Records by eye as tables: there and back without loss, all or nothing, each slip named by its place, the same file once."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from annotate.errors import AnnotateError
from annotate.field.seen_sheets import SeenImport, import_seen
from annotate.logbook.by_eye import correct_seen, withdraw_seen
from annotate.logbook.observations import list_observations, read_observation
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.verdicts import give_verdict
from annotate.logbook.visits import list_visits
from annotate.observations import COLUMNS, describe_observation
from annotate.sheets import write_sheet
from annotate.words import ASPECTS, BEHAVIOURS, CONDITIONS, STAGES
from tests.annotate.made_records import LATER, NOON, add_trees, film, make_candidate, search
from tests.annotate.test_field_photos import draw_corner, write_photo

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)

Import = Callable[..., SeenImport]


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    """One logbook for all examples: each has keys of its own."""
    folder = create_logbook(tmp_path_factory.mktemp("shared") / "book", zone="Europe/London")
    with open_logbook(folder) as opened:
        add_trees(opened, "OT01", "OT03")
        yield opened


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    """A logbook with two trees of Otterholt Wood."""
    create_logbook(tmp_path / "book", zone="Europe/London", recorder="Maren")
    with open_logbook(tmp_path / "book") as opened:
        add_trees(opened, "OT01", "OT03")
        yield opened


@pytest.fixture
def bring(logbook: Logbook, tmp_path: Path) -> Import:
    """Import a text as a file."""

    def act(text: str | bytes, **more: Any) -> SeenImport:
        path = tmp_path / "seen.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return import_seen(logbook, path, now=NOW, **more)

    return act


WORDS = st.text(
    st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=40
).filter(lambda text: text.isprintable())


def write_decimals(number: float) -> float:
    return round(number, 3)


@st.composite
def make_rows(draw: st.DrawFn) -> dict[str, Any]:
    """A record by eye as the list writes it, any of its values left out."""
    maybe = lambda values: draw(st.none() | values)  # noqa: E731 - short for the many
    count = draw(st.integers(0, 30))
    numbers = st.floats(0.1, 99, allow_nan=False).map(write_decimals)
    at = NOON - timedelta(seconds=draw(st.integers(0, 60 * 60 * 24 * 400)))
    return {
        "at_utc": at.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "site": "OTTERHOLT",
        "tree": draw(st.sampled_from(["OT01", "OT03"])),
        "taxon": "Apatura ilia",
        "stage": maybe(st.sampled_from(STAGES)) if count else None,
        "condition": maybe(st.sampled_from(CONDITIONS)) if count else None,
        "behaviour": maybe(st.sampled_from(BEHAVIOURS)) if count else None,
        "note": maybe(WORDS),
        "count": count,
        "source": "eye" if count else "none found",
        "observer": draw(WORDS),
        "height_m": maybe(numbers),
        "aspect": maybe(st.sampled_from(ASPECTS)),
        "branch": maybe(WORDS),
        "marker": maybe(WORDS),
        "searched_min": maybe(numbers),
        "length_mm": maybe(numbers),
        "entry_key": f"key-{draw(st.uuids())}",
    }


def settle(value: Any) -> Any:
    """A value as a table can hold it: no outer blanks, composed letters, nothing for blanks alone."""
    from unicodedata import normalize

    return normalize("NFC", value).strip() or None if isinstance(value, str) else value


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(make_rows(), min_size=1, max_size=4, unique_by=lambda row: row["entry_key"]))
def test_tables_come_back_as_they_went(shared: Logbook, tmp_path: Path, rows: list[dict[str, Any]]) -> None:
    """What is imported, listed as a table and imported again is the same in every value, and nothing new."""
    path = tmp_path / "seen.csv"
    path.write_text(write_sheet(list(rows[0]), rows), encoding="utf-8", newline="")
    done = import_seen(shared, path, observer="", now=NOW)
    seen = [read_observation(shared, one.observation_id) for _, one in done.rows]
    for row, one in zip(rows, seen, strict=True):
        told = describe_observation(one)
        assert {name: told[name] or None for name in row if name not in ("count", "height_m")} == {
            name: settle(value) or None for name, value in row.items() if name not in ("count", "height_m")
        }
        assert (told["count"], told["height_m"]) == (row["count"], row["height_m"])
    path.write_text(
        write_sheet(COLUMNS, [describe_observation(one) for one in seen]), encoding="utf-8", newline=""
    )
    again = import_seen(shared, path, now=NOW)
    assert [(one.observation_id, one.is_new, one.differs) for _, one in again.rows] == [
        (one.id, False, ()) for one in seen
    ]


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=120) | st.text(max_size=120).map(str.encode), header=st.booleans())
def test_odd_bytes_end_in_one_error(shared: Logbook, tmp_path: Path, data: bytes, header: bool) -> None:
    """Whatever stands in a file, it is imported or refused in words; nothing is half there."""
    path = tmp_path / "odd.csv"
    path.write_bytes((b"tree,date,stage,count,note\n" if header else b"") + data)
    before = len(list_observations(shared, with_withdrawn=True))
    try:
        done = import_seen(shared, path, now=NOW)
    except AnnotateError:
        assert len(list_observations(shared, with_withdrawn=True)) == before
    else:
        assert done.rows


def test_as_spreadsheets_write_them(bring: Import, logbook: Logbook) -> None:
    """A byte order mark, semicolons, decimal commas, capitals and columns in any order are understood."""
    bring(
        b"\xef\xbb\xbfTree;HEIGHT_M;Stage;Date;Time;Searched_Min;Aspect;Note\r\n"
        b'ot03;2,5;l4;2026-05-17;9:20;12,5;ne;"on a twig; low"\r\n'
    )
    (seen,) = list_observations(logbook)
    assert (seen.tree, seen.height_m, seen.stage, seen.searched_min, seen.aspect) == (
        "OT03",
        2.5,
        "L4",
        12.5,
        "NE",
    )
    assert seen.note == "on a twig; low"
    assert seen.at == datetime(2026, 5, 17, 8, 20, tzinfo=UTC)


def test_none_found_is_said_by_count_or_source(bring: Import, logbook: Logbook) -> None:
    """Either makes a search in vain; neither makes one animal; the recorder of the settings stands where nobody is named."""
    bring(
        "tree,date,count,source,observer\nOT01,2026-05-17,0,,\nOT01,2026-05-17,,none found,Ines\nOT01,2026-05-17,,,\n",
        observer="Maren",
    )
    assert [(one.source, one.count, one.observer) for one in list_observations(logbook)] == [
        ("none found", 0, "Maren"),
        ("none found", 0, "Ines"),
        ("eye", 1, "Maren"),
    ]


def test_the_same_file_again_changes_nothing(bring: Import, logbook: Logbook) -> None:
    """Not even after a correction in the logbook, which is told; rows that say the same are as many as there are."""
    text = "tree,date,stage\nOT03,2026-05-17,L3\nOT03,2026-05-17,L3\nOT03,2026-05-17,L4\n"
    first = bring(text)
    assert [one.is_new for _, one in first.rows] == [True, True, True]
    number = first.rows[1][1].observation_id
    correct_seen(logbook, number, changes={"stage": "L4"}, who="Ines", at=LATER)
    again = bring(text)
    assert [one.is_new for _, one in again.rows] == [False, False, False]
    assert any("says something else by now: row 3" in note for note in again.notes)
    assert sorted(one.stage or "" for one in list_observations(logbook)) == ["L3", "L4", "L4"]


def test_more_rows_of_the_same_words_are_more_records(bring: Import, logbook: Logbook) -> None:
    """A file that grew by a row brings that row alone."""
    bring("tree,date\nOT03,2026-05-17\n")
    done = bring("tree,date\nOT03,2026-05-17\nOT03,2026-05-17\nOT01,2026-05-17\n")
    assert [one.is_new for _, one in done.rows] == [False, True, True]


def test_all_slips_are_named_and_nothing_is_imported(bring: Import, logbook: Logbook) -> None:
    """Row, column and the nearest word of each; the good row is not imported either, and no visit is left behind."""
    with pytest.raises(AnnotateError) as caught:
        bring(
            "tree,date,time,stage,count,height_m,aspect,source,entry_key\n"
            "OT03,2026-05-17,10:20,L4,1,2.5,NE,eye,a\n"
            "OT33,2026-05-17,10:20,L4,1,2.5,NE,eye,b\n"
            "OT03,17.05.2026,10:20,L44,1.5,200,NNE,footage,a\n"
            'OT03,2026-05-17,25:00,,0,"2,5",,eye,a\n'
            "OT03,2126-05-17,,L4,0,,,,c\n"
            "OT03,,,,,,,,d\n"
        )
    text = str(caught.value)
    for said in (
        "row 3, column tree: tree 'OT33'",
        "did you mean 'OT03'?",
        "row 4, column date: expected one such as 2026-05-17; found '17.05.2026'",
        "row 4, column stage: expected one of egg",
        "row 4, column count: expected a whole number",
        "row 4, column height_m: expected a number of metres from 0 to 130; found '200'",
        "row 4, column aspect:",
        "did you mean 'NE'?",
        "row 4, column source: expected eye or none found; found 'footage'",
        "row 5, column time: expected one such as 09:10; found '25:00'",
        "row 5, column height_m: expected a number of metres from 0 to 130; found '2,5'; write a point",
        "row 5, column source: expected a count of 1 or more with eye; found 0",
        "row 6, column count: expected 1 or more where stage is said",
        "row 6, column date: expected one that has been",
        "row 7, column date: expected a date",
    ):
        assert said in text, text
    assert list_observations(logbook) == () and list_visits(logbook) == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "found nothing in it"),
        ("tree,date\n", "at least one record"),
        ("tree\nOT03\n", "expected a column date, at_local or at_utc"),
        ("date\n2026-05-17\n", "expected the columns tree"),
        ("date,baum\n2026-05-17,OT03\n", "found 'baum'; remove it, or name it 'tree' if that is what it holds"),
        ("tree,date,hight_m\nOT03,2026-05-17,2\n", "did you mean 'height_m'?"),
        ("tree,date\nOT03,2026-05-17,L4\n", "expected 2 cells; found 3"),
        ("tree,date,note\nOT03,2026-05-17,\"open\n", "closed quotation marks"),
        ("tree,date,entry_key\nOT03,2026-05-17,a\nOT01,2026-05-17,a\n", "each key once; found 'a' again, first in row 2"),
        ("tree,date,at_utc\nOT03,2026-05-18,2026-05-17T09:20:00Z\n", "expected 2026-05-17, as 2026-05-17T09:20:00Z says"),
        ("tree,at_local\nOT03,2026-03-29T01:30:00\n", "left out by the change to summer time"),
        ("tree,date,time\nOT03,2026-03-29,01:30\n", "left out by the change to summer"),
        ("tree,date\nOT03,1726-05-17\n", "from 1800 on"),
        ("tree,date,evidence_sha256\nOT03,2026-05-17,xyz\n", "64 hexadecimal letters"),
        ("tree,date,photo\nOT03,2026-05-17,missing.jpg\n", "row 2, column photo: photo"),
        ("tree,date,note\nOT03,2026-05-17," + 2001 * "x" + "\n", "at most 2000 letters"),
        ("tree,date,note\nOT03,2026-05-17,a\x1b[31mb\n", "letters that can be shown"),
    ],
)  # fmt: skip
def test_bad_tables_are_refused(bring: Import, logbook: Logbook, text: str, said: str) -> None:
    """Each kind of slip has its sentence, and leaves nothing."""
    with pytest.raises(AnnotateError) as caught:
        bring(text)
    assert said in str(caught.value)
    assert list_observations(logbook) == ()


def test_photos_beside_the_table_are_kept_bare(bring: Import, logbook: Logbook, tmp_path: Path) -> None:
    """A photo named in a row becomes the record's picture; imported again it is the same one."""
    (tmp_path / "IMG 7.jpg").write_bytes(write_photo(draw_corner()))
    text = "tree,date,photo\nOT03,2026-05-17,IMG 7.jpg\n"
    bring(text)
    (seen,) = list_observations(logbook)
    assert seen.evidence
    assert bring(text).rows[0][1].differs == ()


def test_a_table_of_another_logbook_keeps_what_it_can(bring: Import, logbook: Logbook) -> None:
    """Pictures that are not here are told and left out; withdrawn records come withdrawn; numbers of there mean nothing here."""
    row = "77,OT03,2026-05-17T09:20:00Z,2026-05-18T09:20:00Z," + 64 * "a" + ",Europe/Paris\n"
    done = bring("id,tree,at_utc,withdrawn_at_utc,evidence_sha256,zone\n" + row)
    assert any("not in this logbook: the pictures of row 2" in note for note in done.notes)
    (seen,) = list_observations(logbook, with_withdrawn=True)
    assert seen.evidence is None and seen.withdrawn_at is not None and seen.zone == "Europe/London"


def test_records_from_footage_are_listed_beside(logbook: Logbook, bring: Import, tmp_path: Path) -> None:
    """The table of those by eye comes back though others stand in the logbook; one withdrawn is told apart."""
    search(logbook, film(logbook, tree="OT03"), [make_candidate()])
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    done = bring("tree,date\nOT01,2026-05-17\nOT03,2026-05-17\n")
    withdraw_seen(logbook, done.rows[0][1].observation_id, who="Maren", at=LATER)
    by_eye = [one for one in list_observations(logbook, with_withdrawn=True) if one.source != "footage"]
    again = bring(write_sheet(COLUMNS, [describe_observation(one) for one in by_eye]))
    assert [(one.is_new, one.differs) for _, one in again.rows] == [(False, ()), (False, ())]

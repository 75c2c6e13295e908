"""The commands new, trees, visits and observations: tables for people, data for programs, slips in one line with exit code 2."""

import csv
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from annotate.commands import observations, visits
from annotate.commands.base import app
from annotate.commands.records import new
from annotate.errors import AnnotateError
from annotate.field.visits import COLUMNS as VISIT_COLUMNS
from annotate.field.visits import read_clock, read_date
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.records import Details
from annotate.logbook.verdicts import give_verdict
from annotate.observations import COLUMNS as OBSERVATION_COLUMNS
from tests.annotate.made_records import LATER, NOON, add_trees, film, make_candidate, search

assert new and visits and observations  # imported so that the commands are there

TREES = """site,code,host_taxon,latitude_deg,longitude_deg,accuracy_m,height_m,notes,cautions
OTTERHOLT,OT03,Populus tremula,51.0843,-1.2345,5,12.5,=by the gate,dead wood
OTTERHOLT,OT04,Salix caprea,,,,,[bold]not bold[/bold],
"""

Run = Callable[..., Result]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "Otter höhe"


@pytest.fixture
def run(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command on the logbook in `folder`; errors are raised as the border of the command line meets them."""
    monkeypatch.setenv("LEAFSHADE_LOGBOOK", str(folder))
    monkeypatch.setenv("COLUMNS", "200")

    def invoke(*arguments: str) -> Result:
        return CliRunner().invoke(app, list(arguments), catch_exceptions=False)

    assert invoke("new", str(folder), "--zone", "Europe/London", "--recorder", "Maren").exit_code == 0
    return invoke


@pytest.fixture
def filled(run: Run, folder: Path, tmp_path: Path) -> Iterator[Logbook]:
    """Two trees, one clip with two candidates, the best confirmed."""
    (tmp_path / "trees.csv").write_text(TREES, encoding="utf-8")
    run("trees", "import", str(tmp_path / "trees.csv"))
    with open_logbook(folder) as logbook:
        clip = film(logbook, tree="OT03")
        search(logbook, clip, [make_candidate(10.0, score=0.9), make_candidate(20.0, shade=2)])
        details = Details(stage="L4", condition="alive", note="-head up, \x1b[31mred")
        give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER, details=details)
        yield logbook


def read_csv(result: Result) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(result.stdout_bytes.decode(), newline=""), strict=True))


def test_new_says_what_to_do_next(tmp_path: Path) -> None:
    """The folder, its zone and the next command are named."""
    result = CliRunner().invoke(app, ["new", str(tmp_path / "book"), "--zone", "Europe/London"])
    assert (
        result.exit_code == 0
        and "Europe/London" in result.stdout
        and "leafshade trees import" in result.stdout
    )
    assert (tmp_path / "book" / "logbook.db").is_file()


def test_empty_lists_say_what_to_do_next(run: Run) -> None:
    """No table without rows, but the next step; as data, an empty list."""
    assert "leafshade trees import" in run("trees").stdout
    assert "leafshade search" in run("visits").stdout
    assert "leafshade review" in run("observations").stdout
    for command in ("trees", "visits", "observations"):
        assert json.loads(run(command, "--json").stdout) == []
        assert read_csv(run(command, "--csv")) == []
        assert "None for XX01" in run(command, "--site", "XX01").stdout


def test_import_tells_what_it_did(run: Run, tmp_path: Path) -> None:
    """New sites and trees are counted; importing again names each change, before and after."""
    path = tmp_path / "trees.csv"
    path.write_text(TREES, encoding="utf-8")
    first = run("trees", "import", str(path)).stdout
    assert "New sites: OTTERHOLT." in first and "2 trees new, 0 changed, 0 as before." in first
    path.write_text(TREES.replace("12.5", "13"), encoding="utf-8")
    again = run("trees", "import", str(path)).stdout
    assert "0 trees new, 1 changed, 1 as before." in again
    assert "OTTERHOLT OT03: height_m was 12.5, is now 13" in again


def test_trees_are_listed_as_a_notebook_would(run: Run, filled: Logbook) -> None:
    """Position, height and what was reviewed stand in words; an empty cell says why; square brackets are letters."""
    text = run("trees").stdout
    assert "51.08430°, -1.23450°, within 5 m" in text and "12.5 m" in text
    assert "1 of 2 judged, 1 confirmed" in text and "no candidates" in text
    assert "not measured" in text and "none noted" in text and "2 trees." in text
    assert "OT03" not in run("trees", "--site", "ELSEWHERE").stdout


def test_trees_written_as_csv_can_be_imported_again(run: Run, filled: Logbook, tmp_path: Path) -> None:
    """Export and import are each other's opposite, formulas and brackets included."""
    written = run("trees", "--csv").stdout_bytes
    assert b",'=by the gate," in written
    path = tmp_path / "again.csv"
    path.write_bytes(written)
    assert "0 trees new, 0 changed, 2 as before." in run("trees", "import", str(path)).stdout
    data = json.loads(run("trees", "--json").stdout)
    assert data[0]["notes"] == "=by the gate" and data[0]["latitude_deg"] == 51.0843
    assert data[1]["latitude_deg"] is None


def test_observations_are_date_first_and_say_who(run: Run, filled: Logbook) -> None:
    """Date written out, local time with zone, tree, what, who; letters that would move the cursor are replaced."""
    text = run("observations").stdout
    row = next(line for line in text.splitlines() if "17 May 2026" in line)
    words = ["17 May 2026", "12:00 BST", "OTTERHOLT OT03", "Apatura, L4, alive", "Maren, from footage"]
    positions = [row.index(word) for word in words]
    assert positions == sorted(positions) and row.startswith("17 May 2026")
    assert "\x1b" not in text and "1 observation on 1 tree." in text
    assert "None for OT04" in run("observations", "--tree", "ot04").stdout


def test_observations_as_data_have_stable_names(run: Run, filled: Logbook) -> None:
    """JSON and CSV hold the same, UTC and local time side by side; a text that looks like a formula is disarmed in CSV."""
    (item,) = json.loads(run("observations", "--json").stdout)
    assert tuple(item) == OBSERVATION_COLUMNS
    assert (item["at_utc"], item["at_local"]) == ("2026-05-17T11:00:10Z", "2026-05-17T12:00:10+01:00")
    assert (item["date"], item["tree"], item["stage"], item["count"]) == ("2026-05-17", "OT03", "L4", 1)
    assert item["evidence_sha256"] and (item["withdrawn_at_utc"], item["behaviour"]) == (None, None)
    (row,) = read_csv(run("observations", "--csv"))
    assert tuple(row) == OBSERVATION_COLUMNS
    assert row["note"] == "'" + item["note"] and row["behaviour"] == ""
    assert {k: v for k, v in row.items() if k != "note"} == {
        k: "" if v is None else str(v) for k, v in item.items() if k != "note"
    }


def test_withdrawn_observations_are_shown_only_when_asked_for(run: Run, filled: Logbook) -> None:
    """And then they say so."""
    give_verdict(filled, 1, answer="dismiss", reviewer="Tove", at=LATER + timedelta(minutes=5))
    assert json.loads(run("observations", "--json").stdout) == []
    assert "(withdrawn)" in run("observations", "--withdrawn").stdout
    (item,) = json.loads(run("observations", "--withdrawn", "--json").stdout)
    assert item["withdrawn_at_utc"] == "2026-05-17T20:05:00Z"


def test_a_visit_arises_from_a_search_and_is_completed_by_hand(run: Run, filled: Logbook) -> None:
    """Footage, candidates and finds are summed; who and weather are added; times given by a person stand."""
    text = run("visits").stdout
    assert (
        "12:00 BST to 12:01 BST" in text
        and "1 clip, 45 s usable of 60 s; 1 of 2 candidates judged; 1 observation" in text
    )
    done = run(
        "visits",
        "add",
        "--date",
        "2026-05-17",
        "--start",
        "11:30",
        "--end",
        "13.15",
        "--recorders",
        "Maren, Tove",
    )
    assert "Completed the visit to OTTERHOLT on 17 May 2026, 11:30 BST to 13:15 BST." in done.stdout
    run("visits", "add", "--date", "2026-05-17", "--weather", "calm")
    film(filled, number=2, tree="OT04", recorded_at=NOON + timedelta(hours=5))
    (item,) = json.loads(run("visits", "--json").stdout)
    assert tuple(item) == VISIT_COLUMNS
    assert (item["started_at_local"], item["ended_at_utc"]) == (
        "2026-05-17T11:30:00+01:00",
        "2026-05-17T12:15:00Z",
    )
    assert (item["recorders"], item["weather"], item["trees"]) == ("Maren, Tove", "calm", "OT03 OT04")
    assert (item["clips"], item["searched_s"], item["usable_s"], item["candidates"]) == (2, 60.0, 45.0, 2)
    assert read_csv(run("visits", "--csv"))[0]["usable_s"] == "45.0"


def test_a_visit_without_footage_can_be_added(run: Run, filled: Logbook) -> None:
    """The times stay open until someone says them."""
    done = run("visits", "add", "--site", "otterholt", "--date", "2026-05-21")
    assert "Added the visit to OTTERHOLT on 21 May 2026, times not given." in done.stdout
    assert "no footage; 0 observations" in run("visits").stdout


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook with trees that no slip changes."""
    folder = create_logbook(tmp_path_factory.mktemp("slips") / "book")
    with open_logbook(folder) as logbook:
        add_trees(logbook, "OT03", "OT04")
    return folder


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["visits", "add", "--date", "17.5.2026"], "expected one such as 2026-05-17; found '17.5.2026'"),
        (
            ["visits", "add", "--date", "2026-05-17", "--start", "25:00"],
            "expected one such as 09:10; found '25:00'",
        ),
        (
            ["visits", "add", "--date", "2026-05-17", "--start", "10:00", "--end", "9:00"],
            "expected an end after the start",
        ),
        (["visits", "add", "--date", "2026-05-17", "--site", "OTTER"], "the sites are OTTERHOLT"),
        (["observations", "--tree", "OT3"], "did you mean 'OT03'"),
        (["trees", "--json", "--csv"], "found both"),
        (["visits", "--json", "--csv"], "found both"),
        (["observations", "--json", "--csv"], "found both"),
        (["trees", "import", "nothing.csv"], "No such file"),
        (["new", "."], "expected a new or an empty folder"),
    ],
)
def test_slips_are_told(
    book: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], expected: str
) -> None:
    """What was expected and found, and what to do."""
    monkeypatch.setenv("LEAFSHADE_LOGBOOK", str(book))
    with pytest.raises(AnnotateError, match=expected):
        CliRunner().invoke(app, arguments, catch_exceptions=False)


def test_the_clock_of_a_date_is_read_with_care() -> None:
    """2026-03-29 in London has no 01:30, 2026-10-25 has it twice (IANA tz through zoneinfo); the first is taken."""
    spring, autumn = read_date("2026-03-29"), read_date(" 2026-10-25 ")
    with pytest.raises(AnnotateError, match="left out by the change to summer time"):
        read_clock("01:30", day=spring, zone="Europe/London")
    twice = read_clock("1:30", day=autumn, zone="Europe/London")
    assert twice.utcoffset() == timedelta(hours=1)
    assert read_clock("02:30", day=spring, zone="Europe/London").utcoffset() == timedelta(hours=1)


def test_the_logbook_may_be_named_before_or_after_the_word_import(
    run: Run, folder: Path, tmp_path: Path
) -> None:
    """An option that both places take is never dropped silently."""
    (tmp_path / "trees.csv").write_text("site,code\nA,1\n")
    os.environ.pop("LEAFSHADE_LOGBOOK")
    run("trees", "--logbook", str(folder), "import", str(tmp_path / "trees.csv"))
    assert "1 tree" in run("trees", "--logbook", str(folder)).stdout
    run("visits", "add", "--date", "2026-05-17", "--logbook", str(folder))


def test_at_the_border_a_slip_is_one_line_and_exit_code_2(run: Run, tmp_path: Path) -> None:
    """The real program, piped: nothing on standard output, one line on standard error, no trace; data is plain UTF-8."""
    (tmp_path / "bad.csv").write_text("site,code,height_m\nA,1,tall\n")
    command = [sys.executable, "-c", "from annotate.commands import main; main()"]
    done = subprocess.run(
        [*command, "trees", "import", str(tmp_path / "bad.csv")], capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1 and "row 2, column height_m" in done.stderr
    (tmp_path / "good.csv").write_text("site,code\nHöhe,Ü1\n", encoding="utf-8")
    run("trees", "import", str(tmp_path / "good.csv"))
    listed = subprocess.run(
        [*command, "trees", "--csv"],
        capture_output=True,
        timeout=60,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert listed.stdout.splitlines(keepends=True)[1] == "Höhe,Ü1,,,,,,,,,,\r\n".encode()

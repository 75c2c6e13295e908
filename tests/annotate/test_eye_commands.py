"""The commands for what is seen by eye and for visits: added, imported, corrected, shown with history; slips leave nothing."""

import csv
import io
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from annotate.commands import observations, records, visits
from annotate.commands.base import app
from annotate.errors import AnnotateError
from annotate.logbook.opening import create_logbook, open_logbook
from annotate.logbook.verdicts import give_verdict
from tests.annotate.made_records import LATER, add_trees, film, make_candidate, search
from tests.annotate.test_field_photos import draw_corner, write_photo

assert observations and records and visits  # imported so that the commands are there

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command on a logbook with two trees and one record from footage; errors are raised as the border meets them."""
    folder = create_logbook(tmp_path / "book", zone="Europe/London", recorder="Maren")
    with open_logbook(folder) as logbook:
        add_trees(logbook, "OT01", "OT03")
        search(logbook, film(logbook, tree="OT03"), [make_candidate()])
        give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    monkeypatch.setenv("LEAFSHADE_LOGBOOK", str(folder))
    monkeypatch.setenv("COLUMNS", "250")
    return lambda *arguments: CliRunner().invoke(app, list(arguments), catch_exceptions=False)


def say_error(run: Run, *arguments: str) -> str:
    """The sentence with which a command ends."""
    result = CliRunner().invoke(app, list(arguments))
    assert isinstance(result.exception, AnnotateError), result.output
    return str(result.exception)


def test_added_listed_corrected_withdrawn(run: Run, tmp_path: Path) -> None:
    """One larva from the command line through all it may come to, each step in the history."""
    (tmp_path / "IMG.jpg").write_bytes(write_photo(draw_corner()))
    place = ("--height", "2,5", "--aspect", "ne", "--branch", "gate side", "--marker", "thread 7")
    when = ("--date", "2026-05-17", "--time", "10:20")
    added = run(
        "observations",
        "add",
        "--tree",
        "ot03",
        "--stage",
        "l3",
        *place,
        *when,
        "--photo",
        str(tmp_path / "IMG.jpg"),
    ).stdout
    for said in (
        "17 May 2026",
        "10:20 BST",
        "L3",
        "2.5 m up, NE side, gate side; marker thread 7",
        "Maren, by eye",
    ):
        assert said in added
    assert "Added as number 2." in added
    assert "L4" in run("observations", "change", "2", "--stage", "L4", "--branch", "", "--who", "Ines").stdout
    run("observations", "withdraw", "2")
    assert "thread 7" not in run("observations").stdout
    assert "(withdrawn)" in run("observations", "--withdrawn").stdout
    run("observations", "bring-back", "2")
    history = run("observations", "history", "2").stdout
    for said in (
        "4 changes",
        "Ines: stage was L3, is now L4",
        "branch was gate side, is now nothing",
        "withdrawn was nothing, is now",
    ):
        assert said in history


def test_none_found_is_told_apart(run: Run) -> None:
    """With its minutes, in the list and its sum; a stage with it, or a count, is refused, and nothing is added."""
    run("observations", "add", "--tree", "OT01", "--none-found", "--minutes", "12", "--date", "2026-05-17")
    text = run("observations").stdout
    assert "searched, none found in 12 min" in text
    assert "2 observations on 2 trees, 1 of them of none found." in text
    for wrong, said in (
        (("--none-found", "--stage", "L4"), "none found"),
        (("--none-found", "--count", "2"), "expected 0 with --none-found"),
        (("--stage", "L44"), "did you mean 'L4'"),
        (("--date", "2126-01-01"), "expected one that has been"),
        (("--time", "25:00"), "such as 09:10"),
        (("--photo", "missing.jpg"), "expected a file that can be read"),
    ):
        assert said in say_error(run, "observations", "add", "--tree", "OT01", *wrong)
    assert "2 observations" in run("observations").stdout


def test_records_from_footage_follow_their_clip(run: Run) -> None:
    """Their place can be corrected; tree and standing cannot, and the sentence says where that is done."""
    assert "3 m up" in run("observations", "change", "1", "--height", "3").stdout
    assert "follow its clip" in say_error(run, "observations", "change", "1", "--tree", "OT01")
    assert "judge candidate 1 again" in say_error(run, "observations", "withdraw", "1")
    assert "id of an observation" in say_error(run, "observations", "change", "9", "--height", "3")
    assert "write 0 where none was found" in say_error(run, "observations", "change", "1", "--count", "")


def test_the_list_by_eye_is_imported_again(run: Run, tmp_path: Path) -> None:
    """What is written as CSV with --by-eye comes back and changes nothing; footage is left out of it."""
    table = tmp_path / "seen.csv"
    table.write_text("tree;date;time;stage;height_m\nOT03;2026-05-17;10:20;L3;2,5\n", encoding="utf-8")
    assert "1 record new, 0 as before." in run("observations", "import", str(table)).stdout
    written = run("observations", "--by-eye", "--csv").stdout
    rows = list(csv.DictReader(io.StringIO(written)))
    assert [(row["source"], row["height_m"], row["stage"]) for row in rows] == [("eye", "2.5", "L3")]
    table.write_text(written, encoding="utf-8", newline="")
    assert "0 records new, 1 as before." in run("observations", "import", str(table)).stdout


def test_visits_are_completed_changed_and_shown(run: Run) -> None:
    """Completing takes nothing away, changing does; the list and the visit tell weather, leaves and effort by tree."""
    day = ("--date", "2026-05-17")
    run(
        "visits",
        "add",
        *day,
        "--wind",
        "gentle breeze",
        "--cloud",
        "5",
        "--temperature",
        "14,5",
        "--recorders",
        "Maren",
    )
    run("visits", "add", *day, "--leaf", "OT03=07", "--by-eye", "ot03=12,5", "--start", "09:10", "--wind", "")
    assert "14.5 °C, wind 3 (gentle breeze), cloud 5/8" in run("visits").stdout
    shown = run("visits", "show", *day).stdout
    for said in (
        "45 s usable of 60 s",
        "12.5 min",
        "07, buds burst",
        "Recorders: Maren",
        "OT03, leaf stage was nothing",
    ):
        assert said in shown
    run("visits", "change", *day, "--cloud", "", "--start", "", "--end", "")
    shown = run("visits", "show", *day).stdout
    assert "cloud" not in shown.splitlines()[2] and "12:00 BST to 12:01 BST" in shown.splitlines()[0]
    (row,) = csv.DictReader(io.StringIO(run("visits", "--csv").stdout))
    assert (row["temperature_c"], row["wind_beaufort"], row["cloud_oktas"], row["by_eye_min"]) == (
        "14.5",
        "3",
        "",
        "12.5",
    )
    assert row["effort"] == "OT03: filmed 60 s, usable 45 s, by eye 12.5 min, leaves 07, 1 found"


def test_slips_about_visits_are_told_and_change_nothing(run: Run) -> None:
    """A visit that is not there, trees and values that cannot be: one sentence each."""
    day = ("--date", "2026-05-17")
    for arguments, said in (
        (("change", "--date", "2026-05-18", "--wind", "3"), "the nearest is of 2026-05-17"),
        (("show", "--date", "17.5."), "such as 2026-05-17"),
        (("add", *day, "--leaf", "OT03"), "a tree and a value, such as OT03=11"),
        (("add", *day, "--leaf", "OT03=22"), "BBCH code"),
        (("add", *day, "--leaf", "OT33=11"), "did you mean 'OT03'"),
        (("add", *day, "--by-eye", "OT03=-1"), "from 0 to 1440"),
        (("add", *day, "--wind", "15"), "Beaufort"),
        (("add", *day, "--start", "12:00", "--end", "11:00"), "end after the start"),
    ):
        assert said in say_error(run, "visits", *arguments)
    assert "was nothing" not in run("visits", "show", *day).stdout

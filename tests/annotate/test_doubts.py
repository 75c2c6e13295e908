"""Labels that the network doubts are listed, the most doubtful first, until somebody has looked at them twice."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from annotate.commands.base import app
from annotate.commands.labels import labels
from annotate.logbook.doubts import Doubt, list_doubts
from annotate.logbook.drawn_in import draw_in
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.verdicts import give_verdict, take_back
from tests.annotate.made_records import LATER, add_trees, film, make_candidate, make_jpeg, search

assert labels  # imported so that the command is there

SCORES = (0.99, 0.96, 0.5, 0.18, 0.03)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return create_logbook(tmp_path / "book", zone="Europe/London")


@pytest.fixture
def logbook(folder: Path) -> Iterator[Logbook]:
    """Five candidates of OT03, ids 1 to 5, scored as `SCORES`."""
    with open_logbook(folder) as opened:
        add_trees(opened, "OT03")
        found = [make_candidate(10.0 * n, score=score, shade=n) for n, score in enumerate(SCORES, 1)]
        search(opened, film(opened, tree="OT03"), found)
        yield opened


def judge(logbook: Logbook, answers: str, *, reviewer: str = "Maren", first: int = 1) -> None:
    """Answer the candidates from `first` on: c confirms, d dismisses, u is unsure, a dot leaves out."""
    words = {"c": "confirm", "d": "dismiss", "u": "unsure"}
    for number, letter in enumerate(answers, first):
        if letter != ".":
            answer: Any = words[letter]
            give_verdict(logbook, number, answer=answer, reviewer=reviewer, at=LATER)


def list_ids(logbook: Logbook) -> list[int]:
    return [doubt.candidate_id for doubt in list_doubts(logbook)]


def test_nothing_judged_and_nothing_doubted(logbook: Logbook) -> None:
    """Open ones are no labels, and where network and person agree there is no doubt."""
    assert list_doubts(logbook) == ()
    judge(logbook, "ccudd")
    assert list_doubts(logbook) == ()


def test_answers_against_the_network_are_doubted(logbook: Logbook) -> None:
    """Confirmed with next to no chance, dismissed with next to certainty: the most doubtful first, with who said it."""
    judge(logbook, "dddcc")
    assert list_ids(logbook) == [1, 5, 2, 4]
    assert list_doubts(logbook, limit=1) == (Doubt(1, "dismiss", 0.99, "made 1", "Maren", LATER),)


def test_a_second_look_settles_it(logbook: Logbook) -> None:
    """The same person again, whatever they say; another person's first look alone does not."""
    judge(logbook, "dd.cc")
    judge(
        logbook, "ducc", first=1
    )  # 1 stays dismissed, 2 is left open, 3 is new and no doubt, 4 stays confirmed
    assert list_ids(logbook) == [5]
    judge(logbook, "c", reviewer="Jonas", first=5)
    assert list_ids(logbook) == [5]
    judge(logbook, "c", reviewer=" JONAS ", first=5)
    assert list_ids(logbook) == []


def test_what_was_taken_back_is_no_look(logbook: Logbook) -> None:
    """An answer taken back and given again is one look."""
    judge(logbook, "d")
    take_back(logbook, reviewer="Maren", at=LATER)
    assert list_ids(logbook) == []
    judge(logbook, "d")
    assert list_ids(logbook) == [1]


def test_the_newest_search_has_the_word(logbook: Logbook) -> None:
    """Found again by other weights, the new score decides, for and against."""
    judge(logbook, "d.c")
    again = [make_candidate(10.0, score=0.4, shade=1), make_candidate(30.0, score=0.02, shade=3)]
    search(logbook, film(logbook, tree="OT03"), again, scorer="made 2")
    assert list_doubts(logbook) == (Doubt(3, "confirm", 0.02, "made 2", "Maren", LATER),)


def test_what_was_drawn_in_is_not_doubted(logbook: Logbook) -> None:
    """No network said anything of what a person drew in; its score of 0 is none."""
    draw_in(
        logbook,
        clip_id=1,
        time_s=5.0,
        frame_index=150,
        outline_px=((5, 5), (5, 20), (12, 20), (12, 5)),
        picture=make_jpeg(40),
        picture_origin_px=(0, 0),
        frame_size_px=(24, 32),
        reviewer="Maren",
        at=LATER,
    )
    assert list_doubts(logbook) == ()


def test_the_command_lists_them(folder: Path, logbook: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """It says where to look again, as a table and as data, and the table of the set says how many there are."""
    monkeypatch.setenv("LEAFSHADE_LOGBOOK", str(folder))
    monkeypatch.setenv("COLUMNS", "160")

    def run(*arguments: str) -> str:
        return CliRunner().invoke(app, ["labels", *arguments], catch_exceptions=False).stdout

    assert "No label that the network strongly doubts." in run("doubts")
    judge(logbook, "d")
    shown = run("doubts")
    assert "17 May 2026" in shown and "Maren dismissed it" in shown and "0.99 of 1" in shown
    assert "/candidates/1" in shown
    assert '"page": "/candidates/1"' in run("doubts", "--json")
    assert "The network doubts 1 label; see them with: leafshade labels doubts" in run()

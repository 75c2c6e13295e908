"""Verdicts are only added, the newest counts, and observations follow them with nothing lost."""

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from annotate.errors import AnnotateError
from annotate.logbook.observations import find_observation, list_changes, list_observations, set_details
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, write_trees
from annotate.logbook.records import Details
from annotate.logbook.review import find_candidate, next_candidate
from annotate.logbook.verdicts import (
    changes_since,
    find_last_verdict_id,
    give_verdict,
    list_verdicts,
    take_back,
)
from annotate.zones import find_local_date, write_clock
from tests.annotate.made_records import LATER, NOON, add_trees, film, make_candidate, make_view, search

MINUTE = timedelta(minutes=1)


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    """A logbook with one tree, one clip and three candidates (ids 1 to 3, best first)."""
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as opened:
        add_trees(opened, "OT03")
        found = [make_candidate(10.0 * n, score=1 - n / 10, shade=n) for n in (1, 2, 3)]
        search(opened, film(opened, tree="OT03"), found)
        yield opened


def test_a_confirmed_candidate_is_an_observation_at_once(logbook: Logbook) -> None:
    """Date and time with zone, tree, visit, taxon, details and the picture of the best view are all there."""
    verdict = give_verdict(
        logbook,
        1,
        answer="confirm",
        reviewer="Maren",
        at=LATER,
        details=Details(stage="l4", note=" on the midrib "),
    )
    (found,) = list_observations(logbook)
    best = find_candidate(logbook, 1).views[0]
    assert (found.at, found.zone) == (NOON + timedelta(seconds=10), "Europe/London")
    assert (found.site, found.tree, found.taxon, found.count) == ("OTTERHOLT", "OT03", "Apatura", 1)
    assert (found.stage, found.condition, found.note) == ("L4", None, "on the midrib")
    assert (found.source, found.candidate_id, found.verdict_id) == ("footage", 1, verdict.id)
    assert (found.observer, found.evidence, found.withdrawn_at) == ("Maren", best.picture, None)
    assert found.visit_id is not None
    assert find_candidate(logbook, 1).observation_id == found.id


def test_the_taxon_is_the_trees_where_it_has_one(logbook: Logbook) -> None:
    """What is looked for on a tree goes before what the settings say."""
    write_trees(logbook, [TreeEntry("OTTERHOLT", "OT03", {"expected_taxon": "Apatura ilia"})])
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    assert list_observations(logbook)[0].taxon == "Apatura ilia"


@pytest.mark.parametrize("answer", ["dismiss", "unsure", "open"])
def test_a_later_answer_withdraws_the_observation_and_keeps_it(logbook: Logbook, answer: str) -> None:
    """The observation no longer stands, is still there when asked for, and its history says who withdrew it when."""
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    give_verdict(logbook, 1, answer=answer, reviewer="Tove", at=LATER + MINUTE)  # type: ignore[arg-type]
    assert list_observations(logbook) == ()
    (kept,) = list_observations(logbook, with_withdrawn=True)
    assert kept.withdrawn_at == LATER + MINUTE
    (change,) = list_changes(logbook, kept.id)
    assert (change.field, change.old, change.who, change.at) == ("withdrawn_at", None, "Tove", LATER + MINUTE)
    assert find_candidate(logbook, 1).observation_id is None


def test_a_history_is_in_order_though_a_clock_was_set_back(logbook: Logbook) -> None:
    """Answers keep the moments they came with; what they change of the observation never stands before what was changed."""
    said = (("confirm", LATER), ("dismiss", LATER - MINUTE), ("confirm", LATER - 2 * MINUTE))
    for answer, at in said:
        give_verdict(logbook, 1, answer=answer, reviewer="Maren", at=at)  # type: ignore[arg-type]
    assert [verdict.at for verdict in list_verdicts(logbook, 1)] == [at for _, at in said]
    (observation,) = list_observations(logbook)
    moments = [change.at for change in list_changes(logbook, observation.id)]
    assert moments == sorted(moments) and min(moments) >= LATER


def test_details_come_back_with_the_answer(logbook: Logbook) -> None:
    """Confirm, details, dismiss by mistake, undo: the same observation stands again with its details."""
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    made = find_observation(logbook, candidate_id=1)
    assert made is not None
    set_details(
        logbook,
        made.id,
        stage="L4",
        condition="Alive",
        behaviour="resting",
        note="head up",
        who="Maren",
        at=LATER + MINUTE,
    )
    wrong = give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER + 2 * MINUTE)
    undone = take_back(logbook, reviewer="Maren", at=LATER + 3 * MINUTE)
    assert (undone.answer, undone.takes_back_id) == ("confirm", wrong.id)
    again = find_observation(logbook, candidate_id=1)
    assert again is not None and again.id == made.id and again.withdrawn_at is None
    assert (again.stage, again.condition, again.behaviour, again.note) == (
        "L4",
        "alive",
        "resting",
        "head up",
    )
    assert len(list_verdicts(logbook, 1)) == 3


def test_undo_goes_back_step_by_step_and_ends(logbook: Logbook) -> None:
    """Each undo takes back one more verdict of this reviewer, newest first, across candidates; then there is nothing left."""
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    give_verdict(logbook, 2, answer="dismiss", reviewer="Maren", at=LATER)
    give_verdict(logbook, 2, answer="unsure", reviewer="Maren", at=LATER)
    seen = [take_back(logbook, reviewer=" Maren ", at=LATER) for _ in range(3)]
    assert [(verdict.candidate_id, verdict.answer) for verdict in seen] == [
        (2, "dismiss"),
        (2, "open"),
        (1, "open"),
    ]
    assert list_observations(logbook) == ()
    with pytest.raises(AnnotateError, match="none left to take back"):
        take_back(logbook, reviewer="Maren", at=LATER)
    assert next_candidate(logbook).id == 1  # type: ignore[union-attr]


def test_undo_of_one_candidate_leaves_the_others(logbook: Logbook) -> None:
    """Named, only that candidate's answer is taken back, though another was judged since."""
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    give_verdict(logbook, 2, answer="dismiss", reviewer="Maren", at=LATER)
    take_back(logbook, reviewer="Maren", at=LATER, candidate_id=1)
    assert [find_candidate(logbook, n).answer for n in (1, 2)] == ["open", "dismiss"]


def test_undo_does_not_touch_what_someone_else_said_since(logbook: Logbook) -> None:
    """Two people: the second's answer goes on counting when the first takes back theirs, and the other way round."""
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER)
    give_verdict(logbook, 1, answer="confirm", reviewer="Tove", at=LATER)
    assert take_back(logbook, reviewer="Maren", at=LATER).answer == "confirm"
    assert len(list_observations(logbook)) == 1
    assert take_back(logbook, reviewer="Tove", at=LATER).answer == "open"
    assert list_observations(logbook) == ()


def test_an_observation_stands_on_a_verdict_that_stands(logbook: Logbook) -> None:
    """Both confirm and the second takes back: it stands still, and not on the verdict taken back; observers are told apart."""
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    second = give_verdict(logbook, 1, answer="confirm", reviewer="Tove", at=LATER)
    undone = take_back(logbook, reviewer="Tove", at=LATER)
    (seen,) = list_observations(logbook)
    assert (seen.observer, seen.verdict_id) == ("Maren", undone.id) and undone.takes_back_id == second.id
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER)
    give_verdict(logbook, 1, answer="confirm", reviewer="Tove", at=LATER)
    (again,) = list_observations(logbook)
    assert (again.id, again.observer) == (seen.id, "Tove")


def test_a_second_tab_sees_what_is_new(logbook: Logbook) -> None:
    """Asked for what came after a verdict, the logbook tells all of it in order, undo included, and then nothing."""
    start = find_last_verdict_id(logbook)
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    give_verdict(logbook, 2, answer="dismiss", reviewer="Tove", at=LATER)
    take_back(logbook, reviewer="Tove", at=LATER)
    new = changes_since(logbook, start)
    assert [(v.candidate_id, v.answer, v.reviewer) for v in new] == [
        (1, "confirm", "Maren"),
        (2, "dismiss", "Tove"),
        (2, "open", "Tove"),
    ]
    assert changes_since(logbook, new[-1].id) == () and find_last_verdict_id(logbook) == new[-1].id


@pytest.mark.parametrize(
    ("settings_", "expected"),
    [
        ({"answer": "yes"}, "expected one of confirm, dismiss, unsure, open; found 'yes'"),
        ({"reviewer": "  "}, "expected a name"),
        ({"details": Details(stage="L9")}, "did you mean|one of these"),
        ({"details": Details(note="x" * 2001)}, "at most 2000 letters; found 2001"),
        ({"candidate_id": 99}, "found 99"),
    ],
)
def test_what_cannot_be_said_changes_nothing(
    logbook: Logbook, settings_: dict[str, object], expected: str
) -> None:
    """A wrong answer, word, name or candidate is refused in words, and neither verdict nor observation is left."""
    said = {
        "candidate_id": 1,
        "answer": "confirm",
        "reviewer": "Maren",
        "at": LATER,
        "details": None,
        **settings_,
    }
    with pytest.raises(AnnotateError, match=expected):
        give_verdict(logbook, said.pop("candidate_id"), **said)  # type: ignore[arg-type]
    assert changes_since(logbook, 0) == () and list_observations(logbook, with_withdrawn=True) == ()
    assert find_candidate(logbook, 1).answer == "open"


def test_details_that_stay_leave_no_history(logbook: Logbook) -> None:
    """Only what changed is written down, with the value before."""
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER, details=Details(stage="L3"))
    made = list_observations(logbook)[0]
    for stage in ("L3", "L4", "L4", None):
        set_details(
            logbook,
            made.id,
            stage=stage,
            condition=None,
            behaviour="",
            note=" ",
            who="Tove",
            at=LATER + MINUTE,
        )
    assert [(c.field, c.old, c.new, c.who) for c in list_changes(logbook, made.id)] == [
        ("stage", "L3", "L4", "Tove"),
        ("stage", "L4", None, "Tove"),
    ]
    with pytest.raises(AnnotateError, match="found 99"):
        set_details(logbook, 99, stage=None, condition=None, behaviour=None, note=None, who="Tove", at=LATER)


def test_a_moment_without_a_zone_is_a_mistake_of_the_program(logbook: Logbook) -> None:
    """Naive times never reach the database."""
    with pytest.raises(Exception, match="have a zone"):
        give_verdict(logbook, 1, answer="unsure", reviewer="Maren", at=datetime(2026, 5, 17, 20, 0))  # noqa: DTZ001
    assert changes_since(logbook, 0) == ()


def test_the_hour_that_comes_twice_is_told_apart(tmp_path: Path) -> None:
    """2026-10-25 in London: clocks go back at 01:00 UTC, so 00:30 and 01:30 UTC both show 01:30 (IANA tz through zoneinfo)."""
    switch = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    london = ZoneInfo("Europe/London")
    assert [f"{(switch + timedelta(hours=n)).astimezone(london):%H:%M %Z}" for n in (0, 1)] == [
        "01:30 BST",
        "01:30 GMT",
    ]
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as logbook:
        add_trees(logbook, "OT01")
        clip = film(logbook, tree="OT01", recorded_at=switch, duration_s=7200.0)
        search(
            logbook, clip, [make_candidate(views=[make_view(time_s)], score=0.9) for time_s in (0.0, 3600.0)]
        )
        for candidate_id in (1, 2):
            give_verdict(logbook, candidate_id, answer="confirm", reviewer="Maren", at=LATER)
        early, late = list_observations(logbook)
    assert (late.at - early.at) == timedelta(hours=1)
    assert [write_clock(item.at, item.zone) for item in (early, late)] == ["01:30 BST", "01:30 GMT"]
    assert find_local_date(early.at, early.zone) == find_local_date(late.at, late.zone) == switch.date()


SAID = st.tuples(
    st.integers(1, 3),
    st.sampled_from(["confirm", "dismiss", "unsure", "open", "undo", "undo"]),
    st.sampled_from(["A", "B"]),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook whose candidates are judged by nobody; it is copied for each account."""
    folder = create_logbook(tmp_path_factory.mktemp("account") / "book")
    with open_logbook(folder) as logbook:
        search(logbook, film(logbook), [make_candidate(10.0 * n, shade=n) for n in (1, 2, 3)])
    return folder


@settings(max_examples=15, deadline=None)
@given(said=st.lists(SAID, max_size=12))
def test_the_logbook_agrees_with_a_plain_account(folder: Path, said: list[tuple[int, str, str]]) -> None:
    """Whatever two people say and take back: answers and observations are those of a list kept by hand, and no verdict goes."""
    copy = folder.with_name(f"copy {len(list(folder.parent.iterdir()))}")
    shutil.copytree(folder, copy)
    with open_logbook(copy) as logbook:
        account, rows = keep_account(logbook, said)
        expected = {n: next((e[1] for e in reversed(account) if e[0] == n), "open") for n in (1, 2, 3)}
        assert {n: find_candidate(logbook, n).answer for n in (1, 2, 3)} == expected
        standing = {item.candidate_id for item in list_observations(logbook)}
        assert standing == {n for n, answer in expected.items() if answer == "confirm"}
        verdicts = changes_since(logbook, 0)
        assert len(verdicts) == rows
        for n in expected:
            assert next((v.answer for v in reversed(verdicts) if v.candidate_id == n), "open") == expected[n]


def keep_account(
    logbook: Logbook, said: list[tuple[int, str, str]]
) -> tuple[list[tuple[int, str, str]], int]:
    """Say it to the logbook and keep a list by hand, from which an undo strikes its reviewer's last entry."""
    account: list[tuple[int, str, str]] = []
    rows = 0
    for candidate_id, answer, reviewer in said:
        own = [index for index, entry in enumerate(account) if entry[2] == reviewer]
        if answer != "undo":
            give_verdict(logbook, candidate_id, answer=answer, reviewer=reviewer, at=LATER)  # type: ignore[arg-type]
            account.append((candidate_id, answer, reviewer))
        elif own:
            take_back(logbook, reviewer=reviewer, at=LATER)
            del account[own[-1]]
        else:
            with pytest.raises(AnnotateError):
                take_back(logbook, reviewer=reviewer, at=LATER)
            continue
        rows += 1
    return account, rows


def test_a_dismissal_keeps_its_reason(logbook: Logbook) -> None:
    """The reason is one of the words, stands in the verdict with what was given beside it, and an undo brings it back."""
    given = give_verdict(
        logbook, 1, answer="dismiss", reviewer="Maren", at=LATER, reason=" Twig ", blind=True, batch="b1"
    )
    assert (given.reason, given.blind, given.batch) == ("twig", True, "b1")
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER + MINUTE)
    undone = take_back(logbook, reviewer="Maren", at=LATER + 2 * MINUTE)
    assert (undone.answer, undone.reason) == ("dismiss", "twig")
    assert [one.reason for one in list_verdicts(logbook, 1)] == ["twig", "", "twig"]


@pytest.mark.parametrize(
    ("answer", "reason", "said"),
    [("dismiss", "twigg", "did you mean 'twig'"), ("confirm", "twig", "leave the reason out")],
)
def test_a_reason_that_cannot_be_is_refused(logbook: Logbook, answer: Any, reason: str, said: str) -> None:
    """A word that is none, and a reason for anything but a dismissal, write nothing."""
    with pytest.raises(AnnotateError, match=said):
        give_verdict(logbook, 1, answer=answer, reviewer="Maren", at=LATER, reason=reason)
    assert list_verdicts(logbook, 1) == ()

"""What the pages send and what becomes of it: verdicts, undo, details, two people at once, repeated and failing requests."""

import sqlite3
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest

from annotate.logbook.observations import find_observation, list_changes, list_observations
from annotate.logbook.review import find_candidate
from annotate.logbook.verdicts import find_last_verdict_id, give_verdict, list_verdicts
from annotate.web.desk import Receipts
from tests.annotate import asking
from tests.annotate.conftest import Served

NOW = datetime(2026, 5, 17, 20, 0, tzinfo=UTC)


@pytest.fixture
def page(served: Served) -> Iterator[httpx.Client]:
    """A client that sends as the page does."""
    with asking.open_client(base_url=served.address, headers={"Origin": served.address}) as client:
        yield client


def judge(page: httpx.Client, candidate: int, answer: str, **more: Any) -> dict[str, Any]:
    """Send a verdict that must be taken."""
    sent = {"candidate": candidate, "answer": answer, "known": 0, "key": "", **more}
    reply = page.post("/api/verdicts", json=sent)
    assert reply.status_code == 200, reply.text
    return reply.json()  # type: ignore[no-any-return]


def test_a_confirmed_candidate_is_an_observation_at_once(served: Served, page: httpx.Client) -> None:
    """Date and time with zone, tree, taxon and evidence are there before anything more is said."""
    said = judge(page, 1, "confirm")
    (observation,) = list_observations(served.logbook)
    best = find_candidate(served.logbook, 1).views[0]
    assert (observation.tree, observation.taxon, observation.observer) == ("OT03", "Apatura", "Maren")
    assert (observation.at, observation.zone) == (best.at, "Europe/London")
    assert observation.evidence == best.picture
    assert observation.verdict_id == said["verdict"]["id"]
    assert said["sense"] == "Otterholt Wood: 1 of 5 judged, 1 confirmed."


def test_details_are_added_and_changed_with_their_history(served: Served, page: httpx.Client) -> None:
    """Stage, condition, behaviour and note are optional, can be changed, and what stood before is kept."""
    judge(page, 1, "confirm")
    first = {
        "candidate": 1,
        "stage": "l4",
        "condition": "",
        "behaviour": "resting",
        "note": "  on the tip ",
        "key": "a",
    }
    assert page.post("/api/details", json=first).json()["details"]["stage"] == "L4"
    page.post("/api/details", json={**first, "stage": "L5", "note": "", "key": "b", "reviewer": "Jonas"})
    observation = find_observation(served.logbook, candidate_id=1)
    assert observation is not None
    assert (observation.stage, observation.condition, observation.behaviour, observation.note) == (
        "L5",
        None,
        "resting",
        None,
    )
    history = [
        (change.field, change.old, change.new, change.who)
        for change in list_changes(served.logbook, observation.id)
    ]
    assert ("stage", "L4", "L5", "Jonas") in history
    assert ("note", "on the tip", None, "Jonas") in history


@pytest.mark.parametrize(
    ("sent", "sentence"),
    [
        ({"candidate": 1, "stage": "L9"}, "Stage: expected one of egg"),
        ({"candidate": 1, "note": "x" * 2001}, "Note: expected at most 2000 letters"),
        ({"candidate": 2, "stage": "L4"}, "which never was; confirm it first"),
    ],
)
def test_details_that_cannot_be_are_refused(
    page: httpx.Client, served: Served, sent: dict[str, Any], sentence: str
) -> None:
    """Words that are none, notes too long and candidates not confirmed get a sentence, and nothing changes."""
    judge(page, 1, "confirm")
    reply = page.post("/api/details", json={"key": "d", **sent})
    assert reply.status_code == 422
    assert sentence in reply.json()["sentence"]
    observation = find_observation(served.logbook, candidate_id=1)
    assert observation is not None
    assert observation.stage is None
    assert observation.note is None


def test_half_an_emoji_keeps_no_note_from_being_taken(served: Served, page: httpx.Client) -> None:
    """A note cut in the middle of a letter is kept with a mark there: refused by the database it would be sent for ever."""
    for address, sent in (
        ("verdicts", rb'{"candidate": 1, "answer": "confirm", "reviewer": "Maren \ud83d"}'),
        ("details", rb'{"candidate": 1, "note": "on the tip \ud83d\udc1b \ud83d"}'),
    ):
        reply = page.post(f"/api/{address}", content=sent, headers={"Content-Type": "application/json"})
        assert reply.status_code == 200
    observation = find_observation(served.logbook, candidate_id=1)
    assert observation is not None
    assert observation.note == "on the tip \N{BUG} \N{REPLACEMENT CHARACTER}"
    assert observation.observer == "Maren \N{REPLACEMENT CHARACTER}"


def test_what_is_nested_without_end_is_no_mistake_of_the_program(page: httpx.Client) -> None:
    """It is refused as what is no JSON is."""
    reply = page.post("/api/verdicts", content=b"[" * 60_000, headers={"Content-Type": "application/json"})
    assert reply.status_code == 400 and "Expected JSON" in reply.json()["sentence"]


def test_undo_adds_a_verdict_and_withdraws_the_observation(served: Served, page: httpx.Client) -> None:
    """Nothing is deleted: the undo is one verdict more, the candidate is open again, the observation withdrawn."""
    judge(page, 1, "confirm")
    undone = page.post("/api/take-back", json={"candidate": 1, "key": "u"}).json()
    assert undone["verdict"]["answer"] == "open"
    assert undone["verdict"]["words"] == "Maren took back the last answer"
    assert [verdict.answer for verdict in list_verdicts(served.logbook, 1)] == ["confirm", "open"]
    assert list_observations(served.logbook) == ()
    assert page.get("/api/ahead?limit=1").json()["cards"][0]["id"] == 1


def test_nothing_to_undo_is_said(page: httpx.Client) -> None:
    """An undo without a verdict is refused in a sentence."""
    reply = page.post("/api/take-back", json={"candidate": 1, "key": "u"})
    assert reply.status_code == 422
    assert "found none left to take back" in reply.json()["sentence"]


def test_the_same_request_twice_counts_once(served: Served, page: httpx.Client) -> None:
    """A page that heard no answer sends again under the same key, and gets the first answer again."""
    first = judge(page, 1, "dismiss", key="once")
    again = judge(page, 1, "dismiss", key="once")
    assert again["verdict"] == first["verdict"]
    assert len(list_verdicts(served.logbook, 1)) == 1


def test_two_people_on_one_candidate_lose_nothing(served: Served, page: httpx.Client) -> None:
    """Both verdicts are kept, the newest counts, and the later one hears of the earlier."""
    judge(page, 1, "confirm", reviewer="Jonas")
    second = judge(page, 1, "dismiss", reviewer="Maren")
    assert [verdict["words"] for verdict in second["meanwhile"]] == ["Jonas confirmed this"]
    assert [(one.reviewer, one.answer) for one in list_verdicts(served.logbook, 1)] == [
        ("Jonas", "confirm"),
        ("Maren", "dismiss"),
    ]
    assert find_candidate(served.logbook, 1).answer == "dismiss"


def test_what_was_known_is_not_news(page: httpx.Client) -> None:
    """Whoever saw the other's verdict before answering is not told of it again."""
    first = judge(page, 1, "confirm", reviewer="Jonas")
    assert judge(page, 1, "dismiss", known=first["verdict"]["id"])["meanwhile"] == []


def test_a_page_of_another_logbook_cannot_judge_here(served: Served, page: httpx.Client) -> None:
    """A window left open on another logbook, served at the same address before, is told so, and nothing is written."""
    sent = {"candidate": 1, "answer": "dismiss", "known": 0, "key": "x", "logbook": "0123456789abcdef"}
    reply = page.post("/api/verdicts", json=sent)
    assert reply.status_code == 409
    assert "belongs to another logbook" in reply.json()["sentence"]
    assert find_last_verdict_id(served.logbook) == 0


def test_changes_tell_what_others_said(page: httpx.Client) -> None:
    """Asked since a verdict, only newer ones are told, with what they were said of and the sentence as it now is."""
    assert page.get("/api/changes?since=0").json() == {"last": 0, "verdicts": []}
    judge(page, 1, "confirm", reviewer="Jonas")
    judge(page, 2, "unsure", reviewer="Jonas")
    changes = page.get("/api/changes?since=1").json()
    assert changes["last"] == 2
    assert [(one["words"], one["title"], one["counts"]) for one in changes["verdicts"]] == [
        ("Jonas was unsure of this", "silhouette on OT03, 13:42:01", "unsure")
    ]
    assert changes["sense"] == "Otterholt Wood: 2 of 5 judged, 1 confirmed."


def test_many_at_once_all_count(served: Served) -> None:
    """Eight people judging the five candidates at the same time: forty verdicts, each kept."""

    def work(name: str) -> None:
        with asking.open_client(base_url=served.address, headers={"Origin": served.address}) as client:
            for candidate in range(1, 6):
                judge(
                    client,
                    candidate,
                    "confirm" if candidate % 2 else "dismiss",
                    reviewer=name,
                    key=f"{name}{candidate}",
                )

    people = [threading.Thread(target=work, args=(f"person {number}",)) for number in range(8)]
    for person in people:
        person.start()
    for person in people:
        person.join()
    assert find_last_verdict_id(served.logbook) == 40
    assert sorted(one.candidate_id or 0 for one in list_observations(served.logbook)) == [1, 3, 5]


def test_a_locked_logbook_is_no_fault_of_the_request(
    served: Served, page: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the disk or another program prevents is answered with 503, so that the page keeps the answer and sends it again."""
    database = sqlite3.connect(served.logbook.folder / "logbook.db", isolation_level=None)
    monkeypatch.setattr("annotate.logbook.database.BUSY_TIMEOUT_MS", 50)
    served.logbook.close()  # connections made anew take the shorter patience
    database.execute("BEGIN IMMEDIATE")
    try:
        reply = page.post("/api/verdicts", json={"candidate": 1, "answer": "dismiss", "known": 0, "key": "l"})
    finally:
        database.execute("ROLLBACK")
        database.close()
    assert reply.status_code == 503
    assert "expected the other program to finish" in reply.json()["sentence"]
    assert judge(page, 1, "dismiss", key="l")["verdict"]["answer"] == "dismiss"
    assert len(list_verdicts(served.logbook, 1)) == 1


def test_receipts_forget_no_failure_and_keep_no_more_than_their_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """An act that raised leaves no receipt; the oldest receipts go first."""
    monkeypatch.setattr("annotate.web.desk.MOST_RECEIPTS", 2)
    receipts = Receipts()

    def fail() -> dict[str, Any]:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        receipts.take_once("a", fail)
    assert receipts.take_once("a", lambda: {"n": 1}) == {"n": 1}
    receipts.take_once("b", lambda: {"n": 2})
    receipts.take_once("c", lambda: {"n": 3})
    assert receipts.take_once("c", lambda: {"n": 4}) == {"n": 3}
    assert receipts.take_once("a", lambda: {"n": 5}) == {"n": 5}
    assert receipts.take_once("", lambda: {"n": 6}) == {"n": 6}
    assert receipts.take_once("", lambda: {"n": 7}) == {"n": 7}


def test_verdicts_given_elsewhere_reach_the_page(served: Served, page: httpx.Client) -> None:
    """What another process writes into the logbook is told like what comes through the pages."""
    give_verdict(served.logbook, 3, answer="dismiss", reviewer="Jonas", at=NOW)
    assert page.get("/api/changes?since=0").json()["verdicts"][0]["candidate"] == 3

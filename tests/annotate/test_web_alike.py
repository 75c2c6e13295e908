"""What goes by looks and learning, over HTTP: the order renewed, cards that teach, groups, more like this, sizes."""

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from annotate.errors import AnnotateError
from annotate.judging import promise
from annotate.judging.alike import MOST_PROMISE_GROUPED
from annotate.judging.promise import RENEW_EVERY, Renewal, renew_promises
from annotate.judging.review_order import TEACH_EVERY
from annotate.lengths.sizing import say_candidate
from annotate.logbook.batches import MOST_AT_ONCE
from annotate.logbook.looks import keep_looks
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.review import find_candidate, list_candidates
from annotate.logbook.settings import SETTINGS_NAME, CameraSettings, Settings, write_settings
from annotate.logbook.sizes import keep_focal_length
from annotate.logbook.verdicts import give_verdict, list_verdicts
from annotate.web.alike_routes import LEAST_OFFERED
from annotate.web.cards import TEACHES, read_card
from tests.annotate import asking
from tests.annotate.conftest import Served
from tests.annotate.made_pages import serve_pages
from tests.annotate.made_records import LATER, add_trees, film, make_candidate, search

NOW = datetime(2026, 5, 17, 20, 0, tzinfo=UTC)
CANDIDATES, LOOKS = 48, 2
"""Ids from 1; those of odd ids have one look, those of even ids another."""

PATIENCE_S = 20.0


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    """A searched clip on OT03 of 48 candidates that promise little, of two looks in turn."""
    with open_logbook(create_logbook(tmp_path / "book", recorder="Maren")) as opened:
        add_trees(opened, "OT03")
        found = [
            make_candidate(
                1.0 + 0.1 * n, (100, 50 + 35 * n), score=MOST_PROMISE_GROUPED * (1 - n / 100), shade=n
            )
            for n in range(CANDIDATES)
        ]
        search(opened, film(opened, tree="OT03"), found)
        rng = np.random.default_rng(4)
        looks = 3 * rng.normal(size=(LOOKS, 16))[np.arange(CANDIDATES) % LOOKS]
        looks += 0.2 * rng.normal(size=looks.shape)
        keep_looks(opened, "made 1", ids=range(1, CANDIDATES + 1), vectors=looks.astype(np.float16))
        yield opened


@pytest.fixture
def learning(book: Logbook) -> Iterator[Served]:
    """The logbook, served."""
    with serve_pages(book) as address:
        yield Served(book, address)


@pytest.fixture
def page(learning: Served) -> Iterator[httpx.Client]:
    """A client that sends as the page does."""
    with asking.open_client(base_url=learning.address, headers={"Origin": learning.address}) as client:
        yield client


def judge_by_look(page: httpx.Client, number: int) -> None:
    """Confirm what has the even look, dismiss what has the odd one, from the first id on."""
    for candidate in range(1, number + 1):
        answer = "dismiss" if candidate % LOOKS else "confirm"
        sent = {"candidate": candidate, "answer": answer, "known": 0, "key": f"k{candidate}"}
        assert page.post("/api/verdicts", json=sent).status_code == 200


def list_next(page: httpx.Client, limit: int = 6, **query: object) -> list[dict[str, Any]]:
    """The next cards."""
    reply = page.get("/api/ahead", params={"limit": limit, **query})
    assert reply.status_code == 200, reply.text
    return reply.json()["cards"]  # type: ignore[no-any-return]


def wait_until(holds: Callable[[], bool]) -> None:
    """Wait for what happens in the background."""
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end, "never came true"
        time.sleep(0.02)


def is_renewing() -> bool:
    """Whether a renewal is running in this process."""
    return any(thread.name == "promises" for thread in threading.enumerate())


# ---- the order


def test_twenty_verdicts_change_the_order(page: httpx.Client) -> None:
    """By score the odd and the even come in turn; after 20 verdicts those that look like the confirmed ones come first."""
    assert [card["id"] for card in list_next(page)] == [1, 2, 3, 4, 5, 6]
    judge_by_look(page, RENEW_EVERY - 1)
    assert not is_renewing()
    assert [card["id"] % 2 for card in list_next(page)] == [0, 1, 0, 1, 0, 1]
    sent = {"candidate": RENEW_EVERY, "answer": "confirm", "known": 0, "key": "last"}
    assert page.post("/api/verdicts", json=sent).status_code == 200
    wait_until(lambda: [card["id"] % 2 for card in list_next(page)] == [0] * 6)


def test_no_request_waits_for_a_renewal(
    page: httpx.Client, learning: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a renewal is held up, cards come and verdicts are taken, 20 more begin no second one; then its order holds."""
    begun, may_end, runs = threading.Event(), threading.Event(), []

    def renew_late(logbook: Logbook) -> Renewal:
        runs.append(1)
        begun.set()
        assert may_end.wait(PATIENCE_S)
        return renew_promises(logbook)

    monkeypatch.setattr(promise, "renew_promises", renew_late)
    judge_by_look(page, RENEW_EVERY)
    try:
        assert begun.wait(PATIENCE_S)
        assert [card["id"] for card in list_next(page, 2)] == [21, 22]
        for candidate in range(1, 2 + RENEW_EVERY):
            sent = {"candidate": candidate, "answer": "unsure", "known": 0, "key": f"u{candidate}"}
            assert page.post("/api/verdicts", json=sent).status_code == 200
        for candidate in range(1, 2 + RENEW_EVERY):
            assert page.post(
                "/api/take-back", json={"candidate": candidate, "key": f"z{candidate}"}
            ).is_success
        assert runs == [1]
    finally:
        may_end.set()
    wait_until(lambda: all(card["id"] % 2 == 0 for card in list_next(page)))


def test_a_renewal_that_fails_leaves_the_server_alive(
    page: httpx.Client, learning: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk, say: the order is as before, cards and verdicts go on, and the next renewal learns from all."""

    def fail(logbook: Logbook) -> Renewal:
        raise AnnotateError("database: expected room on the disk; found none; make room")

    with monkeypatch.context() as broken:
        broken.setattr(promise, "renew_promises", fail)
        judge_by_look(page, RENEW_EVERY)
        wait_until(lambda: not is_renewing())
        assert [card["id"] for card in list_next(page, 2)] == [21, 22]
    for number in range(RENEW_EVERY):
        answer = "confirm" if number % 2 else "dismiss"
        sent = {"candidate": 1 + number, "answer": answer, "known": 0, "key": f"again{number}"}
        assert page.post("/api/verdicts", json=sent).status_code == 200
    wait_until(lambda: all(card["id"] % 2 == 0 for card in list_next(page)))


def test_the_last_renewal_ends_with_the_server(book: Logbook) -> None:
    """A server that was stopped leaves no renewal behind that would write into a logbook closed by then."""
    with (
        serve_pages(book) as address,
        asking.open_client(base_url=address, headers={"Origin": address}) as client,
    ):
        judge_by_look(client, RENEW_EVERY)
    assert not is_renewing()
    assert {one.id % 2 for one in list_candidates(book, answer="open", limit=6)} == {0}


def test_a_started_server_learns_from_the_verdicts_of_other_evenings(book: Logbook) -> None:
    """With 20 verdicts in the logbook the order is learned at the start; nobody has to judge 20 more for it."""
    for candidate in range(1, RENEW_EVERY + 1):
        answer = "dismiss" if candidate % LOOKS else "confirm"
        give_verdict(book, candidate, answer=answer, reviewer="Maren", at=NOW)  # type: ignore[arg-type]
    with serve_pages(book) as address, asking.open_client(base_url=address) as client:
        wait_until(lambda: all(card["id"] % 2 == 0 for card in list_next(client)))


# ---- cards that teach


def test_one_card_in_eight_is_chosen_to_teach(page: httpx.Client, learning: Served) -> None:
    """At its turn comes the one named as teaching most, and says so; the others come in order; by tree there are none."""
    judge_by_look(page, RENEW_EVERY)
    wait_until(lambda: all(card["id"] % 2 == 0 for card in list_next(page)))
    usual = [card["id"] for card in list_next(page, 8, turn=TEACH_EVERY)]
    mixed = list_next(page, 8, turn=0)
    words = [card["teaches"] for card in mixed]
    assert words == [""] * (TEACH_EVERY - 1) + [TEACHES]
    assert [card["id"] for card in mixed[:-1]] == usual[: TEACH_EVERY - 1]
    lesson = list_next(page, 1, turn=TEACH_EVERY - 1)[0]
    assert lesson["teaches"] == TEACHES and find_candidate(learning.logbook, lesson["id"]).answer == "open"
    other = list_next(page, 1, turn=TEACH_EVERY - 1, **{"except": lesson["id"]})[0]
    assert other["teaches"] == TEACHES and other["id"] != lesson["id"]
    assert {card["teaches"] for card in list_next(page, 8, order="tree", turn=0)} == {""}


def test_the_last_one_comes_even_where_it_is_to_teach(page: httpx.Client, learning: Served) -> None:
    """With one candidate left at any turn exactly that one comes, and never twice."""
    judge_by_look(page, CANDIDATES - 1)
    wait_until(lambda: not is_renewing())
    for turn in range(TEACH_EVERY):
        assert [card["id"] for card in list_next(page, 4, turn=turn)] == [CANDIDATES]
    assert page.get("/api/ahead", params={"limit": 1, "turn": "soon"}).status_code == 404


# ---- groups


def dismiss_group(page: httpx.Client, ids: object, group: str = "g1", **more: object) -> httpx.Response:
    """Send a group as the page does."""
    return page.post("/api/groups", json={"candidates": ids, "group": group, "key": "", **more})


def read_open(served: Served) -> int:
    """How many candidates are open."""
    return len(list_candidates(served.logbook, answer="open", limit=CANDIDATES))


def test_what_looks_like_a_dismissed_one_is_offered(page: httpx.Client, learning: Served) -> None:
    """All open ones of its look, with label, tree and date; none where they are too few, or it has no look."""
    found = page.get("/api/alike", params={"candidate": 1}).json()
    assert {item["id"] for item in found["items"]} == set(range(3, CANDIDATES + 1, 2))
    assert found["items"][0]["label"].startswith("silhouette, 30 px, score 0.80, tree OT03")
    assert {(item["tree"], item["date"]) for item in found["items"]} == {("OT03", "17 May 2026")}
    assert dismiss_group(page, list(range(3, CANDIDATES - 2 * LEAST_OFFERED, 2))).is_success
    left = page.get("/api/alike", params={"candidate": 1}).json()["items"]
    assert len(left) == LEAST_OFFERED
    assert dismiss_group(page, [left[0]["id"]], "g2").is_success
    assert page.get("/api/alike", params={"candidate": 1}).json()["items"] == []
    assert page.get("/api/alike", params={"candidate": 999}).status_code == 404
    assert page.get("/api/alike", params={"candidate": "x"}).status_code == 404


def test_a_group_sent_twice_counts_once(page: httpx.Client, learning: Served) -> None:
    """Under the same name, with and without the receipt of the first, as before and after a restart of the server."""
    first = dismiss_group(page, [3, 5, 7], key="a").json()
    assert [verdict["candidate"] for verdict in first["group"]["verdicts"]] == [3, 5, 7]
    assert first["sense"].startswith("OTTERHOLT: 3 of 48 judged")
    for key in ("a", "b"):
        assert dismiss_group(page, [3, 5, 7], key=key).json()["group"] == first["group"]
    assert [len(list_verdicts(learning.logbook, number)) for number in (3, 5, 7)] == [1, 1, 1]


def test_one_undo_takes_a_group_back(page: httpx.Client, learning: Served) -> None:
    """All are open again; what somebody said of one meanwhile stands; a second time there is nothing to take back."""
    assert dismiss_group(page, [3, 5, 7]).is_success
    give_verdict(learning.logbook, 5, answer="confirm", reviewer="Maren", at=LATER)
    assert page.post("/api/groups/take-back", json={"group": "g1", "key": ""}).is_success
    assert [find_candidate(learning.logbook, number).answer for number in (3, 5, 7)] == [
        "open",
        "confirm",
        "open",
    ]
    refused = page.post("/api/groups/take-back", json={"group": "g1", "key": ""})
    assert refused.status_code == 422 and "taken back already" in refused.json()["sentence"]
    unknown = page.post("/api/groups/take-back", json={"group": "never", "key": ""})
    assert unknown.status_code == 422


def test_judged_ones_are_passed_over_and_named(page: httpx.Client, learning: Served) -> None:
    """Who was judged before the group came keeps the answer, and the page is told which."""
    give_verdict(learning.logbook, 5, answer="confirm", reviewer="Jonas", at=LATER)
    group = dismiss_group(page, [3, 5]).json()["group"]
    assert group["passed_over"] == [5]
    assert find_candidate(learning.logbook, 5).answer == "confirm"


@pytest.mark.parametrize(
    "ids",
    [
        None,
        [],
        "3,5",
        [3, "5"],
        [True, 3],
        [3, 3],
        [-1],
        [2**63],
        [3, 999],
        [3.0],
        list(range(1, MOST_AT_ONCE + 2)),
    ],
)
def test_a_group_that_cannot_be_is_refused_whole(page: httpx.Client, learning: Served, ids: object) -> None:
    """Nothing of it is dismissed, and the answer is one sentence."""
    reply = dismiss_group(page, ids)
    assert reply.status_code == 422 and reply.json()["sentence"].endswith(".")
    assert read_open(learning) == CANDIDATES


@pytest.mark.parametrize("name", ["", " ", "n" * 81, None, 7])
def test_a_group_needs_a_name(page: httpx.Client, learning: Served, name: Any) -> None:
    """Without one of a fitting length nothing is dismissed: it could not be taken back."""
    assert dismiss_group(page, [3, 5], name).status_code == 422
    assert read_open(learning) == CANDIDATES


def test_two_people_dismiss_the_same_at_once(page: httpx.Client, learning: Served) -> None:
    """Each candidate is dismissed by one of them, once, and each takes back only their own."""
    with ThreadPoolExecutor(2) as pool:
        sent = [
            pool.submit(dismiss_group, page, list(range(1, 21)), group, reviewer=who)
            for group, who in (("a", "Maren"), ("b", "Jonas"))
        ]
        done = [one.result().json()["group"] for one in sent]
    assert sum(len(group["verdicts"]) for group in done) == 20
    assert all(len(list_verdicts(learning.logbook, number)) == 1 for number in range(1, 21))
    theirs = page.post("/api/groups/take-back", json={"group": "a", "reviewer": "Jonas", "key": ""})
    assert theirs.status_code == 422


# ---- more like this


def test_more_like_this_says_where_each_stands(page: httpx.Client, learning: Served) -> None:
    """The nearest first, each with picture, tree, date, similarity and standing in words, each leading to its card."""
    give_verdict(learning.logbook, 5, answer="confirm", reviewer="Maren", at=LATER)
    text = page.get("/candidates/1/similar?order=tree").text
    assert (
        text.count("<li>") == 40
        and 'href="/candidates/5"' in text
        and 'href="/candidates/1?order=tree"' in text
    )
    assert "confirmed" in text and "alike" in text and "17 May 2026" in text
    assert page.get("/candidates/999/similar").status_code == 404
    assert page.get("/candidates/x/similar").status_code == 404


def test_without_looks_the_page_says_how_to_make_them(shown: Served) -> None:
    """No error, no empty page: a sentence with the command."""
    reply = asking.get(f"{shown.address}/candidates/1/similar")
    assert "Nothing is compared with this one yet." in reply.text and "most similar first" not in reply.text
    assert reply.status_code == 200 and "leafshade order" in reply.text


# ---- sizes


def test_the_card_says_the_size_where_it_can_be_told(tmp_path: Path) -> None:
    """Length and stage stand among the facts once the lens and the distance are known; before, nothing is made up."""
    folder = create_logbook(tmp_path / "sized", recorder="Maren")
    camera = CameraSettings(distance_m=3.0)
    (folder / SETTINGS_NAME).write_text(write_settings(Settings(camera=camera)), encoding="utf-8")
    with open_logbook(folder) as book:
        search(book, film(book), [make_candidate(1.0)])
        assert "Size" not in dict(read_card(book, 1)["facts"])
        keep_focal_length(book, 1, 77.0)
        said = dict(read_card(book, 1)["facts"])["Size"]
        assert said.startswith("about ") and " mm ± " in said and said == say_candidate(book, 1)


def test_a_broken_profile_keeps_no_card_away(page: httpx.Client, learning: Served) -> None:
    """A mistake in somebody's own file on an animal costs the size, not the card."""
    folder = learning.logbook.folder / "taxa"
    folder.mkdir(exist_ok=True)
    (folder / "broken.toml").write_text("taxon = [", encoding="utf-8")
    with pytest.raises(AnnotateError):
        say_candidate(learning.logbook, 1)
    assert list_next(page, 1)[0]["id"] == 1

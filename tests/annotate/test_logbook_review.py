"""The review's questions: whatever the order, filters and page, the answer is that of sorting all candidates by hand."""

import random
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from annotate.errors import AnnotateError
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import find_tree
from annotate.logbook.records import QueuedCandidate
from annotate.logbook.review import (
    KINDS,
    NO_TREE,
    add_counts,
    count_candidates,
    find_candidate,
    list_candidates,
    next_candidate,
)
from annotate.logbook.verdicts import give_verdict
from annotate.logbook.visits import list_visits
from annotate.words import ANSWERS
from tests.annotate.made_records import LATER, add_trees, film, make_candidate, search

CANDIDATES = 60


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    """Candidates of all kinds and answers on three trees of two sites and on none, with many equal scores."""
    rng = random.Random(5)
    with open_logbook(create_logbook(tmp_path_factory.mktemp("review") / "book")) as logbook:
        add_trees(logbook, "OT02", "OT01")
        add_trees(logbook, "ZZ01", site="AAA")
        for number, tree in enumerate(("OT01", "OT02", "ZZ01", "")):
            found = [
                make_candidate(float(n), score=rng.randrange(6) / 5, kind=rng.choice(KINDS))
                for n in range(CANDIDATES // 4)
            ]
            search(logbook, film(logbook, number=number, tree=tree), found)
        for candidate_id in range(1, CANDIDATES + 1):
            answer = rng.choice(ANSWERS)
            if answer != "open":
                give_verdict(logbook, candidate_id, answer=answer, reviewer="Maren", at=LATER)
        yield logbook


def sort_by_hand(logbook: Logbook, order: str, **wanted: Any) -> list[QueuedCandidate]:
    """All candidates that pass the filters, in the order promised; those without a tree come last by tree."""
    everything = [find_candidate(logbook, n) for n in range(1, CANDIDATES + 1)]
    kept = [c for c in everything if all(v is None or getattr(c, name) == v for name, v in wanted.items())]
    if order == "best":
        return sorted(kept, key=lambda c: (-c.score, c.id))
    return sorted(kept, key=lambda c: (not c.tree, c.site, c.tree, -c.score, c.id))


def list_ids(candidates: Sequence[QueuedCandidate]) -> list[int]:
    return [candidate.id for candidate in candidates]


@settings(max_examples=30, deadline=None)
@given(
    order=st.sampled_from(["best", "tree"]),
    answer=st.sampled_from([None, *ANSWERS]),
    kind=st.sampled_from([None, *KINDS]),
    tree=st.sampled_from([None, "OT01", "OT02", "ZZ01", ""]),
    limit=st.integers(1, 20).map(lambda n: 3 * n),
)
def test_pages_joined_are_the_whole_list(
    filled: Logbook, order: str, answer: str | None, kind: str | None, tree: str | None, limit: int
) -> None:
    """Page after page, no candidate is missed or shown twice, for every order and filter."""
    tree_id = None if tree is None else NO_TREE if not tree else find_tree(filled, tree).id
    chosen: dict[str, Any] = {"order": order, "answer": answer, "kind": kind, "tree_id": tree_id}
    expected = sort_by_hand(filled, order, answer=answer, kind=kind, tree_id=tree_id)
    listed: list[QueuedCandidate] = []
    while page := list_candidates(filled, **chosen, after=listed[-1].id if listed else None, limit=limit):
        assert len(page) <= limit
        listed.extend(page)
        assert len(listed) <= CANDIDATES
    assert list_ids(listed) == list_ids(expected)
    assert all(len(candidate.views) == 1 for candidate in listed)


@pytest.mark.parametrize("order", ["best", "tree"])
@pytest.mark.parametrize("kind", [None, "silhouette", "feeding"])
def test_next_is_the_first_open_one_and_then_the_one_after(filled: Logbook, order: Any, kind: Any) -> None:
    """Walking with `after` meets every open candidate once in order and ends with None."""
    met: list[int] = []
    after = None
    while (candidate := next_candidate(filled, order=order, kind=kind, after=after)) is not None:
        met.append(candidate.id)
        after = candidate.id
    assert met == list_ids(sort_by_hand(filled, order, answer="open", kind=kind))


@pytest.mark.parametrize("kind", [None, "silhouette", "feeding"])
def test_counts_are_those_counted_by_hand(filled: Logbook, kind: Any) -> None:
    """Per tree and in sum: confirmed, dismissed, unsure and open."""
    counts = count_candidates(filled, kind=kind)
    assert [(c.site, c.tree) for c in counts] == [
        ("AAA", "ZZ01"),
        ("OTTERHOLT", "OT01"),
        ("OTTERHOLT", "OT02"),
        ("", ""),
    ]
    for count in [*counts, add_counts(counts)]:
        tree_id = None if count is not counts[-1] and not count.tree else count.tree_id
        mine = [c.answer for c in sort_by_hand(filled, "best", kind=kind, tree_id=tree_id)]
        assert (count.confirmed, count.dismissed, count.unsure, count.open) == tuple(
            mine.count(answer) for answer in ("confirm", "dismiss", "unsure", "open")
        )
        assert count.all == len(mine) and count.judged == len(mine) - count.open


def test_visits_count_what_was_judged(filled: Logbook) -> None:
    """All candidates of the visits, and all answered ones, are counted, however many; a clip without a tree has no visit."""
    everything = [c for c in sort_by_hand(filled, "best") if c.tree]
    visits = list_visits(filled)
    assert sum(visit.candidates for visit in visits) == len(everything)
    assert sum(visit.judged for visit in visits) == sum(c.answer != "open" for c in everything) > len(visits)


def test_a_candidate_judged_elsewhere_still_marks_a_place(filled: Logbook) -> None:
    """What comes after a candidate is found though the candidate itself no longer passes the filter."""
    judged = sort_by_hand(filled, "best", answer="dismiss")[0]
    later = [
        c.id
        for c in sort_by_hand(filled, "best", answer="open")
        if (-c.score, c.id) > (-judged.score, judged.id)
    ]
    found = next_candidate(filled, after=judged.id)
    assert found is not None and found.id == later[0]


def test_asking_for_what_is_not_there(filled: Logbook, tmp_path: Path) -> None:
    """An unknown id is told; unknown trees and empty logbooks give nothing."""
    with pytest.raises(AnnotateError, match="found 999"):
        find_candidate(filled, 999)
    assert list_candidates(filled, tree_id=999) == ()
    with open_logbook(create_logbook(tmp_path / "book")) as empty:
        assert next_candidate(empty) is None and next_candidate(empty, order="tree", after=4) is None
        assert list_candidates(empty) == () and count_candidates(empty) == ()
        assert add_counts(count_candidates(empty)).all == 0

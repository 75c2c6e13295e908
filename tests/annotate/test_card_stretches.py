"""Cards cut footage into stretches: each tree its own, what was said by hand stays, everything filmed there moves along."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from annotate.errors import AnnotateError
from annotate.field.card_stretches import CardStretch, ShownCard, plan_stretches
from annotate.logbook.changes import list_record_changes
from annotate.logbook.clips import add_stretch, list_stretches
from annotate.logbook.observations import find_observation, list_changes
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, assign_markers, find_tree, list_trees, write_trees
from annotate.logbook.review import find_candidate
from annotate.logbook.sightings import cut_by_cards, list_sightings
from annotate.logbook.tracks import list_asked
from annotate.logbook.verdicts import give_verdict
from annotate.searching import SearchOrder, search_into_logbook
from detect.cards import CardSighting
from detect.clips import open_clip
from tests.annotate.made_records import LATER, add_trees, film, make_candidate, search
from tests.drawn_cards import film_walk, list_truth_stretches

TREES = {1: 101, 2: 102, 3: 103}


def show(*cards: tuple[int, float, float]) -> list[ShownCard]:
    return [ShownCard(*card) for card in cards]


def plan(
    *cards: tuple[int, float, float], end_s: float = 100.0, said: Sequence[tuple[float, float]] = ()
) -> list[tuple[int, float, float]]:
    """Trees, starts and ends of what is planned."""
    planned = plan_stretches(show(*cards), trees=TREES, end_s=end_s, said=said)
    return [(one.tree_id, one.start_s, one.end_s) for one in planned]


def test_a_stretch_runs_from_its_card_to_the_next() -> None:
    """None, one, two, and one that leaves and returns."""
    assert plan() == []
    assert plan((1, 5, 8)) == [(101, 5, 100)]
    assert plan((2, 40, 43), (1, 5, 8)) == [(101, 5, 40), (102, 40, 100)]
    assert plan((1, 5, 8), (2, 40, 43), (1, 60, 63)) == [(101, 5, 40), (102, 40, 60), (101, 60, 100)]


def test_a_card_shown_twice_under_its_tree_does_not_cut_it() -> None:
    """Nothing else was shown in between."""
    assert plan((1, 5, 8), (1, 20, 22), (2, 40, 43)) == [(101, 5, 40), (102, 40, 100)]


def test_an_unknown_card_ends_the_tree_before() -> None:
    """What follows it was not filmed under the tree before it."""
    assert plan((1, 5, 8), (99, 20, 22), (2, 40, 43)) == [(101, 5, 20), (102, 40, 100)]


def test_what_was_said_stays() -> None:
    """Said parts are left out at the start, in the middle and at the end; left-overs of under a frame are dropped."""
    assert plan((1, 5, 8), said=[(0, 10), (50, 60)]) == [(101, 10, 50), (101, 60, 100)]
    assert plan((1, 5, 8), said=[(0, 100)]) == []
    assert plan((1, 5, 8), (2, 40, 43), said=[(30, 40.01)]) == [(101, 5, 30), (102, 40.01, 100)]
    assert plan((1, 5, 8), said=[(5.01, 99.98)]) == []


def test_a_card_at_the_very_end_makes_no_stretch() -> None:
    """A stretch has a length."""
    assert plan((1, 100, 100)) == []


def test_cards_seen_together_are_asked_about() -> None:
    """Both stretches carry the doubt, others do not."""
    planned = plan_stretches(show((1, 5, 8), (2, 7, 9), (3, 40, 41)), trees=TREES, end_s=100)
    assert [bool(one.doubt) for one in planned] == [True, True, False]
    assert planned[0].doubt == "its card, marker 1, was seen at the same time as marker 2"


MOMENTS = st.floats(0, 120, allow_nan=False)
CARDS = st.lists(
    st.builds(lambda m, a, b: ShownCard(m, min(a, b), max(a, b)), st.integers(1, 5), MOMENTS, MOMENTS)
)


@given(cards=CARDS, cuts=st.lists(MOMENTS, max_size=6, unique=True).map(sorted), end_s=st.floats(1, 120))
def test_stretches_never_overlap_and_keep_clear_of_what_was_said(
    cards: list[ShownCard], cuts: list[float], end_s: float
) -> None:
    """Whatever is shown and said: in order, each with a length, within the clip, each beginning no earlier than its card."""
    said = list(zip(cuts[::2], cuts[1::2], strict=False))
    planned = plan_stretches(cards, trees=TREES, end_s=end_s, said=said)
    taken = sorted([(one.start_s, one.end_s) for one in planned] + said)
    assert all(first[1] <= second[0] for first, second in pairwise(taken))
    for one in planned:
        assert 0 <= one.start_s < one.end_s <= end_s
        last = max((c for c in cards if c.first_s <= one.start_s), key=lambda c: (c.first_s, c.marker))
        assert TREES.get(last.marker) == one.tree_id


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    """A logbook with three trees, their markers 0 to 2."""
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as opened:
        add_trees(opened, "OT01", "OT02", "OT03")
        assign_markers(opened, [tree.id for tree in list_trees(opened)], markers=250)
        yield opened


def see(*shown: tuple[int, float]) -> list[CardSighting]:
    """A card in four frames from a moment on, each time with corners of its own."""
    corners = np.float32([[1, 2], [1, 9], [8, 9], [8, 2]])
    return [
        CardSighting(start_s + 0.25 * step, number, corners + step)
        for number, start_s in shown
        for step in range(4)
    ]


def list_cut(logbook: Logbook, clip_id: int) -> list[tuple[str, float, float, str]]:
    return [(one.tree, one.start_s, one.end_s, one.source) for one in list_stretches(logbook, clip_id)]


def test_cards_name_the_trees_and_are_kept(logbook: Logbook) -> None:
    """The stretches stand, the clip has its visit, and the sightings come back to the bit."""
    clip = film(logbook)
    seen = see((0, 5.0), (2, 30.0))
    cut = cut_by_cards(logbook, clip.id, seen)
    assert cut.is_changed and cut.notes == ()
    assert list_cut(logbook, clip.id) == [("OT01", 5.0, 30.0, "card"), ("OT03", 30.0, 60.0, "card")]
    kept = list_sightings(logbook, clip.id)
    assert [(one.time_s, one.number, one.corners.tobytes()) for one in kept] == [
        (one.time_s, one.number, one.corners.tobytes()) for one in seen
    ]
    assert not cut_by_cards(logbook, clip.id).is_changed


def test_what_is_left_of_a_stretch_in_doubt_is_still_asked(logbook: Logbook) -> None:
    """A person says the middle of a stretch in doubt; the parts before and after it keep the doubt."""
    clip = film(logbook)
    cut_by_cards(logbook, clip.id, [*see((0, 5.0)), *see((1, 5.5))])
    (before, *_) = [one for one in list_asked(logbook) if one.end_s == 60.0]
    add_stretch(logbook, clip.id, tree_id=find_tree(logbook, "OT03").id, start_s=20.0, end_s=40.0)
    after = [(one.start_s, one.end_s, one.doubt) for one in list_asked(logbook) if one.end_s > 10]
    assert after == [(before.start_s, 20.0, before.doubt), (40.0, 60.0, before.doubt)]


def test_cutting_again_moves_only_what_came_from_cards(logbook: Logbook) -> None:
    """Candidates and observations follow with history; what was said by hand stays, with what was filmed there."""
    clip = film(logbook)
    add_stretch(logbook, clip.id, tree_id=find_tree(logbook, "OT02").id, start_s=40.0, end_s=60.0)
    cut_by_cards(logbook, clip.id, see((0, 5.0)))
    found = [
        make_candidate(time_s, (300 + 100 * n, 400), shade=n) for n, time_s in enumerate((2.0, 20.0, 50.0))
    ]
    search(logbook, clip, found)
    for candidate in (1, 2, 3):
        give_verdict(logbook, candidate, answer="confirm", reviewer="Maren", at=LATER)
    assert [find_candidate(logbook, n).tree for n in (1, 2, 3)] == ["", "OT01", "OT02"]
    cut_by_cards(logbook, clip.id, see((0, 1.0), (2, 15.0), (1, 45.0)))
    assert list_cut(logbook, clip.id) == [
        ("OT01", 1.0, 15.0, "card"),
        ("OT03", 15.0, 40.0, "card"),
        ("OT02", 40.0, 60.0, "given"),
    ]
    assert [find_candidate(logbook, n).tree for n in (1, 2, 3)] == ["OT01", "OT03", "OT02"]
    observations = [find_observation(logbook, candidate_id=n) for n in (1, 2, 3)]
    assert [one.tree for one in observations if one] == ["OT01", "OT03", "OT02"]
    changes = [list_changes(logbook, one.id) for one in observations if one]
    assert [[(c.field, c.old, c.new, c.who) for c in some] for some in changes] == [
        [("tree", None, "OTTERHOLT/OT01", "card")],
        [("tree", "OTTERHOLT/OT01", "OTTERHOLT/OT03", "card")],
        [],
    ]
    (change,) = list_record_changes(logbook, "clip", clip.id)
    assert (change.old, change.new) == ("OT01 5.0-40.0 s", "OT01 1.0-15.0 s, OT03 15.0-40.0 s")


def test_no_more_cards_leave_no_tree(logbook: Logbook) -> None:
    """A search that sees none takes back what older ones saw, and the candidates with it."""
    clip = film(logbook)
    cut_by_cards(logbook, clip.id, see((0, 5.0)))
    search(logbook, clip, [make_candidate(20.0)])
    assert find_candidate(logbook, 1).tree == "OT01"
    assert cut_by_cards(logbook, clip.id, []).is_changed
    assert list_stretches(logbook, clip.id) == () and find_candidate(logbook, 1).tree == ""


def test_a_card_of_no_tree_is_told_and_named_later(logbook: Logbook) -> None:
    """Its footage has no tree until one gets that marker; then cutting by what is kept names it."""
    clip = film(logbook)
    cut = cut_by_cards(logbook, clip.id, see((0, 5.0), (17, 20.0)))
    assert list_cut(logbook, clip.id) == [("OT01", 5.0, 20.0, "card")]
    assert len(cut.notes) == 1 and "at 20.0 s a card with marker 17 is shown" in cut.notes[0]
    write_trees(logbook, [TreeEntry("OTTERHOLT", "OT09", {"marker": 17})])
    assert cut_by_cards(logbook, clip.id).notes == ()
    assert list_cut(logbook, clip.id)[1] == ("OT09", 20.0, 60.0, "card")


def test_a_card_against_what_was_said_is_told(logbook: Logbook) -> None:
    """The hand counts; the note names both trees. The same tree is no contradiction."""
    clip = film(logbook, tree="OT02")
    cut = cut_by_cards(logbook, clip.id, see((0, 5.0), (1, 30.0)))
    assert list_cut(logbook, clip.id) == [("OT02", 0.0, 60.0, "given")]
    assert cut.notes == (
        "at 5.0 s the card of OT01 is shown in a part that was said to be OT02; what was said stays",
    )


def test_cards_of_two_sites_are_told(logbook: Logbook) -> None:
    """A clip stands under one visit, that of its first tree."""
    write_trees(logbook, [TreeEntry("NEXT", "N1", {"marker": 9})])
    cut = cut_by_cards(logbook, film(logbook).id, see((0, 5.0), (9, 30.0)))
    assert cut.notes == (
        "cards of several sites (OTTERHOLT, NEXT) are shown in one clip; it stands under the visit to OTTERHOLT",
    )


def test_markers_are_given_once_and_stay(logbook: Logbook) -> None:
    """New trees get the lowest free one; a marker neither moves nor is given twice; an empty cell leaves it."""
    add_trees(logbook, "OT04")
    trees = list_trees(logbook)
    assert assign_markers(logbook, [tree.id for tree in trees], markers=250) == 1
    assert [tree.marker for tree in list_trees(logbook)] == [0, 1, 2, 3]
    for marker, expected in ((5, "expected marker 3, which its printed card has; found 5"),):
        with pytest.raises(AnnotateError, match=expected):
            write_trees(logbook, [TreeEntry("OTTERHOLT", "OT04", {"marker": marker})])
    with pytest.raises(AnnotateError, match="found 2, which is on the card of 'OT03'"):
        write_trees(
            logbook,
            [TreeEntry("OTTERHOLT", "OT04", {"notes": "x"}), TreeEntry("OTTERHOLT", "OT05", {"marker": 2})],
        )
    write_trees(logbook, [TreeEntry("OTTERHOLT", "OT04", {"marker": None})])
    assert [(tree.marker, tree.notes) for tree in list_trees(logbook)] == [(0, ""), (1, ""), (2, ""), (3, "")]
    with pytest.raises(AnnotateError, match="at most 4 trees with cards in a logbook; found 5"):
        add_trees(logbook, "OT05")
        assign_markers(logbook, [tree.id for tree in list_trees(logbook)], markers=4)


class NoScorer:
    """Finds nothing: this is about cards."""

    name = "none"

    def find(self, lit: object, *, with_feeding: bool = True) -> list[object]:
        return []

    def score(self, lit: object, regions: object) -> list[object]:
        return []

    def combine(self, kind: object, scores: object, *, most_views: int) -> float:
        return 0.0


def test_a_walk_past_twelve_trees_names_each_within_a_second(logbook: Logbook, tmp_path: Path) -> None:
    """Searched from the file to the logbook: twelve stretches, none misnamed, every start and end within 1 s of the truth."""
    add_trees(logbook, *(f"OT{number:02d}" for number in range(4, 13)))
    assign_markers(logbook, [tree.id for tree in list_trees(logbook)], markers=250)
    codes = {tree.marker: tree.code for tree in list_trees(logbook)}
    path = tmp_path / "walk.mp4"
    order = [int(n) for n in np.random.default_rng(1).permutation(12)]
    truth = film_walk(path, [], seed=11, numbers=order, tree_s=(1.5, 3.0), rate_hz=6)
    said = SearchOrder(None, False, LATER)
    done = search_into_logbook(logbook, open_clip(path), order=said, scorer=NoScorer())  # type: ignore[arg-type]
    wanted = list(list_truth_stretches(truth, done.search.searched_s))
    assert [one.tree for one in done.cut.stretches] == [codes[number] for number, _, _ in wanted]
    for one, (_, start_s, end_s) in zip(done.cut.stretches, wanted, strict=True):
        assert abs(one.start_s - start_s) <= 1 and abs(one.end_s - end_s) <= 1
    assert done.cut.notes == () and {one.doubt for one in plan_again(logbook, done.clip.id)} == {""}


def plan_again(logbook: Logbook, clip_id: int) -> tuple[CardStretch, ...]:
    """What the kept sightings say."""
    from detect.cards import gather_showings

    shown = [
        ShownCard(s.number, s.first_s, s.last_s) for s in gather_showings(list_sightings(logbook, clip_id))
    ]
    trees = {tree.marker: tree.id for tree in list_trees(logbook) if tree.marker is not None}
    return plan_stretches(shown, trees=trees, end_s=1e9)

"""What the search missed and a person drew in: a candidate, its verdict and its observation at once, and nothing by halves."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from annotate.errors import AnnotateError
from annotate.logbook.drawn_in import draw_in, list_drawn_beside
from annotate.logbook.labels import gather_labels, list_labels
from annotate.logbook.observations import list_observations
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.outlines import correct_outline
from annotate.logbook.records import Details
from annotate.logbook.review import add_counts, count_candidates, find_candidate, next_candidate
from annotate.logbook.verdicts import give_verdict, list_verdicts, take_back
from detect.evidence import HeldJpeg
from tests.annotate.made_records import (
    LATER,
    NOON,
    add_trees,
    film,
    make_candidate,
    make_jpeg,
    make_view,
    search,
)

MINUTE = timedelta(minutes=1)
PICTURE = make_jpeg(1, rows=60, columns=80)
ORIGIN_PX = (480, 680)
BODY = ((520.0, 700.0), (520.0, 720.0), (526.0, 720.0), (526.0, 700.0))
"""Beside the body of the candidate, which lies in rows 495 to 505 and columns 685 to 715."""


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    """A clip of OT03 with one candidate seen at 1 s, its picture large enough to draw in."""
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as opened:
        add_trees(opened, "OT03")
        view = replace(make_view(1.0), picture_jpeg=HeldJpeg(PICTURE), picture_origin_px=ORIGIN_PX)
        search(opened, film(opened, tree="OT03"), [make_candidate(views=[view])])
        yield opened


def draw(logbook: Logbook, **changes: Any) -> int:
    """Draw `BODY` into the picture of candidate 1."""
    view = find_candidate(logbook, 1).views[0]
    values: dict[str, Any] = {
        "clip_id": 1,
        "time_s": 1.0,
        "frame_index": view.frame_index,
        "outline_px": BODY,
        "picture": view.picture,
        "picture_origin_px": ORIGIN_PX,
        "frame_size_px": (1080, 1920),
        "reviewer": "Maren",
        "at": LATER,
        "frame_picture": make_jpeg(301),
    }
    return draw_in(logbook, **(values | changes))


def test_a_drawn_larva_is_confirmed_and_recorded_at_once(logbook: Logbook) -> None:
    """It is a candidate by hand on the clip's tree with one view, a confirm and an observation with its details."""
    number = draw(logbook, details=Details(stage="L3"))
    drawn = find_candidate(logbook, number)
    assert (drawn.found_by, drawn.score, drawn.answer, drawn.standing) == ("hand", 0.0, "confirm", "listed")
    assert (drawn.tree, drawn.at, drawn.best_s, drawn.views_seen) == (
        "OT03",
        NOON + timedelta(seconds=1),
        1.0,
        1,
    )
    (view,) = drawn.views
    assert (view.outline, view.box) == (BODY, (520, 700, 527, 721))
    assert (view.length_px, view.width_px) == pytest.approx((21.0, 7.0))
    assert (view.picture_origin_px, view.picture_size_px) == (ORIGIN_PX, (60, 80))
    # Of the frames looked at, made at 0, 0.5 and 1 s, the last is nearest, with a sharpness of 0.5.
    assert view.sharpness == 0.5
    assert [(one.answer, one.reviewer) for one in list_verdicts(logbook, number)] == [("confirm", "Maren")]
    (observation,) = list_observations(logbook)
    assert (observation.candidate_id, observation.stage, observation.tree) == (number, "L3", "OT03")
    assert add_counts(count_candidates(logbook)).confirmed == 1


def test_it_is_a_label_in_the_picture_it_was_drawn_in(logbook: Logbook) -> None:
    """Both bodies of one picture are marked once both are confirmed; while the other is not judged, the picture waits."""
    draw(logbook)
    gather_labels(logbook)
    assert list_labels(logbook) == ()
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    gather_labels(logbook)
    (label,) = list_labels(logbook)
    assert label.source == "verdict" and label.scorer == "made 1"
    assert [mark.outline.min(axis=0).tolist() for mark in label.marks] == [[15, 5], [40, 20]]


def test_in_a_picture_of_its_own_no_weights_found_it(logbook: Logbook) -> None:
    """A picture cut for the drawn larva is a label whose scorer is empty: nobody's network saw it."""
    draw(logbook, picture=make_jpeg(7, rows=60, columns=80))
    gather_labels(logbook)
    (label,) = list_labels(logbook)
    assert (label.scorer, label.answer, len(label.marks)) == ("", "larva", 1)


def test_taken_back_it_leaves_the_review(logbook: Logbook) -> None:
    """Undone, nobody is asked about it and its observation is withdrawn; judged anew, it is there again."""
    number = draw(logbook)
    take_back(logbook, reviewer="Maren", at=LATER, candidate_id=number)
    assert (find_candidate(logbook, number).standing, list_observations(logbook)) == ("set aside", ())
    following = next_candidate(logbook)
    assert following is not None and following.id == 1
    assert add_counts(count_candidates(logbook)).all == 1
    give_verdict(logbook, number, answer="confirm", reviewer="Maren", at=LATER)
    assert find_candidate(logbook, number).standing == "listed"
    assert len(list_observations(logbook)) == 1


def test_it_can_be_dismissed(logbook: Logbook) -> None:
    """A second thought dismisses it like any other, with a reason."""
    number = draw(logbook)
    give_verdict(logbook, number, answer="dismiss", reviewer="Jonas", at=LATER, reason="twig")
    assert find_candidate(logbook, number).answer == "dismiss" and list_observations(logbook) == ()
    assert list_drawn_beside(logbook, 1) == ()


def test_searching_again_does_not_ask_of_it_again(logbook: Logbook) -> None:
    """What the next search finds at its place is tied to it, and it stays in the review."""
    number = draw(logbook)
    found = make_candidate(1.0, (523, 710), length_px=20.0, shade=5)
    again = search(logbook, film(logbook), [found], scorer="made 2")
    assert (again.offered, again.same_as_before, again.set_aside) == (0, 1, 1)
    assert find_candidate(logbook, number).standing == "listed"
    after = draw(logbook, outline_px=[(row, column - 15) for row, column in BODY], time_s=1.5, frame_index=45)
    assert find_candidate(logbook, after).found_by == "hand"


def test_the_same_thing_is_not_drawn_twice(logbook: Logbook) -> None:
    """What a candidate of that frame shows, or was drawn in a moment ago, is refused by its number; a neighbour is not."""
    own = [(row + 0.5, column) for row, column in find_candidate(logbook, 1).views[0].outline]
    with pytest.raises(AnnotateError, match="candidate 1 shows in the same frame"):
        draw(logbook, outline_px=own)
    number = draw(logbook)
    with pytest.raises(AnnotateError, match=f"candidate {number} shows"):
        draw(logbook, outline_px=[(row, column + 2) for row, column in BODY])
    touching = draw(logbook, outline_px=[(row + 6, column) for row, column in BODY])
    assert draw(logbook, frame_index=31, time_s=1.03) == touching + 1
    assert len(list_observations(logbook)) == 3


def test_what_was_drawn_in_is_shown_beside(logbook: Logbook) -> None:
    """The other pictures of the clip learn what was drawn in, in its corrected outline, but for the one at hand."""
    number = draw(logbook)
    assert list_drawn_beside(logbook, 1) == ((30, BODY),)
    assert list_drawn_beside(logbook, 1, without=number) == ()
    smaller = tuple((row, min(column, 715.0)) for row, column in BODY)
    correct_outline(logbook, number, rank=0, outline=smaller, reviewer="Maren", at=LATER)
    assert list_drawn_beside(logbook, 1) == ((30, smaller),)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"clip_id": 9}, "search the clip first"),
        ({"outline_px": BODY[:2]}, "found 2 of them"),
        ({"outline_px": ((100.0, 100.0), (100.0, 120.0), (110.0, 110.0))}, "found one outside"),
        ({"picture": "f" * 64}, "put it back from a copy"),
        ({"picture": b"no picture"}, "expected a JPEG"),
        ({"picture_origin_px": (1050, 680)}, "cut it from the frame again"),
        ({"reviewer": " "}, "expected a name"),
        ({"details": Details(stage="L9")}, "stage: expected one of"),
    ],
)
def test_what_cannot_be_drawn_in_leaves_nothing(logbook: Logbook, changes: dict[str, Any], said: str) -> None:
    """Whatever is wrong, there is no candidate, no verdict and no observation of it."""
    with pytest.raises(AnnotateError, match=said):
        draw(logbook, **changes)
    assert add_counts(count_candidates(logbook)).all == 1
    assert list_verdicts(logbook, 2) == () and list_observations(logbook) == ()


def test_a_clip_without_a_search_takes_nothing(logbook: Logbook) -> None:
    """A clip that was only added has no search that the candidate could belong to."""
    clip = film(logbook, number=2)
    with pytest.raises(AnnotateError, match="leafshade search CLIP"):
        draw(logbook, clip_id=clip.id)


def test_a_whole_frame_is_its_own_picture(logbook: Logbook) -> None:
    """Drawn into a frame that is kept whole, the frame is evidence and overview alike."""
    frame = make_jpeg(8, rows=108, columns=192)
    body = ((20.0, 30.0), (20.0, 50.0), (26.0, 50.0), (26.0, 30.0))
    number = draw(
        logbook,
        outline_px=body,
        picture=frame,
        picture_origin_px=(0, 0),
        frame_size_px=(108, 192),
        frame_picture=None,
        frame_index=900,
        time_s=30.0,
    )
    drawn = find_candidate(logbook, number)
    assert drawn.frame_picture == drawn.views[0].picture and drawn.frame_size_px == (108, 192)

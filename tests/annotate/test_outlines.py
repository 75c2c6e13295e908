"""Outlines that people draw: kept beside the search's own, checked, measured, and taken into the labelled image set."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.exc import IntegrityError

from annotate.errors import AnnotateError
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.outlines import MOST_CORNERS, check_outline, correct_outline, measure_area
from annotate.logbook.review import find_candidate, list_candidates
from tests.annotate.made_records import LATER, add_trees, film, make_candidate, make_view, search

ORIGIN_PX, SIZE_PX = (487, 681), (24, 32)
"""Of the picture of a made view about (500, 700): 8 rows and 4 columns before its box, and as large as `make_jpeg` draws."""

DRAWN = ((492.0, 690.0), (492.0, 706.0), (500.5, 706.0), (500.5, 690.0))
"""A body of 8.5 by 16 px within that picture."""

MINUTE = timedelta(minutes=1)


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    """One clip of OT03 with a candidate of three views and one of a single view."""
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as opened:
        add_trees(opened, "OT03")
        views = [make_view(1.0 + number, shade=number + 1) for number in range(3)]
        found = [make_candidate(views=views), make_candidate(20.0, shade=9)]
        search(opened, film(opened, tree="OT03"), found)
        yield opened


def draw(
    logbook: Logbook,
    outline: Sequence[Sequence[float]] | None,
    *,
    candidate: int = 1,
    rank: int = 0,
    reviewer: str = "Maren",
) -> None:
    """Correct an outline."""
    correct_outline(logbook, candidate, rank=rank, outline=outline, reviewer=reviewer, at=LATER)


def test_a_corrected_outline_is_shown_and_measured(logbook: Logbook) -> None:
    """Outline, box and lengths of the view are those drawn, and the search's own can still be had; other views stay."""
    before = find_candidate(logbook, 1)
    draw(logbook, DRAWN)
    after = find_candidate(logbook, 1)
    view = after.views[0]
    assert (view.outline, view.box) == (DRAWN, (492, 690, 501, 707))
    # The smallest rectangle round it has sides of 16 and 8.5 px; the search counts whole pixels, one more.
    assert (view.length_px, view.width_px) == pytest.approx((17.0, 9.5))
    assert view.own_outline == before.views[0].outline
    assert after.views[1:] == before.views[1:]
    assert all(one.own_outline is None for one in after.views[1:])


def test_the_length_is_the_median_of_the_views_as_they_now_are(logbook: Logbook) -> None:
    """One of three corrected views changes nothing of the median, two do; the list says the same as the page."""
    draw(logbook, DRAWN)
    assert find_candidate(logbook, 1).length_px == 30.0
    draw(logbook, DRAWN, rank=2)
    assert find_candidate(logbook, 1).length_px == pytest.approx(17.0)
    listed = {one.id: one for one in list_candidates(logbook)}
    assert (listed[1].length_px, listed[2].length_px) == (pytest.approx(17.0), 30.0)


def test_the_newest_outline_counts_and_the_way_back_is_open(logbook: Logbook) -> None:
    """A second correction replaces the first, and None brings back what the search had."""
    own = find_candidate(logbook, 1).views[0]
    draw(logbook, DRAWN)
    smaller = [(row, min(column, 700.0)) for row, column in DRAWN]
    draw(logbook, smaller, reviewer="Jonas")
    assert find_candidate(logbook, 1).views[0].outline == tuple(smaller)
    draw(logbook, None)
    assert find_candidate(logbook, 1).views[0] == own


def test_corrections_can_only_be_added(logbook: Logbook) -> None:
    """The database itself refuses to change or to remove one."""
    draw(logbook, DRAWN)
    for statement in ("UPDATE outline_correction SET outline = NULL", "DELETE FROM outline_correction"):
        with pytest.raises(IntegrityError, match="only ever added"), logbook.writing() as session:
            session.connection().exec_driver_sql(statement)


BOW = ((492, 690), (500, 706), (492, 706), (500, 690))


@pytest.mark.parametrize(
    ("outline", "said"),
    [
        ([], "3 to 1000 points of row and column; found something else"),
        (DRAWN[:2], "found 2 of them"),
        ([DRAWN[0]] * (MOST_CORNERS + 1), f"found {MOST_CORNERS + 1} of them"),
        ([(1, 2, 3)] * 4, "found something else"),
        ([(1, 2), (3,), (4, 5)], "found something else"),
        ("outline", "found something else"),
        ([(492, 690), (492, float("nan")), (500, 700)], "found one outside"),
        ([(492, 690), (492, float("inf")), (500, 700)], "found one outside"),
        ([(480, 690), (492, 706), (500, 700)], "found one outside"),
        (BOW, "crosses itself"),
        ([(492, 690), (492, 706), (492, 698)], "at least 4 px; found 0.0 px"),
        ([(492, 690), (492, 692), (493, 691)], "at least 4 px; found 1.0 px"),
    ],
)
def test_what_is_no_outline_is_refused(logbook: Logbook, outline: object, said: str) -> None:
    """Too few, too many, broken, outside, crossed or flat: a sentence, and nothing is kept."""
    before = find_candidate(logbook, 1)
    with pytest.raises(AnnotateError, match=said):
        draw(logbook, outline)  # type: ignore[arg-type]
    assert find_candidate(logbook, 1) == before


def test_a_view_that_is_not_there_is_refused(logbook: Logbook) -> None:
    """An unknown candidate or rank gets a sentence."""
    for candidate, rank in ((1, 3), (77, 0)):
        with pytest.raises(AnnotateError, match="reload the page"):
            draw(logbook, DRAWN, candidate=candidate, rank=rank)
    with pytest.raises(AnnotateError, match="expected a name"):
        draw(logbook, DRAWN, reviewer=" ")


def test_points_at_the_edge_are_cut_there() -> None:
    """A picture ends half a pixel beyond its outermost pixels' centres; a little over is cut, not refused."""
    outline = check_outline([(486.2, 690), (500, 690), (500, 700)], origin_px=ORIGIN_PX, size_px=SIZE_PX)
    assert outline.min() == 486.5 and outline.dtype == np.float32


@given(
    st.lists(st.floats(2.0, 11.0), min_size=3, max_size=60),
    st.floats(0, 6.28),
)
def test_a_star_never_crosses_itself(radii: list[float], turn: float) -> None:
    """Points in the order of their angles about a middle are always taken."""
    angles = turn + 2 * np.pi * np.arange(len(radii)) / len(radii)
    star = np.stack([12 + radii * np.sin(angles), 16 + radii * np.cos(angles)], axis=1)
    assert len(check_outline(star, origin_px=(0, 0), size_px=(25, 33))) == len(radii)


def test_a_pentagram_crosses_itself() -> None:
    """The five points of a star are an outline in the order of their angles, and none when every second one is passed over."""
    angles = 2 * np.pi * np.arange(5) / 5
    star = np.stack([12 + 9 * np.sin(angles), 16 + 9 * np.cos(angles)], axis=1)
    assert len(check_outline(star, origin_px=(0, 0), size_px=(25, 33))) == 5
    with pytest.raises(AnnotateError, match="crosses itself"):
        check_outline(star[[0, 2, 4, 1, 3]], origin_px=(0, 0), size_px=(25, 33))


def test_an_area_is_that_of_the_polygon() -> None:
    """A right triangle has half the product of its sides, whichever way round it goes."""
    triangle = np.float32([(0, 0), (0, 6), (4, 0)])
    assert measure_area(triangle) == measure_area(triangle[::-1]) == 12.0

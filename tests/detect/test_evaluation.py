"""Whole clips are counted at any threshold from one search, checked by hand on small cases."""

import numpy as np
import pytest

from detect.candidates import Candidate, View
from detect.clip_figures import WatchedClip, fit_chances, summarise_clips
from detect.evaluation import (
    LOWEST_SCORE,
    ClipOutcome,
    FeedingCount,
    compare_with_truth,
    count_feeding,
    count_outcomes,
    find_threshold,
)
from detect.larva_looks import OnShow
from detect.regions import Box
from models.canopy.truth import FeedingMark, FrameTruth, LarvaMark, LarvaTruth, Truth
from models.detectability import Look
from models.errors import ModelsError

OUTCOMES = [
    ClipOutcome(
        "one",
        60.0,
        {"A": 20.0, "B": 12.0, "C": 8.0},
        ((0.9, "A"), (0.85, "A"), (0.8, None), (0.6, "B"), (0.3, None)),
        {"A": 0.05, "B": -0.1},
        poses={"A": "on-midrib", "B": "on-twig", "C": "on-midrib"},
    ),
    ClipOutcome("two", 60.0, {"A": 40.0}, ((0.7, None), (0.2, "A")), {"A": 0.0}, poses={"A": "on-midrib"}),
]


def test_one_search_is_read_at_any_threshold() -> None:
    """Found by class, and false candidates a minute over all clips; repeats of a larva count once."""
    strict = count_outcomes(OUTCOMES, threshold=0.75)
    assert strict.found == {
        (6.0, 10.0): (0, 1),
        (10.0, 16.0): (0, 1),
        (16.0, 32.0): (1, 1),
        (32.0, float("inf")): (0, 1),
    }
    assert strict.false_per_minute == 0.5
    loose = count_outcomes(OUTCOMES, threshold=0.1)
    assert loose.find_share(16) == 1.0 and loose.find_share(6, 10) == 0.0
    assert loose.false_per_minute == 1.5
    assert loose.find_share(6, 8) != loose.find_share(6, 8)


def test_the_threshold_keeps_to_the_rate() -> None:
    """The lowest threshold with no more than so many false a minute; without false ones the lowest there is."""
    for rate in (0.0, 0.5, 1.0, 1.5):
        threshold = find_threshold(OUTCOMES, false_per_minute=rate)
        assert count_outcomes(OUTCOMES, threshold=threshold).false_per_minute <= rate
    assert find_threshold(OUTCOMES, false_per_minute=0.5) == pytest.approx(0.7, abs=1e-9)
    assert find_threshold(OUTCOMES, false_per_minute=9.0) == pytest.approx(LOWEST_SCORE)
    assert find_threshold([], false_per_minute=1.0) == pytest.approx(LOWEST_SCORE)


ON_SHOW = [
    {
        "A": OnShow(10, 20.0, 0.6, True),
        "B": OnShow(6, 12.0, 0.5, True),
        "C": OnShow(3, 8.0, 0.5, False),
    },
    {"A": OnShow(2, 40.0, 0.4, False)},
]
WATCHED = [WatchedClip(outcome, shown) for outcome, shown in zip(OUTCOMES, ON_SHOW, strict=True)]


def test_figures_of_clips_are_those_counted_by_hand() -> None:
    """Four larvae in two minutes, two of which stand out: both numbers side by side at every threshold and along the curve."""
    figures = summarise_clips(WATCHED, threshold=0.65)
    assert (figures["minutes"], figures["larvae"], figures["larvae_that_stand_out"]) == (2.0, 4, 2)
    default = figures["at"]["default"]
    assert default["false_per_minute"] == 1.0
    assert default["found_by_length_px"]["16-32"] == {"found": 1, "of": 1}
    assert default["found_by_length_px"]["32 and over"] == {"found": 0, "of": 1}
    assert default["found_by_length_px_of_those_that_stand_out"]["32 and over"] == {"found": 0, "of": 0}
    assert default["found_by_pose_16_px_and_over"] == {"on-midrib": {"found": 1, "of": 2}}
    assert default["recall_16_px_and_over"] == 0.5
    assert default["recall_16_px_and_over_of_those_that_stand_out"] == 1.0
    points = [
        (p["false_per_minute"], p["larvae_found"], p["larvae_found_of_those_that_stand_out"])
        for p in figures["curve"]
    ]
    # Scores in order: A A | false .8 | false .7 | B | false .3 | A of the second clip.
    assert points == [(0.0, 1, 1), (0.5, 1, 1), (1.0, 2, 2), (1.5, 3, 2)]
    assert figures["length_error_median_percent"] == pytest.approx(5.0)
    assert figures["by_clip"][0]["false_silhouettes"] == 1
    assert figures["by_clip"][0]["larvae_found_of_those_that_stand_out"] == 1


def test_the_score_of_candidates_is_calibrated_as_counted() -> None:
    """Of two candidates between 0.8 and 0.9 one is right, one at 0.25 is wrong: table and mean gap, worked out by hand."""
    shown = ((0.88, "A"), (0.82, None), (0.25, None))
    clip = WatchedClip(ClipOutcome("one", 60.0, {"A": 20.0}, shown, {}), ON_SHOW[0])
    calibration = summarise_clips([clip], threshold=0.5)["calibration"]
    assert [(row["count"], row["share_right"]) for row in calibration["table"]] == [(1, 0.0), (2, 0.5)]
    assert calibration["expected_error"] == pytest.approx((0.25 + 2 * 0.35) / 3)


def test_no_clips_have_no_figures_but_no_error() -> None:
    """Nothing searched gives zero larvae, an empty curve's one point, and no made-up medians."""
    figures = summarise_clips([], threshold=0.5)
    assert figures["larvae"] == 0 and figures["outline_iou_median"] is None
    assert [point["larvae_found"] for point in figures["curve"]] == [0]


def test_chances_are_fitted_of_frames_and_of_clips() -> None:
    """Found and missed larvae give the curve of both; where all clips' larvae are found, only that of frames; else an error."""
    looks = [Look("one A", 20.0, 0.6, n % 4 > 0) for n in range(12)] + [Look("one C", 8.0, 0.5, False)] * 6
    curve = fit_chances(looks, WATCHED, follow_score=0.05, silhouette_score=0.5)
    assert (curve.larvae, curve.looks, curve.found) == (2, 18, 9)
    assert curve.clip is not None and (curve.clip.larvae, curve.clip.found) == (4, 2)
    assert fit_chances(looks, WATCHED[:0], follow_score=0.05, silhouette_score=0.5).clip is None
    with pytest.raises(ModelsError, match="both found and missed"):
        fit_chances(looks[12:], WATCHED, follow_score=0.05, silhouette_score=0.5)


HERE: Box = (100, 100, 106, 121)
AWAY: Box = (400, 400, 406, 421)


def outline_of(box: Box) -> np.ndarray:
    top, left, bottom, right = box
    return np.float32([[top, left], [top, right - 1], [bottom - 1, right - 1], [bottom - 1, left]])


def make_view(index: int, box: Box) -> View:
    return View(index / 30, index, box, outline_of(box), 20.0, 5.0, 0.9, 1.0, b"", (0, 0))


def make_truth(larvae: list[LarvaMark], feeding: list[FeedingMark]) -> Truth:
    known = tuple(LarvaTruth(mark.larva_id, "L4", 20.0, "healthy", "on-midrib") for mark in larvae)
    frames = tuple(FrameTruth(n, n / 30, tuple(larvae), tuple(feeding)) for n in range(60))
    return Truth("clip.mp4", (1080, 1920), 30.0, "", known, frames)


def test_outlines_are_compared_in_the_best_view_that_hits() -> None:
    """The first view is of something else; the second has the larva's outline to the pixel."""
    truth = make_truth([LarvaMark("A", HERE, outline_of(HERE), 20.0, 1.0, 0.6)], [])
    views = (make_view(3, AWAY), make_view(9, HERE))
    candidate = Candidate("silhouette", 0.8, 0.1, 0.3, views, 2, 22.0, 0.0, b"", (1080, 1920))
    outcome = compare_with_truth("clip", [candidate], truth, duration_s=2.0)
    assert outcome.outline_ious == {"A": 1.0}
    assert outcome.length_errors["A"] == pytest.approx(0.1)
    assert outcome.list_found(0.8) == {"A"} and outcome.list_found(0.81) == set()


def test_feeding_is_counted_by_leaf() -> None:
    """Two bites of one leaf are one leaf found, another is missed, a scratch of 2 % is not asked for; one candidate is false."""
    marks = [
        FeedingMark("F1", "K1", HERE, outline_of(HERE), 20.0),
        FeedingMark("F2", "K1", (108, 100, 114, 121), outline_of(HERE), 20.0),
        FeedingMark("F3", "K2", AWAY, outline_of(AWAY), 8.0),
        FeedingMark("F4", "K3", (700, 700, 706, 706), outline_of(AWAY), 2.0),
    ]
    boxes: list[Box] = [HERE, (108, 100, 114, 121), (900, 900, 910, 910)]
    candidates = [
        Candidate("feeding", 0.8, 0.1, 0.3, (make_view(3, box),), 1, 22.0, 20.0, b"", (1080, 1920))
        for box in boxes
    ]
    assert count_feeding(candidates, make_truth([], marks)) == FeedingCount(2, 1, 1, 2)
    assert count_feeding([], make_truth([], [])) == FeedingCount(0, 0, 0, 0)

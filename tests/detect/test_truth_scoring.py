"""A search is counted against the truth by the rule that is written down, checked by hand on small cases."""

import numpy as np
import pytest

from detect.candidates import Candidate, View
from detect.evaluation import compare_with_truth
from detect.regions import Box, Kind
from detect.truth_scoring import score_candidates
from models.canopy.truth import FeedingMark, FrameTruth, LarvaMark, LarvaTruth, Truth

RATE_HZ = 30.0


def outline_of(box: Box) -> np.ndarray:
    top, left, bottom, right = box
    return np.float32([[top, left], [top, right - 1], [bottom - 1, right - 1], [bottom - 1, left]])


def mark_larva(larva_id: str, box: Box, *, length_px: float = 20.0, visible: float = 1.0) -> LarvaMark:
    return LarvaMark(larva_id, box, outline_of(box), length_px, visible, 1.0)


def make_truth(
    larvae: list[LarvaMark], feeding: list[FeedingMark] | None = None, *, frames: int = 60
) -> Truth:
    """The same marks in every frame."""
    ids = sorted({mark.larva_id for mark in larvae})
    return Truth(
        "clip.mp4",
        (1080, 1920),
        RATE_HZ,
        "OT03",
        tuple(LarvaTruth(larva_id, "L4", 20.0, "alive", "resting") for larva_id in ids),
        tuple(FrameTruth(n, n / RATE_HZ, tuple(larvae), tuple(feeding or ())) for n in range(frames)),
    )


def make_candidate(boxes: list[Box], *, kind: Kind = "silhouette", start: int = 0) -> Candidate:
    views = tuple(
        View(n / RATE_HZ, n, box, outline_of(box), 20.0, 5.0, 0.9, 1.0, b"", (0, 0))
        for n, box in enumerate(boxes, start=start)
    )
    return Candidate(kind, 0.9, 0.0, 1.0, views, len(views), 20.0, 0.0, b"", (1080, 1920))


HERE: Box = (100, 100, 106, 121)
NEAR: Box = (105, 104, 111, 125)
AWAY: Box = (400, 400, 406, 421)


def test_found_missed_repeated_and_false_are_told_apart() -> None:
    """Two larvae, one found twice, one missed; one candidate on nothing."""
    truth = make_truth([mark_larva("A1", HERE), mark_larva("A2", (700, 700, 706, 712), length_px=12)])
    candidates = [make_candidate([HERE] * 3), make_candidate([NEAR] * 2), make_candidate([AWAY] * 4)]
    score = score_candidates(candidates, truth, duration_s=30.0)
    assert score.found == {"A1": 20.0} and score.missed == {"A2": 12.0}
    assert (score.repeats, score.false_silhouettes) == (1, 1)
    assert score.false_silhouettes_per_minute == 2.0


def test_a_hit_is_within_half_a_length_or_six_px() -> None:
    """An 8 px animal is hit 5 px off, not 7; a 40 px one is hit 19 px off, not 21."""
    small: Box = (50, 50, 53, 58)
    large: Box = (300, 300, 310, 340)
    truth = make_truth([mark_larva("S", small, length_px=8), mark_larva("L", large, length_px=40)])
    for box, shift, is_hit in [(small, 5, True), (small, 7, False), (large, 19, True), (large, 21, False)]:
        moved = (box[0], box[1] + shift, box[2], box[3] + shift)
        score = score_candidates([make_candidate([moved])], truth, duration_s=2.0)
        assert len(score.found) == is_hit and score.false_silhouettes == (not is_hit)


def test_most_views_must_hit() -> None:
    """A candidate that shows the larva in one view of three is false; in two of four it shows it."""
    truth = make_truth([mark_larva("A1", HERE)])
    assert (
        score_candidates([make_candidate([HERE, AWAY, AWAY])], truth, duration_s=2.0).false_silhouettes == 1
    )
    assert score_candidates([make_candidate([HERE, HERE, AWAY, AWAY])], truth, duration_s=2.0).found


def test_a_larva_hardly_seen_counts_neither_way() -> None:
    """Covered, or in the picture for less than a second, it is neither missed nor false to find."""
    covered = make_truth([mark_larva("A1", HERE, visible=0.3)])
    brief = make_truth([mark_larva("A1", HERE)], frames=20)
    for truth in (covered, brief):
        score = score_candidates([make_candidate([HERE])], truth, duration_s=2.0)
        assert not score.found and not score.missed and not score.false_silhouettes
        outcome = compare_with_truth("clip", [make_candidate([HERE])], truth, duration_s=2.0)
        assert outcome.shown == () and outcome.lengths_px == {}


def test_a_larva_under_six_px_is_not_asked_for_in_an_evaluation() -> None:
    """At 5.9 px a candidate of it is neither found nor false; at 6 px it is found."""
    for length_px, shown in ((5.9, ()), (6.0, ((0.9, "A1"),))):
        truth = make_truth([mark_larva("A1", HERE, length_px=length_px)])
        outcome = compare_with_truth("clip", [make_candidate([HERE])], truth, duration_s=2.0)
        assert outcome.shown == shown and len(outcome.lengths_px) == len(shown)


def test_feeding_is_counted_by_its_own_marks() -> None:
    """A feeding candidate on a marked bite is true, on a larva or on nothing it is false."""
    bite = FeedingMark("F1", "B1", AWAY, outline_of(AWAY), 12.0)
    truth = make_truth([mark_larva("A1", HERE)], [bite])
    candidates = [make_candidate([box], kind="feeding") for box in (AWAY, HERE, (900, 900, 910, 910))]
    score = score_candidates(candidates, truth, duration_s=2.0)
    assert (score.true_feeding, score.false_feeding) == (1, 2)
    assert score.missed == {"A1": 20.0}


def test_no_candidates_and_no_larvae() -> None:
    """Nothing found and nothing there are both plain results; no footage has no rate."""
    assert score_candidates([], make_truth([]), duration_s=2.0).false_silhouettes_per_minute == 0
    rate = score_candidates([], make_truth([]), duration_s=0.0).false_silhouettes_per_minute
    assert rate != pytest.approx(rate, nan_ok=False)

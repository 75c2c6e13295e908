"""Metrics by hand on small examples and against pycocotools."""

import contextlib
import io
import itertools

import numpy as np
import pytest

from models.calibration import apply_calibration, fit_calibration, fit_logistic
from models.errors import ModelsError
from models.metrics import (
    LENGTH_CLASSES_PX,
    Mark,
    Wanted,
    draw_froc,
    match_marks,
    measure_average_precision,
    measure_box_iou,
    measure_box_precision,
    measure_calibration_error,
    measure_mask_iou,
    measure_recall,
    tabulate_reliability,
)

HIT, MISS = (10.0, 10.0, 50.0, 50.0), (200.0, 200.0, 240.0, 240.0)


def ask_pycocotools(pictures):
    """Average precision of the same boxes by the reference library."""
    from pycocotools.coco import COCO
    from pycocotools.cocoeval import COCOeval

    truths, offered = [], []
    for image, (some, wanted) in enumerate(pictures, start=1):
        for box in wanted:
            sides = [box[1], box[0], box[3] - box[1], box[2] - box[0]]
            area = sides[2] * sides[3]
            truths.append(
                {
                    "id": len(truths) + 1,
                    "image_id": image,
                    "category_id": 1,
                    "bbox": sides,
                    "area": area,
                    "iscrowd": 0,
                }
            )
        for box, score in some:
            sides = [box[1], box[0], box[3] - box[1], box[2] - box[0]]
            offered.append({"image_id": image, "category_id": 1, "bbox": sides, "score": score})
    with contextlib.redirect_stdout(io.StringIO()):
        coco = COCO()
        coco.dataset = {
            "images": [{"id": n + 1} for n in range(len(pictures))],
            "annotations": truths,
            "categories": [{"id": 1}],
        }
        coco.createIndex()
        evaluation = COCOeval(coco, coco.loadRes(offered), "bbox")
        evaluation.evaluate()
        evaluation.accumulate()
        evaluation.summarize()
    return evaluation.stats[0]


def test_three_truths_give_the_published_average_precision():
    """True at .9, false at .8, true at .7, three truths: .554455 (pycocotools, check-values of the project)."""
    pictures = [([(HIT, 0.9)], [HIT]), ([(MISS, 0.8)], [HIT]), ([(HIT, 0.7)], [HIT])]
    assert measure_box_precision(pictures) == pytest.approx(0.554455, abs=1e-6)
    scores, is_true = np.array([0.9, 0.8, 0.7]), np.array([True, False, True])
    assert measure_average_precision(scores, is_true, truths=3) == pytest.approx(0.554455, abs=1e-6)


@pytest.mark.parametrize(("shift", "expected"), [(0, 1.0), (6, 0.5), (10, 0.3)])
def test_a_shifted_box_loses_as_pycocotools_says(shift, expected):
    """A 40-px box shifted by 6 px has AP .5, by 10 px .3 (pycocotools, check-values of the project)."""
    moved = (10.0, 10.0 + shift, 50.0, 50.0 + shift)
    pictures = [([(moved, 0.9)], [HIT])]
    assert measure_box_precision(pictures) == pytest.approx(expected, abs=1e-9)
    assert ask_pycocotools(pictures) == pytest.approx(expected, abs=1e-9)


def test_random_boxes_agree_with_pycocotools():
    """On random pictures with several boxes each, ours and the reference library's AP are the same."""
    rng = np.random.default_rng(4)
    pictures = []
    for _ in range(12):
        corners = rng.uniform(0, 200, (int(rng.integers(1, 4)), 2))
        truths = [(r, c, r + 30.0, c + 24.0) for r, c in corners]
        offered = []
        for row, column, *_ in truths:
            dr, dc = rng.normal(0, 4, 2)
            offered.append(((row + dr, column + dc, row + dr + 30, column + dc + 24), float(rng.uniform())))
        for row, column in rng.uniform(0, 200, (2, 2)):
            offered.append(((row, column, row + 30, column + 24), float(rng.uniform())))
        pictures.append((offered, truths))
    assert measure_box_precision(pictures) == pytest.approx(ask_pycocotools(pictures), abs=1e-9)


def test_nothing_to_find_has_no_average_precision():
    """Without a truth the figure is nan, with truths and nothing offered it is 0."""
    assert np.isnan(measure_average_precision(np.array([0.5]), np.array([False])))
    assert measure_average_precision(np.array([]), np.array([], bool), truths=2) == 0


def test_overlap_of_the_published_small_box():
    """An 8-px box 2 px off along the diagonal overlaps by .391 (36 of 92 px)."""
    assert measure_box_iou((0, 0, 8, 8), (2, 2, 10, 10)) == pytest.approx(36 / 92)
    assert measure_box_iou((0, 0, 8, 8), (20, 20, 28, 28)) == 0
    assert measure_box_iou((0, 0, 0, 0), (0, 0, 0, 0)) == 0


def test_overlap_of_masks_by_hand():
    """Two rows of four that share two elements overlap by 2 of 6; empty masks agree."""
    first, second = np.zeros((2, 6), bool), np.zeros((2, 6), bool)
    first[0, :4], second[0, 2:6] = True, True
    assert measure_mask_iou(first, second) == pytest.approx(2 / 6)
    assert measure_mask_iou(np.zeros((2, 2), bool), np.zeros((2, 2), bool)) == 1


def test_marks_and_truths_by_hand():
    """A hit, a repeat, a false mark, a miss and a truth not asked for are told apart by the distance of the middles."""
    wanted = [
        Wanted(50, 50, 20),
        Wanted(100, 100, 8),
        Wanted(150, 150, 40),
        Wanted(300, 300, 20, is_asked=False),
    ]
    marks = [
        Mark(52, 50, 0.9),
        Mark(50, 58, 0.8),
        Mark(100, 107, 0.7),
        Mark(170, 150, 0.6),
        Mark(300, 301, 0.95),
    ]
    matching = match_marks([(marks, wanted), ([], [])])
    assert matching.hit_scores[:1] == pytest.approx([0.9])
    assert np.isnan(matching.hit_scores[1])  # 7 px off, and an 8-px body reaches 6
    assert matching.hit_scores[2] == pytest.approx(0.6)  # 20 px off, just within half of 40
    assert matching.false_scores == pytest.approx([0.7])
    assert matching.pictures == 2
    recall = measure_recall(matching, threshold=0.65)
    assert [recall[limits] for limits in LENGTH_CLASSES_PX] == [(0, 1), (0, 0), (1, 1), (0, 1)]


def test_the_free_response_curve_by_hand():
    """Over two pictures with three truths, lowering the threshold adds hits and false marks as counted by hand."""
    far = 500
    pictures = [
        ([Mark(10, 10, 0.9), Mark(far, 10, 0.6)], [Wanted(10, 10, 20), Wanted(100, 100, 20)]),
        ([Mark(10, 10, 0.5), Mark(far, far, 0.8)], [Wanted(10, 10, 20)]),
    ]
    thresholds, false, found = draw_froc(match_marks(pictures))
    assert thresholds == pytest.approx([0.9, 0.8, 0.6, 0.5])
    assert false == pytest.approx([0, 0.5, 1, 1])
    assert found == pytest.approx([1 / 3, 1 / 3, 1 / 3, 2 / 3])


def test_two_marks_on_two_touching_truths_find_both():
    """Two larvae side by side are two finds, each with its own mark, whatever order the marks come in."""
    wanted = [Wanted(50, 50, 20), Wanted(50, 57, 20)]
    marks = [Mark(50, 58, 0.7), Mark(50, 49, 0.8)]
    for some in (marks, marks[::-1]):
        matching = match_marks([(some, wanted)])
        assert matching.hit_scores == pytest.approx([0.8, 0.7])
        assert len(matching.false_scores) == 0


def test_the_reliability_table_by_hand():
    """Four scores of .8 of which three are right, and two of .1 of which none is: error (4 x .05 + 2 x .1) / 6."""
    scores = np.array([0.8, 0.8, 0.8, 0.8, 0.1, 0.1])
    is_true = np.array([True, True, True, False, False, False])
    table = tabulate_reliability(scores, is_true)
    assert [(row.count, row.share_right) for row in table] == [(2, 0.0), (4, 0.75)]
    assert measure_calibration_error(scores, is_true) == pytest.approx((4 * 0.05 + 2 * 0.1) / 6)
    assert np.isnan(measure_calibration_error(np.array([]), np.array([], bool)))


def test_calibration_brings_back_a_known_law():
    """Outcomes drawn with the chance sigmoid(0.5 x - 1) give back slope .5 and offset -1."""
    rng = np.random.default_rng(0)
    log_odds = rng.normal(0, 3, 40_000)
    is_true = rng.random(40_000) < 1 / (1 + np.exp(-(0.5 * log_odds - 1)))
    calibration = fit_calibration(log_odds, is_true)
    assert calibration.slope == pytest.approx(0.5, abs=0.03)
    assert calibration.offset == pytest.approx(-1, abs=0.05)
    assert measure_calibration_error(apply_calibration(log_odds, calibration), is_true) < 0.01


def test_what_the_seeker_says_counts_beside_the_judge() -> None:
    """Where the truth follows from both, fitting both finds both weights, and ranks better than the judge alone."""
    rng = np.random.default_rng(8)
    judged, named = rng.normal(0, 2, 20_000), rng.normal(-2, 1, 20_000)
    is_true = rng.random(20_000) < 1 / (1 + np.exp(-(0.7 * judged + 1.2 * named - 0.5)))
    both = fit_calibration(judged, is_true, named=named)
    assert (both.slope, both.named, both.offset) == pytest.approx((0.7, 1.2, -0.5), abs=0.1)
    alone = fit_calibration(judged, is_true)
    assert alone.named == 0
    scores = apply_calibration(judged, both, named=named), apply_calibration(judged, alone)
    first, second = (measure_average_precision(some, is_true) for some in scores)
    assert first > second + 0.05


def test_calibration_agrees_with_scipy():
    """Slope and offset are where scipy's minimiser finds the least cross entropy on the same drawn-in targets."""
    from scipy.optimize import minimize

    rng = np.random.default_rng(1)
    log_odds = rng.normal(0, 2, 300)
    is_true = rng.random(300) < 1 / (1 + np.exp(-log_odds))
    true = is_true.sum()
    target = np.where(is_true, (true + 1) / (true + 2), 1 / (300 - true + 2))

    def measure(weights):
        line = weights[0] * log_odds + weights[1]
        return float((np.logaddexp(0, line) - target * line).sum())

    best = minimize(measure, [1.0, 0.0], method="BFGS").x
    calibration = fit_calibration(log_odds, is_true)
    assert [calibration.slope, calibration.offset] == pytest.approx(best, abs=1e-4)


def test_calibration_needs_both_outcomes():
    """Examples of one outcome only are refused with what was found and what to do."""
    with pytest.raises(ModelsError, match="5 examples of which 0 are true"):
        fit_calibration(np.arange(5.0), np.zeros(5, bool))


@pytest.mark.parametrize("scale", [0.01, 1.0, 300.0])
def test_a_logistic_fit_ends_at_the_maximum(scale):
    """However far apart the outcomes and whatever the units, no small step from the weights found fits better."""
    rng = np.random.default_rng(4)
    is_true = rng.random(400) < 0.05
    features = scale * (rng.normal(0, 1, (400, 3)) + 6 * is_true[:, None])
    targets = np.where(is_true, (is_true.sum() + 1) / (is_true.sum() + 2), 1 / ((~is_true).sum() + 2))

    def measure(weights):
        odds = features @ weights[:-1] + weights[-1]
        return float((np.logaddexp(0, odds) - targets * odds).sum() + (weights[:-1] ** 2).sum() / 2)

    best = fit_logistic(features, is_true, ridge=1.0)
    for axis, step in itertools.product(range(4), (-1e-3, 1e-3)):
        moved = best.copy()
        moved[axis] += step / (scale if axis < 3 else 1)
        assert measure(moved) > measure(best) - 1e-9

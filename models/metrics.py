"""How good a finder is: recall by body length, false marks per picture, average precision, calibration, overlap.

Rule of a hit: a mark hits a truth when their middles lie within half the truth's length or `LEAST_HIT_PX` of each other,
whichever is more. Small animals are scored by the distance of the middles and not by overlap, since a box of 8 px that is 2 px
off along the diagonal has an overlap of .391. Each truth takes at most one mark and each mark at most one truth, best-scored
marks first. A second mark on the same truth is a repeat: neither found nor false. Marks on truths that are not asked for
(hidden, say) count neither way. Pixels are (row, column).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LEAST_HIT_PX = 6.0
HIT_SHARE_OF_LENGTH = 0.5

LENGTH_CLASSES_PX = ((6.0, 10.0), (10.0, 16.0), (16.0, 32.0), (32.0, float("inf")))
"""Classes of body length, the lower end included."""

SHORTEST_PX = LENGTH_CLASSES_PX[0][0]
"""Shorter larvae are not asked for: neither missed nor false to find."""

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Wanted:
    """One truth of one picture: its middle, its length in px, and whether it is asked for."""

    row: float
    column: float
    length_px: float
    is_asked: bool = True


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing a finder offered in one picture: its middle and its score, 0 to 1."""

    row: float
    column: float
    score: float


@dataclass(frozen=True, slots=True, eq=False)
class Matching:
    """Marks of all pictures against all truths.

    Attributes
    ----------
    hit_scores : float64 (T,), of each truth asked for, the score of the mark that found it; nan where none did
    lengths_px : float64 (T,), of each truth asked for
    false_scores : float64 (F,), scores of the marks that hit nothing
    pictures : how many pictures there were
    """

    hit_scores: NDArray[np.float64]
    lengths_px: NDArray[np.float64]
    false_scores: NDArray[np.float64]
    pictures: int


def match_marks(pictures: Sequence[tuple[Sequence[Mark], Sequence[Wanted]]]) -> Matching:
    """Match marks and truths, picture by picture, by the rule of this file."""
    hits: list[float] = []
    lengths: list[float] = []
    false: list[float] = []
    for marks, wanted in pictures:
        found = [float("nan")] * len(wanted)
        for mark in sorted(marks, key=lambda m: -m.score):
            near = [n for n, truth in enumerate(wanted) if is_hit(mark, truth)]
            free = [n for n in near if np.isnan(found[n])]
            if free:
                closest = min(
                    free, key=lambda n: np.hypot(mark.row - wanted[n].row, mark.column - wanted[n].column)
                )
                found[closest] = mark.score
            elif not near:
                false.append(mark.score)
        hits.extend(score for score, truth in zip(found, wanted, strict=True) if truth.is_asked)
        lengths.extend(truth.length_px for truth in wanted if truth.is_asked)
    return Matching(np.array(hits, float), np.array(lengths, float), np.array(false, float), len(pictures))


def is_hit(mark: Mark, wanted: Wanted) -> bool:
    """Tell whether a mark hits a truth by the rule of this file."""
    reach_px = max(LEAST_HIT_PX, HIT_SHARE_OF_LENGTH * wanted.length_px)
    return bool((mark.row - wanted.row) ** 2 + (mark.column - wanted.column) ** 2 <= reach_px**2)


def measure_recall(matching: Matching, *, threshold: float) -> dict[tuple[float, float], tuple[int, int]]:
    """Return for each class of length (found, asked for) with marks of at least the threshold."""
    counts = {}
    for low, high in LENGTH_CLASSES_PX:
        inside = (matching.lengths_px >= low) & (matching.lengths_px < high)
        found = int((matching.hit_scores[inside] >= threshold).sum())
        counts[low, high] = (found, int(inside.sum()))
    return counts


def draw_froc(matching: Matching) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the free-response curve: thresholds falling, false marks per picture, share of the truths found.

    The form of Chakraborty (false marks over all pictures, also those that hold a truth).
    """
    hits = matching.hit_scores[~np.isnan(matching.hit_scores)]
    thresholds = np.unique(np.concatenate([hits, matching.false_scores]))[::-1]
    false = (matching.false_scores[None] >= thresholds[:, None]).sum(axis=1) / max(1, matching.pictures)
    found = (hits[None] >= thresholds[:, None]).sum(axis=1) / max(1, len(matching.hit_scores))
    return thresholds, false.astype(float), found.astype(float)


RECALL_POINTS = np.linspace(0, 1, 101)
"""Where precision is read, as COCO does."""


def measure_average_precision(
    scores: NDArray[np.float64], is_true: NDArray[np.bool_], *, truths: int | None = None
) -> float:
    """Return average precision as COCO measures it: at 101 recalls, the best precision at that recall or beyond.

    Parameters
    ----------
    scores : float64 (N,), of what was offered
    is_true : bool (N,), whether it hit
    truths : how many there were to be found, also those that nothing was offered for; all true ones where not given

    Returns
    -------
    0 to 1; nan where there was nothing to be found.
    """
    wanted = int(is_true.sum()) if truths is None else truths
    if wanted == 0:
        return float("nan")
    order = np.argsort(-scores, kind="stable")
    true = np.cumsum(is_true[order])
    precision = true / np.arange(1, len(true) + 1)
    recall = true / wanted
    best_beyond = np.maximum.accumulate(precision[::-1])[::-1] if len(precision) else precision
    at = np.searchsorted(recall, RECALL_POINTS, side="left")
    read = np.where(at < len(best_beyond), np.append(best_beyond, 0.0)[np.minimum(at, len(best_beyond))], 0.0)
    return float(read.mean())


IOU_LIMITS = (0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95)


def measure_box_precision(
    pictures: Sequence[tuple[Sequence[tuple[Box, float]], Sequence[Box]]],
    *,
    limits: Sequence[float] = IOU_LIMITS,
) -> float:
    """Return COCO's average precision of scored boxes: the mean over limits of overlap.

    Parameters
    ----------
    pictures : for each, the offered (box, score) pairs and the true boxes; a box is (row, column, end row, end column)
    """
    values = []
    for limit in limits:
        scores: list[float] = []
        is_true: list[bool] = []
        for offered, truths in pictures:
            taken: set[int] = set()
            for box, score in sorted(offered, key=lambda pair: -pair[1]):
                overlaps = [
                    (measure_box_iou(box, truth), n) for n, truth in enumerate(truths) if n not in taken
                ]
                best = max(overlaps, default=(0.0, -1))
                is_true.append(best[0] >= limit)
                scores.append(score)
                if is_true[-1]:
                    taken.add(best[1])
        wanted = sum(len(truths) for _, truths in pictures)
        values.append(
            measure_average_precision(np.array(scores, float), np.array(is_true, bool), truths=wanted)
        )
    return float(np.mean(values))


def measure_box_iou(first: Box, second: Box) -> float:
    """Return the shared area of two boxes over their joint area."""
    rows = max(0.0, min(first[2], second[2]) - max(first[0], second[0]))
    columns = max(0.0, min(first[3], second[3]) - max(first[1], second[1]))
    shared = rows * columns
    areas = [(box[2] - box[0]) * (box[3] - box[1]) for box in (first, second)]
    joint = sum(areas) - shared
    return shared / joint if joint > 0 else 0.0


def measure_mask_iou(first: NDArray[np.bool_], second: NDArray[np.bool_]) -> float:
    """Return the shared area of two masks of one shape over their joint area; 1 where both are empty."""
    joint = int(np.logical_or(first, second).sum())
    return int(np.logical_and(first, second).sum()) / joint if joint else 1.0


@dataclass(frozen=True, slots=True)
class ReliabilityRow:
    """Scores from `low` to `high`: how many, their mean, and the share of them that was right."""

    low: float
    high: float
    count: int
    mean_score: float
    share_right: float


def tabulate_reliability(
    scores: NDArray[np.float64], is_true: NDArray[np.bool_], *, rows: int = 10
) -> list[ReliabilityRow]:
    """Return the reliability table of scores, 0 to 1: a score of 0.8 should be right 8 times in 10. Empty rows are left out."""
    edges = np.linspace(0, 1, rows + 1)
    row_of = np.clip(np.searchsorted(edges, scores, side="right") - 1, 0, rows - 1)
    table = []
    for row in range(rows):
        inside = row_of == row
        if inside.any():
            share = float(is_true[inside].mean())
            low, high = float(edges[row]), float(edges[row + 1])
            table.append(ReliabilityRow(low, high, int(inside.sum()), float(scores[inside].mean()), share))
    return table


def measure_calibration_error(
    scores: NDArray[np.float64], is_true: NDArray[np.bool_], *, rows: int = 10
) -> float:
    """Return the expected calibration error: the mean gap between score and share right, weighted by count (Guo et al. 2017,
    arXiv:1706.04599); nan without scores."""
    if not len(scores):
        return float("nan")
    table = tabulate_reliability(scores, is_true, rows=rows)
    return sum(row.count * abs(row.mean_score - row.share_right) for row in table) / len(scores)


def find_interval(found: int, of: int, *, tail: float = 0.025) -> tuple[float, float]:
    """Return the exact interval of a share after Clopper and Pearson (1934, Biometrika 26:404-413), (low, high).

    Parameters
    ----------
    tail : chance left to each side; 0.025 gives the 95 % interval
    """
    from scipy.stats import beta  # a search has no use for it

    low = float(beta.ppf(tail, found, of - found + 1)) if found else 0.0
    high = float(beta.isf(tail, found + 1, of - found)) if found < of else 1.0
    return low, high

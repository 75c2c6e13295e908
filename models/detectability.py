"""The chance that a larva on show is found, by its length in px and by how sharp it is: in one frame, and in a whole clip.

Fitted by maximum likelihood on looks at larvae whose truth is known, and kept in the card beside the weights
(`models.cards.DetectionCurve` says the formula). A longer or a sharper larva never has a lesser chance: the fit is held to that.
The ceiling is there because some larvae are never found, however long: those that cast no shade. Sharpness is that of a truth
file, 1 / (1 + deviation of the blur in px). This file searches nothing; looks are gathered in `detect.larva_looks`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.cards import ClipChance, DetectionCount, DetectionCurve
from models.errors import ModelsError
from models.metrics import LENGTH_CLASSES_PX, measure_calibration_error

Floats = NDArray[np.float64]

REFERENCE_PX = 16.0
"""Length at which the length term is nothing."""

PIXEL_BLUR_PX = 12**-0.5
"""Deviation of the square that a pixel is: blur is never less, and a picture said to be without any has a logarithm."""

SHARPNESS_CLASSES = ((0.0, 0.5), (0.5, 0.6), (0.6, 1.0))
"""Blur over 1 px, from there to 0.67 px, and less; in drawn clips of phone footage each is common."""

SHARPNESS_NAMES = ("soft", "fair", "sharp")
SHARPNESS_LEVELS = (0.4, 0.55, 0.65)
"""A sharpness that stands for each class: blur of 1.5, 0.8 and 0.5 px."""

SHORTEST_PX, LONGEST_PX = 3.0, 128.0
SOFTEST_BLUR_PX = 8.0
"""Over these lengths, and any blur up to this, the chance rises with length and sharpness; beyond, it stays as at the end."""

LEAST_CEILING, MOST_CEILING = 0.02, 0.999
RIDGE = 1e-4
"""Times the squared weights, against the mean loss: keeps them finite where length alone parts found from missed."""

CLIP_RIDGE = 1e-3
"""Larvae are fewer than looks."""

MOST_LOG_ODDS = 30.0


@dataclass(frozen=True, slots=True)
class Look:
    """A larva well visible in one frame.

    Attributes
    ----------
    larva : which one, with the clip's name, so that looks at one larva can be told from those at another
    length_px, sharpness : as in the truth file
    is_found : whether the search would have followed it from this frame
    """

    larva: str
    length_px: float
    sharpness: float
    is_found: bool


@dataclass(frozen=True, slots=True)
class Showing:
    """A larva on show in one clip: medians over the frames looked at, how many those were, and whether it was found."""

    length_px: float
    sharpness: float
    looks: int
    is_found: bool


def find_chance(curve: DetectionCurve, length_px: float, sharpness: float) -> float:
    """Return the chance, 0 to 1, that a larva of this length and sharpness is found in one frame."""
    x, y = _place(
        np.array([min(length_px, curve.most_length_px)]), np.array([min(sharpness, curve.most_sharpness)])
    )
    weights = np.array([curve.length, curve.blur, curve.both, curve.offset])
    return curve.ceiling * float(_squash(_list_terms(x, y) @ weights)[0])


def find_clip_chance(curve: DetectionCurve, length_px: float, sharpness: float, *, looks: int) -> float:
    """Return the chance, 0 to 1, that a larva on show in so many frames looked at is found in the clip; none without a look.

    Raises
    ------
    ModelsError
        Where the curve was kept without that of whole clips.
    """
    if curve.clip is None:
        raise ModelsError(
            "no chance of whole clips was kept with these weights; expected one in the model card, found only that of single "
            "frames; evaluate the weights on more clips and keep the result"
        )
    if looks < 1:
        return 0.0
    one = np.array([find_chance(curve, length_px, sharpness)])
    terms = _list_clip_terms(one, np.array([float(looks)]))
    return float(_squash(terms @ np.array([curve.clip.frame, curve.clip.looks, curve.clip.offset]))[0])


def fit_detection(looks: Sequence[Look], *, follow_score: float) -> DetectionCurve:
    """Fit the curve of single frames to looks at larvae.

    Raises
    ------
    ModelsError
        Where all were found or none: no chance can be learned from that.
    """
    found = np.array([look.is_found for look in looks], bool)
    _check_both(found, "looks")
    lengths_px = np.array([look.length_px for look in looks], float)
    sharpness = np.array([look.sharpness for look in looks], float)
    weights, ceiling = _fit_weights(_list_terms(*_place(lengths_px, sharpness)), found)
    draft = DetectionCurve(
        length=float(weights[0]),
        blur=float(weights[1]),
        both=float(weights[2]),
        offset=float(weights[3]),
        ceiling=ceiling,
        most_length_px=float(lengths_px.max()),
        most_sharpness=float(sharpness.max()),
        follow_score=follow_score,
        larvae=len({look.larva for look in looks}),
        looks=len(looks),
        found=int(found.sum()),
        explained=0.0,
        expected_error=0.0,
        table=(),
    )
    chances = np.array([find_chance(draft, look.length_px, look.sharpness) for look in looks])
    return replace(
        draft,
        explained=1 - _measure_loss(chances, found) / _measure_loss(np.full(len(found), found.mean()), found),
        expected_error=measure_calibration_error(chances, found),
        table=_tabulate(lengths_px, sharpness, found, chances),
    )


def fit_clip_chance(
    curve: DetectionCurve, showings: Sequence[Showing], *, silhouette_score: float
) -> DetectionCurve:
    """Return the curve with the chance of whole clips, fitted on larvae on show.

    Raises
    ------
    ModelsError
        Where all larvae were found or none.
    """
    showings = [showing for showing in showings if showing.looks > 0]
    found = np.array([showing.is_found for showing in showings], bool)
    _check_both(found, "larvae")
    one = np.array([find_chance(curve, showing.length_px, showing.sharpness) for showing in showings])
    terms = _list_clip_terms(one, np.array([float(showing.looks) for showing in showings]))

    def measure(weights: Floats) -> tuple[float, Floats]:
        chances = _squash(terms @ weights)
        penalty = CLIP_RIDGE * np.array([*weights[:2], 0.0])
        loss = _measure_loss(chances, found) + float(penalty @ weights)
        return loss, terms.T @ (chances - found) / len(found) + 2 * penalty

    frame, looks, offset = _minimise(measure, np.array([1.0, 0.5, 0.0]), [(0, None), (0, None), (None, None)])
    clip = ClipChance(
        float(frame), float(looks), float(offset), len(found), int(found.sum()), silhouette_score
    )
    return replace(curve, clip=clip)


def _check_both(found: NDArray[np.bool_], what: str) -> None:
    if not found.any() or found.all():
        raise ModelsError(
            f"the chance to find a larva cannot be learned from {len(found)} {what} of which {int(found.sum())} were found; "
            "expected both found and missed ones; evaluate more clips"
        )


def _place(lengths_px: Floats, sharpness: Floats) -> tuple[Floats, Floats]:
    """Return log2 of lengths over the reference and log2 of blur in px, both held to where the chance is monotone."""
    blur_px = np.hypot(1 / np.clip(sharpness, 1e-3, 1.0) - 1, PIXEL_BLUR_PX)
    x = np.log2(np.clip(lengths_px, SHORTEST_PX, LONGEST_PX) / REFERENCE_PX)
    return x, np.log2(np.minimum(blur_px, SOFTEST_BLUR_PX))


def _list_terms(x: Floats, y: Floats) -> Floats:
    return np.column_stack([x, y, x * y, np.ones_like(x)])


def _list_clip_terms(one: Floats, looks: Floats) -> Floats:
    chances = np.clip(one, 1e-9, 1 - 1e-9)
    return np.column_stack([np.log(chances / (1 - chances)), np.log2(looks), np.ones_like(looks)])


def _squash(log_odds: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(log_odds, -MOST_LOG_ODDS, MOST_LOG_ODDS))))


def _measure_loss(chances: Floats, found: NDArray[np.bool_]) -> float:
    """Return the mean negative log-likelihood."""
    held = np.clip(chances, 1e-12, 1 - 1e-12)
    return -float(np.where(found, np.log(held), np.log(1 - held)).mean())


def _fit_weights(terms: Floats, found: NDArray[np.bool_]) -> tuple[Floats, float]:
    """Return the weights (4,) and the ceiling of greatest likelihood under which the chance rises with length and sharpness."""

    def measure(values: Floats) -> tuple[float, Floats]:
        weights, ceiling = values[:4], values[4]
        inner = _squash(terms @ weights)
        chances = np.clip(ceiling * inner, 1e-12, 1 - 1e-12)
        by_chance = np.where(found, -1 / chances, 1 / (1 - chances)) / len(found)
        penalty = RIDGE * np.array([*weights[:3], 0.0])
        loss = _measure_loss(chances, found) + float(penalty @ weights)
        by_weights = terms.T @ (by_chance * chances * (1 - inner)) + 2 * penalty
        return loss, np.append(by_weights, float(by_chance @ inner))

    share = float(found.mean())
    bounds = [(None, None)] * 4 + [(LEAST_CEILING, MOST_CEILING)]
    starts = [np.array([1.0, -1.0, 0.0, 0.0, ceiling]) for ceiling in (0.95, min(0.95, 0.5 + share / 2))]
    fitted = min(
        (_minimise(measure, start, bounds, _list_slopes()) for start in starts), key=lambda v: measure(v)[0]
    )
    return fitted[:4], float(fitted[4])


def _list_slopes() -> Floats:
    """Return rows (4, 5) that must not be negative: the slopes along length and against blur at the ends of the other."""
    x, _ = _place(np.array([SHORTEST_PX, LONGEST_PX]), np.array([1.0, 1.0]))
    _, y = _place(np.array([1.0, 1.0]), np.array([1.0, 1 / (1 + SOFTEST_BLUR_PX)]))
    along_length = [[1.0, 0.0, end, 0.0, 0.0] for end in y]
    against_blur = [[0.0, -1.0, -end, 0.0, 0.0] for end in x]
    return np.array(along_length + against_blur)


MOST_ROUNDS = 500


def _minimise(
    measure: Callable[[Floats], tuple[float, Floats]],
    start: Floats,
    bounds: Sequence[tuple[float | None, float | None]],
    at_least_zero: Floats | None = None,
) -> Floats:
    """Return the values of least loss within bounds; `at_least_zero` rows (R, V) times the values are never negative."""
    from scipy.optimize import LinearConstraint, minimize

    limits = [] if at_least_zero is None else [LinearConstraint(at_least_zero, 0, np.inf)]
    result = minimize(
        measure,
        start,
        jac=True,
        bounds=bounds,
        constraints=limits,
        method="SLSQP",
        options={"maxiter": MOST_ROUNDS, "ftol": 1e-10},
    )
    return np.asarray(result.x, float)


def _tabulate(
    lengths_px: Floats, sharpness: Floats, found: NDArray[np.bool_], chances: Floats
) -> tuple[DetectionCount, ...]:
    """Count the looks by class of length and of sharpness; empty classes stay in, so that tables line up."""
    rows = []
    for low, high in LENGTH_CLASSES_PX:
        for soft, sharp in SHARPNESS_CLASSES:
            inside = (lengths_px >= low) & (lengths_px < high) & (sharpness >= soft)
            if sharp < 1:
                inside &= sharpness < sharp
            longest = None if np.isinf(high) else high
            counts = int(found[inside].sum()), int(inside.sum())
            rows.append(DetectionCount((low, longest), (soft, sharp), *counts, float(chances[inside].sum())))
    return tuple(rows)

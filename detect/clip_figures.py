"""What is reported of whole clips that were searched and compared with their truth: the figures under plain names, for JSON.

Everything about larvae is given twice: of all that count, and of those that stand out from what is around them in the frames
looked at. The rules stand in `detect.truth_scoring` and `models.evaluate`.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

import numpy as np

from detect.evaluation import ClipOutcome, count_outcomes, find_threshold
from detect.larva_looks import OnShow
from models.cards import DetectionCurve
from models.detectability import Look, Showing, fit_clip_chance, fit_detection
from models.errors import ModelsError
from models.evaluate import find_least_standing, name_class, summarise_calibration

DEFAULT_RATE, LOOSE_RATE = 1.0, 5.0
"""False candidates a minute at which recall is read: as by default, and for a second pass."""

MOST_RATE = 60.0
"""The curve of larvae found ends where a false candidate comes every second: nobody would look through more."""


@dataclass(frozen=True, slots=True, eq=False)
class WatchedClip:
    """A searched clip, and the larvae on show in the frames that the search looked at."""

    outcome: ClipOutcome
    on_show: dict[str, OnShow]

    @property
    def standing_out(self) -> ClipOutcome:
        """The same outcome with only the larvae that stand out asked for; candidates of the others count neither way."""
        out = {larva for larva, shown in self.on_show.items() if shown.stands_out}
        outcome = self.outcome
        return replace(
            outcome,
            lengths_px={larva: px for larva, px in outcome.lengths_px.items() if larva in out},
            shown=tuple(pair for pair in outcome.shown if pair[1] is None or pair[1] in out),
        )


def summarise_clips(clips: Sequence[WatchedClip], *, threshold: float) -> dict[str, Any]:
    """Return all figures of whole clips; `threshold` is the one that a search uses by default."""
    outcomes = [clip.outcome for clip in clips]
    clear = [clip.standing_out for clip in clips]
    thresholds = {
        "default": threshold,
        f"at {DEFAULT_RATE:g} false a minute": find_threshold(outcomes, false_per_minute=DEFAULT_RATE),
        f"at {LOOSE_RATE:g} false a minute": find_threshold(outcomes, false_per_minute=LOOSE_RATE),
    }
    pairs = [pair for outcome in outcomes for pair in outcome.shown]
    scores = np.array([score for score, _ in pairs], float)
    is_true = np.array([larva is not None for _, larva in pairs], bool)
    return {
        "minutes": sum(outcome.duration_s for outcome in outcomes) / 60,
        "larvae": sum(len(outcome.lengths_px) for outcome in outcomes),
        "larvae_that_stand_out": sum(len(outcome.lengths_px) for outcome in clear),
        "stands_out_from": find_least_standing(),
        "at": {name: _count_at(outcomes, clear, value) for name, value in thresholds.items()},
        "curve": _draw_curve(outcomes, clear),
        "calibration": summarise_calibration(scores, is_true),
        "length_error_median_percent": _find_middle(
            [100 * abs(error) for outcome in outcomes for error in outcome.length_errors.values()]
        ),
        "outline_iou_median": _find_middle(
            [iou for outcome in outcomes for iou in outcome.outline_ious.values()]
        ),
        "feeding": _sum_feeding(outcomes),
        "by_clip": [
            _summarise_clip(outcome, some, threshold) for outcome, some in zip(outcomes, clear, strict=True)
        ],
    }


def _count_at(
    outcomes: Sequence[ClipOutcome], clear: Sequence[ClipOutcome], threshold: float
) -> dict[str, Any]:
    counted, counted_clear = (count_outcomes(some, threshold=threshold) for some in (outcomes, clear))
    names = ("found_by_length_px", "found_by_length_px_of_those_that_stand_out")
    return {
        "threshold": threshold,
        "false_per_minute": counted.false_per_minute,
        **{
            name: {
                name_class(low, high): {"found": found, "of": of}
                for (low, high), (found, of) in counts.found.items()
            }
            for name, counts in zip(names, (counted, counted_clear), strict=True)
        },
        "found_by_pose_16_px_and_over": _count_poses(outcomes, threshold),
        "recall_16_px_and_over": counted.find_share(16),
        "recall_16_px_and_over_of_those_that_stand_out": counted_clear.find_share(16),
    }


def _count_poses(outcomes: Sequence[ClipOutcome], threshold: float) -> dict[str, dict[str, int]]:
    """Return how many larvae of `POSED_PX` or more were found, of how many, by what they do, the commonest first."""
    found: Counter[str] = Counter()
    of: Counter[str] = Counter()
    for outcome in outcomes:
        long = {larva for larva, px in outcome.lengths_px.items() if px >= POSED_PX}
        of.update(outcome.poses[larva] for larva in long & outcome.poses.keys())
        found.update(
            outcome.poses[larva] for larva in long & outcome.poses.keys() & outcome.list_found(threshold)
        )
    return {pose: {"found": found[pose], "of": count} for pose, count in of.most_common()}


POSED_PX = 16.0
"""What shorter larvae do can hardly be seen."""


def _draw_curve(outcomes: Sequence[ClipOutcome], clear: Sequence[ClipOutcome]) -> list[dict[str, float]]:
    """Return larvae found against false candidates a minute, a point for each score at which a false one is let in."""
    minutes = sum(outcome.duration_s for outcome in outcomes) / 60
    false = sorted((score for o in outcomes for score, larva in o.shown if larva is None), reverse=True)
    cuts = [float(np.nextafter(score, 1.0)) for score in false[: int(MOST_RATE * minutes) + 1]]
    points = []
    for threshold in dict.fromkeys([*cuts, *([] if len(cuts) < len(false) else [0.0])]):
        found, found_clear = (sum(_count_found(o, threshold) for o in some) for some in (outcomes, clear))
        points.append(
            {
                "threshold": threshold,
                "false_per_minute": sum(score >= threshold for score in false) / minutes if minutes else 0.0,
                "larvae_found": found,
                "larvae_found_of_those_that_stand_out": found_clear,
            }
        )
    return points


def _count_found(outcome: ClipOutcome, threshold: float) -> int:
    return len(outcome.list_found(threshold) & outcome.lengths_px.keys())


def _sum_feeding(outcomes: Sequence[ClipOutcome]) -> dict[str, int]:
    counts = [outcome.feeding for outcome in outcomes]
    return {
        "true_candidates": sum(count.true for count in counts),
        "false_candidates": sum(count.false for count in counts),
        "chewed_leaves_found": sum(count.leaves_found for count in counts),
        "chewed_leaves": sum(count.leaves for count in counts),
    }


def _summarise_clip(outcome: ClipOutcome, clear: ClipOutcome, threshold: float) -> dict[str, Any]:
    return {
        "clip": outcome.name,
        "seconds": outcome.duration_s,
        "larvae": len(outcome.lengths_px),
        "larvae_found": _count_found(outcome, threshold),
        "larvae_that_stand_out": len(clear.lengths_px),
        "larvae_found_of_those_that_stand_out": _count_found(clear, threshold),
        "false_silhouettes": sum(larva is None and score >= threshold for score, larva in outcome.shown),
        "feeding": _sum_feeding([outcome]),
    }


def _find_middle(values: Sequence[float]) -> float | None:
    return median(values) if values else None


def fit_chances(
    looks: Sequence[Look], clips: Sequence[WatchedClip], *, follow_score: float, silhouette_score: float
) -> DetectionCurve:
    """Fit the chance that a larva is found in one frame and, where found and missed ones are both there, in a whole clip.

    Raises
    ------
    ModelsError
        Where the larva was found in every look or in none.
    """
    curve = fit_detection(looks, follow_score=follow_score)
    showings = [
        Showing(
            shown.length_px, shown.sharpness, shown.looks, larva in clip.outcome.list_found(silhouette_score)
        )
        for clip in clips
        for larva, shown in clip.on_show.items()
        if larva in clip.outcome.lengths_px
    ]
    try:
        return fit_clip_chance(curve, showings, silhouette_score=silhouette_score)
    except ModelsError:
        return curve

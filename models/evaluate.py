"""How good finders are, side by side on the same pictures: recall by length, false marks, calibration, outlines, lengths, time.

A finder takes a picture and returns `Found` places; the network, the hand-made scorer and the alternatives are all wrapped as
such. The rule of a hit stands in `models.metrics`. A larva stands out in a picture where what lies about it is brighter than it,
by the measure of `models.spots`; recall is given of all larvae and of those, never of those alone. This file searches no clip:
whole clips are counted in `detect`.
"""

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from models.alternatives import Finder, Found
from models.canopy.truth import FrameTruth, LarvaMark
from models.metrics import (
    LENGTH_CLASSES_PX,
    SHORTEST_PX,
    Mark,
    Matching,
    Wanted,
    draw_froc,
    is_hit,
    match_marks,
    measure_average_precision,
    measure_calibration_error,
    measure_mask_iou,
    measure_recall,
    tabulate_reliability,
)

LEAST_VISIBLE = 0.5
"""Larvae that show less of themselves than this, or are too short, are not asked for, and marks on them are not false."""


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A picture to evaluate on, read only when needed, with its truth; empty where no larva is."""

    name: str
    read: Callable[[], NDArray[np.uint8]] = field(repr=False)
    truth: FrameTruth


@dataclass(frozen=True, slots=True, eq=False)
class FinderReport:
    """What one finder made of the pictures.

    Attributes
    ----------
    matching : marks against truths
    outline_ious : overlap of each outline offered with the larva it hit
    length_errors : (offered length - true length) / true length, of each hit
    seconds : median time a picture took
    standing_out : bool (T,), of each larva asked for, in the order of `matching`, whether it stands out in its picture
    """

    name: str
    matching: Matching
    outline_ious: NDArray[np.float64]
    length_errors: NDArray[np.float64]
    seconds: float
    standing_out: NDArray[np.bool_]

    def find_threshold(self, false_per_picture: float) -> float:
        """Return the lowest threshold at which no more than so many false places a picture are marked."""
        allowed = int(false_per_picture * self.matching.pictures)
        false = np.sort(self.matching.false_scores)[::-1]
        return float(np.nextafter(false[allowed], np.inf)) if len(false) > allowed else 0.0

    def find_recall_at(self, false_per_picture: float) -> float:
        """Return the share of larvae found where the finder marks no more than so many false places a picture."""
        _, false, found = draw_froc(self.matching)
        allowed = false <= false_per_picture
        return float(found[allowed].max()) if allowed.any() else 0.0

    def find_false_at(self, recall: float) -> float:
        """Return the false marks a picture at which so large a share is found; infinite where it never is."""
        if recall <= 0:
            return 0.0
        _, false, found = draw_froc(self.matching)
        enough = found >= recall
        return float(false[enough].min()) if enough.any() else float("inf")

    def summarise(self, *, threshold: float) -> dict[str, object]:
        """Return the figures under plain names, for JSON."""
        matching = self.matching
        scores, is_true = _list_outcomes(matching)
        return {
            "pictures": matching.pictures,
            "larvae": len(matching.lengths_px),
            "larvae_that_stand_out": int(self.standing_out.sum()),
            **self._summarise_at(threshold),
            "at_1_false_per_picture": self._summarise_at(self.find_threshold(1.0)),
            "average_precision": measure_average_precision(scores, is_true, truths=len(matching.lengths_px)),
            "recall_at_false_per_picture": {
                str(rate): self.find_recall_at(rate) for rate in (0.1, 0.5, 1.0, 5.0)
            },
            "froc": self._summarise_froc(),
            "outline_iou_median": _find_median(self.outline_ious),
            "length_error_median_percent": 100 * _find_median(np.abs(self.length_errors)),
            "length_bias_median_percent": 100 * _find_median(self.length_errors),
            "seconds_per_picture": self.seconds,
        }

    def _summarise_at(self, threshold: float) -> dict[str, object]:
        matching = self.matching
        chosen = replace(
            matching,
            hit_scores=matching.hit_scores[self.standing_out],
            lengths_px=matching.lengths_px[self.standing_out],
        )
        return {
            "threshold": threshold,
            "recall_by_length_px": _name_recall(measure_recall(matching, threshold=threshold)),
            "recall_by_length_px_of_those_that_stand_out": _name_recall(
                measure_recall(chosen, threshold=threshold)
            ),
            "false_per_picture": float(
                (matching.false_scores >= threshold).sum() / max(1, matching.pictures)
            ),
        }

    def _summarise_froc(self) -> list[dict[str, float]]:
        """Return the free-response curve, thinned where it has more points than anybody draws."""
        thresholds, false, found = draw_froc(self.matching)
        picks = np.unique(
            np.linspace(0, len(thresholds) - 1, min(len(thresholds), MOST_CURVE_POINTS)).astype(int)
        )
        return [
            {
                "threshold": float(thresholds[n]),
                "false_per_picture": float(false[n]),
                "recall": float(found[n]),
            }
            for n in picks
        ]

    def summarise_calibration(self) -> dict[str, object]:
        """Return the reliability table and the expected calibration error, for finders whose score is a chance."""
        return summarise_calibration(*_list_outcomes(self.matching))


MOST_CURVE_POINTS = 120

EQUAL_RECALL_RATE = 5.0
"""False marks a picture at which the best other finder sets the recall that all are compared at."""


def compare_at_equal_recall(reports: Mapping[str, FinderReport], *, ours: str) -> dict[str, object]:
    """Return the false marks a picture of every finder at the recall that the best one besides ours reaches with 5 of them."""
    others = {name: report for name, report in reports.items() if name != ours}
    best = max(others, key=lambda name: others[name].find_recall_at(EQUAL_RECALL_RATE))
    recall = others[best].find_recall_at(EQUAL_RECALL_RATE)
    false = {name: report.find_false_at(recall) for name, report in reports.items()}
    return {
        "recall": recall,
        "best_other": best,
        "false_per_picture": false,
        "share_of_best_other": false[ours] / false[best] if false[best] else float("nan"),
    }


def summarise_calibration(scores: NDArray[np.float64], is_true: NDArray[np.bool_]) -> dict[str, object]:
    """Return the reliability table of scores (N,) with outcomes (N,) and the expected error, under plain names."""
    return {
        "expected_error": measure_calibration_error(scores, is_true),
        "table": [
            {
                "from": row.low,
                "to": row.high,
                "count": row.count,
                "mean_score": row.mean_score,
                "share_right": row.share_right,
            }
            for row in tabulate_reliability(scores, is_true)
        ],
    }


def _name_recall(recall: Mapping[tuple[float, float], tuple[int, int]]) -> dict[str, dict[str, int]]:
    return {
        name_class(low, high): {"found": found, "of": asked} for (low, high), (found, asked) in recall.items()
    }


@dataclass(slots=True, eq=False)
class Tally:
    """What finders made of some pictures, by finder's name, before it is counted; tallies of other pictures can be added."""

    offered: dict[str, list[tuple[Sequence[Mark], Sequence[Wanted]]]]
    ious: dict[str, list[float]]
    errors: dict[str, list[float]]
    seconds: dict[str, list[float]]
    standing_out: list[bool] = field(default_factory=list)

    def add(self, other: "Tally") -> None:
        """Append what the same finders made of more pictures."""
        for name in self.offered:
            self.offered[name].extend(other.offered[name])
            self.ious[name].extend(other.ious[name])
            self.errors[name].extend(other.errors[name])
            self.seconds[name].extend(other.seconds[name])
        self.standing_out.extend(other.standing_out)


def start_tally(names: Iterable[str]) -> Tally:
    """Return an empty tally of finders."""
    tally = Tally({}, {}, {}, {})
    for name in names:
        tally.offered[name], tally.ious[name], tally.errors[name], tally.seconds[name] = [], [], [], []
    return tally


def tally_finders(finders: Mapping[str, Finder], pictures: Iterable[Picture]) -> Tally:
    """Show every picture to every finder, in turn."""
    tally = start_tally(finders)
    for picture in pictures:
        rgb = picture.read()
        wanted = [_ask(mark) for mark in picture.truth.larvae]
        tally.standing_out += [
            stands_out([measure_standing(rgb, mark)])
            for mark, asked in zip(picture.truth.larvae, wanted, strict=True)
            if asked.is_asked
        ]
        for name, find in finders.items():
            began = time.perf_counter()
            found = find(rgb)
            tally.seconds[name].append(time.perf_counter() - began)
            tally.offered[name].append(([Mark(f.row, f.column, f.score) for f in found], wanted))
            for place, mark in _pair(found, picture.truth.larvae):
                tally.errors[name].append((place.length_px - mark.length_px) / mark.length_px)
                if len(place.outline):
                    tally.ious[name].append(compare_outlines(place.outline, mark.outline))
    return tally


def report_finders(tally: Tally) -> dict[str, FinderReport]:
    """Return the report on each finder of a tally."""
    return {
        name: FinderReport(
            name,
            match_marks(tally.offered[name]),
            np.array(tally.ious[name], float),
            np.array(tally.errors[name], float),
            float(np.median(tally.seconds[name])) if tally.seconds[name] else float("nan"),
            np.array(tally.standing_out, bool),
        )
        for name in tally.offered
    }


def evaluate_finders(finders: Mapping[str, Finder], pictures: Iterable[Picture]) -> dict[str, FinderReport]:
    """Show every picture to every finder, in turn, and report on each."""
    return report_finders(tally_finders(finders, pictures))


def measure_standing(rgb: NDArray[np.uint8], mark: LarvaMark) -> float:
    """Return the share, 0 to 1, of what lies about a larva in a picture (H, W, 3) that is clearly brighter than it."""
    from models.spots import measure_contrast

    return measure_contrast(rgb, mark.outline)


def find_least_standing() -> float:
    """Return the share from which on a larva stands out: that from which on larvae are taught."""
    from models.spots import TEACHABLE_CONTRAST

    return TEACHABLE_CONTRAST


def stands_out(standing: Sequence[float]) -> bool:
    """Tell of a larva whether it stands out, in the median of the pictures it was measured in; not in none."""
    return len(standing) > 0 and float(np.median(standing)) >= find_least_standing()


def compare_outlines(first: NDArray[np.float32], second: NDArray[np.float32]) -> float:
    """Return the overlap (IoU) of two closed outlines (N, 2) of (row, column), drawn four times larger."""
    import cv2

    both = np.concatenate([first, second])
    corner = np.floor(both.min(axis=0)) - 1
    rows, columns = (np.ceil(both.max(axis=0)) - corner + 2).astype(int) * 4
    masks = []
    for outline in (first, second):
        mask = np.zeros((int(rows), int(columns)), np.uint8)
        points = np.round((outline - corner)[:, ::-1] * 4).astype(np.int32)
        cv2.fillPoly(mask, [points], 1)
        masks.append(mask.astype(bool))
    return measure_mask_iou(masks[0], masks[1])


def name_class(low: float, high: float) -> str:
    """Return a length class in words: "6-10", "32 and over"."""
    return f"{low:.0f} and over" if np.isinf(high) else f"{low:.0f}-{high:.0f}"


def list_class_names() -> list[str]:
    """Return the names of all length classes, shortest first."""
    return [name_class(low, high) for low, high in LENGTH_CLASSES_PX]


def _ask(mark: LarvaMark) -> Wanted:
    top, left, bottom, right = mark.box
    is_asked = mark.visible >= LEAST_VISIBLE and mark.length_px >= SHORTEST_PX
    return Wanted((top + bottom - 1) / 2, (left + right - 1) / 2, mark.length_px, is_asked=is_asked)


def _pair(found: Sequence[Found], larvae: Sequence[LarvaMark]) -> list[tuple[Found, LarvaMark]]:
    """Pair each larva asked for with the best-scored place that hits it."""
    pairs = []
    for mark in larvae:
        wanted = _ask(mark)
        hits = [place for place in found if is_hit(Mark(place.row, place.column, place.score), wanted)]
        if hits and wanted.is_asked:
            pairs.append((max(hits, key=lambda place: place.score), mark))
    return pairs


def _list_outcomes(matching: Matching) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Scores of all marks that count, and whether each was right."""
    hits = matching.hit_scores[~np.isnan(matching.hit_scores)]
    scores = np.concatenate([hits, matching.false_scores])
    return scores, np.arange(len(scores)) < len(hits)


def _find_median(values: NDArray[np.float64]) -> float:
    return float(np.median(values)) if len(values) else float("nan")

"""Whole clips with truth files searched and counted: larvae found by length, against false candidates per minute of footage.

A search is run once with the lowest threshold for candidates; what a higher one would have offered is then read off. Views are
followed as in any search, so that what is counted is what a search offers. The rule of a hit stands in `detect.truth_scoring`;
larvae shorter than the least class of length count neither way. This file draws no clip and knows no logbook.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from detect.candidates import Candidate
from detect.clips import open_clip, read_frames, read_rgb
from detect.light import read_light
from detect.regions import find_middle
from detect.scoring import Scorer
from detect.search import SearchSettings, search_clip
from detect.truth_scoring import find_lengths, find_shown_larva, find_shown_leaf, list_chewed_leaves
from models.alternatives import Finder, Found
from models.canopy.truth import FrameTruth, Truth, find_truth_path, read_truth
from models.evaluate import Picture, compare_outlines
from models.metrics import LENGTH_CLASSES_PX, SHORTEST_PX, Mark, Wanted, is_hit

LOWEST_SCORE = 0.002
"""Candidates under this are never offered at any threshold worth looking at: well under what a second pass asks for."""


def make_finder(scorer: Scorer) -> Finder:
    """Return a scorer as a finder of larvae in single pictures, so that it can stand beside others."""

    def find(rgb: NDArray[np.uint8]) -> list[Found]:
        lit = read_light(rgb)
        found = []
        for scored in scorer.score(lit, scorer.find(lit, with_feeding=False)):
            row, column = find_middle(scored.region.box)
            found.append(Found(row, column, scored.region.length_px, scored.score, scored.region.outline))
        return found

    return find


def sample_frames(path: Path, *, every_s: float) -> Iterator[Picture]:
    """Yield a frame of a clip with its truth every so many seconds, decoded as they are asked for."""
    truth = read_truth(find_truth_path(path))
    frames = {frame.index: frame for frame in truth.frames}
    due_s = 0.0
    for frame in read_frames(open_clip(path)):
        if frame.time_s >= due_s and frame.index in frames:
            due_s += every_s
            yield Picture(f"{path.name} {frame.time_s:.2f} s", partial(read_rgb, frame), frames[frame.index])


def count_silhouettes(path: Path, settings: SearchSettings, *, scorer: Scorer) -> int:
    """Return how many silhouettes a search offers of a clip or a photo of its own."""
    candidates = search_clip(open_clip(path), settings, scorer=scorer).candidates
    return sum(candidate.kind == "silhouette" for candidate in candidates)


@dataclass(frozen=True, slots=True)
class FeedingCount:
    """Feeding candidates of one clip that show a chewed leaf, those that do not, and the chewed leaves shown, of how many."""

    true: int
    false: int
    leaves_found: int
    leaves: int


@dataclass(frozen=True, slots=True, eq=False)
class ClipOutcome:
    """One searched clip, ready to be counted at any threshold.

    Attributes
    ----------
    lengths_px : of each larva that counts, by id
    shown : score of each silhouette candidate with the larva it shows, None for a false one
    length_errors : (candidate's length - true length) / true length of each larva found, at its best candidate
    outline_ious : overlap of outline and truth in each larva's best view, where its best candidate hits it
    feeding : chewed leaves and the feeding candidates offered by default
    times_s : of the frames looked at closely
    poses : of each larva that counts, by id, as in `models.canopy.larvae.POSES`
    """

    name: str
    duration_s: float
    lengths_px: dict[str, float]
    shown: tuple[tuple[float, str | None], ...]
    length_errors: dict[str, float]
    outline_ious: dict[str, float] = field(default_factory=dict)
    feeding: FeedingCount = FeedingCount(0, 0, 0, 0)
    times_s: tuple[float, ...] = ()
    poses: dict[str, str] = field(default_factory=dict)

    def list_found(self, threshold: float) -> set[str]:
        """Return the ids of the larvae shown by a candidate of at least this score."""
        return {larva for score, larva in self.shown if larva is not None and score >= threshold}


@dataclass(frozen=True, slots=True)
class ClipCount:
    """Outcomes of many clips at one threshold: by length class (found, of), and false candidates per minute."""

    threshold: float
    found: dict[tuple[float, float], tuple[int, int]]
    false_per_minute: float

    def find_share(self, least_px: float, most_px: float = float("inf")) -> float:
        """Return the share found among larvae of these classes; nan where there are none."""
        found = of = 0
        for (low, high), (got, all_) in self.found.items():
            if low >= least_px and high <= most_px:
                found, of = found + got, of + all_
        return found / of if of else float("nan")


def search_with_truth(
    path: Path,
    settings: SearchSettings,
    *,
    scorer: Scorer,
    on_progress: Callable[[float], None] | None = None,
) -> ClipOutcome:
    """Search one clip that has a truth file beside it."""
    truth = read_truth(find_truth_path(path))
    low = replace(settings, silhouette_score=LOWEST_SCORE)
    result = search_clip(open_clip(path), low, scorer=scorer, on_progress=on_progress)
    outcome = compare_with_truth(path.name, result.candidates, truth, duration_s=result.duration_s)
    return replace(outcome, times_s=result.times_s)


def compare_with_truth(
    name: str, candidates: Sequence[Candidate], truth: Truth, *, duration_s: float
) -> ClipOutcome:
    """Tell for each silhouette candidate which larva it shows; candidates of larvae that do not count are left out."""
    frames = {frame.index: frame for frame in truth.frames}
    lengths_px = {larva: px for larva, px in find_lengths(truth).items() if px >= SHORTEST_PX}
    shown: list[tuple[float, str | None]] = []
    best: dict[str, Candidate] = {}
    for candidate in candidates:
        if candidate.kind != "silhouette":
            continue
        larva = find_shown_larva(candidate, frames)
        if larva is None or larva in lengths_px:
            shown.append((candidate.score, larva))
        if larva is not None and (larva not in best or best[larva].score < candidate.score):
            best[larva] = candidate
    errors = {
        larva: (best[larva].length_px - length_px) / length_px
        for larva, length_px in lengths_px.items()
        if larva in best
    }
    ious = {larva: _compare_best_view(best[larva], larva, frames) for larva in errors}
    return ClipOutcome(
        name,
        duration_s,
        lengths_px,
        tuple(shown),
        errors,
        {larva: iou for larva, iou in ious.items() if iou is not None},
        count_feeding(candidates, truth),
        poses={larva.larva_id: larva.pose for larva in truth.larvae if larva.larva_id in lengths_px},
    )


def _compare_best_view(candidate: Candidate, larva: str, frames: dict[int, FrameTruth]) -> float | None:
    """Return the overlap of outline and truth in the best view of a candidate that hits the larva."""
    for view in candidate.views:
        for mark in frames[view.frame_index].larvae if view.frame_index in frames else ():
            wanted = Wanted(*find_middle(mark.box), mark.length_px)
            if mark.larva_id == larva and is_hit(Mark(*find_middle(view.box), view.score), wanted):
                return compare_outlines(view.outline, mark.outline)
    return None


def count_feeding(candidates: Sequence[Candidate], truth: Truth) -> FeedingCount:
    """Count the feeding candidates of a clip against the chewed leaves of its truth."""
    frames = {frame.index: frame for frame in truth.frames}
    asked = list_chewed_leaves(truth)
    leaves = [find_shown_leaf(candidate, frames) for candidate in candidates if candidate.kind == "feeding"]
    false = leaves.count(None)
    return FeedingCount(len(leaves) - false, false, len(asked & set(leaves)), len(asked))


def count_outcomes(outcomes: Sequence[ClipOutcome], *, threshold: float) -> ClipCount:
    """Count all clips at one threshold."""
    found = dict.fromkeys(LENGTH_CLASSES_PX, 0)
    of = dict.fromkeys(LENGTH_CLASSES_PX, 0)
    false = 0
    for outcome in outcomes:
        offered = outcome.list_found(threshold)
        false += sum(larva is None and score >= threshold for score, larva in outcome.shown)
        for larva, length_px in outcome.lengths_px.items():
            for low, high in LENGTH_CLASSES_PX:
                if low <= length_px < high:
                    of[low, high] += 1
                    found[low, high] += larva in offered
    minutes = sum(outcome.duration_s for outcome in outcomes) / 60
    return ClipCount(
        threshold,
        {key: (found[key], of[key]) for key in LENGTH_CLASSES_PX},
        false / minutes if minutes else float("nan"),
    )


def find_threshold(outcomes: Sequence[ClipOutcome], *, false_per_minute: float) -> float:
    """Return the lowest threshold at which no more than so many false candidates a minute are offered."""
    minutes = sum(outcome.duration_s for outcome in outcomes) / 60
    allowed = int(false_per_minute * minutes)
    false = np.sort([score for outcome in outcomes for score, larva in outcome.shown if larva is None])[::-1]
    if len(false) <= allowed:
        return LOWEST_SCORE
    return float(np.nextafter(false[allowed], 1.0))

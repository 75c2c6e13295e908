"""A searched clip against its truth file: which larvae were found, and how many candidates were false.

Rule for a hit: a view hits a larva when, in the same frame, the middles of their boxes are as near as `models.metrics` asks of
any hit: within half the larva's length, or 6 px where that is more. A
candidate shows the larva that most of its views hit, where at least half of them do. A larva is found when a silhouette
candidate shows it; more candidates of the same larva are counted as repeats, not as false. A feeding candidate shows the chewed
leaf on whose marks most of its views lie, where at least half of them do.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from detect.candidates import Candidate, View
from detect.regions import Box, find_middle
from models.canopy.truth import FrameTruth, Truth
from models.metrics import Mark, Wanted, is_hit

LEAST_SHARE_OF_VIEWS = 0.5
LEAST_VISIBLE = 0.5
LEAST_SEEN_S = 1.0
"""A larva counts when at least half of it is in the picture and uncovered for a second in all; one that shows less is neither
found nor missed, and a candidate of it is not false."""

LEAST_MISSING_PERCENT = 5.0
"""A leaf that lost less is not asked for; the lowest class of feeding that ecologists use ends here."""

FEEDING_MARGIN_PX = 12.0
"""A feeding view hits where its middle lies in the marked box widened by this much: bites have no sharp end."""


@dataclass(frozen=True, slots=True)
class ClipScore:
    """A search of one clip, counted against the truth.

    Attributes
    ----------
    found : larva ids found, each with its median visible length in px
    missed : larva ids not found, likewise
    repeats : silhouette candidates that show a larva already counted
    false_silhouettes, false_feeding : candidates that show nothing the truth knows
    true_feeding : feeding candidates on a marked place
    duration_s : of the clip
    """

    found: dict[str, float]
    missed: dict[str, float]
    repeats: int
    false_silhouettes: int
    false_feeding: int
    true_feeding: int
    duration_s: float

    @property
    def false_silhouettes_per_minute(self) -> float:
        """False silhouettes per minute of footage; nan for a clip without length."""
        return self.false_silhouettes * 60 / self.duration_s if self.duration_s > 0 else float("nan")


def score_candidates(candidates: Sequence[Candidate], truth: Truth, *, duration_s: float) -> ClipScore:
    """Count the candidates of a searched clip against its truth."""
    frames = {frame.index: frame for frame in truth.frames}
    lengths_px = find_lengths(truth)
    shown: Counter[str] = Counter()
    false_silhouettes = false_feeding = true_feeding = 0
    for candidate in candidates:
        if candidate.kind == "silhouette":
            larva = find_shown_larva(candidate, frames)
            if larva is None:
                false_silhouettes += 1
            else:
                shown[larva] += 1
        elif find_shown_leaf(candidate, frames) is not None:
            true_feeding += 1
        else:
            false_feeding += 1
    return ClipScore(
        found={larva: length for larva, length in lengths_px.items() if shown[larva]},
        missed={larva: length for larva, length in lengths_px.items() if not shown[larva]},
        repeats=shown.total() - len(shown),
        false_silhouettes=false_silhouettes,
        false_feeding=false_feeding,
        true_feeding=true_feeding,
        duration_s=duration_s,
    )


def find_lengths(truth: Truth) -> dict[str, float]:
    """Return the median visible length in px of each larva that counts: well visible for `LEAST_SEEN_S` in all."""
    seen: dict[str, list[float]] = {}
    for frame in truth.frames:
        for mark in frame.larvae:
            if mark.visible >= LEAST_VISIBLE:
                seen.setdefault(mark.larva_id, []).append(mark.length_px)
    least_frames = LEAST_SEEN_S * truth.frame_rate_hz if len(truth.frames) > 1 else 1
    return {larva: float(median(lengths)) for larva, lengths in seen.items() if len(lengths) >= least_frames}


def find_shown_larva(candidate: Candidate, frames: dict[int, FrameTruth]) -> str | None:
    """Return the id of the larva that a silhouette candidate shows, by the rule of this file; None for a false one."""
    hits = Counter(hit for view in candidate.views for hit in _find_hits(view, frames))
    if not hits:
        return None
    larva, count = hits.most_common(1)[0]
    return larva if count >= LEAST_SHARE_OF_VIEWS * len(candidate.views) else None


def _find_hits(view: View, frames: dict[int, FrameTruth]) -> list[str]:
    frame = frames.get(view.frame_index)
    if frame is None:
        return []
    seen = Mark(*find_middle(view.box), view.score)
    return [
        mark.larva_id for mark in frame.larvae if is_hit(seen, Wanted(*find_middle(mark.box), mark.length_px))
    ]


def find_shown_leaf(candidate: Candidate, frames: dict[int, FrameTruth]) -> str | None:
    """Return the id of the chewed leaf that a feeding candidate shows, by the rule of this file; None for a false one."""
    hits = Counter(
        leaf
        for view in candidate.views
        if view.frame_index in frames
        for leaf in {
            mark.leaf_id
            for mark in frames[view.frame_index].feeding
            if _lies_in(find_middle(view.box), mark.box)
        }
    )
    if not hits:
        return None
    leaf, count = hits.most_common(1)[0]
    return leaf if count >= LEAST_SHARE_OF_VIEWS * len(candidate.views) else None


def list_chewed_leaves(truth: Truth) -> set[str]:
    """Return the ids of leaves that lost `LEAST_MISSING_PERCENT` or more and are on show for `LEAST_SEEN_S` in all."""
    seen = Counter(
        leaf
        for frame in truth.frames
        for leaf in {mark.leaf_id for mark in frame.feeding if mark.missing_percent >= LEAST_MISSING_PERCENT}
    )
    least_frames = LEAST_SEEN_S * truth.frame_rate_hz if len(truth.frames) > 1 else 1
    return {leaf for leaf, count in seen.items() if count >= least_frames}


def _lies_in(place: tuple[float, float], box: Box) -> bool:
    row, column = place
    return (
        box[0] - FEEDING_MARGIN_PX <= row < box[2] + FEEDING_MARGIN_PX
        and box[1] - FEEDING_MARGIN_PX <= column < box[3] + FEEDING_MARGIN_PX
    )

"""Tells which new candidates show what an older one of the same clip, judged already, showed. Pure geometry.

A mistaken "the same" would hide a larva that nobody looked at; a mistaken "new" only asks again. So it takes views of nearly
the same moment at nearly the same place, of like size and of the same kind.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from annotate.logbook.records import Box

SAME_MOMENT_S = 0.12
"""Views further apart in time are not compared: a hand-held camera shifts the picture in between (own choice)."""

SHAKE_PX_PER_S = 60.0
"""How far a place may wander in the frame between two views, per second (own choice: small against a body at that gap)."""

NEAR_LENGTHS = 0.5
"""Middles of the same thing lie within half its length."""

LEAST_NEAR_PX = 4.0
MOST_LENGTH_RATIO = 2.0


@dataclass(frozen=True, slots=True)
class Sighted:
    """Where one candidate was seen: its kind, its length, and time and box of each view kept."""

    kind: str
    length_px: float
    views: tuple[tuple[float, Box], ...]


def find_repeats(new: Sequence[Sighted], judged: Sequence[tuple[int, Sighted]]) -> dict[int, int]:
    """Return, for each index into `new` that repeats a judged candidate, the id of the nearest such."""
    repeats: dict[int, int] = {}
    for index, candidate in enumerate(new):
        gaps = [(measure_gap(candidate, older), candidate_id) for candidate_id, older in judged]
        near = [gap for gap in gaps if gap[0] is not None]
        if near:
            repeats[index] = min((gap, candidate_id) for gap, candidate_id in near if gap is not None)[1]
    return repeats


def measure_gap(one: Sighted, other: Sighted) -> float | None:
    """Return how far apart two candidates are in px where they show the same thing; None where they do not."""
    if one.kind != other.kind:
        return None
    shorter, longer = sorted((one.length_px, other.length_px))
    if longer > MOST_LENGTH_RATIO * shorter:
        return None
    gaps = []
    for time_s, box in one.views:
        for other_s, other_box in other.views:
            apart_s = abs(time_s - other_s)
            if apart_s > SAME_MOMENT_S:
                continue
            gap = _measure_distance(box, other_box)
            if gap <= max(LEAST_NEAR_PX, NEAR_LENGTHS * longer) + SHAKE_PX_PER_S * apart_s:
                gaps.append(gap)
    return min(gaps, default=None)


def _measure_distance(box: Box, other: Box) -> float:
    """Return the distance of the middles in px."""
    return hypot((box[0] + box[2] - other[0] - other[2]) / 2, (box[1] + box[3] - other[1] - other[3]) / 2)

"""From a walked track to stretches: at each moment, how probable it is that the recorder stood under each tree.

The whole walk is explained at once in `annotate.field.explained_walks`; here positions are gathered for that, and its answer is
cut into stretches. A stretch is certain only where its tree has the probability `CERTAIN` or more in the mean of every third of a
minute of it, but for its ends; else its doubt says in words what it may be instead. An accuracy is the radius that holds 68 % of
all positions, as phones state it (from memory of their documentation). No file is read here and nothing is kept.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from annotate.field.explained_walks import SeenPlaces, explain_walk, rank_stands

Field = NDArray[np.floating[Any]]

CERTAIN = 0.997
"""A tree at least this probable, among trees, is taken without asking. Of 0.99, 0.995, 0.997 and
0.998 the highest at which 95 % of drawn stays are still taken rightly, where 5 m hold 68 % and errors last 30 to 300 s: of 10,466
(tests.bench.walks, seeds 0, 1000, 40000 and 50000 on) 95.0 % are, 4.8 % asked about, 0.2 % given no tree and none taken wrongly;
0.7 are to be expected by what the model says of itself. At 0.995 it is 95.9 %, and one wrongly where 1.0 is to be expected."""

MOST_ELSEWHERE = 0.3
"""Where it is more probable that one stood under no tree of the register, that is asked about. It is weighed more loosely than
one tree against another, since how often it happens is a guess, and a register is mostly whole."""

USUAL_ERROR_M = 5.0
"""Of a position that does not state its own: a phone under leaves, common practice, no source."""

USUAL_TREE_ERROR_M = 2.0
"""Of a tree's place that does not state its own."""

STANDS_OFF_M = 2.0
"""How far from the stem, by 68 %, one stands to film up into its crown."""

RADIUS_TO_DEVIATION = 1 / math.sqrt(-2 * math.log(1 - 0.68))
"""Of a radius that holds 68 % in the plane to the standard deviation along each axis: 0.662."""

SHORT_S = 180.0
STAYS_S, STAYS_SHORT_S, LEAVES_S = 60.0, 600.0, 10.0
"""Mean time until a tree is left while a clip runs, while one runs that is no longer than `SHORT_S` and so mostly filmed under
one tree, and with the camera off."""

STEP_S = 4.0
"""Positions are gathered over so long."""

NEAR_M = 40.0
"""Trees farther than this from every position, beyond the errors, take no part."""

LONGEST_GAP_S = 15.0
"""Between two positions that are farther apart in time nothing is known."""

CHANGE_S = 15.0
"""So near to the ends of a stretch, doubt about the second in which the recorder came or left is no doubt about the tree."""

LEAST_WRONG_S = 20.0
"""Being under another tree for less within a stretch matters little: doubt is the mean over so long, where it is worst. And on
the way for less, between stays under one tree, one has not left it: else what was filmed then would be tied to no tree."""

SHORTEST_STAY_S = 4.0
"""Standing under a tree for less is walking past."""

BEFORE_S = 300.0
"""So much of the walk before and after the clips is read with them."""

METRES_PER_DEGREE = 111_195.0
"""On a sphere of 6,371 km; over a site of a kilometre that is right within 0.3 %."""


@dataclass(frozen=True, slots=True, eq=False)
class WalkedTrack:
    """Positions in order of time; all arrays are float64 (N,): UNIX time, WGS 84, radius that holds 68 %."""

    times_s: Field
    latitudes_deg: Field
    longitudes_deg: Field
    errors_m: Field


@dataclass(frozen=True, slots=True)
class StandingTree:
    """A tree whose place is known; `error_m` is the radius that holds 68 %."""

    tree_id: int
    code: str
    latitude_deg: float
    longitude_deg: float
    error_m: float
    walk_order: int | None = None


@dataclass(frozen=True, slots=True)
class FilmedSpan:
    """A clip: the UNIX time of its first frame, and how long it is."""

    clip_id: int
    start_s: float
    duration_s: float


@dataclass(frozen=True, slots=True)
class TrackStretch:
    """A part of a clip, in seconds from its first frame; `probability` is that of its worst part, `doubt` empty where certain."""

    clip_id: int
    tree_id: int
    start_s: float
    end_s: float
    probability: float
    doubt: str


def plan_track_stretches(
    track: WalkedTrack, *, trees: Sequence[StandingTree], spans: Sequence[FilmedSpan]
) -> Mapping[int, tuple[TrackStretch, ...]]:
    """Return the stretches of each clip that the track reaches, by clip id; empty where the recorder stood under no tree.

    A clip that lies outside the track, or in a gap of it, has no entry.
    """
    reached = [span for span in spans if _is_reached(track, span)]
    origin = (float(np.mean(track.latitudes_deg)), float(np.mean(track.longitudes_deg)))
    places = to_metres(track.latitudes_deg, track.longitudes_deg, origin)
    near = [tree for tree in trees if _is_near(tree, places, track, origin)]
    if not near or not reached:
        return {span.clip_id: () for span in reached}
    times = _list_times(track, reached)
    posterior = find_posterior(track, trees=near, spans=reached, times_s=times)
    return {span.clip_id: tuple(_cut(span, near, times, posterior)) for span in reached}


def find_posterior(
    track: WalkedTrack, *, trees: Sequence[StandingTree], spans: Sequence[FilmedSpan], times_s: Field
) -> Field:
    """Return how probable each tree is at each moment: (T, K + 2), then standing elsewhere, then walking.

    Parameters
    ----------
    times_s : UNIX times in order, `STEP_S` apart
    """
    origin = (float(np.mean(track.latitudes_deg)), float(np.mean(track.longitudes_deg)))
    stems = to_metres(
        np.array([tree.latitude_deg for tree in trees]),
        np.array([tree.longitude_deg for tree in trees]),
        origin,
    )
    own_m = np.array([math.hypot(tree.error_m, STANDS_OFF_M) for tree in trees]) * RADIUS_TO_DEVIATION
    stands = rank_stands(stems, own_m, [tree.walk_order for tree in trees])
    return explain_walk(_gather_places(track, spans, times_s, origin), stands)


def _gather_places(
    track: WalkedTrack, spans: Sequence[FilmedSpan], times_s: Field, origin: tuple[float, float]
) -> SeenPlaces:
    """Return the mean position round each moment, NaN where there is none."""
    places = to_metres(track.latitudes_deg, track.longitudes_deg, origin)
    deviations = track.errors_m * RADIUS_TO_DEVIATION
    usual = float(np.median(deviations))
    extra = np.maximum(deviations**2 - usual**2, 0.0)
    steps = np.round((track.times_s - times_s[0]) / STEP_S)
    inside = (steps >= 0) & (steps < len(times_s))
    steps = steps[inside].astype(np.intp)
    counts = np.bincount(steps, minlength=len(times_s)).astype(np.float64)
    each = np.maximum(counts, 1.0)
    sums = [np.bincount(steps, values[inside], len(times_s)) / each for values in (*places.T, extra)]
    means = np.column_stack(sums[:2])
    means[counts == 0] = np.nan
    stays_s, turns, films = (
        np.full(len(times_s), LEAVES_S),
        np.zeros(len(times_s), bool),
        np.zeros(len(times_s), bool),
    )
    for span in spans:
        first, last = (
            round((moment - times_s[0]) / STEP_S) for moment in (span.start_s, span.start_s + span.duration_s)
        )
        stays_s[max(first, 0) : last + 1] = STAYS_SHORT_S if span.duration_s <= SHORT_S else STAYS_S
        films[max(first, 0) : last + 1] = True
        turns[[step for step in (first, last) if 0 <= step < len(times_s)]] = True
    return SeenPlaces(means, counts, sums[2], stays_s, turns, films, STEP_S, usual)


def to_metres(latitudes_deg: Field, longitudes_deg: Field, origin: tuple[float, float]) -> Field:
    """Return (N, 2) metres east and north of a place near by."""
    east = (np.asarray(longitudes_deg) - origin[1]) * METRES_PER_DEGREE * math.cos(math.radians(origin[0]))
    north = (np.asarray(latitudes_deg) - origin[0]) * METRES_PER_DEGREE
    return np.column_stack([east, north])


def _is_reached(track: WalkedTrack, span: FilmedSpan) -> bool:
    moments = np.linspace(span.start_s, span.start_s + span.duration_s, 9)
    after = np.searchsorted(track.times_s, moments)
    inside = (after > 0) & (after < len(track.times_s))
    after = np.clip(after, 1, len(track.times_s) - 1)
    close = track.times_s[after] - track.times_s[after - 1] <= LONGEST_GAP_S
    return bool(np.any(inside & close))


def _is_near(tree: StandingTree, places: Field, track: WalkedTrack, origin: tuple[float, float]) -> bool:
    stem = to_metres(np.array([tree.latitude_deg]), np.array([tree.longitude_deg]), origin)
    reach = NEAR_M + tree.error_m + 2 * track.errors_m
    return bool(np.any(np.hypot(*(places - stem).T) <= reach))


def _list_times(track: WalkedTrack, spans: Sequence[FilmedSpan]) -> Field:
    """Return the moments to look at: from some minutes before the first clip to some after the last, within the track."""
    first = min(span.start_s for span in spans)
    last = max(span.start_s + span.duration_s for span in spans)
    low = max(track.times_s[0], first - BEFORE_S)
    high = min(track.times_s[-1], last + BEFORE_S)
    return np.arange(min(low, first), max(high, last) + STEP_S, STEP_S)


def _cut(
    span: FilmedSpan, trees: Sequence[StandingTree], times: Field, posterior: Field
) -> Iterator[TrackStretch]:
    """Yield the stretches of one clip: where a tree is likelier than every other and than walking."""
    moments = np.unique(np.append(np.arange(span.start_s, span.start_s + span.duration_s, 1.0), span.start_s))
    shares = np.column_stack(
        [np.interp(moments, times, posterior[:, column]) for column in range(len(trees) + 2)]
    )
    best = _fill_steps_aside(shares.argmax(axis=1), walking=len(trees) + 1)
    changes = np.flatnonzero(np.diff(best)) + 1
    starts, ends = np.concatenate([[0], changes]), np.concatenate([changes, [len(best)]])
    for start, end in zip(starts, ends, strict=True):
        column = int(best[start])
        is_short = end - start < SHORTEST_STAY_S and len(starts) > 1
        if column >= len(trees) or is_short:
            continue
        inside = _leave_changes(moments, start, end)
        # Walking left out: which second one came or went is no doubt of the tree.
        standing = shares[inside, :-1] / np.maximum(shares[inside, :-1].sum(axis=1, keepdims=True), 1e-300)
        under = standing[:, :-1] / np.maximum(standing[:, :-1].sum(axis=1, keepdims=True), 1e-300)
        worst, elsewhere = _find_worst(under, column), float(standing[:, -1].mean())
        start_s = float(moments[start] - span.start_s)
        end_s = span.duration_s if end == len(best) else float(moments[end] - span.start_s)
        probability = float(worst[column])
        doubt = "" if probability >= CERTAIN else say_doubt(worst, column, trees)
        if elsewhere > MOST_ELSEWHERE:
            probability, doubt = (
                min(probability, 1 - elsewhere),
                _doubt_register(trees[column].code, elsewhere),
            )
        yield TrackStretch(span.clip_id, trees[column].tree_id, start_s, end_s, probability, doubt)


def _fill_steps_aside(best: NDArray[np.intp], *, walking: int) -> NDArray[np.intp]:
    """Return what one does at each second, where a few steps between two stays under the same tree belong to it."""
    changes = np.flatnonzero(np.diff(best)) + 1
    filled = best.copy()
    for start, end in pairwise(changes):
        same = best[start - 1] == best[end]
        if best[start] == walking and same and end - start < LEAST_WRONG_S:
            filled[start:end] = best[end]
    return filled


def _leave_changes(moments: Field, start: int, end: int) -> NDArray[np.intp]:
    """Return the places of a stretch that are not near its ends; its middle where all are."""
    places = np.arange(start, end)
    inside = places[
        (moments[places] >= moments[start] + CHANGE_S) & (moments[places] <= moments[end - 1] - CHANGE_S)
    ]
    return inside if len(inside) else places[len(places) // 2 : len(places) // 2 + 1]


def _find_worst(under: Field, column: int) -> Field:
    """Return the mean shares (K,) over the `LEAST_WRONG_S` in which the tree is least probable; moments are a second apart."""
    length = min(len(under), int(LEAST_WRONG_S))
    sums = np.cumsum(np.concatenate([np.zeros((1, under.shape[1])), under]), axis=0)
    means = (sums[length:] - sums[:-length]) / length
    worst: Field = means[int(means[:, column].argmin())]
    return worst


def say_doubt(shares: Field, column: int, trees: Sequence[StandingTree], *, by: str = "the track") -> str:
    """Return in words which tree it may be instead of the likeliest."""
    order = [int(other) for other in np.argsort(-shares) if other != column]
    other = order[0] if order else column
    return (
        f"by {by} it is {trees[column].code} with {say_share(float(shares[column]))}, "
        f"{trees[other].code} with {say_share(float(shares[other]))}"
    )


def say_share(share: float) -> str:
    """Write a probability in per cent; near none and all with a decimal, so that what is in doubt never reads as certain."""
    percent = 100 * share
    if 1 <= percent <= 99:
        return f"{percent:.0f} %"
    return "under 0.1 %" if percent < 0.1 else "over 99.9 %" if percent > 99.9 else f"{percent:.1f} %"


def _doubt_register(code: str, elsewhere: float) -> str:
    return f"by the track it is {code}, or with {say_share(elsewhere)} none of the register"

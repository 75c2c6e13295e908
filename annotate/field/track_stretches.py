"""From a walked track to stretches: at each moment, how probable it is that the recorder stood under each tree.

A hidden Markov model over time. Its state is the tree (or walking) and the error of the positions, on a grid of metres east and
north. That error is not white: it wanders over minutes, as that of satellite positions does (taken as an Ornstein-Uhlenbeck
process), so a hundred positions under one tree are worth hardly more than one, while what is known of the error under one tree
helps at the next. Where the recorder stands under the crown and how well the tree's own place is known is drawn anew at each
tree. A stretch is certain only where its tree has the probability `CERTAIN` or more all the time, but for the moments of change;
else its doubt says in words what it may be instead. An accuracy is the radius that holds 68 % of all positions, as phones state
it (from memory of their documentation). No file is read here and nothing is kept.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.floating[Any]]

CERTAIN = 0.995
"""A tree at least this probable is taken without asking; `tests.bench.walks` says what that brings."""

USUAL_ERROR_M = 5.0
"""Of a position that does not state its own: a phone under leaves, common practice, no source."""

USUAL_TREE_ERROR_M = 2.0
"""Of a tree's place that does not state its own."""

ERRORS_LAST_S = (30.0, 100.0, 300.0)
"""In such times the error of positions forgets all but 1/e: half a minute to some minutes is common practice, no source."""

ORDER_KEPT, ORDER_TURNED = 0.85, 0.05
"""How often the way leads to the next tree in the order of the walk, or back to the one before; else to another, rather near."""

RETURNS = 0.02
"""How often it leads back to the tree it came from."""

NEXT_WITHIN_M = 15.0
"""Of trees out of order, one this much farther is 1/e as likely."""

STANDS_OFF_M = 2.0
"""How far from the stem, by 68 %, one stands to film up into its crown."""

STAYS_S, WALKS_S = 60.0, 15.0
"""Mean time under a tree, and on the way to the next."""

RADIUS_TO_DEVIATION = 1 / math.sqrt(-2 * math.log(1 - 0.68))
"""Of a radius that holds 68 % in the plane to the standard deviation along each axis: 0.662."""

STEP_S = 4.0
CELL_M = 2.0
WIDEST_DEVIATIONS = 3.2
JITTER_M = 0.7
"""White part of the positions' error, along each axis."""

WALKING_AREA_M2 = 900.0
"""While walking nothing is said of where: the position lies somewhere on such an area around the trees."""

NEAR_M = 40.0
"""Trees farther than this from every position, beyond the errors, take no part."""

LONGEST_GAP_S = 15.0
"""Between two positions that are farther apart in time nothing is known."""

CHANGE_S = 6.0
"""So near to a change of tree within a clip, doubt about the second is no doubt about the tree."""

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
    """A part of a clip, in seconds from its first frame; `probability` is the least in it, `doubt` empty where certain."""

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
    posterior = find_posterior(track, trees=near, times_s=times)
    return {span.clip_id: tuple(_cut(span, near, times, posterior)) for span in reached}


def find_posterior(track: WalkedTrack, *, trees: Sequence[StandingTree], times_s: Field) -> Field:
    """Return how probable each tree is at each moment: (T, K + 1), the last column for walking.

    How long the errors last is not known: each of `ERRORS_LAST_S` is tried, and counts as much as it explains the track.

    Parameters
    ----------
    times_s : UNIX times in order
    """
    origin = (float(np.mean(track.latitudes_deg)), float(np.mean(track.longitudes_deg)))
    seen, extra = _read_positions(track, times_s, origin)
    stems = to_metres(
        np.array([tree.latitude_deg for tree in trees]),
        np.array([tree.longitude_deg for tree in trees]),
        origin,
    )
    usual_m = float(np.median(track.errors_m)) * RADIUS_TO_DEVIATION
    own_m = np.array([math.hypot(tree.error_m, STANDS_OFF_M) for tree in trees]) * RADIUS_TO_DEVIATION
    widths = np.hypot(usual_m, own_m)
    grid = _make_grid(float(widths.max()))
    kicks = np.stack([_make_kernel(grid, (usual_m / width) ** 2, width) for width in widths])
    ways = _weigh_ways(trees, stems)
    results = []
    for lasts_s in ERRORS_LAST_S:
        walk = _Walk(grid, float(widths.max()), lasts_s, kicks, ways, stems, seen, extra, np.diff(times_s))
        results.append(_smooth(walk))
    evidence = np.array([one for _, one in results])
    shares = np.exp(evidence - evidence.max())
    shares /= shares.sum()
    mixed: Field = np.einsum("l,ltk->tk", shares, np.stack([one for one, _ in results]))
    return mixed


@dataclass(frozen=True, slots=True, eq=False)
class _Walk:
    """What forward and backward passes share; n cells along each axis of the error, K trees, T moments.

    Attributes
    ----------
    grid : (n,) m
    width_m : deviation of the error along each axis, once nothing is known of it
    lasts_s : time in which the error forgets all but 1/e
    kicks : (K, n, n) how the error changes on arriving at a tree, [to, from]
    ways : (K, K) how likely the way from a tree leads to another, [from, to]
    stems : (K, 2) m east, north
    seen, extra : (T, 2) positions, NaN where there is none; (T,) further variance in m2
    steps : (T - 1,) s
    """

    grid: Field
    width_m: float
    lasts_s: float
    kicks: Field
    ways: Field
    stems: Field
    seen: Field
    extra: Field
    steps: Field


def _weigh_ways(trees: Sequence[StandingTree], stems: Field) -> Field:
    """Return how likely the way from each tree leads to each other: rather on in the order of the walk, rather near."""
    apart = np.hypot(*(stems[:, None] - stems[None]).transpose(2, 0, 1))
    near = np.exp(-apart / NEXT_WITHIN_M)
    np.fill_diagonal(near, 0.0)
    ways = near / np.maximum(near.sum(axis=1, keepdims=True), 1e-12) * (1 - RETURNS)
    ranked = sorted(
        (index for index, tree in enumerate(trees) if tree.walk_order is not None),
        key=lambda index: trees[index].walk_order or 0,
    )
    for before, after in pairwise(ranked):
        for one, other, share in ((before, after, ORDER_KEPT), (after, before, ORDER_TURNED)):
            ways[one] *= 1 - share
            ways[one, other] += share
    ways[np.diag_indices(len(trees))] += RETURNS
    weighed: Field = ways / ways.sum(axis=1, keepdims=True)
    return weighed


def _smooth(walk: _Walk) -> tuple[Field, float]:
    """Return the posterior by the forward-backward algorithm (Rabiner 1989, doi:10.1109/5.18626), and the log evidence.

    The state is (2 K, n, n): under each tree, then on the way from each.
    """
    moments, trees, cells = len(walk.seen), len(walk.stems), len(walk.grid)
    resting = np.exp(-0.5 * (walk.grid / walk.width_m) ** 2)
    resting /= resting.sum()
    state: Field = np.repeat(np.outer(resting, resting)[None], 2 * trees, axis=0) / (2 * trees)
    forward = np.empty((moments, 2 * trees, cells, cells), np.float32)
    evidence = 0.0
    for index in range(moments):
        if index:
            state = _advance(state, walk, float(walk.steps[index - 1]))
        state = state * _weigh(walk, index)
        total = float(state.sum())
        evidence += math.log(max(total, 1e-300))
        state /= max(total, 1e-300)
        forward[index] = state
    posterior = np.empty((moments, trees + 1))
    later: Field = np.ones_like(state)
    for index in range(moments - 1, -1, -1):
        joint = (forward[index] * later).sum(axis=(1, 2))
        posterior[index, :-1] = joint[:trees] / joint.sum()
        posterior[index, -1] = joint[trees:].sum() / joint.sum()
        if index:
            later = _retreat(later * _weigh(walk, index), walk, float(walk.steps[index - 1]))
            later /= later.max()
    return posterior, evidence


def _advance(state: Field, walk: _Walk, step_s: float) -> Field:
    """Let a step of time pass: the error wanders, a tree is left, another reached."""
    trees = len(walk.stems)
    stay, walk_on = math.exp(-step_s / STAYS_S), math.exp(-step_s / WALKS_S)
    wander = _make_kernel(walk.grid, math.exp(-step_s / walk.lasts_s), walk.width_m)
    moved = wander @ state @ wander.T
    under, walking = moved[:trees], moved[trees:]
    coming = np.tensordot(walk.ways, walking, axes=(0, 0)) * (1 - walk_on)
    arrived = walk.kicks @ coming @ walk.kicks.transpose(0, 2, 1)
    return np.concatenate([under * stay + arrived, under * (1 - stay) + walking * walk_on])


def _retreat(later: Field, walk: _Walk, step_s: float) -> Field:
    """Do the reverse of `_advance`, its transpose."""
    trees = len(walk.stems)
    stay, walk_on = math.exp(-step_s / STAYS_S), math.exp(-step_s / WALKS_S)
    wander = _make_kernel(walk.grid, math.exp(-step_s / walk.lasts_s), walk.width_m)
    under, walking = later[:trees], later[trees:]
    reached = walk.kicks.transpose(0, 2, 1) @ under @ walk.kicks
    coming = np.tensordot(walk.ways, reached, axes=(1, 0)) * (1 - walk_on)
    before = np.concatenate([under * stay + walking * (1 - stay), walking * walk_on + coming])
    back: Field = wander.T @ before @ wander
    return back


def _weigh(walk: _Walk, index: int) -> Field:
    """Return how well each state explains the position seen at a moment: (2 K, n, n), or ones where none was seen."""
    trees = len(walk.stems)
    shape = (2 * trees, len(walk.grid), len(walk.grid))
    if np.isnan(walk.seen[index, 0]):
        return np.ones(shape)
    variance = JITTER_M**2 + (CELL_M / 2) ** 2 + walk.extra[index]
    off = walk.seen[index] - walk.stems
    along = [np.exp(-0.5 * (off[:, axis, None] - walk.grid) ** 2 / variance) for axis in (0, 1)]
    weights = np.empty(shape)
    weights[:trees] = along[0][:, :, None] * along[1][:, None, :] / (2 * math.pi * variance)
    weights[trees:] = 1 / WALKING_AREA_M2
    return weights


def _make_grid(width_m: float) -> Field:
    half = math.ceil(WIDEST_DEVIATIONS * width_m / CELL_M)
    grid: Field = np.arange(-half, half + 1) * CELL_M
    return grid


def _make_kernel(grid: Field, kept: float, width_m: float) -> Field:
    """Return the step of a process at rest at N(0, width_m) that keeps a share of its value: (n, n), [to, from]."""
    spread = width_m * math.sqrt(max(1 - kept**2, 1e-6))
    edges = np.concatenate([[-np.inf], (grid[1:] + grid[:-1]) / 2, [np.inf]])
    from scipy.special import ndtr

    reach = ndtr((edges[:, None] - kept * grid[None, :]) / spread)
    kernel: Field = np.diff(reach, axis=0)
    return kernel


def _read_positions(track: WalkedTrack, times_s: Field, origin: tuple[float, float]) -> tuple[Field, Field]:
    """Return the positions at the moments asked for, NaN where the track has a gap, and the variance beyond the usual."""
    places = to_metres(track.latitudes_deg, track.longitudes_deg, origin)
    seen = np.column_stack([np.interp(times_s, track.times_s, places[:, axis]) for axis in (0, 1)])
    after = np.clip(np.searchsorted(track.times_s, times_s), 1, max(len(track.times_s) - 1, 1))
    after = np.minimum(after, len(track.times_s) - 1)
    before = np.maximum(after - 1, 0)
    outside = (times_s < track.times_s[0]) | (times_s > track.times_s[-1])
    gap = track.times_s[after] - track.times_s[before] > LONGEST_GAP_S
    seen[outside | gap] = np.nan
    errors = np.interp(times_s, track.times_s, track.errors_m) * RADIUS_TO_DEVIATION
    usual = float(np.median(track.errors_m)) * RADIUS_TO_DEVIATION
    return seen, np.maximum(errors**2 - usual**2, 0.0)


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
        [np.interp(moments, times, posterior[:, column]) for column in range(len(trees) + 1)]
    )
    best = shares.argmax(axis=1)
    changes = np.flatnonzero(np.diff(best)) + 1
    starts, ends = np.concatenate([[0], changes]), np.concatenate([changes, [len(best)]])
    for start, end in zip(starts, ends, strict=True):
        column = int(best[start])
        is_short = end - start < SHORTEST_STAY_S and len(starts) > 1
        if column == len(trees) or is_short:
            continue
        inside = _leave_changes(moments, start, end)
        # While walking is as likely, the tree is measured against the other trees: which second one left is no doubt of it.
        under = shares[inside, :-1] / np.maximum(shares[inside, :-1].sum(axis=1, keepdims=True), 1e-300)
        worst = int(under[:, column].argmin())
        start_s = float(moments[start] - span.start_s)
        end_s = span.duration_s if end == len(best) else float(moments[end] - span.start_s)
        probability = float(under[worst, column])
        doubt = "" if probability >= CERTAIN else say_doubt(under[worst], column, trees)
        yield TrackStretch(span.clip_id, trees[column].tree_id, start_s, end_s, probability, doubt)


def _leave_changes(moments: Field, start: int, end: int) -> NDArray[np.intp]:
    """Return the places of a stretch that are not near a change of tree within the clip; its middle where all are."""
    places = np.arange(start, end)
    low = moments[start] + CHANGE_S if start > 0 else -math.inf
    high = moments[end] - CHANGE_S if end < len(moments) else math.inf
    inside = places[(moments[places] >= low) & (moments[places] <= high)]
    return inside if len(inside) else places[len(places) // 2 : len(places) // 2 + 1]


def say_doubt(shares: Field, column: int, trees: Sequence[StandingTree], *, by: str = "the track") -> str:
    """Return in words which tree it may be instead of the likeliest."""
    order = [int(other) for other in np.argsort(-shares) if other != column]
    other = order[0] if order else column
    return (
        f"by {by} it is {trees[column].code} with {100 * shares[column]:.0f} %, "
        f"{trees[other].code} with {100 * shares[other]:.0f} %"
    )

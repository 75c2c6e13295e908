"""From the positions of a whole walk to the trees stood under: every explanation of the walk is followed at once.

An explanation says at each moment whether the recorder stands under a tree or walks, which tree was the last and which the one
before, and what kind the error of the positions is. Given that, the true place and the error along each axis are a Kalman filter
of two values: the place keeps still under a tree and wanders on the way, the error wanders and forgets. So what is learnt of the
error under one tree helps at all others, and the length of the way from tree to tree counts although both ends are off alike.
How long a way took speaks for trees as far apart as one walks in it. Explanations with the same present (kind, tree, the one
before, time on the way, whether it was filmed) are joined to one of the same mean and variance; unlikely ones are dropped. A
pass back along what came from what gives how probable each tree was at each moment, given the whole walk.

Places are metres (east, north); which tree is which is a column number here. Nothing is known here of clips or of codes.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.floating[Any]]
Numbers = NDArray[np.intp]

ERROR_KINDS = (
    (0.0, 1.0),
    (3.0, 1.0),
    (10.0, 1.0),
    (30.0, 1.0),
    (100.0, 1.0),
    (300.0, 1.0),
    (0.0, 1.5),
    (3.0, 1.5),
    (10.0, 1.5),
)
"""In which time the error of positions forgets all but 1/e, 0 for one that each position draws anew; and how large it is as a
multiple of what the receiver states. Which one holds is read off the walk: receivers under leaves wander over half a minute to
some minutes (common practice, no source). Of errors that last, a walk cannot tell one half as large again from one that lasts
twice as long, so there the receiver is believed: with 1.5 offered there too, many more stays were asked about."""

JITTER_M = 0.7
"""White part of the error along each axis that every kind has, over one step."""

SETTLES_S, WALKS_S = 10.0, 15.0
"""Mean times under a tree before one may leave it, and on the way to the next. With the first, hardly anyone comes under a tree
to leave it at once."""

STANDS_ELSEWHERE = 0.005
"""Of ways, so many lead to where no tree of the register is: one that was not entered, a gate, a talk. Without it, three quarters
of stays under drawn trees that were not in the register were tied to a neighbour in silence; with it, one in 26."""

TURNS_ON_THE_WAY = 0.1
"""Of ten times that the camera is switched on or off, one is on the way; the others are under a tree."""

LEFT_UNFILMED = 0.1
"""Of stays under a tree to which one came with the camera off, so many end before it is switched on. Without it, a way that took
twice as long as usual was readily explained by a tree on it that was stood under and not filmed."""

WALKING, FRESH, STANDING, ELSEWHERE = 0, 1, 2, 3

WANDERS_M2_S = 3.0
"""On the way the place wanders by this variance a second along each axis: 15 m in 15 to 40 s is then nothing special. With twice
as much, someone who strolls is taken for an error that wanders; with half, someone who hurries is."""

SPEED_M_S, SPEED_SPREAD = 0.9, 0.4
"""How fast one walks from tree to tree through a wood, the middle and the deviation of its logarithm: two of three ways at 0.6 to
1.3 m/s (common practice, no source)."""

DAWDLES, DAWDLES_S = 0.2, 40.0
"""Of ways so many have a talk or a note in them and may last any time, by this mean."""

SHORTEST_WAY_M = 4.0
"""Trees nearer than this are as far: one walks round a trunk."""

TIMED_S = 60.0
"""The time on the way counts up to this; who has been on it for longer may come from anywhere."""

REACHED_AREA_M2 = 600.0
"""Area over which someone 15 s on the way may have come: what makes a density of arriving somewhere a chance."""

FIRST_SEEN_M = 50.0
"""Where the walk begins nothing is known but that the positions are right within some tens of metres."""

ORDER_KEPT = 0.85
"""How often the way leads on in the order of the walk; else to any tree, rather a near one."""

GOES_ON = 0.93
"""Of ways in the order, how many lead on in the direction taken so far, the others turn back."""

GOES_FORWARD = 0.75
"""The same while no direction is known yet: rather from the first tree to the last."""

SKIPS = 0.12
"""Share of trees in the order that are passed by."""

MOST_SKIPPED = 5
"""More passed by one after another are no way in the order any more."""

RETURNS = 0.02
"""How often a way leads back to the tree it came from; and by as much less to the one before than to another as near."""

NEXT_WITHIN_M = 15.0
"""Of trees out of order, one this much farther is 1/e as likely."""

LEAST_WEIGHT = 1e-7
"""Explanations less likely than this are dropped."""


@dataclass(frozen=True, slots=True, eq=False)
class SeenPlaces:
    """Positions gathered into steps of equal time.

    Attributes
    ----------
    places_m : (T, 2) east, north; NaN where there is none
    counts : (T,) positions in each step
    extra_m2 : (T,) variance along each axis beyond the usual
    stays_s : (T,) mean time to the leaving of a tree, in each step
    turns : (T,) whether the camera is switched on or off
    films : (T,) whether it runs
    step_s : length of a step
    deviation_m : usual deviation along each axis, as the receiver states it
    """

    places_m: Field
    counts: Field
    extra_m2: Field
    stays_s: Field
    turns: NDArray[np.bool_]
    films: NDArray[np.bool_]
    step_s: float
    deviation_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Stands:
    """Where one may stand.

    Attributes
    ----------
    stems_m, own_m : (K, 2) stems; (K,) deviation along each axis of where one stands under them, their own places' errors in it
    ways : (3, K + 1, K) how likely the way from a tree, or from outside, leads to each: direction unknown, forward, back
    ranks : (K + 1,) place in the order of the walk, NaN where none
    apart_m : (K, K) from stem to stem
    """

    stems_m: Field
    own_m: Field
    ways: Field
    ranks: Field
    apart_m: Field


@dataclass(slots=True, eq=False)
class _Explanations:
    """Explanations of the walk so far, one a row: what they say, how likely they are, place and error along both axes.

    Attributes
    ----------
    kind, last, before : kind of error; column of the tree, of the one before (K for none)
    state : walking, just come under a tree, standing there, or standing elsewhere
    steps : on the way since a tree was left, as many as are timed where that is longer ago or not known; 0 under a tree
    filmed : whether the camera has run since one came under this tree; true on the way
    weight : adds to one
    place, error : (N, 2) means
    pp, pe, ee : (N,) variances and covariance, alike along both axes
    """

    kind: Numbers
    state: Numbers
    last: Numbers
    before: Numbers
    steps: Numbers
    filmed: NDArray[np.bool_]
    weight: Field
    place: Field
    error: Field
    pp: Field
    pe: Field
    ee: Field

    def take(self, rows: NDArray[Any] | slice) -> "_Explanations":
        """Return some rows; arrays are shared where all are taken."""
        return _Explanations(*(getattr(self, name)[rows] for name in self.__slots__))


def rank_stands(stems_m: Field, own_m: Field, orders: Sequence[int | None]) -> Stands:
    """Return where one may stand, with the ways between: rather on in the order of the walk, rather near, rarely back."""
    count = len(stems_m)
    apart = np.hypot(*(stems_m[:, None] - stems_m[None]).transpose(2, 0, 1))
    near = np.exp(-apart / NEXT_WITHIN_M)
    np.fill_diagonal(near, 0.0)
    near /= np.maximum(near.sum(axis=1, keepdims=True), 1e-300)
    ranked = sorted((order, column) for column, order in enumerate(orders) if order is not None)
    columns = [column for _, column in ranked]
    ranks = np.full(count + 1, np.nan)
    ranks[columns] = np.arange(len(columns))
    ways = np.zeros((3, count + 1, count))
    for direction, forward in ((0, GOES_FORWARD), (1, GOES_ON), (2, 1 - GOES_ON)):
        ways[direction, :count] = near
        for place, column in enumerate(columns):
            ahead = np.zeros(count)
            for steps in range(1, min(len(columns), MOST_SKIPPED + 2)):
                share = (1 - SKIPS) * SKIPS ** (steps - 1)
                if place + steps < len(columns):
                    ahead[columns[place + steps]] += forward * share
                if place - steps >= 0:
                    ahead[columns[place - steps]] += (1 - forward) * share
            ways[direction, column] = ORDER_KEPT * ahead + (1 - ORDER_KEPT) * near[column]
        ways[direction, :count] *= 1 - RETURNS
        ways[direction][np.arange(count), np.arange(count)] = RETURNS
        ways[direction, count] = 1 / count
    return Stands(stems_m, own_m, ways, ranks, apart)


def explain_walk(seen: SeenPlaces, stands: Stands) -> Field:
    """Return how probable each tree is at each step, given the whole walk: (T, K + 2), then standing elsewhere, then walking.

    Forward with joining, then back along what came from what; with nothing to join it is the forward-backward algorithm
    (Rabiner 1989, doi:10.1109/5.18626) over Kalman filters.
    """
    steps, count = len(seen.places_m), len(stands.stems_m)
    kinds = _list_kinds(seen)
    timed = _time_ways(stands, seen.step_s)
    now = _begin(seen, count, kinds, len(timed) - 1)
    parents: Numbers = np.arange(len(now.weight))
    came: list[tuple[Numbers, Numbers, Numbers, Field, int]] = []
    for step in range(steps):
        before = len(now.weight)
        if step:
            now, parents = _advance(now, stands, kinds, seen, timed, step)
        _see(now, seen, step, kinds)
        now, child, parents, part = _join(now, parents, count)
        column = np.where(now.state == WALKING, count + 1, np.where(now.state == ELSEWHERE, count, now.last))
        came.append((column, child, parents, part, before))
    posterior = np.zeros((steps, count + 2))
    share: Field = now.weight
    for step in range(steps - 1, -1, -1):
        column, child, parents, part, before = came[step]
        posterior[step] = np.bincount(column, share, count + 2)
        share = np.bincount(parents, part * share[child], before).astype(np.float64)
    return posterior


@dataclass(frozen=True, slots=True, eq=False)
class _Kinds:
    """Kinds of error, (N,) each: variance of the lasting part in a step, what is kept over one, white variance of a position."""

    lasting: Field
    kept: Field
    white: Field


def _list_kinds(seen: SeenPlaces) -> _Kinds:
    """Return the kinds for means over a step, kept so that the mean over many steps is as good as it is."""
    rows = []
    for lasts_s, scale in ERROR_KINDS:
        variance = (scale * seen.deviation_m) ** 2
        if lasts_s == 0:
            rows.append((0.0, 0.0, variance))
            continue
        long = lasts_s / seen.step_s
        in_step = 2 * long * (1 - long * (1 - math.exp(-1 / long)))
        # Over many steps the mean has 2 lasts / time of the variance; steps that keep a share k, (1 + k) / (1 - k) of in_step.
        ratio = 2 * long / in_step
        rows.append((variance * in_step, (ratio - 1) / (ratio + 1), 0.0))
    return _Kinds(*np.array(rows).T)


def _time_ways(stands: Stands, step_s: float) -> Field:
    """Return how much likelier than any way each is by how long it took: (S + 1, K + 1, K) by steps on it, from, to.

    A way takes as long as its length says, or any time where one dawdles; measured from a way of which nothing is known. From
    outside, and after all the steps that are timed, nothing is known.
    """
    count, timed = len(stands.stems_m), round(TIMED_S / step_s)
    times_s = (step_s * np.arange(1, timed + 1))[:, None, None]
    usual_s = np.maximum(stands.apart_m, SHORTEST_WAY_M) / SPEED_M_S
    off = np.log(times_s / usual_s) / SPEED_SPREAD
    straight = np.exp(-0.5 * off**2) / (times_s * SPEED_SPREAD * math.sqrt(2 * math.pi))
    dawdling = np.exp(-times_s / DAWDLES_S) / DAWDLES_S
    any_way = np.exp(-times_s / WALKS_S) / WALKS_S
    ways = np.ones((timed + 1, count + 1, count))
    ways[:timed, :count] = ((1 - DAWDLES) * straight + DAWDLES * dawdling) / any_way
    return ways


def _begin(seen: SeenPlaces, count: int, kinds: _Kinds, timed: int) -> _Explanations:
    number = len(kinds.kept)
    known = np.flatnonzero(~np.isnan(seen.places_m[:, 0]))
    first = seen.places_m[known[0]] if len(known) else np.zeros(2)
    return _Explanations(
        np.arange(number),
        np.full(number, WALKING),
        np.full(number, count),
        np.full(number, count),
        np.full(number, timed),
        np.ones(number, bool),
        np.full(number, 1 / number),
        np.tile(first, (number, 1)),
        np.zeros((number, 2)),
        np.full(number, FIRST_SEEN_M**2),
        np.zeros(number),
        kinds.lasting.copy(),
    )


def _advance(
    now: _Explanations, stands: Stands, kinds: _Kinds, seen: SeenPlaces, timed: Field, step: int
) -> tuple[_Explanations, Numbers]:
    """Let a step of time pass: the error wanders, a tree is left, another reached; return also what each came from."""
    step_s, means_s = seen.step_s, (SETTLES_S, float(seen.stays_s[step]), WALKS_S)
    settle, leave, come = (1 - math.exp(-step_s / mean_s) for mean_s in means_s)
    kept = kinds.kept[now.kind]
    moved = now.take(slice(None))
    moved.error = now.error * kept[:, None]
    moved.pe = now.pe * kept
    moved.ee = now.ee * kept**2 + kinds.lasting[now.kind] * (1 - kept**2)
    fresh, standing = np.flatnonzero(now.state == FRESH), np.flatnonzero(now.state >= STANDING)
    walking = np.flatnonzero(now.state == WALKING)
    longest = len(timed) - 1
    same = moved.take(slice(None))
    same.steps = np.where(now.state == WALKING, np.minimum(now.steps + 1, longest), 0)
    same.weight = now.weight * (1 - np.array([come, settle, leave, leave])[now.state])
    settled, left = moved.take(fresh), moved.take(standing)
    settled.state, settled.weight = np.full(len(fresh), STANDING), settled.weight * settle
    left.state, left.weight = np.full(len(standing), WALKING), left.weight * leave
    left.weight = left.weight * np.where(left.filmed, 1.0, LEFT_UNFILMED)
    left.filmed = np.ones(len(standing), bool)
    left.steps = np.where(now.state[standing] == ELSEWHERE, longest, 0)
    came, rows = _arrive(moved, walking, stands, timed, come * (1 - STANDS_ELSEWHERE))
    lost = moved.take(walking)
    lost.state, lost.weight = np.full(len(walking), ELSEWHERE), lost.weight * come * STANDS_ELSEWHERE
    lost.steps = np.zeros(len(walking), np.intp)
    parts = (same, settled, left, came, lost)
    joined = _Explanations(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in _Explanations.__slots__)
    )
    joined.pp = joined.pp + np.where(joined.state == WALKING, WANDERS_M2_S * step_s, 0.0)
    return joined, np.concatenate([np.arange(len(now.weight)), fresh, standing, rows, walking])


def _arrive(
    moved: _Explanations, walking: Numbers, stands: Stands, timed: Field, share: float
) -> tuple[_Explanations, Numbers]:
    """Return the explanations by which those on the way have reached a tree, and from which rows they come."""
    count = len(stands.stems_m)
    last, before = moved.last[walking], moved.before[walking]
    turn = stands.ranks[last] - stands.ranks[before]
    direction = np.where(turn > 0, 1, np.where(turn < 0, 2, 0))
    ways = stands.ways[direction, last].copy()
    again = np.flatnonzero(before < count)
    ways[again, before[again]] *= RETURNS
    ways *= timed[moved.steps[walking], last]
    off = stands.stems_m[None] - moved.place[walking][:, None]
    variance = moved.pp[walking][:, None] + stands.own_m[None] ** 2
    near = np.exp(-0.5 * (off**2).sum(axis=2) / variance) / (2 * math.pi * variance)
    weight = moved.weight[walking][:, None] * share * REACHED_AREA_M2 * ways * near
    row, column = np.nonzero(weight > LEAST_WEIGHT * 1e-2)
    rows = walking[row]
    came = moved.take(rows)
    came.weight = weight[row, column]
    came.before, came.last = came.last, column
    came.state, came.steps = np.full(len(rows), FRESH), np.zeros(len(rows), np.intp)
    came.filmed = np.zeros(len(rows), bool)
    gain_p, gain_e = came.pp / variance[row, column], came.pe / variance[row, column]
    came.place = came.place + gain_p[:, None] * off[row, column]
    came.error = came.error + gain_e[:, None] * off[row, column]
    came.ee = came.ee - gain_e * came.pe
    came.pe = came.pe - gain_p * came.pe
    came.pp = came.pp - gain_p * came.pp
    return came, rows


def _see(rows: _Explanations, seen: SeenPlaces, step: int, kinds: _Kinds) -> None:
    """Weigh explanations by the position seen in a step, and learn from it."""
    if seen.films[step]:
        rows.filmed = np.ones(len(rows.weight), bool)
    if seen.turns[step]:
        rows.weight = rows.weight * np.where(rows.state == WALKING, TURNS_ON_THE_WAY, 1 - TURNS_ON_THE_WAY)
    place = seen.places_m[step]
    if np.isnan(place[0]):
        return
    white = kinds.white[rows.kind] / seen.counts[step]
    variance = rows.pp + 2 * rows.pe + rows.ee + white + JITTER_M**2 + seen.extra_m2[step]
    off = place - rows.place - rows.error
    squares = (off**2).sum(axis=1) / variance
    # Measured from the best: a position lost by a kilometre must not leave nothing.
    rows.weight = rows.weight * np.exp(-0.5 * (squares - squares.min())) / variance
    gain_p, gain_e = (rows.pp + rows.pe) / variance, (rows.pe + rows.ee) / variance
    rows.place = rows.place + gain_p[:, None] * off
    rows.error = rows.error + gain_e[:, None] * off
    told_p, told_e = rows.pp + rows.pe, rows.pe + rows.ee
    rows.pp = rows.pp - gain_p * told_p
    rows.pe = rows.pe - gain_p * told_e
    rows.ee = rows.ee - gain_e * told_e


def _join(rows: _Explanations, parents: Numbers, count: int) -> tuple[_Explanations, Numbers, Numbers, Field]:
    """Join explanations with the same present; return them, and of each that went in: into which, from which, with what share."""
    total = rows.weight.sum()
    weight = rows.weight / total if total > 0 else np.full(len(rows.weight), 1 / len(rows.weight))
    keep = np.flatnonzero(weight > LEAST_WEIGHT)
    rows, weight, parents = rows.take(keep), weight[keep], parents[keep]
    key = ((rows.kind * 4 + rows.state) * (count + 1) + rows.last) * (count + 1) + rows.before
    key = (key * (int(rows.steps.max()) + 1) + rows.steps) * 2 + rows.filmed
    _, first, child = np.unique(key, return_index=True, return_inverse=True)
    number = len(first)
    sums = np.bincount(child, weight, number)
    part = weight / sums[child]

    def mean(values: Field) -> Field:
        return np.bincount(child, part * values, number).astype(np.float64)

    place = np.column_stack([mean(rows.place[:, axis]) for axis in (0, 1)])
    error = np.column_stack([mean(rows.error[:, axis]) for axis in (0, 1)])
    place_off, error_off = rows.place - place[child], rows.error - error[child]
    joined = rows.take(first)
    joined.weight = sums / sums.sum()
    joined.place, joined.error = place, error
    # Alike along both axes: the spread of the joined is shared between them.
    joined.pp = mean(rows.pp + (place_off**2).sum(axis=1) / 2)
    joined.pe = mean(rows.pe + (place_off * error_off).sum(axis=1) / 2)
    joined.ee = mean(rows.ee + (error_off**2).sum(axis=1) / 2)
    return joined, child, parents, part

"""Drawn walks past trees: where the recorder stood when, the positions a receiver wrote, the clips; the truth is known.

The receiver's error along each axis is an Ornstein-Uhlenbeck process of the deviation that makes a radius of `error_m` hold 68 %,
forgetting in `lasts_s`, plus white jitter; with 0 s each position draws its own. What "5 m" means is open to three readings
(`READINGS`); the receiver states 5 m in each. The recorder stands off each stem by chance, sways, and walks straight from tree to
tree at 1 m/s, if not told otherwise.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from annotate.field.track_stretches import METRES_PER_DEGREE, FilmedSpan, StandingTree, WalkedTrack

ORIGIN = (51.2, -1.1)
START_S = 1_779_012_000.0
"""17 May 2026, 10:00 UTC."""

DEVIATION_OF_RADIUS = 1 / math.sqrt(-2 * math.log(0.32))
READINGS = {
    "68 % within": DEVIATION_OF_RADIUS,
    "root mean square": 1 / math.sqrt(2),
    "along each axis": 1.0,
}
"""What "wrong by so many m" may mean, as the deviation along each axis in such m."""

SPEED_M_S = 1.0
PAUSES = 0.5
"""Share of ways with a stop in the middle, where stops are asked for."""

TURNED = 0.1
"""How often a walk goes the other way round."""


@dataclass(frozen=True, eq=False)
class DrawnWalk:
    """A walk: `stays` are (tree id, UNIX start, UNIX end); a clip is filmed at each stay unless `spans` join them."""

    track: WalkedTrack
    trees: tuple[StandingTree, ...]
    stays: tuple[tuple[int, float, float], ...]
    spans: tuple[FilmedSpan, ...]


def place_trees(rows: int, columns: int, *, spacing_m: float = 15.0) -> NDArray[np.float64]:
    """Return (N, 2) metres east and north of trees in rows, in the order of a walk to and fro."""
    places = []
    for row in range(rows):
        along = range(columns) if row % 2 == 0 else reversed(range(columns))
        places += [(column * spacing_m, row * spacing_m) for column in along]
    return np.array(places, float)


def draw_walk(
    rng: np.random.Generator,
    *,
    stems_m: NDArray[np.float64],
    error_m: float = 5.0,
    reading: str = "68 % within",
    lasts_s: float = 100.0,
    tree_error_m: float = 2.0,
    stands_off_m: float = 2.0,
    one_clip: bool = False,
    has_order: bool = True,
    skips: float = 0.1,
    speed_m_s: float = SPEED_M_S,
    pauses_s: float = 0.0,
) -> DrawnWalk:
    """Draw a walk past all trees, a position each second, a clip under each tree or one for all.

    With `pauses_s` one stops in the middle of half of the ways, for up to so long.
    """
    spots = stems_m + rng.normal(0, stands_off_m * DEVIATION_OF_RADIUS, stems_m.shape)
    clock = START_S + 120.0
    stays = []
    went = [number for number in range(len(spots)) if number == 0 or rng.random() >= skips]
    if rng.random() < TURNED:
        went.reverse()
    marks = [(START_S, spots[went[0]])]
    for place, number in enumerate(went):
        spot = spots[number]
        if place:
            half_s = float(np.hypot(*(spot - spots[went[place - 1]]))) / speed_m_s / 2
            clock += half_s
            if pauses_s and rng.random() < PAUSES:
                midway = (spot + spots[went[place - 1]]) / 2
                pause_s = float(rng.uniform(0, pauses_s))
                marks += [(clock, midway), (clock + pause_s, midway)]
                clock += pause_s
            clock += half_s
        stay_s = float(rng.uniform(30, 90))
        marks += [(clock, spot), (clock + stay_s, spot)]
        stays.append((number + 1, clock, clock + stay_s))
        clock += stay_s
    marks.append((clock + 120.0, spots[went[-1]]))
    times = np.arange(START_S, clock + 120.0, 1.0)
    true = np.column_stack(
        [np.interp(times, [t for t, _ in marks], [p[a] for _, p in marks]) for a in (0, 1)]
    )
    deviation = error_m * READINGS[reading]
    seen = true + _wander(rng, len(times), deviation, lasts_s) + _wander(rng, len(times), 0.4, 10.0)
    seen += rng.normal(0, 0.4, seen.shape)
    surveyed = stems_m + rng.normal(0, tree_error_m * DEVIATION_OF_RADIUS, stems_m.shape)
    latitudes, longitudes = to_degrees(seen)
    track = WalkedTrack(times, latitudes, longitudes, np.full(len(times), error_m))
    tree_latitudes, tree_longitudes = to_degrees(surveyed)
    trees = tuple(
        StandingTree(
            number + 1,
            f"OT{number + 1:02d}",
            float(latitude),
            float(longitude),
            tree_error_m,
            number + 1 if has_order else None,
        )
        for number, (latitude, longitude) in enumerate(zip(tree_latitudes, tree_longitudes, strict=True))
    )
    if one_clip:
        spans = (FilmedSpan(1, stays[0][1], stays[-1][2] - stays[0][1]),)
    else:
        spans = tuple(FilmedSpan(tree, first + 3.0, last - first - 6.0) for tree, first, last in stays)
    return DrawnWalk(track, trees, tuple(stays), spans)


def to_degrees(places_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return latitudes and longitudes of places in metres from `ORIGIN`."""
    latitudes = ORIGIN[0] + places_m[:, 1] / METRES_PER_DEGREE
    longitudes = ORIGIN[1] + places_m[:, 0] / (METRES_PER_DEGREE * math.cos(math.radians(ORIGIN[0])))
    return latitudes, longitudes


def _wander(rng: np.random.Generator, number: int, deviation: float, lasts_s: float) -> NDArray[np.float64]:
    kept = math.exp(-1.0 / lasts_s) if lasts_s > 0 else 0.0
    value = rng.normal(0, deviation, 2)
    steps = rng.normal(0, deviation * math.sqrt(1 - kept**2), (number, 2))
    path = np.empty((number, 2))
    for index in range(number):
        value = kept * value + steps[index]
        path[index] = value
    return path

"""A plan of a site: its trees as seen from above, north up, with a scale. Geometry only; a template draws it.

Positions are WGS 84 degrees; on the plan they are (x, y) in its own units, x to the east, y to the south. A site is small, so
the Earth is taken as flat there: over 2 km the error is under half a metre, well within how exactly trees are placed.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from annotate.logbook.records import Tree

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius (IUGG; Moritz 2000, J. Geodesy 74:128)."""

PLAN_WIDTH = 640.0
PLAN_HEIGHT = 360.0
MARGIN = 56.0
"""Room for names beside the outermost trees."""

LEAST_EXTENT_M = 40.0
"""A site of one tree, or of trees side by side, is still shown with its surroundings."""

SCALE_SHARE = 0.25
"""The scale is the longest round length up to this share of the width."""


@dataclass(frozen=True, slots=True)
class PlacedTree:
    """A tree on the plan; `is_left` says that its name stands to its left."""

    code: str
    x: float
    y: float
    is_left: bool


@dataclass(frozen=True, slots=True)
class SitePlan:
    """A plan: its trees, how long its scale is on the ground and on the plan, and the trees without a position."""

    trees: tuple[PlacedTree, ...]
    scale_m: float
    scale_length: float
    unplaced: tuple[str, ...]


def draw_plan(trees: Sequence[Tree]) -> SitePlan:
    """Return the plan of one site's trees; without any position it holds no trees."""
    placed = [
        (tree.code, tree.latitude_deg, tree.longitude_deg)
        for tree in trees
        if tree.latitude_deg is not None and tree.longitude_deg is not None
    ]
    unplaced = tuple(tree.code for tree in trees if tree.latitude_deg is None or tree.longitude_deg is None)
    if not placed:
        return SitePlan((), 0.0, 0.0, unplaced)
    middle_deg = sum(latitude for _, latitude, _ in placed) / len(placed)
    metres = [(code, *_to_metres(latitude, longitude, middle_deg)) for code, latitude, longitude in placed]
    east = [x for _, x, _ in metres]
    south = [y for _, _, y in metres]
    room = (PLAN_WIDTH - 2 * MARGIN, PLAN_HEIGHT - 2 * MARGIN)
    per_metre = min(
        room[0] / max(LEAST_EXTENT_M, max(east) - min(east)),
        room[1] / max(LEAST_EXTENT_M, max(south) - min(south)),
    )
    shift_x = PLAN_WIDTH / 2 - per_metre * (max(east) + min(east)) / 2
    shift_y = PLAN_HEIGHT / 2 - per_metre * (max(south) + min(south)) / 2
    spots = tuple((code, per_metre * x + shift_x, per_metre * y + shift_y) for code, x, y in metres)
    scale_m = _round_down(SCALE_SHARE * PLAN_WIDTH / per_metre)
    return SitePlan(
        trees=tuple(PlacedTree(code, x, y, x > PLAN_WIDTH - 1.5 * MARGIN) for code, x, y in spots),
        scale_m=scale_m,
        scale_length=scale_m * per_metre,
        unplaced=unplaced,
    )


def _to_metres(latitude_deg: float, longitude_deg: float, middle_deg: float) -> tuple[float, float]:
    """Return (east, south) in metres from where the equator and the zero meridian meet, true near `middle_deg`."""
    per_degree_m = math.radians(1) * EARTH_RADIUS_M
    return longitude_deg * per_degree_m * math.cos(math.radians(middle_deg)), -latitude_deg * per_degree_m


def _round_down(length_m: float) -> float:
    """Return the longest of 1, 2, 5, 10, 20, 50 ... metres that is not longer."""
    power = 10.0 ** math.floor(math.log10(length_m))
    return next(step * power for step in (5, 2, 1) if step * power <= length_m)

"""A plan of a site: its trees as seen from above, north up, with a scale. Geometry only; a template or a printed page draws it.

Positions are WGS 84 degrees; on the plan they are (x, y) in its own units, x to the east, y to the south. A site is small, so
the Earth is taken as flat there: over 2 km the error is under half a metre, well within how exactly trees are placed.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from annotate.logbook.records import Tree

Anchor = Literal["start", "end", "middle"]
Extent = tuple[float, float, float, float]
"""left, top, right, bottom on the plan"""

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


METRES_OF_KM = 1000

DOT_RADIUS = 9.0
LETTER_WIDTH = 10.5
LETTER_HEIGHT = 18.0
"""Of a name on the plan, about (own measure, with the largest size the page uses): for keeping names apart."""


@dataclass(frozen=True, slots=True)
class PlacedTree:
    """A tree on the plan, where its name stands (the text's own x, y, its foot, and anchor), and its place in the walk."""

    code: str
    x: float
    y: float
    name_x: float
    name_y: float
    anchor: Anchor
    step: int | None = None


@dataclass(frozen=True, slots=True)
class SitePlan:
    """A plan: its trees, how long its scale is on the ground and on the plan, the trees without a position, the way walked."""

    trees: tuple[PlacedTree, ...]
    scale_m: float
    scale_length: float
    unplaced: tuple[str, ...]
    walk: tuple[tuple[float, float], ...] = ()


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
    steps = {tree.code: tree.walk_order for tree in trees}
    named = tuple(replace(one, step=steps[one.code]) for one in _place_names(spots))
    return SitePlan(
        trees=named,
        scale_m=scale_m,
        scale_length=scale_m * per_metre,
        unplaced=unplaced,
        walk=_find_walk(named),
    )


def say_scale(scale_m: float) -> str:
    """Return the length of a scale in words: "20 m", "5 km"."""
    return f"{scale_m:g} m" if scale_m < METRES_OF_KM else f"{scale_m / METRES_OF_KM:g} km"


def _find_walk(trees: Sequence[PlacedTree]) -> tuple[tuple[float, float], ...]:
    """Return the places of the trees that have a place in the walk, in its order; of one tree alone there is no way."""
    walked = sorted((one.step, one.code, one.x, one.y) for one in trees if one.step is not None)
    return tuple((x, y) for _, _, x, y in walked) if len(walked) > 1 else ()


def _to_metres(latitude_deg: float, longitude_deg: float, middle_deg: float) -> tuple[float, float]:
    """Return (east, south) in metres from where the equator and the zero meridian meet, true near `middle_deg`."""
    per_degree_m = math.radians(1) * EARTH_RADIUS_M
    return longitude_deg * per_degree_m * math.cos(math.radians(middle_deg)), -latitude_deg * per_degree_m


def _round_down(length_m: float) -> float:
    """Return the longest of 1, 2, 5, 10, 20, 50 ... metres that is not longer."""
    power = 10.0 ** math.floor(math.log10(length_m))
    return next(step * power for step in (5, 2, 1) if step * power <= length_m)


def _place_names(spots: Sequence[tuple[str, float, float]]) -> tuple[PlacedTree, ...]:
    """Put each name right, left, above or below its tree: the first place that covers no tree, no name and no edge."""
    dots = [(x - DOT_RADIUS, y - DOT_RADIUS, x + DOT_RADIUS, y + DOT_RADIUS) for _, x, y in spots]
    taken: list[Extent] = []
    placed = []
    for index, (code, x, y) in enumerate(spots):
        choices = [
            (PlacedTree(code, x, y, name_x, name_y, anchor), _measure_name(code, name_x, name_y, anchor))
            for name_x, name_y, anchor in _list_name_places(x, y)
        ]
        others = [*dots[:index], *dots[index + 1 :], *taken]
        # Where every place is taken, the one that covers least is the best there is.
        tree, extent = min(choices, key=lambda choice: sum(_covers(choice[1], other) for other in others))
        taken.append(extent)
        placed.append(tree)
    return tuple(placed)


def _list_name_places(x: float, y: float) -> Iterator[tuple[float, float, Anchor]]:
    """Yield the text's x, y and anchor beside a dot, the usual place first; places that leave the plan come last."""
    reach = DOT_RADIUS + 5
    places: list[tuple[float, float, Anchor]] = [
        (x + reach, y + 5, "start"),
        (x - reach, y + 5, "end"),
        (x, y - reach, "middle"),
        (x, y + reach + LETTER_HEIGHT - 5, "middle"),
    ]
    is_at_right = x > PLAN_WIDTH - 1.5 * MARGIN
    yield from places[1:] + places[:1] if is_at_right else places


def _measure_name(code: str, x: float, y: float, anchor: Anchor) -> Extent:
    # A number of finds may follow the code: room for four letters more.
    width = LETTER_WIDTH * (len(code) + 4)
    left = {"start": x, "end": x - width, "middle": x - width / 2}[anchor]
    return left, y - LETTER_HEIGHT + 4, left + width, y + 4


def _covers(one: Extent, other: Extent) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]

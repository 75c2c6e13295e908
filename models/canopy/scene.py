"""One crown: depth layers of leaves, twigs, larvae and confusers, with the place of every larva and feeding mark.

Seen from below, light from above is multiplied by each leaf in its path; sheets cast their shadow on those under them, moved
by the sun's slope and softened by its width. A layer is float32 (rows, columns, 4): light that reaches the eye times the
share covered, and the share covered. Places are (x, y) px of the layer's own picture. How layers move stands in `camera`.
"""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_float
from models.canopy.confusers import ConfuserSettings, scatter_confusers
from models.canopy.larvae import LarvaSettings, Settled, settle_larva
from models.canopy.leaves import LeafBank, PlantSettings
from models.canopy.light import Light
from models.canopy.sheets import LeafPlace, Points, Sheet, cut_window, fill_softly, map_points

LEAF_UNDERSIDE = np.asarray([0.2, 0.3, 0.14], np.float32)
"""Reflectance of a leaf's underside for the light from below; common practice, no source."""

LAYER_WEIGHTS = (0.62, 0.3, 0.08)
"""How larvae and confusers spread over the layers, nearest first; farther ones are too small and too hidden."""

SHEET_GAP_MM = (15.0, 60.0)
"""Height between the two sheets of one layer, which throw crisp shadows on each other."""

SPOTS_TRIED, HOSTS_TRIED = 6, 60
"""Places looked at for each confuser and each host leaf; the best lit is taken: where no light comes through, nobody looks."""

MOST_LIGHT_IN_BODY, LEAST_LIGHT_AROUND = 0.8, 0.012
"""A larva is listed where its outline holds at most this share of the light round it, and that light is at least this share of
what falls on the crown: what nobody could see in the best of pictures is no truth to be missed."""


@dataclass(frozen=True, slots=True, eq=False)
class LarvaPlace:
    """One larva in a layer: what it is, and its outline float32 (N, 2) of (x, y) in layer px."""

    larva_id: str
    layer: int
    stage: str
    condition: str
    pose: str
    length_mm: float
    outline_xy: Points
    open_share: float


@dataclass(frozen=True, slots=True, eq=False)
class MarkPlace:
    """One hole or bite in a layer: outline float32 (N, 2) of (x, y) in layer px, and what its leaf lost in per cent."""

    mark_id: str
    leaf_id: str
    layer: int
    outline_xy: Points
    missing_percent: float


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One depth of the crown.

    Attributes
    ----------
    picture : float32 (rows, columns, 4), light times share covered, share covered
    incident : float32 (rows / 4, columns / 4, 4), what falls on its lower sheet, shadows and all, and what that sheet covers
    depth : distance over that of the nearest layer
    origin_px : (row, column) in the picture of the frame's top left corner when the camera stands still
    """

    picture: FloatImage
    incident: FloatImage
    depth: float
    origin_px: tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A crown ready to be filmed; `layers` from the nearest to the farthest."""

    layers: tuple[Layer, ...]
    sky: FloatImage
    light: Light
    px_per_mm: float
    larvae: tuple[LarvaPlace, ...]
    marks: tuple[MarkPlace, ...]


@dataclass(frozen=True, slots=True)
class SceneSize:
    """Sizes of a scene.

    Attributes
    ----------
    frame_px : (rows, columns)
    margin_px : how far (rows, columns) the nearest layer may move past each edge of the frame
    drift_px : (rows, columns) that walking carries the nearest layer over the whole clip
    """

    frame_px: tuple[int, int]
    margin_px: tuple[int, int]
    drift_px: tuple[float, float]
    px_per_mm: float
    distance_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class LayerPlan:
    """One layer about to be built: its number, depth, scale in px per mm, picture size and origin."""

    index: int
    depth: float
    scale: float
    size: tuple[int, int]
    origin_px: tuple[int, int]


HangSheets = Callable[[LayerPlan], tuple[Sheet, Sheet, list[LeafPlace]]]
"""Gives a layer its upper and lower sheet and the lower one's leaves: painted afresh, or cut from a stock."""


@dataclass(slots=True)
class _Building:
    """What has been built so far, from the top of the crown down; `left` is the light that comes out below."""

    left: FloatImage
    layers: list[Layer]
    settled: list[tuple[int, Settled]]
    marks: list[MarkPlace]


def build_scene(
    plant: PlantSettings,
    larvae: LarvaSettings,
    confusers: ConfuserSettings,
    light: Light,
    bank: LeafBank,
    rng: np.random.Generator,
    *,
    size: SceneSize,
    sky: FloatImage,
    hang: HangSheets,
) -> Scene:
    """Build all layers from the top of the crown down, so that each knows the light that is left."""
    count = 1 + int(rng.choice(len(plant.crown_shares), p=plant.crown_shares))
    plans = [_plan_layer(plant, size, index) for index in range(min(count, len(plant.depths)))]
    larva_counts = _share_out(int(rng.integers(larvae.count[0], larvae.count[1] + 1)), len(plans), rng)
    megapixels = size.frame_px[0] * size.frame_px[1] / 1e6
    thing_counts = _share_out(
        round(float(rng.uniform(*confusers.per_megapixel)) * megapixels), len(plans), rng
    )
    building = _Building(np.broadcast_to(light.incident, (*plans[-1].size, 3)).copy(), [], [], [])
    for plan in reversed(plans):
        if building.layers:
            above = plans[plan.index + 1]
            gap_px = (above.depth - plan.depth) * size.distance_mm * plan.scale
            building.left = cast_light(
                building.left, light, plan.size, gap_px=gap_px, zoom=above.depth / plan.depth
            )
        upper, lower, leaves = hang(plan)
        gap_px = float(rng.uniform(*SHEET_GAP_MM)) * plan.scale
        passed = cv2.multiply(building.left, cv2.cvtColor(upper.through, cv2.COLOR_RGBA2RGB))
        below = cast_light(np.asarray(passed, np.float32), light, plan.size, gap_px=gap_px, zoom=1.0)
        lit = _map_lit(below, lower, reach_px=LEAF_REACH_MM * plan.scale)
        places = (thing_counts[plan.index], SPOTS_TRIED)
        spots = _find_spots(lit, lower, rng, plan=plan, size=size, places=places)
        scatter_confusers(lower, confusers, rng, spots=spots, scale=plan.scale)
        places = (larva_counts[plan.index], HOSTS_TRIED)
        spots = _find_spots(lit, lower, rng, plan=plan, size=size, places=places)
        new = [
            settle_larva(lower, bank, larvae, rng, spot=(x, y), scale=plan.scale) for x, y in spots.tolist()
        ]
        leaves.extend(larva.host for larva in new)
        _add_layer(building, plan, upper, lower, leaves, larvae=new, below=below, bank=bank, light=light)
    layers = tuple(reversed(building.layers))
    return Scene(layers, sky, light, size.px_per_mm, _name_larvae(building.settled), tuple(building.marks))


def _add_layer(
    building: _Building,
    plan: LayerPlan,
    upper: Sheet,
    lower: Sheet,
    leaves: list[LeafPlace],
    *,
    larvae: list[Settled],
    below: FloatImage,
    bank: LeafBank,
    light: Light,
) -> None:
    """Turn a layer's sheets into its picture, list its feeding marks, and carry the light on below it."""
    near = _see_sheet(lower, below, light)
    picture = _lay_over(near, _see_sheet(upper, building.left, light))
    building.left = np.asarray(
        cv2.multiply(below, cv2.cvtColor(lower.through, cv2.COLOR_RGBA2RGB)), np.float32
    )
    size = (-(-below.shape[1] // INCIDENT_STEP_PX), -(-below.shape[0] // INCIDENT_STEP_PX))
    fallen = cv2.merge([*cv2.split(below), cv2.extractChannel(near, 3)])
    incident = as_float(cv2.resize(fallen, size, interpolation=cv2.INTER_AREA))
    building.layers.append(Layer(picture, incident, plan.depth, plan.origin_px))
    building.settled.extend(
        (plan.index, larva) for larva in larvae if _stands_dark(picture, larva.outline_xy, light)
    )
    if plan.index < MARKED_LAYERS:
        building.marks.extend(_list_marks(leaves, bank, picture, layer=plan.index, light=light))


INCIDENT_STEP_PX = 4
"""What falls on a layer is kept at this step: only how shadows move is read from it."""

MARKED_LAYERS = 2
"""Feeding is listed in this many layers, the nearest; behind them hardly a leaf is well visible."""


def _plan_layer(plant: PlantSettings, size: SceneSize, index: int) -> LayerPlan:
    depth = plant.depths[index]
    margin = tuple(
        int(min(m, MARGIN_FLOOR_PX) + max(0, m - MARGIN_FLOOR_PX) / depth**0.5) for m in size.margin_px
    )
    shape = (size.frame_px[0] + 2 * margin[0], size.frame_px[1] + 2 * margin[1])
    return LayerPlan(index, depth, size.px_per_mm / depth, shape, (margin[0], margin[1]))


MARGIN_FLOOR_PX = 16
"""What every layer keeps for wind and roll, however far away."""


def _share_out(total: int, layers: int, rng: np.random.Generator) -> list[int]:
    """Spread things over the layers, most to the nearest."""
    weights = np.asarray([*LAYER_WEIGHTS, *([0.0] * layers)][:layers])
    picks = rng.choice(layers, size=total, p=weights / weights.sum())
    return [int(count) for count in np.bincount(picks, minlength=layers)]


def _name_larvae(settled: list[tuple[int, Settled]]) -> tuple[LarvaPlace, ...]:
    return tuple(
        LarvaPlace(
            f"A{number}",
            layer,
            new.body.stage,
            new.body.condition,
            new.pose,
            new.body.length_mm,
            simplify_outline(new.outline_xy, OUTLINE_SLACK_PX),
            new.open_share,
        )
        for number, (layer, new) in enumerate(sorted(settled, key=lambda pair: pair[0]), start=1)
    )


OUTLINE_SLACK_PX, MARK_SLACK_PX = 0.2, 0.4
"""Outlines of larvae and of feeding are kept to this; truth files of long clips stay small."""


def simplify_outline(outline_xy: Points, slack_px: float) -> Points:
    """Return an outline with the points dropped that bend it by less than `slack_px`."""
    return np.asarray(cv2.approxPolyDP(outline_xy[:, None, :], slack_px, True)[:, 0, :], np.float32)


def _find_spots(
    lit_map: FloatImage,
    sheet: Sheet,
    rng: np.random.Generator,
    *,
    plan: LayerPlan,
    size: SceneSize,
    places: tuple[int, int],
) -> NDArray[np.float64]:
    """Return (count, 2) places (x, y) that the camera will pass, each the best lit among leaves of some tried.

    `lit_map` comes from `_map_lit`; `places` is (count, tried for each).
    """
    count = places[0]
    frame = np.asarray(size.frame_px, float)
    drift = np.asarray(size.drift_px) / plan.depth
    limit = np.asarray(plan.size) - 1
    share = rng.uniform(0.05, 0.95, (*places, 2))
    tried = plan.origin_px + share * frame + rng.uniform(-0.5, 0.5, (*places, 1)) * drift
    at = np.clip(tried, 0, limit).astype(int)
    near = np.clip(
        at[:, :, None, :] + np.asarray(COMPASS) * int(LEAF_REACH_MM * plan.scale), 0, limit
    ).astype(int)
    lit = lit_map[at[..., 0] // LIT_STEP_PX, at[..., 1] // LIT_STEP_PX]
    leafy = (sheet.through[near[..., 0], near[..., 1], 3] < 0.5).mean(axis=2) > 0.3
    score = lit * np.where(leafy, 1.0, LONE_WEIGHT) * rng.uniform(0.4, 1.0, lit.shape)
    best = np.argmax(score, axis=1)
    return np.asarray(tried[np.arange(count), best, ::-1], np.float64)


LIT_STEP_PX = 8


def _map_lit(below: FloatImage, sheet: Sheet, *, reach_px: float) -> FloatImage:
    """Return the green light that comes out under a sheet, averaged over a leaf's size, one element for 8 x 8 px."""
    lit = cv2.multiply(cv2.extractChannel(below, 1), cv2.extractChannel(sheet.through, 1))
    size = (lit.shape[1] // LIT_STEP_PX + 1, lit.shape[0] // LIT_STEP_PX + 1)
    small = cv2.resize(lit, size, interpolation=cv2.INTER_AREA)
    side = 2 * max(0, round(reach_px / LIT_STEP_PX / 2)) + 1
    return np.asarray(cv2.blur(small, (side, side)), np.float32)


COMPASS = ((0, 0), (0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (-1, -1))
LEAF_REACH_MM = 22.0
LONE_WEIGHT = 0.1
"""Places with no leaf this near are taken seldom: hardly anything sits alone against the sky."""


def cast_light(
    light_above: FloatImage, light: Light, size: tuple[int, int], *, gap_px: float, zoom: float
) -> FloatImage:
    """Carry light (rows, columns, 3) down by `gap_px`: moved along the sun's slope, softened, seen `zoom` times as large."""
    blur = light.sun_width * gap_px * 0.5
    shrink = 2 ** int(np.clip(np.log2(max(blur, 1e-3)) - 0.5, 0, 4))
    source = light_above
    if shrink > 1:
        small = (light_above.shape[1] // shrink, light_above.shape[0] // shrink)
        source = np.asarray(cv2.resize(light_above, small, interpolation=cv2.INTER_AREA), np.float32)
    rows, columns = size[0] // shrink + 1, size[1] // shrink + 1
    shift_x = light.sun_offset[1] * gap_px / shrink % source.shape[1]
    shift_y = light.sun_offset[0] * gap_px / shrink % source.shape[0]
    x = columns / 2 - zoom * source.shape[1] / 2 + shift_x
    y = rows / 2 - zoom * source.shape[0] / 2 + shift_y
    matrix = np.asarray([[zoom, 0, x], [0, zoom, y]])
    cast = cv2.warpAffine(
        source, matrix, (columns, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
    )
    sigma = blur / shrink
    if sigma > 0.3:
        side = 2 * int(np.ceil(2 * sigma)) + 1
        cast = cv2.GaussianBlur(cast, (side, side), sigma)
    if shrink > 1:
        cast = cv2.resize(cast, (columns * shrink, rows * shrink), interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(cast[: size[0], : size[1]], np.float32)


def _see_sheet(sheet: Sheet, incident: FloatImage, light: Light) -> FloatImage:
    """Turn what passes a sheet into what is seen of it: light times share covered, share covered (rows, columns, 4)."""
    clear = cv2.extractChannel(sheet.through, 3)
    clear_3 = cv2.cvtColor(clear, cv2.COLOR_GRAY2RGB)
    passed = cv2.multiply(cv2.subtract(cv2.cvtColor(sheet.through, cv2.COLOR_RGBA2RGB), clear_3), incident)
    covered = as_float(1 - clear)
    under = light.ambient * LEAF_UNDERSIDE
    bands = [
        cv2.add(band, cv2.addWeighted(covered, float(under[n]), shine, float(light.ambient[n]), 0))
        for n, (band, shine) in enumerate(zip(cv2.split(passed), cv2.split(sheet.shine), strict=True))
    ]
    return as_float(cv2.merge([*bands, covered]))


def _lay_over(near: FloatImage, far: FloatImage) -> FloatImage:
    """Lay one seen sheet over another, both float32 (rows, columns, 4)."""
    clear = 1 - cv2.extractChannel(near, 3)
    return np.asarray(cv2.add(cv2.multiply(far, cv2.merge([clear, clear, clear, clear])), near), np.float32)


LEAST_MARK_SIDE_PX = 7.0
"""A chewed piece must be this long in the layer to be listed."""

LEAST_MARK_LIGHT = 0.03
"""Light of the leaf beside a listed piece over that on the crown: under other leaves it falls to 0.01, too dark to see."""

LEAST_MARK_CONTRAST = 1.5
"""Light inside a listed piece over that of the leaf beside it; less, and another leaf lies over it or behind it."""


def _list_marks(
    places: list[LeafPlace], bank: LeafBank, picture: FloatImage, *, layer: int, light: Light
) -> list[MarkPlace]:
    """List the chewed pieces that can be made out in a layer's picture."""
    marks: list[MarkPlace] = []
    limit = np.asarray([picture.shape[1], picture.shape[0]])
    for number, place in enumerate(places):
        sprite = bank.leaves[place.sprite]
        if not sprite.marks or not np.all(
            np.abs(place.to_sheet @ (*sprite.base_xy, 1) - limit / 2) < limit / 2
        ):
            continue
        for mark in sprite.marks:
            outline = map_points(place.to_sheet, mark.outline_xy)
            if np.ptp(outline, axis=0).max() < LEAST_MARK_SIDE_PX or not _stands_out(picture, outline, light):
                continue
            outline = simplify_outline(outline, MARK_SLACK_PX)
            if len(outline) > 2:
                name = f"F{layer}.{len(marks) + 1}"
                marks.append(
                    MarkPlace(name, f"K{layer}.{number + 1}", layer, outline, sprite.missing_percent)
                )
    return marks


def _stands_dark(picture: FloatImage, outline_xy: Points, light: Light) -> bool:
    """Whether a body is darker than what is round it, enough to be seen in the best of pictures."""
    mask, corner = fill_softly(outline_xy, pad_px=4, supersampling=1)
    cut = cut_window(mask.shape, corner, picture.shape)
    if cut is None:
        return False
    part, mask = picture[cut[0]], mask[cut[1]]
    seen = (part[..., :3] + (1 - part[..., 3:]) * light.sky).sum(axis=2)
    ring = (cv2.dilate(mask, np.ones((7, 7), np.uint8)) > 0.5) & (mask < 0.1)
    if not ring.any() or not (mask > 0.5).any():
        return False
    around = float(np.median(seen[ring]))
    inside = float(seen[mask > 0.5].mean())
    return inside < MOST_LIGHT_IN_BODY * around and around > LEAST_LIGHT_AROUND * float(light.incident.sum())


def _stands_out(picture: FloatImage, outline_xy: Points, light: Light) -> bool:
    """Whether a chewed piece is brighter than the leaf beside it, and that leaf is lit."""
    mask, (row, column) = fill_softly(outline_xy, pad_px=4, supersampling=1)
    if (
        row < 0
        or column < 0
        or row + mask.shape[0] > picture.shape[0]
        or column + mask.shape[1] > picture.shape[1]
    ):
        return False
    part = picture[row : row + mask.shape[0], column : column + mask.shape[1]]
    green = part[..., 1] + (1 - part[..., 3]) * light.sky[1]
    inside = mask > 0.5
    ring = (cv2.dilate(mask, np.ones((7, 7), np.uint8)) > 0.5) & (mask < 0.1) & (part[..., 3] > 0.6)
    if not inside.any() or ring.sum() < 0.3 * inside.sum():
        return False
    beside = float(green[ring].mean())
    return (
        beside > LEAST_MARK_LIGHT * light.incident[1]
        and float(green[inside].mean()) > LEAST_MARK_CONTRAST * beside
    )

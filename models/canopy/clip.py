"""Drawn clips: a painted crown filmed frame by frame, with the truth of each frame.

`draw_clip` gives frames one by one, so a long clip takes no more memory than a short one. The same settings and the same
state of `rng` give the same bytes. Writing a clip to a file stands in `write`.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_float
from models.canopy.camera import (
    Camera,
    CameraSettings,
    choose_camera,
    draw_grain,
    expose,
    find_blur,
    find_gain,
    find_scale,
    find_shift,
    find_sky,
)
from models.canopy.confusers import ConfuserSettings
from models.canopy.feeding import FeedingSettings
from models.canopy.larvae import LarvaSettings
from models.canopy.leaves import LeafBank, PlantSettings, grow_bank
from models.canopy.light import LightSettings, choose_light, draw_sky
from models.canopy.movement import (
    Sway,
    choose_sway,
    find_in_frame,
    find_reach,
    hold_still,
    map_layer,
    move_shadows,
    spread_map,
)
from models.canopy.scene import (
    INCIDENT_STEP_PX,
    HangSheets,
    LarvaPlace,
    Layer,
    LayerPlan,
    MarkPlace,
    Scene,
    SceneSize,
    build_scene,
)
from models.canopy.sheets import LeafPlace, Sheet, fill_softly, paint_sheet
from models.canopy.truth import Box, FeedingMark, FrameTruth, LarvaMark, LarvaTruth

WHOLE_LEAVES, CHEWED_LEAVES = 48, 20
SWAY_REACH = 2.5
SPARE_PX = 10
"""What a layer's picture keeps beyond the frame: this many deviations of the wind, and a few px for roll and zoom."""

LEAF_MM = 50.0
"""Leaves about this far apart sway on their own."""

LEAST_VISIBLE = 0.02
"""Less of a body than this share is not listed."""

GAIN_LAG_S = 0.35
"""Time in which automatic exposure takes two thirds of a step; common practice, no source."""


@dataclass(frozen=True, slots=True)
class CanopySettings:
    """Everything that a drawn clip depends on besides its `rng`.

    Attributes
    ----------
    size_px : (rows, columns) of the frame
    frame_rate_hz, duration_s : of a clip
    """

    size_px: tuple[int, int] = (1080, 1920)
    frame_rate_hz: float = 30.0
    duration_s: float = 10.0
    light: LightSettings = field(default_factory=LightSettings)
    plant: PlantSettings = field(default_factory=PlantSettings)
    feeding: FeedingSettings = field(default_factory=FeedingSettings)
    larvae: LarvaSettings = field(default_factory=LarvaSettings)
    confusers: ConfuserSettings = field(default_factory=ConfuserSettings)
    camera: CameraSettings = field(default_factory=CameraSettings)


@dataclass(frozen=True, slots=True, eq=False)
class Filming:
    """A painted crown and the camera under it, ready to be filmed.

    Attributes
    ----------
    is_moving : whether camera, leaves and shadows move; a single picture does without, for speed
    """

    scene: Scene
    camera: Camera
    sways: tuple[Sway, ...]
    settings: CanopySettings
    is_moving: bool


def prepare_filming(
    settings: CanopySettings, rng: np.random.Generator, *, real_holes: tuple[NDArray[np.uint8], ...] = ()
) -> Filming:
    """Grow the leaves, paint the crown and choose the camera; `real_holes` are bitmaps of holes to stamp now and then."""
    scale, distance_m = choose_scale(settings, rng)
    light = choose_light(settings.light, rng)
    camera = choose_camera(
        settings.camera,
        rng,
        light=light,
        duration_s=settings.duration_s,
        frame_px=settings.size_px,
        grain=draw_grain(rng, settings.size_px),
    )
    wind_px = float(rng.uniform(*settings.camera.wind_mm)) * scale
    bank = grow_bank(
        settings.plant,
        rng,
        whole=WHOLE_LEAVES,
        chewed=CHEWED_LEAVES,
        feeding=settings.feeding,
        real_holes=real_holes,
    )
    drift = tuple(speed * settings.duration_s * scale for speed in camera.path.walk_mm_s)
    reach = find_reach(camera.path, px_per_mm=scale, duration_s=settings.duration_s)
    spare = int(SWAY_REACH * wind_px) + SPARE_PX
    margin = (reach[0] + spare, reach[1] + spare)
    size = SceneSize(settings.size_px, margin, (drift[0], drift[1]), scale, distance_m * 1000)
    sky = draw_sky(light, rng, settings.size_px)
    scene = build_scene(
        settings.plant,
        settings.larvae,
        settings.confusers,
        light,
        bank,
        rng,
        size=size,
        sky=sky,
        hang=_paint_afresh(settings.plant, bank, rng),
    )
    return Filming(scene, camera, choose_sways(scene, rng, wind_px=wind_px), settings, True)


def choose_sways(scene: Scene, rng: np.random.Generator, *, wind_px: float) -> tuple[Sway, ...]:
    """Choose the wind of every layer; `wind_px` is its deviation in the nearest."""
    return tuple(
        choose_sway(
            rng, layer, wind_px=wind_px / layer.depth, leaf_px=LEAF_MM * scene.px_per_mm / layer.depth
        )
        for layer in scene.layers
    )


SHEET_SHARES = (0.24, 0.2, 0.16, 0.16)
"""Share of the plant's cover that hangs in each of a layer's two sheets, nearest layer first."""


def _paint_afresh(plant: PlantSettings, bank: LeafBank, rng: np.random.Generator) -> HangSheets:
    """Return how a clip's layers get their sheets: each is painted for it alone."""
    cover = float(rng.uniform(*plant.cover))

    def hang(plan: LayerPlan) -> tuple[Sheet, Sheet, list[LeafPlace]]:
        share = cover * SHEET_SHARES[min(plan.index, len(SHEET_SHARES) - 1)]
        upper, lower = (
            paint_sheet(plant, bank, rng, size=plan.size, scale=plan.scale, cover=share) for _ in range(2)
        )
        return upper.sheet, lower.sheet, list(lower.leaves)

    return hang


def choose_scale(settings: CanopySettings, rng: np.random.Generator) -> tuple[float, float]:
    """Choose lens and distance so that larvae of the lengths asked for can exist."""
    for _ in range(MOST_TRIES):
        lens = float(np.exp(rng.uniform(*np.log(settings.camera.lens_mm))))
        distance = float(rng.uniform(*settings.camera.distance_m))
        scale = find_scale(lens, distance, settings.camera.long_side_px)
        if LEAST_SCALE <= scale <= MOST_SCALE:
            break
    return float(np.clip(scale, LEAST_SCALE, MOST_SCALE)), distance


MOST_TRIES = 50
LEAST_SCALE, MOST_SCALE = 0.35, 2.6
"""px per mm: below, a full-grown larva is under 20 px; above, a leaf is larger than its largest sprite by far."""


def draw_clip(
    settings: CanopySettings, rng: np.random.Generator
) -> Iterator[tuple[NDArray[np.uint8], FrameTruth]]:
    """Yield each frame, uint8 RGB (rows, columns, 3), with its truth."""
    yield from film(prepare_filming(settings, rng), rng)


def film(filming: Filming, rng: np.random.Generator) -> Iterator[tuple[NDArray[np.uint8], FrameTruth]]:
    """Yield each frame of a prepared filming with its truth."""
    settings, camera, scene = filming.settings, filming.camera, filming.scene
    count = round(settings.duration_s * settings.frame_rate_hz)
    follow = 1 - np.exp(-1 / (settings.frame_rate_hz * GAIN_LAG_S))
    gain = 0.0
    for index in range(count):
        time_s = index / settings.frame_rate_hz
        light, truth = look_up(filming, index=index, time_s=time_s)
        wanted = find_gain(light, camera.brightness)
        gain = wanted if index == 0 else gain + (wanted - gain) * follow
        frame = expose(
            light,
            camera,
            rng,
            gain=gain,
            blur_px=find_blur(camera, time_s),
            shift_px=find_shift(camera, time_s, scene.px_per_mm),
        )
        yield frame, truth


def list_larvae(scene: Scene) -> tuple[LarvaTruth, ...]:
    """List the larvae of a crown as truth."""
    return tuple(
        LarvaTruth(place.larva_id, place.stage, place.length_mm, place.condition, place.pose)
        for place in scene.larvae
    )


def look_up(filming: Filming, *, index: int, time_s: float) -> tuple[FloatImage, FrameTruth]:
    """Return the linear light that reaches the camera, float32 (rows, columns, 3), and the truth of that moment."""
    scene, frame_px = filming.scene, filming.settings.size_px
    grids = [
        map_layer(
            filming.camera.path,
            layer,
            sway,
            time_s=time_s,
            readout_s=filming.camera.readout_s,
            frame_px=frame_px,
            px_per_mm=scene.px_per_mm,
        )
        if filming.is_moving
        else hold_still(layer, frame_px=frame_px)
        for layer, sway in zip(scene.layers, filming.sways, strict=True)
    ]
    sky = find_sky(filming.camera, scene.sky, time_s=time_s, frame_px=frame_px)
    light, covers = _stack_layers(filming, grids, sky, time_s=time_s)
    blur = np.hypot(
        find_blur(filming.camera, time_s),
        float(np.hypot(*find_shift(filming.camera, time_s, scene.px_per_mm))) / np.sqrt(12),
    )
    sharpness = float(1 / (1 + blur))
    larvae = [
        _mark_larva(place, outline, covers, sharpness=sharpness)
        for place, outline in zip(scene.larvae, find_outlines(scene.larvae, grids), strict=True)
    ]
    feeding = [
        _mark_feeding(place, outline, covers)
        for place, outline in zip(scene.marks, find_outlines(scene.marks, grids), strict=True)
    ]
    truth = FrameTruth(
        index,
        time_s,
        tuple(mark for mark in larvae if mark is not None),
        tuple(mark for mark in feeding if mark is not None),
    )
    return light, truth


def _stack_layers(
    filming: Filming, grids: list[FloatImage], sky: FloatImage, *, time_s: float
) -> tuple[FloatImage, list[FloatImage]]:
    """Lay the layers over the sky, the farthest first; also return what each covers, nearest first."""
    light = sky
    covers: list[FloatImage] = []
    size = (sky.shape[0], sky.shape[1])
    layers = list(zip(filming.scene.layers, filming.sways, grids, strict=True))
    for layer, sway, grid in reversed(layers):
        seen = _see_layer(layer, grid, size, is_moving=filming.is_moving)
        cover = as_float(cv2.extractChannel(seen, 3))
        clear = cv2.cvtColor(1 - cover, cv2.COLOR_GRAY2RGB)
        shone = cv2.cvtColor(seen, cv2.COLOR_RGBA2RGB)
        if filming.is_moving:
            shone = cv2.multiply(shone, _play_light(layer, sway, grid, time_s, size))
        light = as_float(cv2.add(cv2.multiply(light, clear), shone))
        covers.append(cover)
    return light, covers[::-1]


def _see_layer(layer: Layer, grid: FloatImage, size: tuple[int, int], *, is_moving: bool) -> FloatImage:
    """Return what the frame shows of a layer, float32 (rows, columns, 4)."""
    if not is_moving:
        row, column = layer.origin_px
        return np.ascontiguousarray(layer.picture[row : row + size[0], column : column + size[1]])
    x, y = cv2.split(spread_map(grid, size))
    return as_float(cv2.remap(layer.picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101))


def _play_light(
    layer: Layer, sway: Sway, grid: FloatImage, time_s: float, size: tuple[int, int]
) -> FloatImage:
    """Return the factor (rows, columns, 3) by which the light on a layer differs now that its shadows have moved.

    Only the lower sheet, which they fall on, changes; the sheet that casts them stays as it is.
    """
    small = (-(-size[0] // INCIDENT_STEP_PX), -(-size[1] // INCIDENT_STEP_PX))
    offset = np.float32((INCIDENT_STEP_PX - 1) / 2)
    lit = []
    for nodes in (grid, grid - move_shadows(sway, grid, time_s)):
        places = spread_map(as_float((nodes - offset) / INCIDENT_STEP_PX), small, step_px=INCIDENT_STEP_PX)
        x, y = cv2.split(places)
        lit.append(cv2.remap(layer.incident, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101))
    covered = as_float(cv2.extractChannel(lit[0], 3))
    then, now = (as_float(cv2.cvtColor(light, cv2.COLOR_RGBA2RGB)) + DARK_FLOOR for light in lit)
    change = np.clip(cv2.divide(now, then), *LIGHT_CHANGE) - 1
    ratio = as_float(1 + change * covered[..., None])
    wide = (small[1] * INCIDENT_STEP_PX, small[0] * INCIDENT_STEP_PX)
    return as_float(cv2.resize(ratio, wide, interpolation=cv2.INTER_LINEAR)[: size[0], : size[1]])


DARK_FLOOR = np.float32(0.03)
LIGHT_CHANGE = (0.25, 3.0)
"""Light always left in a shadow, and how far light may change: the light from below does not move and must stay small."""


def find_outlines(
    places: Sequence[LarvaPlace | MarkPlace], grids: list[FloatImage]
) -> list[NDArray[np.float32]]:
    """Return where in the frame the outlines of places are seen, float32 (N, 2) of (x, y) each, in the same order."""
    found: dict[int, NDArray[np.float32]] = {}
    for layer, grid in enumerate(grids):
        chosen = [n for n, place in enumerate(places) if place.layer == layer]
        if not chosen:
            continue
        points = find_in_frame(grid, np.concatenate([places[n].outline_xy for n in chosen]))
        ends = np.cumsum([len(places[n].outline_xy) for n in chosen])
        found.update(zip(chosen, np.split(points, ends[:-1]), strict=True))
    return [found[n] for n in range(len(places))]


def _mark_larva(
    place: LarvaPlace, outline: NDArray[np.float32], covers: list[FloatImage], *, sharpness: float
) -> LarvaMark | None:
    box = find_box(outline, covers[0].shape)
    if box is None:
        return None
    visible = measure_visible(outline, covers[: place.layer], covers[0].shape) * place.open_share
    if visible < LEAST_VISIBLE:
        return None
    return LarvaMark(
        place.larva_id, box, outline[:, ::-1].copy(), measure_length(outline), visible, sharpness
    )


LEAST_VISIBLE_LEAF = 0.6
"""A feeding mark is listed where at least this share of it is hidden by nothing nearer."""


def _mark_feeding(
    place: MarkPlace, outline: NDArray[np.float32], covers: list[FloatImage]
) -> FeedingMark | None:
    box = find_box(outline, covers[0].shape)
    if box is None or measure_visible(outline, covers[: place.layer], covers[0].shape) < LEAST_VISIBLE_LEAF:
        return None
    return FeedingMark(place.mark_id, place.leaf_id, box, outline[:, ::-1].copy(), place.missing_percent)


def find_box(outline_xy: NDArray[np.float32], frame_px: tuple[int, ...]) -> Box | None:
    """Return the box of an outline (x, y) cut to the frame; None where it lies outside."""
    low = np.floor(outline_xy.min(axis=0) + 0.5).astype(int)
    high = np.floor(outline_xy.max(axis=0) + 0.5).astype(int) + 1
    r0, c0 = max(0, int(low[1])), max(0, int(low[0]))
    r1, c1 = min(frame_px[0], int(high[1])), min(frame_px[1], int(high[0]))
    return (r0, c0, r1, c1) if r0 < r1 and c0 < c1 else None


def measure_length(outline_xy: NDArray[np.float32]) -> float:
    """Return the long side of the smallest rectangle round an outline."""
    _, sides, _ = cv2.minAreaRect(outline_xy)
    return float(max(sides))


def measure_visible(
    outline_xy: NDArray[np.float32], covers: list[FloatImage], frame_px: tuple[int, ...]
) -> float:
    """Return the share of an outline's area that lies in the frame and under none of the covers."""
    mask, (row, column) = fill_softly(outline_xy, pad_px=1, supersampling=2)
    total = float(mask.sum())
    r0, c0 = max(0, row), max(0, column)
    r1, c1 = min(frame_px[0], row + mask.shape[0]), min(frame_px[1], column + mask.shape[1])
    if r0 >= r1 or c0 >= c1 or total <= 0:
        return 0.0
    part = mask[r0 - row : r1 - row, c0 - column : c1 - column].copy()
    for cover in covers:
        part *= 1 - cover[r0:r1, c0:c1]
    return float(np.clip(part.sum() / total, 0, 1))

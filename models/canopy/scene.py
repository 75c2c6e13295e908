"""One crown: depth layers of leaves, twigs and larvae, each painted once, with the place of every larva and feeding mark.

Seen from below, light from above is multiplied by each leaf in its path; a leaf casts its shadow on the leaves under it, moved
by the sun's slope and softened by its width. A layer is float32 (rows, columns, 4): light that reaches the eye times the
share covered, and the share covered. Places are (x, y) px of the layer's own picture. How layers move stands in `camera`.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.feeding import BLADE_PX
from models.canopy.larvae import Body, LarvaSettings, choose_stage, shape_body
from models.canopy.leaves import LeafBank, LeafSprite, PlantSettings
from models.canopy.light import FloatImage, Light, draw_soft_noise

SHORTEST_MM, LONGEST_MM = 4.0, 54.0
BARK = np.asarray([0.16, 0.13, 0.1], np.float32)
LEAF_UNDERSIDE = np.asarray([0.2, 0.3, 0.14], np.float32)
BODY_COLOUR = np.asarray([0.22, 0.3, 0.16], np.float32)
"""Reflectances for the light from below, common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class LeafPlace:
    """One leaf in a layer: which sprite, and the 2 x 3 map from sprite px (x, y) to layer px (x, y)."""

    sprite: int
    to_layer: NDArray[np.float64]
    length_px: float


@dataclass(frozen=True, slots=True, eq=False)
class LarvaPlace:
    """One larva in a layer: its body, its outline float32 (N, 2) of (x, y) in layer px, and what it is doing."""

    larva_id: str
    layer: int
    stage: str
    condition: str
    pose: str
    length_mm: float
    outline_xy: NDArray[np.float32]
    is_through: bool


@dataclass(frozen=True, slots=True, eq=False)
class MarkPlace:
    """One hole or bite in a layer: outline float32 (N, 2) of (x, y) in layer px, and what its leaf lost in per cent."""

    mark_id: str
    leaf_id: str
    layer: int
    outline_xy: NDArray[np.float32]
    missing_percent: float


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One depth of the crown.

    Attributes
    ----------
    picture : float32 (rows, columns, 4), light times share covered, share covered
    depth : distance over that of the nearest layer
    origin_px : (row, column) in the picture of the frame's top left corner when the camera stands still
    """

    picture: FloatImage
    depth: float
    origin_px: tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A painted crown; `layers` from the nearest to the farthest."""

    layers: tuple[Layer, ...]
    sky: FloatImage
    light: Light
    px_per_mm: float
    larvae: tuple[LarvaPlace, ...]
    marks: tuple[MarkPlace, ...]


@dataclass(frozen=True, slots=True)
class SceneSize:
    """How large the pictures are: the frame, and how far each layer may move past its edges."""

    frame_px: tuple[int, int]
    margin_px: tuple[int, int]
    px_per_mm: float
    distance_mm: float


class _Painter:
    """One sheet being painted: what passes through it and the own shine of opaque things. Lasts while a layer is built."""

    def __init__(self, size: tuple[int, int]) -> None:
        self.through = np.ones((*size, 4), np.float32)
        self.shine = np.zeros((*size, 3), np.float32)

    def put_leaf(self, sprite: LeafSprite, to_layer: NDArray[np.float64]) -> None:
        """Multiply one leaf in; what shone before it is hidden where it lies."""
        found = warp_sprite(sprite, to_layer, self.through.shape[:2])
        if found is None:
            return
        window, piece = found
        self.through[window] *= piece
        below = self.shine[window]
        if below.any():
            below *= piece[..., 3:4]

    def put_opaque(self, mask: FloatImage, corner: tuple[int, int], *, light: NDArray[np.float32], shine: NDArray[np.float32]) -> None:
        """Lay a body over the sheet: mask (h, w) 0 to 1 at `corner` (row, column); it lets `light` through and shines."""
        rows, columns = self.through.shape[:2]
        r0, c0 = max(0, corner[0]), max(0, corner[1])
        r1, c1 = min(rows, corner[0] + mask.shape[0]), min(columns, corner[1] + mask.shape[1])
        if r0 >= r1 or c0 >= c1:
            return
        part = mask[r0 - corner[0] : r1 - corner[0], c0 - corner[1] : c1 - corner[1], None]
        window = (slice(r0, r1), slice(c0, c1))
        self.through[window] *= 1 - part * (1 - np.append(light, np.float32(0)))
        self.shine[window] += part * (shine - self.shine[window])


def warp_sprite(
    sprite: LeafSprite, to_layer: NDArray[np.float64], size: tuple[int, int]
) -> tuple[tuple[slice, slice], FloatImage] | None:
    """Return where in a (rows, columns) picture a sprite falls and its factors there; None where it misses the picture."""
    height, width = sprite.levels[0].shape[:2]
    corners = np.asarray([[0, 0, 1], [width, 0, 1], [0, height, 1], [width, height, 1]]) @ to_layer.T
    low, high = np.floor(corners.min(axis=0)).astype(int), np.ceil(corners.max(axis=0)).astype(int) + 1
    c0, r0 = max(0, int(low[0])), max(0, int(low[1]))
    c1, r1 = min(size[1], int(high[0])), min(size[0], int(high[1]))
    if r0 >= r1 or c0 >= c1:
        return None
    scale = float(np.hypot(to_layer[0, 0], to_layer[1, 0]))
    level = int(np.clip(np.floor(-np.log2(max(scale, 1e-6)) + 0.3), 0, len(sprite.levels) - 1))
    step = 2.0**level
    turn = to_layer[:, :2] * step
    shift = to_layer[:, 2] + to_layer[:, :2] @ np.full(2, 0.5 * step - 0.5) - (c0, r0)
    matrix = np.column_stack([turn, shift])
    piece = cv2.warpAffine(
        sprite.levels[level], matrix, (c1 - c0, r1 - r0), flags=cv2.INTER_LINEAR, borderValue=(1.0, 1.0, 1.0, 1.0)
    )
    return (slice(r0, r1), slice(c0, c1)), np.asarray(piece, np.float32)


def map_points(to_layer: NDArray[np.float64], points_xy: NDArray[np.float32]) -> NDArray[np.float32]:
    """Map (N, 2) points (x, y) by a 2 x 3 matrix."""
    return np.asarray(points_xy @ to_layer[:, :2].T + to_layer[:, 2], np.float32)


def fill_softly(outline_xy: NDArray[np.float32], *, pad_px: int = 2, supersampling: int = 4) -> tuple[FloatImage, tuple[int, int]]:
    """Rasterise a closed outline: mask float32 (h, w) 0 to 1 with smooth edges, and its corner (row, column)."""
    low = np.floor(outline_xy.min(axis=0)).astype(int) - pad_px
    high = np.ceil(outline_xy.max(axis=0)).astype(int) + pad_px + 1
    width, height = (int(v) for v in high - low)
    big = np.zeros((height * supersampling, width * supersampling), np.uint8)
    points = ((outline_xy - low + 0.5) * supersampling - 0.5) * 16
    cv2.fillPoly(big, [np.round(points).astype(np.int32)], 255, shift=4)
    mask = cv2.resize(big, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    return mask, (int(low[1]), int(low[0]))


def paint_scene(
    plant: PlantSettings,
    larvae: LarvaSettings,
    light: Light,
    bank: LeafBank,
    rng: np.random.Generator,
    *,
    size: SceneSize,
    sky: FloatImage,
) -> Scene:
    """Paint all layers from the top of the crown down, so that each knows the light that is left."""
    layers: list[Layer] = []
    larva_places: list[LarvaPlace] = []
    mark_places: list[MarkPlace] = []
    sheets: list[tuple[float, FloatImage]] = []
    counts = _share_larvae(larvae, plant, rng)
    cover = float(rng.uniform(*plant.cover))
    for index in reversed(range(len(plant.depths))):
        depth = plant.depths[index]
        margin = (int(size.margin_px[0] / depth**0.5), int(size.margin_px[1] / depth**0.5))
        shape = (size.frame_px[0] + 2 * margin[0], size.frame_px[1] + 2 * margin[1])
        incident = _light_left(light, sheets, depth, shape, size)
        scale = size.px_per_mm / depth
        share = cover * SHEET_SHARES[min(index, len(SHEET_SHARES) - 1)]
        upper, _ = _paint_sheet(plant, bank, rng, shape=shape, scale=scale, cover=0.5 * share)
        gap_px = rng.uniform(15, 60) * scale
        below = _cast(upper.through, light, shape, gap_px=gap_px, zoom=1.0) * incident
        lower, leaves = _paint_sheet(plant, bank, rng, shape=shape, scale=scale, cover=0.5 * share)
        placed, marks = _settle(lower, leaves, bank, larvae, rng, layer=index, scale=scale, count=counts[index], margin=margin, frame=size.frame_px)
        larva_places.extend(placed)
        mark_places.extend(marks)
        far = _finish(upper, incident, light, rng)
        near = _finish(lower, below, light, rng)
        picture = far * (1 - near[..., 3:4]) + near
        sheets.append((depth, np.ascontiguousarray((upper.through * lower.through)[..., :3])))
        layers.append(Layer(picture, depth, margin))
    named = [replace(place, larva_id=f"A{n + 1}") for n, place in enumerate(larva_places)]
    return Scene(tuple(reversed(layers)), sky, light, size.px_per_mm, tuple(named), tuple(mark_places))


def _share_larvae(larvae: LarvaSettings, plant: PlantSettings, rng: np.random.Generator) -> list[int]:
    """Spread the larvae over the layers, most in the nearest two."""
    total = int(rng.integers(larvae.count[0], larvae.count[1] + 1))
    counts = [0] * len(plant.depths)
    weights = np.asarray([0.6, 0.3, 0.1, 0.0][: len(counts)])
    for pick in rng.choice(len(weights), size=total, p=weights / weights.sum()):
        counts[int(pick)] += 1
    return counts


def _light_left(
    light: Light, sheets: list[tuple[float, FloatImage]], depth: float, shape: tuple[int, int], size: SceneSize
) -> FloatImage:
    """Return what reaches a layer, float32 (rows, columns, 3), after the layers above it."""
    left = np.broadcast_to(light.incident, (*shape, 3)).copy()
    for above, through in sheets:
        gap_px = (above - depth) * size.distance_mm * size.px_per_mm / depth
        left *= _cast(through, light, shape, gap_px=gap_px, zoom=above / depth)
    return left


def _cast(through: FloatImage, light: Light, shape: tuple[int, int], *, gap_px: float, zoom: float) -> FloatImage:
    """Cast what passes a sheet on one `gap_px` below: moved along the sun's slope, softened, seen `zoom` times as large."""
    blur = light.sun_width * gap_px * 0.5
    shrink = 2 ** int(np.clip(np.log2(max(blur, 1e-3)) - 0.5, 0, 4))
    rows, columns = shape[0] // shrink + 1, shape[1] // shrink + 1
    source = cv2.resize(
        through[..., :3], (through.shape[1] // shrink, through.shape[0] // shrink), interpolation=cv2.INTER_AREA
    )
    period = (source.shape[0], source.shape[1])
    shift = np.asarray([light.sun_offset[1], light.sun_offset[0]]) * gap_px / shrink
    shift = np.asarray([shift[0] % period[1], shift[1] % period[0]])
    centre = np.asarray([columns, rows]) / 2 - zoom * np.asarray([source.shape[1], source.shape[0]]) / 2
    matrix = np.asarray([[zoom, 0, centre[0] + shift[0]], [0, zoom, centre[1] + shift[1]]])
    cast = cv2.warpAffine(source, matrix, (columns, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    sigma = blur / shrink
    if sigma > 0.3:
        cast = cv2.GaussianBlur(cast, (0, 0), sigma)
    if shrink > 1:
        cast = cv2.resize(cast, (columns * shrink, rows * shrink), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cast[: shape[0], : shape[1]], np.float32)


def _paint_sheet(
    plant: PlantSettings, bank: LeafBank, rng: np.random.Generator, *, shape: tuple[int, int], scale: float, cover: float
) -> tuple[_Painter, list[LeafPlace]]:
    """Paint twigs with their leaves where the crown is dense, until the sheet is covered as asked."""
    sheet = _Painter(shape)
    density = draw_soft_noise(rng, (shape[0] // 16 + 1, shape[1] // 16 + 1), cell_px=max(2.0, 220 * scale / 16))
    mean_area = float(np.mean([0.5 * (leaf.length_mm * scale) ** 2 for leaf in bank])) * 0.6
    wanted = cover * shape[0] * shape[1]
    leaves: list[LeafPlace] = []
    twigs = np.zeros(shape, np.uint8)
    covered, tries = 0.0, 0
    while covered < wanted and tries < MOST_TWIGS:
        tries += 1
        start = rng.uniform((-40.0 * scale, -40.0 * scale), (shape[1] + 40.0 * scale, shape[0] + 40.0 * scale))
        at = density[int(np.clip(start[1] // 16, 0, density.shape[0] - 1)), int(np.clip(start[0] // 16, 0, density.shape[1] - 1))]
        if at < rng.normal(0.2, 0.15):
            continue
        twig = _trace_twig(plant, rng, start=start, scale=scale)
        new = _hang_leaves(plant, bank, rng, twig=twig, scale=scale)
        for leaf in new:
            sheet.put_leaf(bank[leaf.sprite], leaf.to_layer)
        _draw_twig(twigs, twig, scale)
        leaves.extend(new)
        covered += len(new) * mean_area
    sheet.put_opaque(twigs.astype(np.float32) / 255, (0, 0), light=np.full(3, 0.01, np.float32), shine=BARK)
    return sheet, leaves


SHEET_SHARES = (0.5, 0.4, 0.3, 0.3)
"""Share of the plant's cover that hangs in each layer, nearest first."""


MOST_TWIGS = 4000
"""Stops a sheet whose crown is nowhere dense."""


def _trace_twig(plant: PlantSettings, rng: np.random.Generator, *, start: NDArray[np.float64], scale: float) -> NDArray[np.float64]:
    """Return a crooked twig (N, 2) of (x, y) px, from its thick end."""
    length = float(rng.uniform(*plant.twig_mm)) * scale
    count = 14
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.13, count))
    step = length / count
    points = start + np.cumsum(np.stack([np.cos(heading), np.sin(heading)], axis=1) * step, axis=0)
    return np.asarray(points, np.float64)


def _hang_leaves(
    plant: PlantSettings, bank: LeafBank, rng: np.random.Generator, *, twig: NDArray[np.float64], scale: float
) -> list[LeafPlace]:
    """Hang leaves alternately along a twig, turned and tilted."""
    length = float(np.hypot(*np.diff(twig, axis=0).T).sum())
    spacing = float(rng.uniform(*plant.spacing_mm)) * scale
    count = max(2, int(length / spacing))
    spots = np.linspace(0.15, 1.0, count)
    at = np.arange(len(twig)) / (len(twig) - 1)
    xs, ys = np.interp(spots, at, twig[:, 0]), np.interp(spots, at, twig[:, 1])
    heading = np.arctan2(np.gradient(ys), np.gradient(xs))
    sides = np.where(np.arange(count) % 2, 1, -1)
    angles = heading + sides * rng.normal(0.9, 0.3, count)
    angles[-1] = heading[-1] + rng.normal(0, 0.2)
    return [
        place_leaf(bank, rng, joint=(float(xs[n]), float(ys[n])), angle=float(angles[n]), scale=scale) for n in range(count)
    ]


def place_leaf(
    bank: LeafBank, rng: np.random.Generator, *, joint: tuple[float, float], angle: float, scale: float, flatness: float = 0.0
) -> LeafPlace:
    """Place a leaf by the foot of its stalk, pointing along `angle` (radians), tilted out of the picture plane."""
    index = int(rng.integers(len(bank)))
    sprite = bank[index]
    size = sprite.length_mm * scale * float(rng.uniform(0.7, 1.05)) / BLADE_PX
    tilt = np.clip(abs(rng.normal(0, 0.55)) * (1 - flatness), 0, 1.25)
    axis = rng.uniform(0, np.pi)
    squash = np.cos(tilt)
    cosine, sine = np.cos(axis), np.sin(axis)
    flatten = np.asarray([[cosine, -sine], [sine, cosine]]) @ np.diag([1.0, squash]) @ np.asarray([[cosine, sine], [-sine, cosine]])
    turn = np.asarray([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    mirror = np.diag([1.0, -1.0 if rng.random() < 0.5 else 1.0])
    linear = flatten @ turn @ mirror * size
    shift = np.asarray(joint) - linear @ np.asarray(sprite.base_xy)
    return LeafPlace(index, np.column_stack([linear, shift]), float(sprite.length_mm * scale * squash))


def _draw_twig(mask: NDArray[np.uint8], twig: NDArray[np.float64], scale: float) -> None:
    """Draw a tapered twig; thinner than a pixel it gets fainter instead."""
    steps = np.gradient(twig, axis=0)
    normal = np.stack([-steps[:, 1], steps[:, 0]], axis=1) / np.hypot(steps[:, 0], steps[:, 1])[:, None]
    half = np.linspace(1.6, 0.6, len(twig)) * scale
    outline = np.concatenate([twig + normal * half[:, None], (twig - normal * half[:, None])[::-1]])
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 255, cv2.LINE_AA, shift=4)


def _settle(
    sheet: _Painter,
    leaves: list[LeafPlace],
    bank: LeafBank,
    settings: LarvaSettings,
    rng: np.random.Generator,
    *,
    layer: int,
    scale: float,
    count: int,
    margin: tuple[int, int],
    frame: tuple[int, int],
) -> tuple[list[LarvaPlace], list[MarkPlace]]:
    """Add host leaves on top of a sheet, each with a larva; then list the feeding marks that are well visible."""
    places: list[LarvaPlace] = []
    hosts: list[LeafPlace] = []
    for _ in range(count):
        spot = (
            float(rng.uniform(0.12, 0.88) * frame[1] + margin[1]),
            float(rng.uniform(0.12, 0.88) * frame[0] + margin[0]),
        )
        place, host = _settle_one(sheet, bank, settings, rng, layer=layer, scale=scale, spot=spot)
        places.append(place)
        hosts.append(host)
    marks = _list_marks(hosts + leaves[-max(1, len(leaves) // 8) :], bank, layer=layer)
    return places, marks


def _settle_one(
    sheet: _Painter,
    bank: LeafBank,
    settings: LarvaSettings,
    rng: np.random.Generator,
    *,
    layer: int,
    scale: float,
    spot: tuple[float, float],
) -> tuple[LarvaPlace, LeafPlace]:
    low = max(settings.length_px[0], SHORTEST_MM * scale)
    high = max(low, min(settings.length_px[1], LONGEST_MM * scale))
    length_px = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    length_mm = float(np.clip(length_px / scale, SHORTEST_MM, LONGEST_MM))
    angle = float(rng.uniform(0, 2 * np.pi))
    host = place_leaf(bank, rng, joint=spot, angle=angle, scale=scale, flatness=0.6)
    sprite = bank[host.sprite]
    if host.length_px < 1.25 * length_px:
        grown = host.to_layer * (1.25 * length_px / host.length_px)
        grown[:, 2] = np.asarray(spot) - grown[:, :2] @ np.asarray(sprite.base_xy)
        host = LeafPlace(host.sprite, grown, 1.25 * length_px)
    body, pose = _choose_body(settings, rng, length_mm=length_mm)
    outline = _lay_on_leaf(body, pose, sprite, host, rng, length_px=length_px)
    is_through = pose == "on-midrib" and rng.random() < settings.through_share
    light = np.full(3, rng.uniform(*settings.body_light), np.float32)
    mask, corner = fill_softly(outline, pad_px=4)
    if is_through:
        mask = cv2.GaussianBlur(mask, (0, 0), max(0.4, 0.25 * scale))
        sheet.put_opaque(mask, corner, light=light, shine=np.zeros(3, np.float32))
        sheet.put_leaf(sprite, host.to_layer)
    else:
        sheet.put_leaf(sprite, host.to_layer)
        sheet.put_opaque(mask, corner, light=light, shine=BODY_COLOUR)
    place = LarvaPlace("", layer, body.stage, body.condition, pose, length_mm, outline, is_through)
    return place, host


def _choose_body(settings: LarvaSettings, rng: np.random.Generator, *, length_mm: float) -> tuple[Body, str]:
    pose = str(rng.choice(["on-midrib", "leaf-tip", "edge-feeding", "in-profile"], p=[0.45, 0.2, 0.2, 0.15]))
    unwell = rng.random() < settings.unwell_share
    condition = str(rng.choice(["sick", "shrunken", "half-eaten"])) if unwell else "healthy"
    bend = float(rng.normal(0, 0.8 if pose == "edge-feeding" else 0.25))
    stage = choose_stage(length_mm, rng)
    return shape_body(rng, stage=stage, condition=condition, bend=bend, side_view=pose == "in-profile"), pose


def _lay_on_leaf(
    body: Body, pose: str, sprite: LeafSprite, host: LeafPlace, rng: np.random.Generator, *, length_px: float
) -> NDArray[np.float32]:
    """Return the body's outline in layer px, lying along the midrib, at the tip or along the edge of its leaf."""
    rib = map_points(host.to_layer, sprite.midrib_xy)
    if pose in ("on-midrib", "leaf-tip"):
        along = rib[-1] - rib[0]
        share = rng.uniform(0.4, 0.75) if pose == "on-midrib" else rng.uniform(0.85, 1.0)
        centre = rib[0] + along * share
        turn = np.arctan2(along[1], along[0]) + rng.normal(0, 0.12)
    else:
        edge = map_points(host.to_layer, sprite.edge_xy)
        pick = int(rng.integers(len(edge)))
        ahead = edge[(pick + 8) % len(edge)] - edge[pick - 8]
        centre = edge[pick] + (rib[len(rib) // 2] - edge[pick]) * rng.uniform(-0.05, 0.25)
        turn = np.arctan2(ahead[1], ahead[0]) + rng.normal(0, 0.3)
    if rng.random() < 0.3:
        turn += np.pi
    shorten = float(np.clip(1 - abs(rng.normal(0, 0.12)), 0.6, 1.0))
    extent = float(np.ptp(body.outline[:, 0]))
    local = body.outline * (length_px / extent) * np.asarray([shorten, 1.0])
    rotation = np.asarray([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return (local @ rotation.T + centre).astype(np.float32)


def _list_marks(places: list[LeafPlace], bank: LeafBank, *, layer: int) -> list[MarkPlace]:
    marks: list[MarkPlace] = []
    for number, place in enumerate(places):
        sprite = bank[place.sprite]
        for mark in sprite.marks:
            marks.append(
                MarkPlace(
                    f"F{layer}.{len(marks) + 1}",
                    f"K{layer}.{number + 1}",
                    layer,
                    map_points(place.to_layer, mark.outline_xy),
                    sprite.missing_percent,
                )
            )
    return marks


def _finish(sheet: _Painter, incident: FloatImage, light: Light, rng: np.random.Generator) -> FloatImage:
    """Turn what passes into what is seen: light times share covered, share covered (rows, columns, 4)."""
    clear = np.ascontiguousarray(sheet.through[..., 3])
    picture = np.empty_like(sheet.through)
    covered = 1 - clear
    glow = draw_soft_noise(rng, clear.shape, cell_px=60.0) * 0.25 + 1
    for band in range(3):
        passed = (sheet.through[..., band] - clear) * incident[..., band]
        picture[..., band] = passed + covered * np.clip(glow, 0.3, 2) * light.ambient[band] * LEAF_UNDERSIDE[band]
        picture[..., band] += sheet.shine[..., band] * light.ambient[band]
    picture[..., 3] = covered
    return picture

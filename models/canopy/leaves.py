"""Leaves as small pictures: outline, veins, stalk and what the blade lets through, at several sizes.

A sprite is float32 (h, w, 4): the factor by which it multiplies red, green and blue light, and last the share of the view it
leaves clear (1 outside, 0 on the blade). Drawing a leaf is one multiplication. Its own coordinates are px of the largest
level, x from stalk to tip along the midrib. Where leaves hang in the crown stands in `scene`.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_float, as_pixels
from models.canopy.feeding import BLADE_PX, SUPERSAMPLING, ChewedBlade, FeedingSettings, Mark, chew_blade
from models.canopy.light import draw_soft_noise, find_transmittance

MARGIN_PX = 12
LEVELS = 5
EDGE_POINTS = 220
"""Free px round a blade, sizes a sprite is kept at (each half the one before), and points on one side of an outline."""


@dataclass(frozen=True, slots=True)
class LeafShape:
    """One family of leaf outlines; lengths are shares of the blade's length, pairs are ranges.

    Attributes
    ----------
    length_mm : blade from base to tip
    width_share : greatest width
    widest_at : where along the midrib the blade is widest
    fullness : 0.5 nearly elliptic, 1 pointed at both ends
    tip_point : how far the tip is drawn out
    lobes, lobe_depth : rounded lobes on each side and how deep they cut
    teeth, tooth_depth, tooth_lean : teeth on each side; lean 0 is symmetric, 1 points to the tip
    vein_pairs, vein_angle_deg : side veins and their angle to the midrib
    stalk_share : length of the stalk
    """

    name: str
    length_mm: tuple[float, float]
    width_share: tuple[float, float]
    widest_at: tuple[float, float]
    fullness: tuple[float, float]
    tip_point: tuple[float, float]
    lobes: tuple[int, int]
    lobe_depth: tuple[float, float]
    teeth: tuple[int, int]
    tooth_depth: tuple[float, float]
    tooth_lean: float
    vein_pairs: tuple[int, int]
    vein_angle_deg: tuple[float, float]
    stalk_share: tuple[float, float]


SALLOW = LeafShape(
    "sallow", (45, 90), (0.48, 0.68), (0.42, 0.56), (0.55, 0.75), (0.0, 0.12), (0, 0), (0, 0), (14, 26),
    (0.004, 0.014), 0.6, (6, 9), (45, 60), (0.12, 0.25),
)  # fmt: skip
ASPEN = LeafShape(
    "aspen", (30, 60), (0.9, 1.1), (0.36, 0.48), (0.45, 0.58), (0.0, 0.08), (0, 0), (0, 0), (8, 14),
    (0.015, 0.035), 0.2, (3, 5), (40, 55), (0.6, 1.0),
)  # fmt: skip
OAK = LeafShape(
    "oak", (60, 110), (0.5, 0.65), (0.55, 0.68), (0.55, 0.75), (0.0, 0.0), (4, 6), (0.16, 0.32), (0, 0),
    (0, 0), 0.0, (5, 7), (35, 50), (0.03, 0.08),
)  # fmt: skip
POPLAR = LeafShape(
    "poplar", (50, 90), (0.75, 0.95), (0.24, 0.34), (0.6, 0.8), (0.1, 0.25), (0, 0), (0, 0), (16, 26),
    (0.008, 0.02), 0.5, (4, 6), (45, 60), (0.5, 0.8),
)  # fmt: skip
HAZEL = LeafShape(
    "hazel", (60, 110), (0.75, 0.95), (0.5, 0.62), (0.42, 0.55), (0.08, 0.2), (5, 8), (0.02, 0.05), (24, 34),
    (0.01, 0.025), 0.5, (6, 8), (40, 50), (0.1, 0.2),
)  # fmt: skip
LIME = LeafShape(
    "lime", (45, 85), (0.85, 1.02), (0.3, 0.42), (0.42, 0.55), (0.12, 0.25), (0, 0), (0, 0), (26, 38),
    (0.006, 0.014), 0.7, (6, 8), (42, 56), (0.35, 0.6),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PlantSettings:
    """What grows in the picture.

    Attributes
    ----------
    shapes : families of leaves, one drawn per branch
    leaf_out : range from 0 (bud) to 1 (full leaf): sets size and age
    age_spread : deviation of single leaves' age, 0 to 1 scale
    cover : share of the nearest layers' area that leaves cover where the crown is dense
    depths : distance of each layer over that of the nearest
    crown_shares : chance that the crown is 1, 2, ... layers deep before the sky
    twig_mm : length of one leafy twig
    spacing_mm : between leaves along a twig
    branch_chance, branch_mm : chance of a branch across one sheet of leaves, and its thickness
    """

    shapes: tuple[LeafShape, ...] = (SALLOW, ASPEN, OAK)
    leaf_out: tuple[float, float] = (0.3, 1.0)
    age_spread: float = 0.12
    cover: tuple[float, float] = (0.5, 1.3)
    depths: tuple[float, ...] = (1.0, 1.22, 1.6, 2.3)
    crown_shares: tuple[float, ...] = (0.2, 0.35, 0.25, 0.2)
    twig_mm: tuple[float, float] = (90.0, 320.0)
    spacing_mm: tuple[float, float] = (13.0, 30.0)
    branch_chance: float = 0.35
    branch_mm: tuple[float, float] = (5.0, 22.0)


@dataclass(frozen=True, slots=True, eq=False)
class LeafSprite:
    """One leaf ready to draw.

    Attributes
    ----------
    levels : float32 (h, w, 4) each half the size of the one before
    length_mm : of the blade
    base_xy : foot of the stalk in px of level 0
    midrib_xy, edge_xy : float32 (N, 2), midrib from base to tip and outline of the intact blade
    marks : what is chewed away; outlines in px of level 0
    missing_percent : share of the intact blade that is gone
    """

    levels: tuple[FloatImage, ...]
    length_mm: float
    base_xy: tuple[float, float]
    midrib_xy: NDArray[np.float32]
    edge_xy: NDArray[np.float32]
    marks: tuple[Mark, ...]
    missing_percent: float


@dataclass(frozen=True, slots=True, eq=False)
class LeafBank:
    """Different leaves of one plant: first `whole` whole ones, then chewed ones; every leaf in the crown is one of them.

    Attributes
    ----------
    chewed_share : chance that something feeds on a twig
    """

    leaves: tuple[LeafSprite, ...]
    whole: int
    chewed_share: float


def grow_bank(
    plant: PlantSettings,
    rng: np.random.Generator,
    *,
    whole: int,
    chewed: int,
    feeding: FeedingSettings,
    real_holes: tuple[NDArray[np.uint8], ...] = (),
) -> LeafBank:
    """Grow a bank of whole and chewed leaves of one plant."""
    shape = plant.shapes[int(rng.integers(len(plant.shapes)))]
    leaf_out = float(rng.uniform(*plant.leaf_out))
    leaves = [grow_leaf(shape, rng, leaf_out=leaf_out, age_spread=plant.age_spread) for _ in range(whole)]
    leaves += [
        grow_leaf(
            shape,
            rng,
            leaf_out=leaf_out,
            age_spread=plant.age_spread,
            feeding=(feeding,),
            real_holes=real_holes,
        )
        for _ in range(chewed)
    ]
    return LeafBank(tuple(leaves), whole, feeding.chewed_share)


def choose_leaf(bank: LeafBank, rng: np.random.Generator, *, chewed: bool) -> int:
    """Return the index of a whole or a chewed leaf."""
    if chewed and bank.whole < len(bank.leaves):
        return int(rng.integers(bank.whole, len(bank.leaves)))
    return int(rng.integers(bank.whole))


def grow_leaf(
    shape: LeafShape,
    rng: np.random.Generator,
    *,
    leaf_out: float,
    age_spread: float,
    feeding: tuple[FeedingSettings, ...] = (),
    real_holes: tuple[NDArray[np.uint8], ...] = (),
) -> LeafSprite:
    """Grow one leaf: outline, veins, blade, and the sizes it is drawn at; chewed where `feeding` holds settings."""
    age = float(np.clip(leaf_out + rng.normal(0, age_spread), 0, 1))
    stalk_px = float(rng.uniform(*shape.stalk_share)) * BLADE_PX
    bend = float(rng.normal(0, RIB_BEND))
    edge = outline_blade(shape, rng, bend=bend)
    half = int(np.ceil(np.abs(edge[:, 1]).max())) + MARGIN_PX
    origin = np.asarray([stalk_px + MARGIN_PX, half], np.float32)
    size = (2 * half, int(np.ceil(stalk_px + max(BLADE_PX, edge[:, 0].max()))) + 2 * MARGIN_PX)
    midrib = _trace_midrib(bend) + origin
    edge = edge + origin
    whole = _fill(edge, size)
    blade = ChewedBlade(whole, (), 0.0)
    for settings in feeding:
        blade = chew_blade(whole, midrib, rng, settings=settings, real_holes=real_holes)
    absorb = _draw_veins(shape, rng, edge=edge, midrib=midrib, size=size)
    through = _light_blade(rng, age=age, absorb=absorb, midrib=midrib, size=size)
    _spoil_blade(through, rng, edge=edge, midrib=midrib, age=age)
    stalk = _draw_stalk(origin, stalk_px, rng, size)
    length_mm = float(rng.uniform(*shape.length_mm)) * (BUD_SIZE + (1 - BUD_SIZE) * leaf_out)
    length_mm *= float(rng.uniform(*SIZE_SPREAD))
    return LeafSprite(
        _halve_repeatedly(_join(blade.mask, through, stalk)),
        length_mm,
        (float(origin[0] - stalk_px), float(origin[1])),
        midrib,
        edge,
        blade.marks,
        blade.missing_percent,
    )


RIB_BEND, BUD_SIZE, SIZE_SPREAD = 0.06, 0.35, (0.7, 1.0)
"""Bend of the midrib (deviation of its rise over its length); size of a leaf just unfolded over that of a full one; spread."""


def outline_blade(shape: LeafShape, rng: np.random.Generator, *, bend: float) -> NDArray[np.float32]:
    """Return the closed outline of one blade, float32 (N, 2) of (x, y) px, the base at the origin and the tip along x."""
    width = float(rng.uniform(*shape.width_share))
    widest = float(rng.uniform(*shape.widest_at))
    fullness = float(rng.uniform(*shape.fullness))
    point = float(rng.uniform(*shape.tip_point))
    sides = [
        _outline_side(
            shape,
            rng,
            width=width * float(rng.uniform(0.93, 1.07)),
            widest=widest,
            fullness=fullness,
            point=point,
        )
        for _ in range(2)
    ]
    right = sides[1][::-1] * np.asarray([1, -1])
    outline = np.concatenate([sides[0], right[1:-1]])
    along = np.clip(outline[:, 0], 0, 1)
    outline[:, 1] += 4 * bend * along * (1 - along)
    return as_float(outline * BLADE_PX)


def _outline_side(
    shape: LeafShape, rng: np.random.Generator, *, width: float, widest: float, fullness: float, point: float
) -> NDArray[np.float64]:
    """One side of the blade from base to tip as (N, 2) of (x, y >= 0) in shares of the length."""
    u = np.linspace(0, 1, EDGE_POINTS)
    a = fullness * widest / (1 - widest) if widest < 0.5 else fullness
    b = fullness if widest < 0.5 else fullness * (1 - widest) / widest
    profile = u**a * (1 - u) ** b
    profile *= width / 2 / profile.max()
    profile *= 1 - point * np.clip((u - 0.72) / 0.28, 0, 1) ** 0.5 * 1.6 * (1 - u) ** 0.3
    lobes = int(rng.integers(shape.lobes[0], shape.lobes[1] + 1))
    if lobes:
        depth = rng.uniform(*shape.lobe_depth)
        phase = lobes * u**0.92 + float(rng.normal(0, 0.05))
        profile *= (
            1 - depth * 2 * (0.5 - 0.5 * np.abs(np.sin(np.pi * phase)) ** 0.8) * np.sin(np.pi * u) ** 0.3
        )
    teeth = int(rng.integers(shape.teeth[0], shape.teeth[1] + 1))
    x = u.copy()
    if teeth:
        depths = rng.uniform(*shape.tooth_depth) * rng.uniform(0.6, 1.4, teeth + 2)
        place = teeth * u
        inside = place % 1
        peak = 0.5 + 0.45 * shape.tooth_lean
        tooth = np.where(inside < peak, inside / peak, (1 - inside) / (1 - peak))
        rise = depths[place.astype(int)] * tooth * np.sin(np.pi * u) ** 0.5
        profile += rise
        x += rise * 0.4 * shape.tooth_lean
    profile += 0.006 * np.interp(u, np.linspace(0, 1, 9), rng.normal(0, 1, 9)) * np.sin(np.pi * u)
    return np.stack([x, np.clip(profile, 0.002, None)], axis=1)


def _trace_midrib(bend: float) -> NDArray[np.float32]:
    u = np.linspace(0, 1, 40)
    return (np.stack([u, 4 * bend * u * (1 - u)], axis=1) * BLADE_PX).astype(np.float32)


def _fill(outline_xy: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.uint8]:
    """Fill an outline at the supersampled size: uint8, 0 or 255, (2 h, 2 w)."""
    big = np.zeros((size[0] * SUPERSAMPLING, size[1] * SUPERSAMPLING), np.uint8)
    points = np.round((outline_xy + 0.5) * SUPERSAMPLING * 16 - 8).astype(np.int32)
    cv2.fillPoly(big, [points], 255, shift=4)
    return big


def _draw_veins(
    shape: LeafShape,
    rng: np.random.Generator,
    *,
    edge: NDArray[np.float32],
    midrib: NDArray[np.float32],
    size: tuple[int, int],
) -> FloatImage:
    """Return the extra absorbance of veins (h, w): midrib, side veins that curve to the tip, and a faint net between."""
    net = np.zeros(size, np.uint8)
    veins = np.zeros(size, np.uint8)
    pairs = int(rng.integers(shape.vein_pairs[0], shape.vein_pairs[1] + 1))
    angle = np.deg2rad(rng.uniform(*shape.vein_angle_deg))
    reach = float(np.abs(edge[:, 1] - midrib[0, 1]).max())
    starts = np.linspace(0.03, 0.85, pairs) + rng.normal(0, 0.015, pairs)
    for side in (-1, 1):
        for start in starts + side * 0.012:
            _draw_side_vein(
                veins, midrib, start=float(start), angle=side * (angle + rng.normal(0, 0.05)), reach=reach
            )
    for _ in range(pairs * NET_DENSITY):
        centre = rng.uniform((0, 0), (size[1], size[0]))
        turn = rng.uniform(0, np.pi)
        step = rng.uniform(6, 18) * np.asarray([np.cos(turn), np.sin(turn)])
        ends = as_pixels(np.stack([centre - step, centre + step]))
        cv2.polylines(net, [ends], False, 255, 1, cv2.LINE_AA, shift=4)
    rib = np.zeros(size, np.uint8)
    for index in range(len(midrib) - 1):
        thick = max(1, round(5.0 * (1 - index / len(midrib)) ** 0.8))
        cv2.polylines(rib, [as_pixels(midrib[index : index + 2])], False, 255, thick, cv2.LINE_AA, shift=4)
    weight = [rng.uniform(*band) for band in (RIB_ABSORBS, VEINS_ABSORB, NET_ABSORBS)]
    drawn = (
        cv2.GaussianBlur(layer.astype(np.float32) / 255, (0, 0), VEIN_EDGE_PX) for layer in (rib, veins, net)
    )
    total = sum((w * layer for w, layer in zip(weight, drawn, strict=True)), np.zeros(size, np.float32))
    return np.asarray(total, np.float32)


RIB_ABSORBS, VEINS_ABSORB, NET_ABSORBS = (0.2, 1.0), (-0.55, 0.6), (-0.35, 0.12)
NET_DENSITY, VEIN_EDGE_PX = 14, 0.8
"""Extra absorbance of midrib, side veins and the net between: thick ones hold light back, thin ones hold less green. By eye."""


def _draw_side_vein(
    veins: NDArray[np.uint8], midrib: NDArray[np.float32], *, start: float, angle: float, reach: float
) -> None:
    origin = midrib[min(len(midrib) - 1, max(0, int(start * len(midrib))))]
    s = np.linspace(0, 1, 12)
    turn = angle * (1 - 0.35 * s)
    step = reach * 1.15 / np.sin(abs(angle)) / 12
    xs = origin[0] + np.cumsum(np.cos(turn)) * step
    ys = origin[1] + np.cumsum(np.sin(turn)) * step
    points = np.round(np.stack([xs, ys], axis=1) * 16).astype(np.int32)
    cv2.polylines(veins, [points[:5]], False, 255, 2, cv2.LINE_AA, shift=4)
    cv2.polylines(veins, [points[4:]], False, 220, 1, cv2.LINE_AA, shift=4)


def _light_blade(
    rng: np.random.Generator,
    *,
    age: float,
    absorb: FloatImage,
    midrib: NDArray[np.float32],
    size: tuple[int, int],
) -> FloatImage:
    """Return what the blade lets through, float32 (h, w, 3): PROSPECT's bands, veins, two tilted halves and blotches."""
    base = find_transmittance(age)
    tilt = float(np.clip(rng.normal(*TILT), *TILT_ENDS))
    fold = float(rng.normal(0, FOLD))
    rows = np.arange(size[0], dtype=np.float32)[:, None]
    rib_y = np.interp(np.arange(size[1]), midrib[:, 0], midrib[:, 1]).astype(np.float32)[None, :]
    side = np.tanh((rows - rib_y) / FOLD_EDGE_PX)
    shade = tilt * (1 + fold * side)
    blotch = BLOTCHES[0] * draw_soft_noise(rng, size, cell_px=40) + BLOTCHES[1] * draw_soft_noise(
        rng, size, cell_px=7
    )
    absorbance = -np.log(base)[None, None, :] * (1 + VEIN_WEIGHT * absorb + blotch)[..., None]
    through = np.exp(-absorbance) * np.clip(shade, DARKEST_TILT, 1.0)[..., None]
    return as_float(np.clip(through, 0, 1))


TILT, TILT_ENDS, DARKEST_TILT = (0.8, 0.15), (0.35, 1.0), 0.2
FOLD, FOLD_EDGE_PX = 0.12, 6.0
VEIN_WEIGHT, BLOTCHES = 0.6, (0.06, 0.04)
"""Share of the light that a tilted blade catches (mean and deviation, ends), and how its halves differ, folded along the rib;
weight of the veins in the absorbance; coarse and fine unevenness of the blade. By eye."""

SPOILT_CHANCE = 0.25
ROLLED_CHANCE = 0.2
BROWN = np.asarray([0.11, 0.05, 0.015], np.float32)
"""Chance of brown patches and of a rolled edge on a leaf, and what dead blade lets through; common practice, no source."""


def _spoil_blade(
    through: FloatImage,
    rng: np.random.Generator,
    *,
    edge: NDArray[np.float32],
    midrib: NDArray[np.float32],
    age: float,
) -> None:
    """Add brown patches and mines, and a strip of the edge that is rolled in: there the light passes the blade twice."""
    size = through.shape[:2]
    if rng.random() < SPOILT_CHANCE * (0.3 + age):
        brown = np.zeros(size, np.uint8)
        for _ in range(int(rng.integers(1, 5))):
            walk = edge[int(rng.integers(len(edge)))] * 0.5 + midrib[int(rng.integers(len(midrib)))] * 0.5
            walk = walk + np.cumsum(rng.normal(0, 5, (int(rng.integers(2, 14)), 2)), axis=0)
            thick = int(rng.integers(3, 10))
            cv2.polylines(brown, [as_pixels(walk)], False, 255, thick, cv2.LINE_AA, shift=4)
        soft = as_float(cv2.GaussianBlur(brown.astype(np.float32) / 255, (0, 0), 1.2))
        share = soft[..., None] * np.float32(rng.uniform(0.4, 1.0))
        through += share * (BROWN - through)
    if rng.random() < ROLLED_CHANCE:
        count = len(edge)
        span = np.arange(int(rng.integers(count // 12, count // 4))) + int(rng.integers(count))
        outer = edge[span % count]
        inward = midrib[len(midrib) // 2] - outer
        width = np.sin(np.linspace(0, np.pi, len(span)))[:, None] * rng.uniform(0.08, 0.3)
        strip = np.zeros(size, np.uint8)
        ring = np.concatenate([outer - inward * 0.05, (outer + inward * width)[::-1]])
        cv2.fillPoly(strip, [np.round(ring * 16).astype(np.int32)], 255, cv2.LINE_AA, shift=4)
        through *= 1 - strip.astype(np.float32)[..., None] / 255 * (1 - find_transmittance(age))


def _draw_stalk(
    origin: NDArray[np.float32], stalk_px: float, rng: np.random.Generator, size: tuple[int, int]
) -> FloatImage:
    """Return the stalk's mask (h, w), 0 to 1; it bends a little and thickens where it leaves the twig."""
    mask = np.zeros(size, np.uint8)
    sag = rng.normal(0, 0.04) * stalk_px
    u = np.linspace(0, 1, 12)
    points = np.stack([origin[0] - stalk_px * u, origin[1] + sag * np.sin(np.pi * u)], axis=1)
    cv2.polylines(mask, [np.round(points * 16).astype(np.int32)], False, 255, 4, cv2.LINE_AA, shift=4)
    return as_float(mask / np.float32(255))


STALK_TRANSMITTANCE = np.asarray([0.05, 0.07, 0.03], np.float32)


def _join(blade: NDArray[np.uint8], through: FloatImage, stalk: FloatImage) -> FloatImage:
    """Multiply blade and stalk into one sprite (h, w, 4)."""
    height, width = through.shape[:2]
    mask = cv2.resize(blade, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    sprite = np.empty((height, width, 4), np.float32)
    sprite[..., :3] = 1 - mask[..., None] * (1 - through)
    sprite[..., :3] *= 1 - stalk[..., None] * (1 - STALK_TRANSMITTANCE)
    sprite[..., 3] = (1 - mask) * (1 - stalk)
    return sprite


def _halve_repeatedly(sprite: FloatImage) -> tuple[FloatImage, ...]:
    levels = [sprite]
    for _ in range(LEVELS - 1):
        last = levels[-1]
        rows, columns = last.shape[0] // 2 * 2, last.shape[1] // 2 * 2
        half = cv2.resize(last[:rows, :columns], (columns // 2, rows // 2), interpolation=cv2.INTER_AREA)
        levels.append(np.ascontiguousarray(half, np.float32))
    return tuple(levels)

"""What is taken for a larva and is none: shadows, stalk ends, catkins, galls, droppings, scraps, drops, beetles, spiders, fluff.

Each kind is a function that lays one thing on a sheet at a place (x, y); sizes are in mm times `scale`, px per mm. Sizes and
colours have names; the shares of a thing's own length that give it its shape stand in its function and are drawn by eye.
Rolled edges and brown patches belong to the leaves themselves (`leaves`), flare and dirt on the lens to the camera (`camera`).
"""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_float
from models.canopy.light import find_transmittance
from models.canopy.sheets import BARK, Points, Sheet, fill_softly


@dataclass(frozen=True, slots=True)
class ConfuserSettings:
    """How much stands in a scene that is no larva.

    Attributes
    ----------
    per_megapixel : range of things on every million px of a layer
    shadow_share : share of them that are shadows of leaf pieces on a leaf
    kinds : names of the other kinds that occur
    """

    per_megapixel: tuple[float, float] = (10.0, 60.0)
    shadow_share: float = 0.4
    kinds: tuple[str, ...] = (
        "stalk-end",
        "catkin",
        "gall",
        "dropping",
        "scrap",
        "raindrop",
        "beetle",
        "spider",
        "fluff",
        "rolled-strip",
    )


SHADOW_MM, STALK_MM, CATKIN_MM, STRIP_MM = (5.0, 50.0), (6.0, 35.0), (12.0, 55.0), (8.0, 45.0)
GALL_MM, FRASS_MM, SPLASH_MM, SCRAP_MM = (1.5, 6.0), (1.0, 2.4), (5.0, 30.0), (6.0, 45.0)
DROP_MM, BEETLE_MM, SPIDER_MM, FLUFF_MM = (1.5, 6.0), (3.0, 14.0), (2.5, 9.0), (5.0, 18.0)
"""Ranges of length; common practice, no source."""

GALLS, PELLETS, DROPS, THREADS = (1, 5), (1, 7), (1, 6), (8, 20)
GALL_SPREAD_MM, PELLET_SPREAD_MM, DROP_SPREAD_MM = 7.0, 5.0, 8.0
"""How many come together (the end excluded), and the deviation of their places."""

SHADOW_WIDTHS = (0.08, 0.18, 0.3, 0.5)
"""Width over length of shadows: of a stalk, of a slug, of a narrow leaf, of a leaf."""

SHADOW_EDGE_MM = 0.8
"""Deviation of the softest shadow's edge: a leaf some 10 cm above."""

CATKIN_COLOUR = np.asarray([0.24, 0.24, 0.12], np.float32)
GALL_COLOUR = np.asarray([0.3, 0.2, 0.12], np.float32)
SPLASH_COLOUR = np.full(3, 0.6, np.float32)
SCRAP_COLOUR, SCRAP_LIGHT = (
    np.asarray([0.3, 0.2, 0.1], np.float32),
    np.asarray([0.12, 0.06, 0.02], np.float32),
)
BEETLE_COLOUR = np.asarray([0.1, 0.08, 0.06], np.float32)
FLUFF_COLOUR = np.full(3, 0.9, np.float32)
LEAF_COLOUR = np.asarray([0.2, 0.3, 0.14], np.float32)
"""Reflectances for the light from below, and what a dead scrap lets through; common practice, no source."""

DARK_LIGHT = 0.02
CATKIN_LIGHT, SPLASH_LIGHT = (0.02, 0.12), (0.02, 0.25)
"""Share of the light from above that passes: of an opaque thing, a catkin, a bird's dropping."""

Spot = NDArray[np.float64]
Draw = Callable[[Sheet, np.random.Generator, Spot, float], None]


def scatter_confusers(
    sheet: Sheet,
    settings: ConfuserSettings,
    rng: np.random.Generator,
    *,
    spots: NDArray[np.float64],
    scale: float,
) -> None:
    """Lay one thing at each of the spots, float64 (N, 2) of (x, y)."""
    for spot in spots:
        if _is_open(sheet, spot):
            if rng.random() < HANGING_CHANCE:
                DRAWERS[HANGING[int(rng.integers(len(HANGING)))]](sheet, rng, spot, scale)
        elif not settings.kinds or rng.random() < settings.shadow_share:
            _draw_shadow(sheet, rng, spot, scale)
        else:
            DRAWERS[settings.kinds[int(rng.integers(len(settings.kinds)))]](sheet, rng, spot, scale)


HANGING = ("catkin", "scrap", "stalk-end")
HANGING_CHANCE = 0.3
"""Kinds that hang by themselves, and how often one does; others need something to sit on."""


def _is_open(sheet: Sheet, spot: Spot) -> bool:
    """Whether nothing but sky or farther leaves stands at a place (x, y)."""
    row = int(np.clip(spot[1], 0, sheet.through.shape[0] - 1))
    column = int(np.clip(spot[0], 0, sheet.through.shape[1] - 1))
    return bool(sheet.through[row, column, 3] > 0.5)


def _turn(points: NDArray[np.float64], spot: Spot, angle: float, size_px: float) -> Points:
    rotation = np.asarray([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return as_float(points * size_px @ rotation.T + spot)


def _shape_spindle(
    rng: np.random.Generator, *, width: float, bluntness: float, bend: float
) -> NDArray[np.float64]:
    """A closed outline of length 1 that tapers to both ends, blunt by 0 to 1, bent, uneven."""
    s = np.linspace(0, 1, 25)
    half = np.sin(np.pi * s) ** (1.2 - bluntness) * width / 2
    half = half * (1 + 0.12 * np.interp(s, np.linspace(0, 1, 6), rng.normal(0, 1, 6)))
    spine = np.stack([s - 0.5, bend * 4 * s * (1 - s)], axis=1)
    side = np.stack([np.zeros_like(half), half], axis=1)
    skew = 1 + rng.normal(0, 0.2)
    return np.concatenate([spine + side * skew, (spine - side / max(0.3, skew))[::-1]])


def _draw_shadow(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A piece of another leaf's shadow: any shape, also a slug's; green goes through it, as through a leaf."""
    length = float(np.exp(rng.uniform(*np.log(SHADOW_MM)))) * scale
    width = float(rng.choice(SHADOW_WIDTHS)) * rng.uniform(0.7, 1.3)
    shape = _shape_spindle(rng, width=width, bluntness=rng.uniform(0, 0.9), bend=rng.normal(0, 0.12))
    mask, corner = fill_softly(_turn(shape, spot, rng.uniform(0, 2 * np.pi), length), pad_px=6)
    mask = _soften(mask, rng.uniform(0.0, SHADOW_EDGE_MM) * scale)
    tilt = np.float32(rng.uniform(0.7, 1.1))
    light = np.minimum(find_transmittance(float(rng.uniform(0.3, 1.0))) * tilt, 1)
    sheet.put_shade(mask, corner, light=light)


def _soften(mask: FloatImage, sigma_px: float) -> FloatImage:
    if sigma_px < 0.3:
        return mask
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), sigma_px), np.float32)


def _put_dark(
    sheet: Sheet, outline: Points, rng: np.random.Generator, *, colour: FloatImage, light: float = DARK_LIGHT
) -> None:
    mask, corner = fill_softly(outline)
    passed = np.full(3, light, np.float32)
    sheet.put_body(mask, corner, light=passed, shine=colour * np.float32(rng.uniform(0.5, 1.6)))


def _draw_stalk_end(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A stalk whose leaf is gone: a thin bar, thicker at one end."""
    length = rng.uniform(*STALK_MM) * scale
    width = rng.uniform(0.04, 0.12)
    s = np.linspace(0, 1, 15)
    half = width / 2 * (1 + 1.6 * np.exp(-(((s - 1) / 0.08) ** 2)) + 0.8 * np.exp(-((s / 0.1) ** 2)))
    spine = np.stack([s - 0.5, rng.normal(0, 0.12) * 4 * s * (1 - s)], axis=1)
    side = np.stack([np.zeros_like(half), half], axis=1)
    ring = np.concatenate([spine + side, (spine - side)[::-1]])
    _put_dark(sheet, _turn(ring, spot, rng.uniform(0, 2 * np.pi), length), rng, colour=BARK)


def _draw_catkin(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A hanging catkin: a rough cylinder with bracts, sometimes fluffy and half open to the light."""
    length = rng.uniform(*CATKIN_MM) * scale
    width = rng.uniform(0.13, 0.24)
    s = np.linspace(0, 1, 61)
    bracts = 1 + 0.18 * np.sin(2 * np.pi * s * rng.uniform(7, 14)) + rng.normal(0, 0.07, 61)
    half = width / 2 * np.sin(np.pi * np.clip(s, 0.01, 0.99)) ** 0.35 * bracts
    spine = np.stack([s - 0.5, rng.normal(0, 0.08) * 4 * s * (1 - s)], axis=1)
    side = np.stack([np.zeros_like(half), half], axis=1)
    ring = np.concatenate([spine + side, (spine - side * (1 + rng.normal(0, 0.05, 61))[:, None])[::-1]])
    outline = _turn(ring, spot, rng.uniform(0, 2 * np.pi), length)
    _put_dark(sheet, outline, rng, colour=CATKIN_COLOUR, light=rng.uniform(*CATKIN_LIGHT))


def _draw_gall(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """Round galls on a blade, one or several."""
    for _ in range(int(rng.integers(*GALLS))):
        angle = np.linspace(0, 2 * np.pi, 16, endpoint=False)
        radius = 0.5 * (1 + rng.normal(0, 0.06, 16))
        ring = np.stack([np.cos(angle) * radius, np.sin(angle) * radius * rng.uniform(0.7, 1.0)], axis=1)
        place = spot + rng.normal(0, GALL_SPREAD_MM, 2) * scale
        outline = _turn(ring, place, rng.uniform(0, np.pi), rng.uniform(*GALL_MM) * scale)
        _put_dark(sheet, outline, rng, colour=GALL_COLOUR)


def _draw_dropping(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A bird's dropping: a splash with runs, whitish where light from below meets it; or a few pellets of frass."""
    if rng.random() < 0.5:
        for _ in range(int(rng.integers(*PELLETS))):
            ring = _shape_spindle(rng, width=0.7, bluntness=1.0, bend=0.0)
            place = spot + rng.normal(0, PELLET_SPREAD_MM, 2) * scale
            size = rng.uniform(*FRASS_MM) * scale
            _put_dark(sheet, _turn(ring, place, rng.uniform(0, np.pi), size), rng, colour=BARK * 0.6)
        return
    length = rng.uniform(*SPLASH_MM) * scale
    ring = _shape_spindle(rng, width=rng.uniform(0.15, 0.5), bluntness=0.6, bend=rng.normal(0, 0.06))
    ring *= 1 + rng.normal(0, 0.05, (len(ring), 1))
    outline = _turn(ring, spot, rng.uniform(0, 2 * np.pi), length)
    _put_dark(sheet, outline, rng, colour=SPLASH_COLOUR, light=rng.uniform(*SPLASH_LIGHT))


def _draw_scrap(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A scrap of dead leaf: ragged, brown in the light."""
    count = int(rng.integers(6, 14))
    angle = np.sort(rng.uniform(0, 2 * np.pi, count))
    radius = rng.uniform(0.2, 0.55, count)
    ring = np.stack([np.cos(angle) * radius, np.sin(angle) * radius * rng.uniform(0.25, 0.9)], axis=1)
    mask, corner = fill_softly(_turn(ring, spot, rng.uniform(0, 2 * np.pi), rng.uniform(*SCRAP_MM) * scale))
    light = SCRAP_LIGHT * np.float32(rng.uniform(0.2, 1.5))
    sheet.put_body(mask, corner, light=light, shine=SCRAP_COLOUR)


def _draw_raindrop(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """Drops on a blade: a dark rim and a bright middle where the drop gathers light."""
    for _ in range(int(rng.integers(*DROPS))):
        size = rng.uniform(*DROP_MM) * scale
        angle = np.linspace(0, 2 * np.pi, 20, endpoint=False)
        ring = np.stack([np.cos(angle), np.sin(angle) * rng.uniform(0.7, 1.0)], axis=1) * 0.5
        place = spot + rng.normal(0, DROP_SPREAD_MM, 2) * scale
        turn = rng.uniform(0, np.pi)
        mask, corner = fill_softly(_turn(ring, place, turn, size))
        sheet.put_shade(mask, corner, light=np.full(3, rng.uniform(0.4, 0.8), np.float32))
        mask, corner = fill_softly(_turn(ring, place + size * 0.1, turn, size * 0.55))
        sheet.put_shade(mask, corner, light=np.full(3, rng.uniform(1.5, 3.0), np.float32))


def _draw_beetle(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A beetle or bug: an oval with a head, and six legs if near enough."""
    length = rng.uniform(*BEETLE_MM) * scale
    turn = rng.uniform(0, 2 * np.pi)
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    round_body = np.stack([0.42 * np.cos(angle), rng.uniform(0.2, 0.36) * np.sin(angle)], axis=1)
    head = np.stack([0.45 + 0.12 * np.cos(angle), 0.13 * np.sin(angle)], axis=1)
    for side in (-1, 1):
        for foot in (-0.25, 0.05, 0.3):
            knee = np.asarray([foot * 1.2, side * rng.uniform(0.35, 0.55)])
            _draw_leg(
                sheet,
                _turn(np.stack([[foot, 0.0], knee, knee * [1.3, 1.2]]), spot, turn, length),
                0.05 * length,
            )
    _put_dark(sheet, _turn(round_body, spot, turn, length), rng, colour=BEETLE_COLOUR)
    _put_dark(sheet, _turn(head, spot, turn, length), rng, colour=BEETLE_COLOUR)


def _draw_leg(sheet: Sheet, joints: Points, thick_px: float) -> None:
    """A thin limb as a strip; under half a pixel it gets fainter instead."""
    steps = np.gradient(joints, axis=0)
    normal = np.stack([-steps[:, 1], steps[:, 0]], axis=1) / (
        np.hypot(steps[:, 0], steps[:, 1])[:, None] + 1e-6
    )
    half = max(0.25, thick_px / 2)
    ring = np.concatenate([joints + normal * half, (joints - normal * half)[::-1]]).astype(np.float32)
    mask, corner = fill_softly(ring)
    faint = np.float32(min(1.0, thick_px / 0.5))
    sheet.put_body(mask * faint, corner, light=np.full(3, 0.03, np.float32), shine=BARK * 0.5)


def _draw_spider(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A spider: two round parts and eight long legs."""
    length = rng.uniform(*SPIDER_MM) * scale
    turn = rng.uniform(0, 2 * np.pi)
    angle = np.linspace(0, 2 * np.pi, 20, endpoint=False)
    for middle, radius in ((-0.2, 0.3), (0.25, 0.18)):
        ring = np.stack([middle + radius * np.cos(angle), radius * 0.85 * np.sin(angle)], axis=1)
        _put_dark(sheet, _turn(ring, spot, turn, length), rng, colour=BARK * 0.7)
    for side in (-1, 1):
        for lean in (-0.9, -0.3, 0.4, 1.0):
            knee = np.asarray([0.2 + lean * 0.5, side * rng.uniform(0.5, 0.8)])
            foot = knee + np.asarray([lean * 0.5, side * rng.uniform(0.1, 0.5)])
            _draw_leg(sheet, _turn(np.stack([[0.2, 0.0], knee, foot]), spot, turn, length), 0.04 * length)


def _draw_fluff(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """Seed fluff caught on a leaf: pale threads round a dark seed, half clear."""
    length = rng.uniform(*FLUFF_MM) * scale
    for _ in range(int(rng.integers(*THREADS))):
        turn = rng.uniform(0, 2 * np.pi)
        ends = np.stack([[0.0, 0.0], [0.25, rng.normal(0, 0.08)], [0.5, rng.normal(0, 0.15)]])
        joints = _turn(ends, spot, turn, length)
        normal = np.asarray([-np.sin(turn), np.cos(turn)]) * 0.3
        mask, corner = fill_softly(
            np.concatenate([joints + normal, (joints - normal)[::-1]]).astype(np.float32)
        )
        sheet.put_shade(mask * np.float32(0.6), corner, light=np.full(3, 1.8, np.float32))
        sheet.put_body(
            mask * np.float32(0.35),
            corner,
            light=np.full(3, 0.5, np.float32),
            shine=FLUFF_COLOUR,
        )


def _draw_rolled_strip(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A rolled piece of leaf: three layers of blade, with a slug's outline and a leaf's colour."""
    length = rng.uniform(*STRIP_MM) * scale
    ring = _shape_spindle(
        rng, width=rng.uniform(0.12, 0.3), bluntness=rng.uniform(0.5, 1.0), bend=rng.normal(0, 0.1)
    )
    mask, corner = fill_softly(_turn(ring, spot, rng.uniform(0, 2 * np.pi), length))
    light = find_transmittance(float(rng.uniform(0, 1.0))) ** np.float32(rng.choice([1, 2]))
    sheet.put_body(mask, corner, light=light, shine=LEAF_COLOUR)


DRAWERS: dict[str, Draw] = {
    "stalk-end": _draw_stalk_end,
    "catkin": _draw_catkin,
    "gall": _draw_gall,
    "dropping": _draw_dropping,
    "scrap": _draw_scrap,
    "raindrop": _draw_raindrop,
    "beetle": _draw_beetle,
    "spider": _draw_spider,
    "fluff": _draw_fluff,
    "rolled-strip": _draw_rolled_strip,
}

"""What is taken for a larva and is none: shadows, stalk ends, catkins, galls, droppings, scraps, drops, beetles, spiders, fluff.

Each kind is a function that lays one thing on a sheet at a place (x, y); sizes are in mm times `scale`, px per mm. Rolled
edges and brown patches belong to the leaves themselves (`leaves`), flare and dirt on the lens to the camera (`camera`).
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
    length = float(np.exp(rng.uniform(np.log(5.0), np.log(50.0)))) * scale
    width = float(rng.choice([0.08, 0.18, 0.3, 0.5])) * rng.uniform(0.7, 1.3)
    shape = _shape_spindle(rng, width=width, bluntness=rng.uniform(0, 0.9), bend=rng.normal(0, 0.12))
    mask, corner = fill_softly(_turn(shape, spot, rng.uniform(0, 2 * np.pi), length), pad_px=6)
    mask = _soften(mask, rng.uniform(0.0, 0.8) * scale)
    tilt = np.float32(rng.uniform(0.7, 1.1))
    light = np.minimum(find_transmittance(float(rng.uniform(0.3, 1.0))) * tilt, 1)
    sheet.put_shade(mask, corner, light=light)


def _soften(mask: FloatImage, sigma_px: float) -> FloatImage:
    if sigma_px < 0.3:
        return mask
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), sigma_px), np.float32)


def _put_dark(
    sheet: Sheet, outline: Points, rng: np.random.Generator, *, colour: FloatImage, light: float = 0.02
) -> None:
    mask, corner = fill_softly(outline)
    passed = np.full(3, light, np.float32)
    sheet.put_body(mask, corner, light=passed, shine=colour * np.float32(rng.uniform(0.5, 1.6)))


def _draw_stalk_end(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A stalk whose leaf is gone: a thin bar, thicker at one end."""
    length = rng.uniform(6, 35) * scale
    width = rng.uniform(0.04, 0.12)
    s = np.linspace(0, 1, 15)
    half = width / 2 * (1 + 1.6 * np.exp(-(((s - 1) / 0.08) ** 2)) + 0.8 * np.exp(-((s / 0.1) ** 2)))
    spine = np.stack([s - 0.5, rng.normal(0, 0.12) * 4 * s * (1 - s)], axis=1)
    side = np.stack([np.zeros_like(half), half], axis=1)
    ring = np.concatenate([spine + side, (spine - side)[::-1]])
    _put_dark(sheet, _turn(ring, spot, rng.uniform(0, 2 * np.pi), length), rng, colour=BARK)


def _draw_catkin(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A hanging catkin: a rough cylinder with bracts, sometimes fluffy and half open to the light."""
    length = rng.uniform(12, 55) * scale
    width = rng.uniform(0.13, 0.24)
    s = np.linspace(0, 1, 61)
    bracts = 1 + 0.18 * np.sin(2 * np.pi * s * rng.uniform(7, 14)) + rng.normal(0, 0.07, 61)
    half = width / 2 * np.sin(np.pi * np.clip(s, 0.01, 0.99)) ** 0.35 * bracts
    spine = np.stack([s - 0.5, rng.normal(0, 0.08) * 4 * s * (1 - s)], axis=1)
    side = np.stack([np.zeros_like(half), half], axis=1)
    ring = np.concatenate([spine + side, (spine - side * (1 + rng.normal(0, 0.05, 61))[:, None])[::-1]])
    colour = np.asarray([0.24, 0.24, 0.12], np.float32)
    outline = _turn(ring, spot, rng.uniform(0, 2 * np.pi), length)
    _put_dark(sheet, outline, rng, colour=colour, light=rng.uniform(0.02, 0.12))


def _draw_gall(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """Round galls on a blade, one or several."""
    for _ in range(int(rng.integers(1, 5))):
        angle = np.linspace(0, 2 * np.pi, 16, endpoint=False)
        radius = 0.5 * (1 + rng.normal(0, 0.06, 16))
        ring = np.stack([np.cos(angle) * radius, np.sin(angle) * radius * rng.uniform(0.7, 1.0)], axis=1)
        place = spot + rng.normal(0, 7, 2) * scale
        colour = np.asarray([0.3, 0.2, 0.12], np.float32)
        _put_dark(
            sheet, _turn(ring, place, rng.uniform(0, np.pi), rng.uniform(1.5, 6) * scale), rng, colour=colour
        )


def _draw_dropping(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A bird's dropping: a splash with runs, whitish where light from below meets it; or a few pellets of frass."""
    if rng.random() < 0.5:
        for _ in range(int(rng.integers(1, 7))):
            ring = _shape_spindle(rng, width=0.7, bluntness=1.0, bend=0.0)
            place = spot + rng.normal(0, 5, 2) * scale
            size = rng.uniform(1.0, 2.4) * scale
            _put_dark(sheet, _turn(ring, place, rng.uniform(0, np.pi), size), rng, colour=BARK * 0.6)
        return
    length = rng.uniform(5, 30) * scale
    ring = _shape_spindle(rng, width=rng.uniform(0.15, 0.5), bluntness=0.6, bend=rng.normal(0, 0.06))
    ring *= 1 + rng.normal(0, 0.05, (len(ring), 1))
    outline = _turn(ring, spot, rng.uniform(0, 2 * np.pi), length)
    _put_dark(sheet, outline, rng, colour=np.full(3, 0.6, np.float32), light=rng.uniform(0.02, 0.25))


def _draw_scrap(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A scrap of dead leaf: ragged, brown in the light."""
    count = int(rng.integers(6, 14))
    angle = np.sort(rng.uniform(0, 2 * np.pi, count))
    radius = rng.uniform(0.2, 0.55, count)
    ring = np.stack([np.cos(angle) * radius, np.sin(angle) * radius * rng.uniform(0.25, 0.9)], axis=1)
    mask, corner = fill_softly(_turn(ring, spot, rng.uniform(0, 2 * np.pi), rng.uniform(6, 45) * scale))
    light = np.asarray([0.12, 0.06, 0.02], np.float32) * np.float32(rng.uniform(0.2, 1.5))
    sheet.put_body(mask, corner, light=light, shine=np.asarray([0.3, 0.2, 0.1], np.float32))


def _draw_raindrop(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """Drops on a blade: a dark rim and a bright middle where the drop gathers light."""
    for _ in range(int(rng.integers(1, 6))):
        size = rng.uniform(1.5, 6.0) * scale
        angle = np.linspace(0, 2 * np.pi, 20, endpoint=False)
        ring = np.stack([np.cos(angle), np.sin(angle) * rng.uniform(0.7, 1.0)], axis=1) * 0.5
        place = spot + rng.normal(0, 8, 2) * scale
        turn = rng.uniform(0, np.pi)
        mask, corner = fill_softly(_turn(ring, place, turn, size))
        sheet.put_shade(mask, corner, light=np.full(3, rng.uniform(0.4, 0.8), np.float32))
        mask, corner = fill_softly(_turn(ring, place + size * 0.1, turn, size * 0.55))
        sheet.put_shade(mask, corner, light=np.full(3, rng.uniform(1.5, 3.0), np.float32))


def _draw_beetle(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A beetle or bug: an oval with a head, and six legs if near enough."""
    length = rng.uniform(3, 14) * scale
    turn = rng.uniform(0, 2 * np.pi)
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    round_body = np.stack([0.42 * np.cos(angle), rng.uniform(0.2, 0.36) * np.sin(angle)], axis=1)
    head = np.stack([0.45 + 0.12 * np.cos(angle), 0.13 * np.sin(angle)], axis=1)
    colour = np.asarray([0.1, 0.08, 0.06], np.float32)
    for side in (-1, 1):
        for foot in (-0.25, 0.05, 0.3):
            knee = np.asarray([foot * 1.2, side * rng.uniform(0.35, 0.55)])
            _draw_leg(
                sheet,
                _turn(np.stack([[foot, 0.0], knee, knee * [1.3, 1.2]]), spot, turn, length),
                0.05 * length,
            )
    _put_dark(sheet, _turn(round_body, spot, turn, length), rng, colour=colour)
    _put_dark(sheet, _turn(head, spot, turn, length), rng, colour=colour)


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
    length = rng.uniform(2.5, 9) * scale
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
    length = rng.uniform(5, 18) * scale
    for _ in range(int(rng.integers(8, 20))):
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
            shine=np.full(3, 0.9, np.float32),
        )


def _draw_rolled_strip(sheet: Sheet, rng: np.random.Generator, spot: Spot, scale: float) -> None:
    """A rolled piece of leaf: three layers of blade, with a slug's outline and a leaf's colour."""
    length = rng.uniform(8, 45) * scale
    ring = _shape_spindle(
        rng, width=rng.uniform(0.12, 0.3), bluntness=rng.uniform(0.5, 1.0), bend=rng.normal(0, 0.1)
    )
    mask, corner = fill_softly(_turn(ring, spot, rng.uniform(0, 2 * np.pi), length))
    light = find_transmittance(float(rng.uniform(0, 1.0))) ** np.float32(rng.choice([1, 2]))
    sheet.put_body(mask, corner, light=light, shine=np.asarray([0.2, 0.3, 0.14], np.float32))


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

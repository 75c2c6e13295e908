"""Feeding damage: what larvae chew out of a blade, with the outline of each hole and bite.

Works on the supersampled mask of a blade (0 or 255). Holes lie inside, bites come in from the edge, and one kind eats in from
both sides towards the midrib and leaves it standing with a pointed or diamond-shaped tip (common practice, no source).
Missing area is in per cent of the intact blade.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import as_codes

BLADE_PX = 224
"""Length of a blade in px of the largest sprite: more than most leaves have in a 1080p frame."""

SUPERSAMPLING = 2
"""Masks of blades have this many elements to a px of the sprite, for smooth edges."""

LEAST_MARK_PX = 60
"""Chewed pieces smaller than this (elements of the mask) are crumbs of the drawing and no marks."""

BITE_AT_EDGE = 0.6
REAL_HOLE_SHARE = 0.5
"""Chance that a piece is bitten from the edge, and, where real outlines are given, that one of them is stamped."""

Mask = NDArray[np.uint8]
Points = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class FeedingSettings:
    """How much is chewed.

    Attributes
    ----------
    chewed_share : chance that something feeds on a twig
    bites : range of bites and holes on a chewed leaf
    size_share : radius of a bite over the blade's length
    tip_chance : chance that feeding is of the kind that leaves the midrib with a diamond-shaped tip
    """

    chewed_share: float = 0.12
    bites: tuple[int, int] = (1, 6)
    size_share: tuple[float, float] = (0.03, 0.13)
    tip_chance: float = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """One hole or bite: outline float32 (N, 2) of (x, y) in sprite px, and whether it lies inside the blade."""

    outline_xy: Points
    is_hole: bool


@dataclass(frozen=True, slots=True, eq=False)
class ChewedBlade:
    """A blade after feeding: its supersampled mask, the marks, and the missing area in per cent of the intact blade."""

    mask: Mask
    marks: tuple[Mark, ...]
    missing_percent: float


def chew_blade(
    intact: Mask,
    midrib_xy: Points,
    rng: np.random.Generator,
    *,
    settings: FeedingSettings,
    real_holes: tuple[Mask, ...] = (),
) -> ChewedBlade:
    """Eat from a blade: holes and bites, or both sides of the midrib from the tip.

    Parameters
    ----------
    intact : uint8 (2 h, 2 w), the whole blade, 0 or 255
    midrib_xy : float32 (N, 2) of (x, y) in sprite px, from base to tip
    real_holes : uint8 bitmaps of single holes, 0 or 255, of any size; stamped now and then where given
    """
    gone = np.zeros_like(intact)
    if rng.random() < settings.tip_chance:
        _eat_to_midrib(gone, midrib_xy * SUPERSAMPLING, rng)
    else:
        for _ in range(int(rng.integers(settings.bites[0], settings.bites[1] + 1))):
            radius = float(rng.uniform(*settings.size_share)) * BLADE_PX * SUPERSAMPLING
            _bite(gone, intact, rng, radius=radius, real_holes=real_holes)
    blade = _keep_largest(np.where(gone > 0, 0, intact).astype(np.uint8))
    gone = cv2.bitwise_and(intact, cv2.bitwise_not(blade)).astype(np.uint8)
    missing = 100.0 * cv2.countNonZero(gone) / max(1, cv2.countNonZero(intact))
    return ChewedBlade(blade, _outline_marks(gone, intact), missing)


def _bite(
    gone: Mask, intact: Mask, rng: np.random.Generator, *, radius: float, real_holes: tuple[Mask, ...]
) -> None:
    """Take one hole or bite: overlapping discs along a short arc, or the outline of a real hole."""
    coarse = intact[::4, ::4]
    if rng.random() < BITE_AT_EDGE:
        coarse = as_codes(cv2.subtract(coarse, cv2.erode(coarse, np.ones((5, 5), np.uint8))))
    rows, columns = np.nonzero(coarse)
    pick = int(rng.integers(len(rows)))
    centre = np.asarray([columns[pick] * 4, rows[pick] * 4], float)
    if real_holes and rng.random() < REAL_HOLE_SHARE:
        _stamp(gone, real_holes[int(rng.integers(len(real_holes)))], centre, rng, radius=radius)
        return
    heading, turn = rng.uniform(0, 2 * np.pi), rng.normal(0, 0.5)
    for _ in range(int(rng.integers(2, 9))):
        size = max(2, int(radius * rng.uniform(0.35, 0.8)))
        cv2.circle(gone, (int(centre[0]), int(centre[1])), size, 255, cv2.FILLED)
        heading += turn + rng.normal(0, 0.3)
        centre += radius * 0.5 * np.asarray([np.cos(heading), np.sin(heading)])


def _stamp(
    gone: Mask, hole: Mask, centre: NDArray[np.float64], rng: np.random.Generator, *, radius: float
) -> None:
    middle = np.asarray([hole.shape[1] / 2, hole.shape[0] / 2])
    matrix = cv2.getRotationMatrix2D(
        middle.tolist(), float(rng.uniform(0, 360)), 2.5 * radius / max(hole.shape)
    )
    shift = np.column_stack([np.zeros((2, 2)), centre - middle])
    piece = cv2.warpAffine(
        hole, np.asarray(matrix, np.float64) + shift, (gone.shape[1], gone.shape[0]), flags=cv2.INTER_LINEAR
    )
    gone[as_codes(piece) > 127] = 255


def _eat_to_midrib(gone: Mask, midrib: Points, rng: np.random.Generator) -> None:
    """Eat both sides of the midrib away, leaving a diamond of blade round the rib's end; tip gone, or a band before it."""
    start = float(rng.uniform(0.4, 0.75))
    tip = float(rng.uniform(start + 0.1, 1.0))
    span = midrib[-1] - midrib[0]
    length = float(np.hypot(*span))
    along = span / length
    across = np.asarray([-along[1], along[0]])
    widest = float(rng.uniform(0.015, 0.07)) * length
    for side in (-1, 1):
        begin = start + rng.normal(0, 0.06)
        u = np.linspace(begin, 1.2, 40)
        stand = np.interp(u, [begin, begin + 0.3 * (tip - begin), tip], [0.004 * length, widest, 0.0])
        ragged = 0.006 * length * np.abs(np.interp(u, np.linspace(begin, 1.2, 14), rng.normal(0, 1, 14)))
        inner = (
            midrib[0]
            + along * (u * length)[:, None]
            + side * across * (np.where(u < tip, stand + ragged, 0))[:, None]
        )
        outer_u = np.linspace(1.2, begin - rng.uniform(-0.1, 0.25), 12)
        out = np.linspace(1.0, 0.02, 12) ** rng.uniform(0.6, 1.6) * length
        outer = midrib[0] + along * (outer_u * length)[:, None] + side * across * out[:, None]
        cv2.fillPoly(gone, [np.round(np.concatenate([inner, outer])).astype(np.int32)], 255)


def _keep_largest(blade: Mask) -> Mask:
    """Drop the pieces of a blade that nothing holds any more."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(blade)
    if count <= 2:
        return blade
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return np.where(labels == largest, 255, 0).astype(np.uint8)


def _outline_marks(gone: Mask, intact: Mask) -> tuple[Mark, ...]:
    inside = cv2.erode(intact, np.ones((5, 5), np.uint8))
    contours, _ = cv2.findContours(gone, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    marks = []
    for contour in contours:
        if cv2.contourArea(contour) < LEAST_MARK_PX:
            continue
        points = contour[:, 0, :]
        is_hole = bool(np.all(inside[points[:, 1], points[:, 0]] > 0))
        outline = cv2.approxPolyDP(contour, 1.0, True)[:, 0, :]
        marks.append(Mark(((outline + 0.5) / SUPERSAMPLING - 0.5).astype(np.float32), is_hole))
    return tuple(marks)

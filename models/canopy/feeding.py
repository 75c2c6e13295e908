"""Feeding damage: what larvae chew out of a blade, with the outline of each hole and bite.

Works on the supersampled mask of a blade (0 or 255). Holes lie inside, bites come in from the edge, and one kind eats in from
both sides towards the midrib and leaves it standing with a pointed or diamond-shaped tip (common practice, no source).
Missing area is in per cent of the intact blade.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

BLADE_PX = 224
"""Length of a blade in px of the largest sprite: more than most leaves have in a 1080p frame."""

LEAST_MARK_PX = 60
"""Chewed pieces smaller than this (px of the supersampled mask) are crumbs of the drawing and no marks."""

Mask = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class FeedingSettings:
    """How much is chewed.

    Attributes
    ----------
    chewed_share : chance that a leaf shows feeding
    bites : range of bites and holes on such a leaf
    size_share : radius of a bite over the blade's length
    tip_chance : chance that feeding is of the kind that leaves the midrib with a diamond-shaped tip
    """

    chewed_share: float = 0.25
    bites: tuple[int, int] = (1, 5)
    size_share: tuple[float, float] = (0.03, 0.12)
    tip_chance: float = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """One hole or bite: outline float32 (N, 2) of (x, y) in sprite px, and whether it lies inside the blade."""

    outline_xy: NDArray[np.float32]
    is_hole: bool


def chew_blade(
    intact: Mask,
    midrib_xy: NDArray[np.float32],
    rng: np.random.Generator,
    *,
    settings: FeedingSettings,
    real_holes: tuple[Mask, ...] = (),
) -> tuple[Mask, tuple[Mark, ...], float]:
    """Return the blade after feeding (supersampled mask), its marks, and the missing area in per cent."""
    if rng.random() >= settings.chewed_share:
        return intact, (), 0.0
    gone = np.zeros_like(intact)
    scale = intact.shape[1] / (midrib_xy[-1, 0] - midrib_xy[0, 0] + (intact.shape[1] / 2 - BLADE_PX))
    scale = 2.0
    if rng.random() < settings.tip_chance:
        _eat_to_midrib(gone, midrib_xy * scale, rng)
    else:
        for _ in range(int(rng.integers(settings.bites[0], settings.bites[1] + 1))):
            _bite(gone, intact, rng, radius=float(rng.uniform(*settings.size_share)) * BLADE_PX * scale, real_holes=real_holes)
    gone = cv2.bitwise_and(gone, intact).astype(np.uint8)
    blade = cv2.bitwise_and(intact, cv2.bitwise_not(gone)).astype(np.uint8)
    blade = _keep_largest(blade)
    gone = cv2.bitwise_and(intact, cv2.bitwise_not(blade)).astype(np.uint8)
    missing = 100.0 * cv2.countNonZero(gone) / max(1, cv2.countNonZero(intact))
    return blade, _outline_marks(gone, intact, scale), missing


def _bite(gone: Mask, intact: Mask, rng: np.random.Generator, *, radius: float, real_holes: tuple[Mask, ...]) -> None:
    """Take one hole or bite: a few overlapping discs along a short arc, or the outline of a real hole."""
    rows, columns = np.nonzero(intact[::8, ::8])
    if rng.random() < 0.6:
        inside = cv2.erode(intact, np.ones((9, 9), np.uint8))
        rows, columns = np.nonzero((intact > inside)[::4, ::4])
        rows, columns = rows // 2, columns // 2
    pick = int(rng.integers(len(rows)))
    centre = np.asarray([columns[pick] * 8, rows[pick] * 8], float)
    if real_holes and rng.random() < 0.5:
        _stamp(gone, real_holes[int(rng.integers(len(real_holes)))], centre, rng, radius=radius)
        return
    heading = rng.uniform(0, 2 * np.pi)
    for _ in range(int(rng.integers(2, 7))):
        cv2.circle(gone, (int(centre[0]), int(centre[1])), max(2, int(radius * rng.uniform(0.45, 0.9))), 255, cv2.FILLED)
        heading += rng.normal(0, 0.5)
        centre += radius * 0.6 * np.asarray([np.cos(heading), np.sin(heading)])


def _stamp(gone: Mask, hole: Mask, centre: NDArray[np.float64], rng: np.random.Generator, *, radius: float) -> None:
    scale = 2.5 * radius / max(hole.shape)
    turn = cv2.getRotationMatrix2D((hole.shape[1] / 2, hole.shape[0] / 2), float(rng.uniform(0, 360)), scale)
    turn[:, 2] += centre - np.asarray([hole.shape[1] / 2, hole.shape[0] / 2])
    piece = cv2.warpAffine(hole, turn, (gone.shape[1], gone.shape[0]), flags=cv2.INTER_LINEAR)
    np.maximum(gone, np.where(piece > 127, 255, 0).astype(np.uint8), out=gone)


def _eat_to_midrib(gone: Mask, midrib: NDArray[np.float32], rng: np.random.Generator) -> None:
    """Eat the blade away on both sides of the midrib from the tip end, leaving a diamond of blade round the rib's end."""
    start = float(rng.uniform(0.45, 0.8))
    tip = float(rng.uniform(start + 0.08, 1.0))
    axis = midrib[-1] - midrib[0]
    length = float(np.hypot(*axis))
    along = axis / length
    across = np.asarray([-along[1], along[0]])
    widest = float(rng.uniform(0.02, 0.07)) * length
    for side in (-1, 1):
        lag = rng.normal(0, 0.05)
        u = np.linspace(start + lag, 1.2, 24)
        stand = np.where(
            u < tip, np.interp(u, [start + lag, (start + tip) / 2, tip], [0.006 * length, widest, 0.0]), 0.0
        )
        ragged = np.abs(np.sin(u * rng.uniform(20, 40))) * 0.01 * length
        inner = midrib[0] + along * u[:, None] * length + side * across * (stand + ragged)[:, None]
        slope = 0.15 * length * rng.uniform(-0.3, 1.0)
        corner = midrib[0] + along * (1.2 * length) + side * across * length
        far = midrib[0] + along * ((start + lag) * length - slope) + side * across * length
        points = np.concatenate([inner, corner[None], far[None]])
        cv2.fillPoly(gone, [np.round(points).astype(np.int32)], 255)


def _keep_largest(blade: Mask) -> Mask:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(blade)
    if count <= 2:
        return blade
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return np.where(labels == largest, 255, 0).astype(np.uint8)


def _outline_marks(gone: Mask, intact: Mask, scale: float) -> tuple[Mark, ...]:
    inside = cv2.erode(intact, np.ones((5, 5), np.uint8))
    contours, _ = cv2.findContours(gone, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    marks = []
    for contour in contours:
        if cv2.contourArea(contour) < LEAST_MARK_PX:
            continue
        points = contour[:, 0, :]
        is_hole = bool(np.all(inside[points[:, 1], points[:, 0]] > 0))
        outline = cv2.approxPolyDP(contour, 1.0, True)[:, 0, :]
        marks.append(Mark(((outline + 0.5) / scale - 0.5).astype(np.float32), is_hole))
    return tuple(marks)

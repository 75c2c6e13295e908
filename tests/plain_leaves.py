"""Pictures of flat leaves drawn in quite another way than the canopy of training: no light transport, no layers, no shadows cast.

A search that only knew how the drawn canopy looks would find nothing here. Places are (x, y) px; the same seed gives the same
picture. Nothing is searched here (`tests/bench/plain_leaves.py`, `tests/detect/test_network_scoring.py`).
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

ROWS, COLUMNS = 720, 1280
GAMMA = 2.2
LENGTHS_PX = (12.0, 70.0)
MARGIN_PX = 40
JPEG_QUALITY = 85

Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlainLarva:
    """A slug-shaped shade: where its middle lies and how long it is, px."""

    middle_xy: tuple[float, float]
    length_px: float


@dataclass(frozen=True, slots=True, eq=False)
class PlainPicture:
    """uint8 RGB (720, 1280, 3) and the larvae in it."""

    rgb: NDArray[np.uint8]
    larvae: tuple[PlainLarva, ...]


def draw_plain_picture(seed: int) -> PlainPicture:
    """Draw leaves with midribs before a sky, twigs, round specks, up to five larvae; then blur, noise and JPEG."""
    rng = np.random.default_rng(seed)
    light = np.ones((ROWS, COLUMNS, 3)) * np.array([0.75, 0.85, 0.95]) * rng.uniform(0.5, 1.0)
    leaves = _lay_leaves(light, rng)
    for _ in range(int(rng.uniform(2, 7))):
        twig = np.array([[-600, -2], [600, -1], [600, 1], [-600, 3]]) * [1, rng.uniform(0.6, 2.5)]
        _fill(light, _put(twig, rng.uniform(0, 2 * np.pi), _choose_place(rng)), (0.12, 0.1, 0.08))
    for _ in range(6):
        around, radius = np.linspace(0, 2 * np.pi, 30), rng.uniform(3, 14)
        speck = radius * np.stack([np.cos(around), rng.uniform(0.7, 1) * np.sin(around)], axis=1)
        _fill(light, _put(speck, 0.0, _choose_place(rng)), (0.1, 0.1, 0.06))
    larvae = _lay_larvae(light, rng, leaves)
    codes = np.clip(light * rng.uniform(0.8, 1.6), 0, 1) ** (1 / GAMMA) * 255
    codes = cv2.GaussianBlur(codes, (0, 0), rng.uniform(0.25, 1.3))
    codes += rng.normal(0, rng.uniform(0.5, 4), codes.shape)
    bgr = np.clip(codes, 0, 255).astype(np.uint8)[..., ::-1]
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return PlainPicture(cv2.cvtColor(cv2.imdecode(data, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB), larvae)


def _lay_leaves(light: Points, rng: np.random.Generator) -> list[tuple[float, Points, float]]:
    """Lay opaque leaves over each other; return each one's length, middle and direction."""
    usual, leaves = rng.uniform(90, 190), []
    for _ in range(int(rng.uniform(18, 40))):
        length, middle = usual * rng.uniform(0.7, 1.2), _choose_place(rng)
        turn, green = rng.uniform(0, 2 * np.pi), rng.uniform(0.25, 0.6)
        along = np.linspace(0, 1, 60)
        side = np.sin(np.pi * along ** rng.uniform(0.7, 1.2)) * rng.uniform(0.4, 0.95) * length / 2
        _fill(light, _put(_close(along * length - length / 2, side, 0 * side), turn, middle), _tint(green))
        rib = np.array(
            [[-length / 2 - 20, -1], [length / 2, -0.3], [length / 2, 0.3], [-length / 2 - 20, 1.5]]
        )
        _darken(light, _put(rib, turn, middle), 0.6)
        leaves.append((length, middle, turn))
    return leaves


def _tint(green: float) -> tuple[float, float, float]:
    return 0.55 * green, 1.25 * green, 0.25 * green


def _lay_larvae(
    light: Points, rng: np.random.Generator, leaves: list[tuple[float, Points, float]]
) -> tuple[PlainLarva, ...]:
    larvae: list[PlainLarva] = []
    for _ in range(5):
        leaf_px, leaf_xy, turn = leaves[int(rng.integers(len(leaves)))]
        length = min(float(np.exp(rng.uniform(*np.log(LENGTHS_PX)))), 0.75 * leaf_px)
        turn = turn + rng.choice([0, np.pi]) + rng.normal(0, 0.25)
        middle = leaf_xy + rng.normal(0, 0.05 * leaf_px, 2)
        if (middle < MARGIN_PX).any() or (middle > np.array([COLUMNS, ROWS]) - MARGIN_PX).any():
            continue
        ground = light[int(middle[1]), int(middle[0])]
        if ground[1] < 0.12 or ground[1] < 1.1 * ground.mean():
            continue  # a twig, a speck or the sky lies there
        if any(np.hypot(*(middle - other.middle_xy)) < length + other.length_px for other in larvae):
            continue
        through = rng.uniform(0.08, 0.25)
        for part in _shape_larva(rng, length):
            _darken(light, _put(part, turn, middle), through)
        larvae.append(PlainLarva((float(middle[0]), float(middle[1])), length))
    return tuple(larvae)


def _shape_larva(rng: np.random.Generator, length: float) -> list[Points]:
    """Return body and two horns, the head towards +x."""
    along, width = np.linspace(0, 1, 40), rng.uniform(0.16, 0.24) * length
    side = np.minimum(along / 0.5, 1) ** 0.7 * np.minimum((1 - along) / 0.08, 1) ** 0.5 * width / 2
    bend = rng.normal(0, 0.08) * length * 4 * along * (1 - along)
    tip = length / 2
    horns = [
        np.array([[tip - 1, 0.15 * s * width], [1.2 * tip, 0.45 * s * width], [tip - 1, 0.3 * s * width]])
        for s in (-1, 1)
    ]
    return [_close(along * length - tip, side, bend), *horns]


def _close(along: Points, side: Points, middle: Points) -> Points:
    upper, lower = (np.stack([along, middle + sign * side], axis=1) for sign in (1, -1))
    return np.concatenate([upper, lower[::-1]])


def _choose_place(rng: np.random.Generator) -> Points:
    return rng.uniform((0, 0), (COLUMNS, ROWS))


def _put(points: Points, turn: float, middle: Points) -> Points:
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return points @ matrix.T + middle


def _mask(light: Points, points: Points) -> Points:
    mask = np.zeros(light.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], 255, cv2.LINE_AA, shift=4)
    return mask[..., None] / 255.0


def _fill(light: Points, points: Points, colour: tuple[float, float, float]) -> None:
    mask = _mask(light, points)
    light += mask * (np.array(colour) - light)


def _darken(light: Points, points: Points, through: float) -> None:
    light *= 1 - _mask(light, points) * (1 - through)

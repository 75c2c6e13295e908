"""Tree cards drawn into canopy: a printed card held before a pinhole camera, and whole walks from tree to tree with their truth.

Pictures are uint8 (rows, columns, 3) RGB. Truth of a walk: (number, first moment, last moment) of each card in seconds. Where no
photographs are at hand, canopy is drawn from overlapping ellipses.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.cards import MODULES, draw_marker
from tests.conftest import write_clip

Picture = NDArray[np.uint8]
Truth = tuple[tuple[int, float, float], ...]

CARD_SIDE_MM = 140.0
MODULE_MM = CARD_SIDE_MM / MODULES
SHEET_MM = (297.0, 210.0)
MARKER_TOP_MM = 66.0
DOTS_PER_MM = 2.0

PRINT_CODES = (35, 225)
DIM_CODES = (25, 110)
"""8-bit codes of the black and the white of a card in good and in dim light."""

NOISE = 3.0
BREATH_MM = 40.0
"""How far a hand sways."""


@dataclass(frozen=True)
class Pose:
    """Where a card is before a pinhole: the sheet's corners in the picture, float32 (4, 2), (row, column), clockwise."""

    corners: NDArray[np.float32]


def make_canopy(photos: Sequence[Picture], size_px: tuple[int, int], rng: np.random.Generator) -> Picture:
    """Canopy of this size: a piece of a photograph, turned and enlarged, or drawn leaves where there is none."""
    if not photos:
        return draw_leaves(size_px, rng)
    photo = photos[int(rng.integers(len(photos)))]
    photo = np.ascontiguousarray(np.rot90(photo, int(rng.integers(4))))
    rows, columns = photo.shape[:2]
    share = rng.uniform(0.4, 1.0)
    high, wide = int(rows * share), int(columns * share)
    top, left = int(rng.integers(rows - high + 1)), int(rng.integers(columns - wide + 1))
    piece = photo[top : top + high, left : left + wide, ::-1]
    return cv2.resize(piece, size_px[::-1], interpolation=cv2.INTER_CUBIC).astype(np.uint8)


def draw_leaves(size_px: tuple[int, int], rng: np.random.Generator) -> Picture:
    """Sunlit leaves over each other, with twigs."""
    picture = np.full((*size_px, 3), (225, 235, 240), np.uint8)
    for _ in range(size_px[0] * size_px[1] // 2500):
        centre = (int(rng.integers(size_px[1])), int(rng.integers(size_px[0])))
        axes = (int(rng.integers(8, 60)), int(rng.integers(4, 30)))
        shade = float(rng.uniform(0.3, 1.0))
        colour = tuple(int(shade * code) for code in (120, 190, 60))
        cv2.ellipse(picture, centre, axes, float(rng.uniform(0, 180)), 0, 360, colour, -1, cv2.LINE_AA)
    for _ in range(12):
        ends = rng.integers(0, size_px[1], 4)
        cv2.line(
            picture,
            (int(ends[0]), int(ends[1])),
            (int(ends[2]), int(ends[3])),
            (40, 35, 30),
            int(rng.integers(2, 14)),
        )
    return picture


def hold_card(
    *,
    distance_mm: float,
    tilt_deg: float,
    focal_px: float,
    size_px: tuple[int, int],
    rng: np.random.Generator | None = None,
    turn_deg: float = 0.0,
    lean_deg: float = 0.0,
    beside_mm: tuple[float, float] = (0.0, 0.0),
) -> Pose:
    """Return where the sheet's corners come to lie, the marker's centre on the line of sight but for `beside_mm` (row, column).

    With `rng` the direction of the lean, the turn and the place are drawn by lot.
    """
    if rng is not None:
        lean_deg, turn_deg = float(rng.uniform(0, 360)), float(rng.uniform(-30, 30))
        beside_mm = (float(rng.uniform(-0.1, 0.1) * distance_mm), float(rng.uniform(-0.1, 0.1) * distance_mm))
    rows_mm, columns_mm = SHEET_MM
    centre = np.array([columns_mm / 2, MARKER_TOP_MM + CARD_SIDE_MM / 2])
    flat = np.array([[0, 0], [columns_mm, 0], [columns_mm, rows_mm], [0, rows_mm]]) - centre
    axis = np.array([np.cos(np.radians(lean_deg)), np.sin(np.radians(lean_deg)), 0.0])
    rotation = (
        cv2.Rodrigues(axis * np.radians(tilt_deg))[0]
        @ cv2.Rodrigues(np.array([0, 0, np.radians(turn_deg)]))[0]
    )
    points = np.column_stack([flat, np.zeros(4)]) @ rotation.T + [beside_mm[1], beside_mm[0], distance_mm]
    places = points[:, :2] / points[:, 2:] * focal_px + [size_px[1] / 2, size_px[0] / 2]
    return Pose(places[:, ::-1].astype(np.float32))


@cache
def draw_sheet(number: int) -> NDArray[np.float32]:
    """The printed sheet as seen from the front, 1 for white, `DOTS_PER_MM` px a mm; only the marker stands on it."""
    modules = np.where(draw_marker(number), 0.0, 1.0).astype(np.float32)
    dots = round(MODULE_MM * DOTS_PER_MM)
    marker = np.kron(modules, np.ones((dots, dots), np.float32))
    sheet = np.ones([round(side * DOTS_PER_MM) for side in SHEET_MM], np.float32)
    top = round(MARKER_TOP_MM * DOTS_PER_MM)
    left = (sheet.shape[1] - marker.shape[1]) // 2
    sheet[top : top + marker.shape[0], left : left + marker.shape[1]] = marker
    return sheet


def put_card(
    canopy: Picture,
    number: int,
    *,
    pose: Pose,
    rng: np.random.Generator,
    blur_px: float = 0.0,
    is_dim: bool = False,
) -> Picture:
    """Draw a card into a picture, then blur all of it and add the noise of the sensor."""
    sheet = draw_sheet(number)
    rows, columns = sheet.shape
    corners = np.float32([[0, 0], [columns, 0], [columns, rows], [0, rows]])
    matrix = cv2.getPerspectiveTransform(corners - 0.5, np.ascontiguousarray(pose.corners[:, ::-1]) - 0.5)
    size = canopy.shape[1::-1]
    black, white = DIM_CODES if is_dim else PRINT_CODES
    shown = cv2.warpPerspective(black + (white - black) * sheet, matrix, size)
    cover = cv2.warpPerspective(np.ones_like(sheet), matrix, size)
    picture = canopy.copy()
    left, top, wide, high = cv2.boundingRect((cover > 0).astype(np.uint8))
    box = (slice(top, top + high), slice(left, left + wide))
    picture[box] = (
        picture[box] * (1 - cover[box][..., None]) + shown[box][..., None] * cover[box][..., None]
    ) + 0.5
    if blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    return add_noise(picture, rng)


@cache
def _make_noise() -> NDArray[np.int8]:
    return np.random.default_rng(0).normal(0, NOISE, (1080 + 64, 1920 + 64, 3)).astype(np.int8)


def add_noise(picture: Picture, rng: np.random.Generator) -> Picture:
    """Add a sensor's noise, a piece of one table at a place drawn by lot."""
    row, column = rng.integers(0, 64, 2)
    noise = _make_noise()[row : row + picture.shape[0], column : column + picture.shape[1]]
    return cv2.add(picture, noise, dtype=cv2.CV_8U).astype(np.uint8)


def film_walk(
    path: Path,
    photos: Sequence[Picture],
    *,
    seed: int,
    numbers: Sequence[int] = tuple(range(3, 15)),
    size_px: tuple[int, int] = (360, 640),
    rate_hz: int = 8,
    tree_s: tuple[float, float] = (2.5, 4.5),
    shown_s: tuple[float, float] = (3.0, 4.0),
    distance_m: tuple[float, float] = (0.35, 0.8),
) -> Truth:
    """Film a walk: at each tree its card is held up, swaying, now and then out of focus, then comes canopy; return the truth."""
    rng = np.random.default_rng(seed)
    focal_px = 26 / 36 * size_px[1]
    truth = []
    moment_s = float(rng.uniform(1, 3))
    for number in numbers:
        length_s = float(rng.uniform(*shown_s))
        truth.append((number, moment_s, moment_s + length_s))
        moment_s += length_s + float(rng.uniform(*tree_s))
    times_s = [Fraction(index, rate_hz) for index in range(int(moment_s * rate_hz))]
    # The truth is what the frames show: the first and the last of each card.
    seen = [
        (number, [float(time_s) for time_s in times_s if first_s <= time_s <= last_s])
        for number, first_s, last_s in truth
    ]
    draw = _Walk(photos, seen, rng=rng, size_px=size_px, focal_px=focal_px, distance_m=distance_m)
    write_clip(
        path,
        times_s=times_s,
        size_px=size_px,
        paint=lambda index: draw.paint(float(times_s[index])),
        options={"preset": "ultrafast", "crf": "26"},
    )
    return tuple((number, times[0], times[-1]) for number, times in seen)


class _Walk:
    """Paints the frames of a walk one after another."""

    def __init__(
        self,
        photos: Sequence[Picture],
        seen: Sequence[tuple[int, list[float]]],
        *,
        rng: np.random.Generator,
        size_px: tuple[int, int],
        focal_px: float,
        distance_m: tuple[float, float],
    ) -> None:
        self._rng, self._size_px, self._focal_px, self._seen = rng, size_px, focal_px, seen
        wider = (size_px[0] * 5 // 4, size_px[1] * 5 // 4)
        self._canopies = [make_canopy(photos, wider, rng) for _ in range(len(seen) + 1)]
        self._held = [self._draw_holding(distance_m) for _ in seen]

    def _draw_holding(self, distance_m: tuple[float, float]) -> dict[str, float]:
        rng = self._rng
        return {
            "distance_mm": 1000 * float(rng.uniform(*distance_m)),
            "tilt_deg": float(rng.uniform(0, 40)),
            "lean_deg": float(rng.uniform(0, 360)),
            "turn_deg": float(rng.uniform(-25, 25)),
            "blur_px": float(rng.choice([0.0, 1.0, 2.0])),
        }

    def paint(self, time_s: float) -> Picture:
        """The frame of one moment."""
        gone = sum(times[0] <= time_s for _, times in self._seen)
        canopy = self._pan(self._canopies[gone], time_s)
        now = [place for place, (_, times) in enumerate(self._seen) if times[0] <= time_s <= times[-1]]
        if not now:
            return add_noise(canopy, self._rng)
        held = dict(self._held[now[0]])
        blur_px = held.pop("blur_px") + (3.0 if self._rng.random() < 0.1 else 0.0)
        sway = BREATH_MM * np.array([np.sin(3 * time_s), np.cos(2.3 * time_s)])
        pose = hold_card(
            **held, focal_px=self._focal_px, size_px=self._size_px, beside_mm=(float(sway[0]), float(sway[1]))
        )
        return put_card(canopy, self._seen[now[0]][0], pose=pose, rng=self._rng, blur_px=blur_px)

    def _pan(self, wide: Picture, time_s: float) -> Picture:
        free = (wide.shape[0] - self._size_px[0], wide.shape[1] - self._size_px[1])
        row = int(free[0] * (0.5 + 0.45 * np.sin(1.7 * time_s)))
        column = int(free[1] * (0.5 + 0.45 * np.cos(1.1 * time_s)))
        return wide[row : row + self._size_px[0], column : column + self._size_px[1]]


def list_truth_stretches(truth: Truth, end_s: float) -> Iterator[tuple[int, float, float]]:
    """The stretch of each tree: from its card to the next one, the last to the end."""
    starts = [first_s for _, first_s, _ in truth] + [end_s]
    for place, (number, first_s, _) in enumerate(truth):
        yield number, first_s, starts[place + 1]

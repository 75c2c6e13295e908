"""A small clip of one lit leaf, held by a shaking hand whose every move is known."""

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.conftest import write_clip

ROWS, COLUMNS = 300, 400
RATE_HZ = 15
RECORDED = "2026-05-17T11:42:00Z"


def draw_leaf() -> NDArray[np.uint8]:
    """A lit green ground with veins and mottles, a strip of sky along one side."""
    rng = np.random.default_rng(3)
    mottle = cv2.GaussianBlur(rng.normal(0, 60, (ROWS, COLUMNS)).astype(np.float32), (0, 0), 4)
    leaf = np.stack([95 + mottle, 170 + mottle, 50 + mottle / 2], axis=2)
    leaf = np.clip(leaf, 0, 255).astype(np.uint8)
    for _ in range(70):
        start, end = (tuple(int(v) for v in rng.integers(0, COLUMNS, 2)) for _ in range(2))
        cv2.line(leaf, start, end, (128, 205, 80), 2, cv2.LINE_AA)
    leaf[:, :30] = 250
    return leaf


LEAF = draw_leaf()


def find_shift(index: int) -> tuple[int, int]:
    """How far frame `index` is moved (down, right), in px."""
    return round(6 * np.sin(index / 5)), round(9 * np.cos(index / 7))


def paint(index: int) -> NDArray[np.uint8]:
    """The leaf as frame `index` shows it."""
    return np.roll(LEAF, find_shift(index), axis=(0, 1))


def film_leaf(path: Path, *, seconds: float = 3.0) -> Path:
    """Encode the clip."""
    write_clip(
        path,
        times_s=round(seconds * RATE_HZ),
        size_px=(ROWS, COLUMNS),
        rate_hz=RATE_HZ,
        paint=paint,
        metadata={"creation_time": RECORDED},
        options={"crf": "16", "preset": "ultrafast"},
    )
    return path

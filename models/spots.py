"""Marked places of pictures, as points with a length: what stands where, and which of it can be taught.

Larvae that nobody could see are neither asked for nor forbidden. Pixels are (row, column), full resolution; no tensor here.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.clip import find_box, measure_length
from models.canopy.truth import Outline
from models.examples import Example

TEACHABLE_VISIBLE = 0.4
TEACHABLE_LENGTH_PX = 5.0
"""Larvae hidden more than this, or shorter, are neither asked for nor forbidden."""

TEACHABLE_CONTRAST = 0.4
"""Nor are larvae that are no shade: at least this share of what lies about a body must be clearly brighter than it."""

BRIGHTER_BY_SHARE, BRIGHTER_BY_CODES = 1.15, 6.0
"""Clearly brighter: by this factor and these 8-bit codes of green; noise and compression reach about half of that."""

NEAR_PX, RING_PX = 1, 5
"""What lies about a body: from the first to the second distance, in px, from its outline."""


@dataclass(frozen=True, slots=True, eq=False)
class Spots:
    """Marked places of one picture: float32 (N,) rows and columns of the middle, lengths in px, and whether to teach them."""

    rows: NDArray[np.float32]
    columns: NDArray[np.float32]
    lengths_px: NDArray[np.float32]
    teach: NDArray[np.bool_]


def list_larva_spots(example: Example) -> Spots:
    """Return the larvae of a picture as spots; those that nobody could see are not taught."""
    marks = example.truth.larvae
    lengths = np.array([mark.length_px for mark in marks], np.float32)
    teach = lengths >= TEACHABLE_LENGTH_PX
    if example.judged is None:  # what a person outlined, somebody saw
        visible = np.array([mark.visible for mark in marks], np.float32)
        contrast = np.array([measure_contrast(example.rgb, mark.outline) for mark in marks], np.float32)
        teach &= (visible >= TEACHABLE_VISIBLE) & (contrast >= TEACHABLE_CONTRAST)
    return _make_spots([mark.box for mark in marks], lengths, teach)


def list_judged_spots(example: Example) -> tuple[Spots, Spots] | None:
    """Return what people judged in a picture, as to larvae and as to feeding; None where all of it is known."""
    if example.judged is None:
        return None
    first, second = (
        _list_outlined(outlines, example.rgb.shape[:2])
        for outlines in (example.judged.larvae, example.judged.feeding)
    )
    return first, second


def _list_outlined(outlines: Sequence[Outline], size_px: tuple[int, ...]) -> Spots:
    boxes = [find_box(outline[:, ::-1].copy(), size_px) for outline in outlines]
    lengths = np.array([measure_length(outline[:, ::-1].copy()) for outline in outlines], np.float32)
    seen = np.array([box is not None for box in boxes], bool)
    return _make_spots(
        [box for box in boxes if box is not None], lengths[seen], np.ones(int(seen.sum()), bool)
    )


def measure_contrast(rgb: NDArray[np.uint8], outline: NDArray[np.float32]) -> float:
    """Return the share, 0 to 1, of what lies about an outline (N, 2) in (H, W, 3) that is clearly brighter than its inside."""
    margin = RING_PX + 2
    low = np.maximum(np.floor(outline.min(axis=0)).astype(int) - margin, 0)
    high = np.minimum(np.ceil(outline.max(axis=0)).astype(int) + margin + 1, rgb.shape[:2])
    if (high - low < 2).any():
        return 0.0
    inside = np.zeros(tuple(high - low), np.uint8)
    points = np.round((outline - low)[:, ::-1] * 16).astype(np.int32)
    cv2.fillPoly(inside, [points], 1, shift=4)
    near, far = (cv2.dilate(inside, np.ones((2 * reach + 1,) * 2, np.uint8)) for reach in (NEAR_PX, RING_PX))
    green = rgb[low[0] : high[0], low[1] : high[1], 1].astype(np.float32)
    body, ring = green[inside > 0], green[far > near]
    if not len(body) or not len(ring):
        return 0.0
    return float((ring >= float(np.median(body)) * BRIGHTER_BY_SHARE + BRIGHTER_BY_CODES).mean())


def list_feeding_spots(example: Example) -> Spots:
    """Return the chewed pieces of a picture as spots; a piece is as long as its box."""
    boxes = [mark.box for mark in example.truth.feeding]
    lengths = np.array([max(box[2] - box[0], box[3] - box[1]) for box in boxes], np.float32)
    return _make_spots(boxes, lengths, lengths >= TEACHABLE_LENGTH_PX)


def _make_spots(
    boxes: Sequence[tuple[int, ...]], lengths: NDArray[np.float32], teach: NDArray[np.bool_]
) -> Spots:
    edges = np.array(boxes, np.float32).reshape(-1, 4)
    rows, columns = (edges[:, 0] + edges[:, 2] - 1) / 2, (edges[:, 1] + edges[:, 3] - 1) / 2
    return Spots(rows.astype(np.float32), columns.astype(np.float32), lengths, teach)


NO_SPOTS = _make_spots((), np.zeros(0, np.float32), np.zeros(0, bool))


@dataclass(frozen=True, slots=True, eq=False)
class SpotTable:
    """Spots of many pictures or squares, one row each, padded: (N, S) like `Spots`, and which of them are there."""

    rows: NDArray[np.float32]
    columns: NDArray[np.float32]
    lengths_px: NDArray[np.float32]
    teach: NDArray[np.bool_]
    there: NDArray[np.bool_]


def tabulate_spots(spots: Sequence[Spots]) -> SpotTable:
    """Put the spots of many pictures into one table."""
    most = max(1, *(len(some.rows) for some in spots))
    numbers = np.zeros((3, len(spots), most), np.float32)
    flags = np.zeros((2, len(spots), most), bool)
    for n, some in enumerate(spots):
        count = len(some.rows)
        numbers[:, n, :count] = some.rows, some.columns, some.lengths_px
        flags[0, n, :count] = some.teach
        flags[1, n, :count] = True
    return SpotTable(*numbers, *flags)

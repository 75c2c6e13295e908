"""Pictures to tensors: the one road that both training and searching take.

The seeker reads a whole frame at half size and answers for cells of 8 x 8 full-resolution px. The judge reads two square
crops about one place: `near`, in which a body is at most about half as long as the crop,
and `wide`, four times as far across, for the leaf around it. Crops are plain cuts from a pyramid (level n has one element for
2**n px), so nothing is resampled twice. Pixels are (row, column); pictures uint8 RGB (H, W, 3). This file knows no network and
opens no file.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import torch

Picture = NDArray[np.uint8]

HALF_PX = 2
"""The seeker's picture has one element for 2 x 2 px: a body of 6 px is still 3 elements long, at a quarter of the cost."""

CELL_ELEMENTS = 4
CELL_PX = HALF_PX * CELL_ELEMENTS

GRID_CELLS = 4
"""The seeker thinks on grids of up to 4 x 4 cells, so its maps are multiples of that in both directions."""

CROP_PX = 48
"""Side of a crop, in elements of its level."""

WIDE_LEVELS = 2
"""The wide crop lies this many levels above the near one: four times as far across."""

MOST_NEAR_LEVEL = 2
LEVELS = MOST_NEAR_LEVEL + WIDE_LEVELS + 1

LONGEST_AT_NATIVE_PX = 26.0
"""A body longer than this is cut from the next level: it then fills at most about half the crop and leaves its leaf in view."""

MEAN_CODE = 110.0
CODE_SPREAD = 64.0
"""8-bit codes become (code - mean) / spread; rough figures of backlit canopy, fixed once for all weights."""


def shrink(picture: Picture) -> Picture:
    """Halve a (H, W, 3) picture by averaging 2 x 2 pixels; an odd last row or column is averaged in, never dropped below one."""
    height, width = picture.shape[:2]
    size = (max(1, width // HALF_PX), max(1, height // HALF_PX))
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)


def build_pyramid(rgb: Picture, *, half: Picture) -> list[Picture]:
    """Return `LEVELS` pictures, each half the size of the one before; `half` is level 1 where it is known already."""
    levels = [rgb, half]
    while len(levels) < LEVELS:
        levels.append(shrink(levels[-1]))
    return levels


def pad_to_grid(half: Picture) -> Picture:
    """Let the edge of a half-size picture go on until it holds whole grids of cells."""
    step = CELL_ELEMENTS * GRID_CELLS
    height, width = half.shape[:2]
    more_rows, more_columns = -height % step, -width % step
    if not more_rows and not more_columns:
        return half
    padded = cv2.copyMakeBorder(half, 0, more_rows, 0, more_columns, cv2.BORDER_REPLICATE)
    return padded.astype(np.uint8, copy=False)


def make_seeker_input(halves: "torch.Tensor", *, dtype: "torch.dtype") -> "torch.Tensor":
    """Turn half-size pictures (B, h, w, 3) of codes 0 to 255 into what the seeker takes: (B, 3, h, w), channels last."""
    return _scale(halves, dtype).permute(0, 3, 1, 2)


def choose_level(length_px: float) -> int:
    """Return the pyramid level from which a body of this length is cut: 0, 1 or 2."""
    doublings = np.ceil(np.log2(max(length_px, 1.0) / LONGEST_AT_NATIVE_PX))
    return int(np.clip(doublings, 0, MOST_NEAR_LEVEL))


def choose_finer(level: int) -> int:
    """Return the next finer level, 0 where there is none: a long body judged there too shows its edge, if not its leaf."""
    return max(0, level - 1)


def find_corner(
    place_px: Sequence[float] | NDArray[np.float64], level: int, *, side: int = CROP_PX
) -> tuple[int, int]:
    """Return the (row, column) at a level of the top left element of the crop about a full-resolution place."""
    step = 2**level
    row, column = ((float(value) + 0.5) / step for value in place_px)
    return round(row - side / 2), round(column - side / 2)


def cut_crops(
    pyramid: Sequence[Picture], places_px: NDArray[np.float64], levels: Sequence[int]
) -> NDArray[np.uint8]:
    """Cut the near and the wide crop about each place.

    Parameters
    ----------
    places_px : float64 (N, 2), (row, column) in full-resolution px
    levels : the near crop's level of each place

    Returns
    -------
    uint8 (N, 2, 48, 48, 3): near, then wide; beyond the picture its edge goes on.
    """
    crops = np.empty((len(levels), 2, CROP_PX, CROP_PX, 3), np.uint8)
    for number, level in enumerate(levels):
        for which, at in enumerate((level, level + WIDE_LEVELS)):
            crops[number, which] = cut_square(pyramid[at], places_px[number], at, side=CROP_PX)
    return crops


def cut_square(
    picture: Picture, place_px: Sequence[float] | NDArray[np.float64], level: int, *, side: int
) -> Picture:
    """Cut (side, side, 3) about a full-resolution place from the picture of a level; beyond it its edge goes on."""
    row, column = find_corner(place_px, level, side=side)
    height, width = picture.shape[:2]
    if 0 <= row <= height - side and 0 <= column <= width - side:
        return picture[row : row + side, column : column + side]
    rows = np.clip(np.arange(row, row + side), 0, height - 1)
    columns = np.clip(np.arange(column, column + side), 0, width - 1)
    return picture[rows[:, None], columns[None, :]]


LEAST_KEPT_PX, MOST_KEPT_PX = 160, 640
KEPT_PER_LENGTH = 6
"""What is kept of a frame shows about six lengths of the animal, so that its leaf is seen with it."""


def find_window(middle_px: Sequence[float], length_px: float, size_px: Sequence[int]) -> tuple[slice, slice]:
    """Return the rows and columns of a frame of `size_px` that are kept about a body: a square, or less."""
    side = int(min(MOST_KEPT_PX, max(LEAST_KEPT_PX, KEPT_PER_LENGTH * length_px)))
    starts = (
        max(0, min(whole - side, int(2 * middle + 1 - side) // 2))
        for middle, whole in zip(middle_px, size_px, strict=False)
    )
    rows, columns = (slice(start, start + side) for start in starts)
    return rows, columns


def draw_crop_mask(
    outline: NDArray[np.float32], place_px: Sequence[float] | NDArray[np.float64], level: int
) -> NDArray[np.uint8]:
    """Draw a full-resolution outline (N, 2) into the near crop about a place: uint8 (48, 48), 0 to 255 by share covered."""
    finer = 4
    corner = np.asarray(find_corner(place_px, level), np.float64)
    inside = ((outline + 0.5) / 2**level - corner) * finer - 0.5
    big = np.zeros((CROP_PX * finer, CROP_PX * finer), np.uint8)
    points = np.round(np.clip(inside[:, ::-1], -1e4, 1e4) * 16).astype(np.int32)
    cv2.fillPoly(big, [points], 255, shift=4)
    return cv2.resize(big, (CROP_PX, CROP_PX), interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)


def make_judge_input(crops: "torch.Tensor", *, dtype: "torch.dtype") -> "torch.Tensor":
    """Turn crops (B, 2, 48, 48, 3) of codes 0 to 255 into what the judge takes: (B, 2, 3, 48, 48)."""
    return _scale(crops, dtype).permute(0, 1, 4, 2, 3)


def _scale(codes: "torch.Tensor", dtype: "torch.dtype") -> "torch.Tensor":
    # In place on a copy: at 4K each further copy is 12 MB.
    return codes.to(dtype, copy=True).sub_(MEAN_CODE).div_(CODE_SPREAD)

"""Which frames are worth a close look: the sharpness of every frame, and the sharpest of each short window.

Sharpness depends on the scene, so it only ranks frames within one clip. Windows are cut on the clip's own time stamps.
This file finds nothing in a frame.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.clips import Frame, read_luma

ROW_STEP = 4
"""Every fourth row is looked at: gradients along a row tell blur as well from a quarter of the rows, at a quarter of the time."""

LAG_PX = 2
"""Differences over two pixels: one pixel apart, the codec's own smoothing hides the blur that matters."""

UNUSABLE_SHARE_OF_MEDIAN = 0.4
"""A window whose best frame has under this share of the clip's median sharpness is counted as too blurred to use.
Own choice, not measured."""


@dataclass(frozen=True, slots=True, eq=False)
class WatchedFrame:
    """A frame with its sharpness.

    Attributes
    ----------
    frame : the frame itself, not yet converted
    sharpness : mean absolute gradient in grey levels, comparable within one clip only
    """

    frame: Frame
    sharpness: float


def measure_sharpness(luma: NDArray[np.uint8]) -> float:
    """Return the mean absolute difference over `LAG_PX` along rows and columns of a (H, W) uint8 picture, in grey levels.

    A picture too small to have a difference has a sharpness of 0.
    """
    height, width = luma.shape
    if height <= 2 * ROW_STEP or width <= LAG_PX:
        return 0.0
    rows = luma[::ROW_STEP]
    along_rows = cv2.norm(rows[:, LAG_PX:], rows[:, :-LAG_PX], cv2.NORM_L1) / rows[:, LAG_PX:].size
    upper, lower = luma[: -LAG_PX : 2 * ROW_STEP], luma[LAG_PX :: 2 * ROW_STEP]
    count = min(len(upper), len(lower))
    down_columns = cv2.norm(upper[:count], lower[:count], cv2.NORM_L1) / upper[:count].size
    return float(along_rows + down_columns) / 2


def watch_frames(frames: Iterable[Frame]) -> Iterator[WatchedFrame]:
    """Measure the sharpness of every frame."""
    for frame in frames:
        yield WatchedFrame(frame, measure_sharpness(read_luma(frame)))


def choose_sharp(
    watched: Iterable[WatchedFrame], *, window_s: float, done_s: float | None = None
) -> Iterator[WatchedFrame]:
    """Yield the sharpest frame of each window of `window_s` seconds, the earliest of equals.

    Windows stand at whole multiples of `window_s` from the clip's first frame, so a search that goes on later in the clip
    cuts the same windows: frames in the window of `done_s` are passed over.
    """
    best: WatchedFrame | None = None
    done_window = window = -1 if done_s is None else find_window(done_s, window_s)
    for item in watched:
        here = find_window(item.frame.time_s, window_s)
        if here <= done_window:
            continue
        if best is not None and here != window:
            yield best
            best = None
        window = here
        if best is None or item.sharpness > best.sharpness:
            best = item
    if best is not None:
        yield best


def find_window(time_s: float, window_s: float) -> int:
    """Return the number of the window that a moment lies in, counted from the clip's first frame."""
    return int(time_s / window_s)


def rank_sharpness(values: Sequence[float]) -> list[float]:
    """Return the rank of each value among all of them, 0 (worst) to 1 (best); equals share the middle of their ranks."""
    if len(values) < 2:
        return [1.0] * len(values)
    ordered = sorted(values)
    last = len(values) - 1
    return [(bisect_left(ordered, v) + bisect_right(ordered, v) - 1) / 2 / last for v in values]


def find_usable(values: Sequence[float]) -> list[bool]:
    """Tell for each window's best sharpness whether it is usable, against the median of the clip."""
    if not values:
        return []
    floor = UNUSABLE_SHARE_OF_MEDIAN * float(np.median(values))
    return [value > 0 and value >= floor for value in values]

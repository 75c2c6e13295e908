"""The two kinds of array that drawing passes on: float32 pictures and 8-bit codes. Conversions copy only where they must."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatImage = NDArray[np.float32]
Codes = NDArray[np.uint8]


def as_float(values: ArrayLike) -> FloatImage:
    """Return values as float32."""
    return np.asarray(values, np.float32)


def as_codes(values: ArrayLike) -> Codes:
    """Return values as uint8."""
    return np.asarray(values, np.uint8)


def as_pixels(points_xy: NDArray[Any]) -> NDArray[np.int32]:
    """Return points (N, 2) in sixteenths of a px, as OpenCV's drawing takes them with shift 4."""
    return np.asarray(np.round(points_xy * 16), np.int32)

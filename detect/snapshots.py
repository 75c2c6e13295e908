"""Pictures kept of what was found: the surroundings of a place, and the whole frame reduced. Colours are never changed."""

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.regions import Region
from models.patches import find_window

PICTURE_QUALITY = 92
FRAME_WIDTH_PX = 640
FRAME_QUALITY = 80

LEAST_LINEAR_SCALE = 0.5
"""Reduced by less than this, a picture stays clean when pixels are taken between their neighbours."""


def cut_picture(rgb: NDArray[np.uint8], region: Region) -> tuple[bytes, tuple[int, int]]:
    """Cut the square surroundings of a region from a (H, W, 3) frame; return the JPEG and its (row, column) origin."""
    top, left, bottom, right = region.box
    middle = (top + bottom - 1) / 2, (left + right - 1) / 2
    rows, columns = find_window(middle, region.length_px, rgb.shape[:2])
    return encode_jpeg(rgb[rows, columns], quality=PICTURE_QUALITY), (rows.start, columns.start)


def shrink_frame(rgb: NDArray[np.uint8]) -> bytes:
    """Return a whole frame (H, W, 3), at any size that fills it, as a JPEG of at most `FRAME_WIDTH_PX` on its longer side."""
    height, width = rgb.shape[:2]
    scale = min(1.0, FRAME_WIDTH_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    # Averaging areas that are no whole pixels takes five times as long, and only far reductions need it.
    way = cv2.INTER_AREA if scale < LEAST_LINEAR_SCALE else cv2.INTER_LINEAR
    small = cv2.resize(rgb, size, interpolation=way).astype(np.uint8, copy=False)
    return encode_jpeg(small, quality=FRAME_QUALITY)


def encode_jpeg(rgb: NDArray[np.uint8], *, quality: int) -> bytes:
    """Encode a (H, W, 3) uint8 RGB picture as JPEG."""
    done, data = cv2.imencode(
        ".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    if not done:
        raise ValueError(f"a picture of {rgb.shape} could not be encoded as JPEG")
    return data.tobytes()

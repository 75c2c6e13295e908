"""How bright a labelled picture is about what is labelled in it, and the classes of light that labels are counted by.

Light is the mean code value of the surroundings, 0 to 255 over all three colours, as stored: what a network sees, no measure of
the light that fell on the leaf. Without a mark it is that of the picture's middle, where what was dismissed had been.
"""

from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from models.labels import LabelledImage
from models.repeated_pictures import find_middle_mark

LightClass = Literal["dark", "dim", "bright", "glaring"]
LIGHT_CLASSES: tuple[LightClass, ...] = get_args(LightClass)

LIGHT_BOUNDS = (64.0, 128.0, 192.0)
"""Quarters of the code values: under the first it is dark, from the last on glaring."""

AROUND_LENGTHS = 1.0
"""Surroundings reach so many lengths of the mark beyond it on each side: the leaf about it, not the sky beyond the leaf."""

MIDDLE_SHARE = 1 / 6
"""Without a mark: the side of what was dismissed over that of its picture, which the search cuts about six lengths wide."""


def measure_light(rgb: NDArray[np.uint8], image: LabelledImage) -> float:
    """Return the mean code value about the middle mark of a picture, uint8 (H, W, 3); the mark itself is left out."""
    import cv2

    mark = find_middle_mark(image)
    if mark is None:
        size = np.asarray(rgb.shape[:2])
        low, high = (0.5 - MIDDLE_SHARE / 2) * size, (0.5 + MIDDLE_SHARE / 2) * size
    else:
        low, high = mark.outline.min(axis=0), mark.outline.max(axis=0)
    reach = AROUND_LENGTHS * float((high - low).max()) + 1
    top, left = np.maximum(0, np.floor(low - reach)).astype(int)
    bottom, right = np.ceil(high + reach).astype(int) + 1
    window = rgb[top:bottom, left:right]
    around = np.ones(window.shape[:2], np.uint8)
    if mark is not None:
        corners = np.round(mark.outline - (top, left)).astype(np.int32)
        cv2.fillPoly(around, [corners[:, ::-1]], 0)  # (row, column) to OpenCV's (x, y)
    if not around.any():
        around[:] = 1
    return float(window[around.astype(bool)].mean())


def name_light(light: float) -> LightClass:
    """Return the class of a light."""
    return LIGHT_CLASSES[sum(light >= bound for bound in LIGHT_BOUNDS)]

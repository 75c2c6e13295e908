"""Chewed places in a frame of canopy: holes within one leaf, seen as sky enclosed by leaf.

Masks are at half the frame's size, regions at full size, places (row, column). A first version: holes only.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.regions import Region

Mask = NDArray[np.uint8]

LEAST_AREA_PX = 12
MOST_AREA_PX = 6000
LEAST_SOLIDITY = 0.8


def find_feeding(sky_mask: Mask, leaf_mask: Mask, *, scale: int) -> list[Region]:
    """Return the holes in leaves of one frame as regions of kind "feeding"."""
    contours, _ = cv2.findContours(sky_mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    regions = []
    for contour in contours:
        area = cv2.contourArea(contour)
        if not LEAST_AREA_PX <= area <= MOST_AREA_PX:
            continue
        solidity = area / cv2.contourArea(cv2.convexHull(contour))
        if solidity < LEAST_SOLIDITY:
            continue
        x, y, w, h = cv2.boundingRect(contour)
        _, (a, b), _ = cv2.minAreaRect(contour)
        outline = ((contour[:, 0, ::-1] + 0.5) * scale - 0.5).astype(np.float32)
        box = (y * scale, x * scale, (y + h) * scale, (x + w) * scale)
        ring = leaf_mask[max(0, y - 2) : y + h + 2, max(0, x - 2) : x + w + 2]
        features = np.array([solidity, float((ring > 0).mean())], np.float32)
        regions.append(
            Region("feeding", box, outline, max(a, b) * scale + 1, min(a, b) * scale + 1, 10.0, features)
        )
    return regions


def score_feeding(region: Region) -> float:
    """Return the hand-made chance, 0 to 1, that a region is feeding damage."""
    solidity, leaf_around = (float(value) for value in region.features[:2])
    return max(0.0, min(1.0, 5 * (solidity - 0.8))) * leaf_around

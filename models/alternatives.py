"""What one could use instead: general blob finders of OpenCV and scikit-image, for a comparison on the same pictures.

Each takes a uint8 RGB (H, W, 3) picture and returns `Found` places, (row, column) in px. They look for what is darker than its
surroundings at the sizes of larvae. Those that give no score of their own are ranked by how much darker the place is than a ring
around it. Nothing here is used by a search.
"""

from dataclasses import dataclass
from functools import partial
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

SHORTEST_PX, LONGEST_PX = 6.0, 80.0
MOST_FOUND = 200
"""Places kept of one picture, best first: more only lengthen the curve where nobody would work."""

SLUG_WIDTH_SHARE = 0.25
"""Width over length of a body; blob finders for round things look for its width (drawn larvae)."""

LOG_SIGMAS = 6
LOG_THRESHOLD = 0.06
DOH_THRESHOLD = 0.004
"""Low enough that the curve over thresholds goes on well beyond one false mark a picture; the ranking does the rest."""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """One place that a finder offers.

    Attributes
    ----------
    row, column : of its middle, px
    length_px : its longest extent as far as the finder tells
    score : higher is surer; 0 to 1 only where the finder says so
    outline : float32 (N, 2), (row, column); empty (0, 2) where the finder gives none
    """

    row: float
    column: float
    length_px: float
    score: float
    outline: NDArray[np.float32]


class Finder(Protocol):
    """Anything that offers places in a picture."""

    def __call__(self, rgb: NDArray[np.uint8]) -> list[Found]:
        """Return places in a uint8 RGB (H, W, 3) picture."""
        ...


NO_OUTLINE = np.empty((0, 2), np.float32)


def find_simple_blobs(rgb: NDArray[np.uint8]) -> list[Found]:
    """Offer the dark blobs of OpenCV's `SimpleBlobDetector`, set to slug-like sizes and shapes."""
    settings = cv2.SimpleBlobDetector.Params()
    settings.minThreshold, settings.maxThreshold, settings.thresholdStep = 10, 200, 10
    settings.filterByColor, settings.blobColor = True, 0
    settings.filterByArea = True
    settings.minArea = SLUG_WIDTH_SHARE * SHORTEST_PX**2 * 0.7
    settings.maxArea = SLUG_WIDTH_SHARE * LONGEST_PX**2 * 1.3
    settings.filterByCircularity = False
    settings.filterByConvexity, settings.minConvexity = True, 0.7
    settings.filterByInertia, settings.minInertiaRatio, settings.maxInertiaRatio = True, 0.01, 0.6
    settings.minDistBetweenBlobs = 4
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    keypoints = cv2.SimpleBlobDetector.create(settings).detect(grey)
    return _rank(rgb, [(k.pt[1], k.pt[0], float(k.size) / SLUG_WIDTH_SHARE**0.5) for k in keypoints])


def find_log_blobs(rgb: NDArray[np.uint8]) -> list[Found]:
    """Offer the dark blobs of scikit-image's `blob_log` (Laplacian of Gaussian) over the widths of larvae."""
    from skimage.feature import blob_log

    return _find_by_scale(rgb, partial(blob_log, num_sigma=LOG_SIGMAS, threshold=LOG_THRESHOLD))


def find_doh_blobs(rgb: NDArray[np.uint8]) -> list[Found]:
    """Offer the dark blobs of scikit-image's `blob_doh` (determinant of the Hessian) over the widths of larvae."""
    from skimage.feature import blob_doh

    return _find_by_scale(rgb, partial(blob_doh, num_sigma=LOG_SIGMAS, threshold=DOH_THRESHOLD))


def _find_by_scale(rgb: NDArray[np.uint8], find: "partial[NDArray[np.float64]]") -> list[Found]:
    dark = 1 - cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float64) / 255
    least, most = (SLUG_WIDTH_SHARE * length / 2 / 2**0.5 for length in (SHORTEST_PX, LONGEST_PX))
    blobs = find(dark, min_sigma=max(1.0, least), max_sigma=most)
    # A blob of that sigma is 2 sqrt(2) sigma across (scikit-image's documentation of both), which is a body's width here.
    return _rank(rgb, [(row, column, 2 * 2**0.5 * sigma / SLUG_WIDTH_SHARE) for row, column, sigma in blobs])


def _rank(rgb: NDArray[np.uint8], places: list[tuple[float, float, float]]) -> list[Found]:
    """Rank (row, column, length) places by how much darker they are than a ring one length away; 0 to 1."""
    grey = cv2.GaussianBlur(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), (3, 3), 0).astype(np.float32)
    angles = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    rows, columns = grey.shape
    found = []
    for row, column, length_px in places:
        ring_rows = np.clip(np.round(row + length_px * 0.75 * np.sin(angles)), 0, rows - 1).astype(int)
        ring_columns = np.clip(np.round(column + length_px * 0.75 * np.cos(angles)), 0, columns - 1).astype(
            int
        )
        around = float(np.median(grey[ring_rows, ring_columns]))
        inside = float(grey[min(rows - 1, round(row)), min(columns - 1, round(column))])
        score = max(0.0, (around - inside) / 255)
        if score > 0:
            found.append(Found(float(row), float(column), float(length_px), score, NO_OUTLINE))
    found.sort(key=lambda place: (-place.score, place.row, place.column))
    return found[:MOST_FOUND]


CLASSICAL: dict[str, Finder] = {
    "SimpleBlobDetector (OpenCV)": find_simple_blobs,
    "blob_log (scikit-image)": find_log_blobs,
    "blob_doh (scikit-image)": find_doh_blobs,
}
"""The general blob finders by name."""

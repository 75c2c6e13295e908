"""The camera's motion between two closely searched frames, and the motion of single places in them.

The common shift comes from phase correlation of an eighth of the frame, the similarity from corners followed from there by
optical flow at a quarter. All is in upright full-resolution (row, column) px. A leaf nearer than the crown moves on its own:
`carry_points` follows single places. This file follows no candidate.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

LEAST_RESPONSE = 0.05
"""Below this peak height of the phase correlation the two frames have nothing in common (own choice; two pictures of
noise stay under it, see the tests)."""

LEAST_INLIERS = 12
"""A similarity from fewer matching corners than this is not trusted."""

LINK_STEP_PX = 4
"""Closely searched frames are compared at a quarter of their size: optical flow there is good to under one full pixel."""

LEAST_LINK_SIZE_PX = 24
"""Pictures smaller than this (quarter-size px) hold too little to compare."""

MOST_CORNERS = 90
"""Corners followed between two closely searched frames; more cost time (own choice)."""

LEAST_INLIER_SHARE = 0.25
"""If fewer of the followed corners agree, the frames are taken to show different places."""

MOST_OWN_MOTION_PX = 160.0
"""A near leaf may differ from the common motion by up to this between two looks; more is taken for a mistake (own choice)."""

RANSAC_PX = 3.0
"""Corners farther than this (quarter-size px) from the common motion count as moving on their own: near leaves do."""

Similarity = NDArray[np.float64]
"""float64 (2, 3), acting on (row, column, 1)"""


def shrink_for_linking(half: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the grey quarter-size picture (H // 4, W // 4) that `link_frames` compares, from a half-size RGB one."""
    height, width = half.shape[:2]
    size = (max(1, width // 2), max(1, height // 2))
    return cv2.resize(cv2.cvtColor(half, cv2.COLOR_RGB2GRAY), size, interpolation=cv2.INTER_AREA).astype(
        np.uint8, copy=False
    )


def link_frames(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> Similarity | None:
    """Estimate the similarity that carries upright full-resolution (row, column) px of one frame into a later one.

    Parameters
    ----------
    before, after : quarter-size grey pictures of `shrink_for_linking`

    Returns
    -------
    float64 (2, 3) acting on (row, column, 1), or None where the frames do not show the same place.
    """
    if before.shape != after.shape or min(before.shape) < LEAST_LINK_SIZE_PX:
        return None
    shift = measure_shift(before, after)
    corners = cv2.goodFeaturesToTrack(before, MOST_CORNERS, 0.01, 8)
    if shift is None or corners is None or len(corners) < LEAST_INLIERS:
        return None
    start = corners.astype(np.float32, copy=False)
    moved, found = _flow(before, after, start, start + np.array(shift[::-1], dtype=np.float32))
    if found.sum() < LEAST_INLIERS:
        return None
    matrix, inliers = cv2.estimateAffinePartial2D(
        start[found], moved[found], method=cv2.RANSAC, ransacReprojThreshold=RANSAC_PX
    )
    if matrix is None or inliers.sum() < max(LEAST_INLIERS, LEAST_INLIER_SHARE * found.sum()):
        return None
    a, b, shift_x, c, d, shift_y = (float(value) for value in matrix.ravel())
    return np.array([[d, c, shift_y * LINK_STEP_PX], [b, a, shift_x * LINK_STEP_PX]], dtype=np.float64)


def measure_shift(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> tuple[float, float] | None:
    """Return how far one grey picture has moved (down, right) into another of the same size, in its own px.

    Phase correlation at half their size (Kuglin and Hines 1975); None where the pictures have nothing in common.
    """
    rows, columns = before.shape
    size = (columns // 2, rows // 2)
    first, second = (
        cv2.resize(p, size, interpolation=cv2.INTER_AREA).astype(np.float32) for p in (before, after)
    )
    window = cv2.createHanningWindow(size, cv2.CV_32F)
    (right, down), response = cv2.phaseCorrelate(first, second, window)
    return None if response < LEAST_RESPONSE else (2 * down, 2 * right)


def carry_points(
    before: NDArray[np.uint8],
    after: NDArray[np.uint8],
    *,
    points: NDArray[np.float64],
    similarity: Similarity,
) -> NDArray[np.float64]:
    """Follow single places from one frame into a later one, starting from the common motion.

    Parameters
    ----------
    before, after : quarter-size grey pictures
    points : float64 (N, 2), (row, column) in upright full-resolution px
    similarity : the common motion, of `link_frames`

    Returns
    -------
    float64 (N, 2); a place whose own motion could not be followed moves with the common motion.
    """
    common = apply_similarity(similarity, points)
    if not len(points):
        return common
    start = (points[:, ::-1] / LINK_STEP_PX).astype(np.float32)[:, None]
    guess = (common[:, ::-1] / LINK_STEP_PX).astype(np.float32)[:, None]
    moved, found = _flow(before, after, start, guess.copy())
    own = moved[:, 0, ::-1].astype(np.float64) * LINK_STEP_PX
    near = np.hypot(*(own - common).T) <= MOST_OWN_MOTION_PX
    return np.where((found & near)[:, None], own, common)


def apply_similarity(similarity: Similarity, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Carry (N, 2) points (row, column) through a (2, 3) similarity."""
    return points @ similarity[:, :2].T + similarity[:, 2]


def _flow(
    before: NDArray[np.uint8],
    after: NDArray[np.uint8],
    start: NDArray[np.float32],
    guess: NDArray[np.float32],
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Pyramidal Lucas-Kanade from a guess; returns the moved points (N, 1, 2) as (x, y) and which were found."""
    moved, status, _ = cv2.calcOpticalFlowPyrLK(
        before, after, start, guess, winSize=(21, 21), maxLevel=3, flags=cv2.OPTFLOW_USE_INITIAL_FLOW
    )
    return moved.astype(np.float32, copy=False), status[:, 0].astype(bool)

"""Brings a small place in one picture to cover the same place in another, to a fraction of a pixel.

A pose is float64 (2, 3), acting on (x, y, 1) as OpenCV's matrices do, and says where in a frame each pixel of the place is seen.
Poses are made better here, not found: whoever asks must be right to within some pixels. Light may change, outlines may not.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

MATCH_SIDE_PX = 192
"""Places are compared at no more than this side: most pictures are smaller, and at 640 it would take ten times longer."""

MATCH_SMOOTHING_PX = 5
MATCH_STEPS = 20
MATCH_PRECISION = 1e-3
"""For `cv2.findTransformECC` (Evangelidis & Psarakis 2008, doi 10.1109/TPAMI.2008.113). Twice the steps and a tenth of the
precision change the correlation on drawn clips by less than 0.01, and take half as long again."""

WIDE_SHARE = 0.9
NEAR_SHARE = 0.4
"""Places are first compared in a disc of this share of the picture's shorter side, then in a smaller one round the middle: the
leaf that must hold still, without its neighbours, which hang at other depths and move on their own."""

SEEK_PX = 10
"""How far, in px of the shrunken picture, the near part is sought by trying each whole pixel: leaves sway by up to so much
against the crown from one frame of a loop to the next (drawn clips)."""

MOST_STRETCH = 0.15
"""Within a second a leaf is not seen larger, smaller or more slanted by more than this."""

Matrix = NDArray[np.float64]
Step = NDArray[np.float32]
"""float32 (2, 3) between two shrunken pictures of the place, as `cv2.findTransformECC` takes and gives it."""


def make_still_step() -> Step:
    """Return the step that changes nothing."""
    return np.eye(2, 3, dtype=np.float32)


class PlaceMatcher:
    """Brings one place after another to cover the same picture; its state is that picture, made ready once.

    Parameters
    ----------
    picture : uint8 (H, W, 3) RGB
    middle_px : (row, column) in the picture of what must hold still
    """

    def __init__(self, picture: NDArray[np.uint8], *, middle_px: tuple[float, float]) -> None:
        self._size_px = (picture.shape[0], picture.shape[1])
        self._scale = max(1.0, max(self._size_px) / MATCH_SIDE_PX)
        self._template = self._shrink(picture)
        rows, columns = self._template.shape
        side = min(rows, columns)
        middle = (middle_px[0] / self._scale, middle_px[1] / self._scale)
        self._wide = _draw_disc((rows, columns), (rows / 2, columns / 2), radius_px=WIDE_SHARE * side / 2)
        self._near = _draw_disc((rows, columns), middle, radius_px=NEAR_SHARE * side / 2)
        self._near_box = _find_box(self._near)

    def find_step(self, rgb: NDArray[np.uint8], pose: Matrix, *, before: Step) -> Step:
        """Return the step after a pose that covers the picture best.

        At the edge of a frame, or on a plain leaf, the freer models run astray; the plainer ones are then the better.

        Parameters
        ----------
        rgb, pose : a frame, or a part of it, and about where in it the place is
        before : the step that was best in the frame before; a swaying leaf is most likely still near it
        """
        seen = self._shrink(cut_through(rgb, pose, self._size_px))
        shifted = make_still_step()
        shifted[:, 2], _ = cv2.phaseCorrelate(self._template.astype(np.float32), seen.astype(np.float32))
        wide = self._match(seen, shifted, self._wide, model=cv2.MOTION_AFFINE)
        found = [before, shifted, wide]
        for start in (before, shifted if wide is None else wide):
            sought = self._seek(seen, start)
            moved = self._match(seen, sought, self._near, model=cv2.MOTION_TRANSLATION)
            turned = self._match(
                seen, sought if moved is None else moved, self._near, model=cv2.MOTION_AFFINE
            )
            found += [sought, moved, turned]
        steps = [step for step in found if step is not None and _is_plausible(step)]
        return max(steps, key=lambda step: self._compare_shrunken(_follow(seen, step)), default=before)

    def apply(self, pose: Matrix, step: Step) -> Matrix:
        """Return a pose followed by a step."""
        small = step.astype(np.float64)
        # Pixel centres stay pixel centres, whatever the scale.
        half = np.full(2, (self._scale - 1) / 2)
        shift = self._scale * small[:, 2] + half - small[:, :2] @ half
        return np.column_stack([pose[:, :2] @ small[:, :2], pose[:, :2] @ shift + pose[:, 2]])

    def compare(self, picture: NDArray[np.uint8]) -> float:
        """Return the correlation of the grey values with the picture's, -1 to 1, near the middle; 0 for a blank one."""
        return self._compare_shrunken(self._shrink(picture))

    def _compare_shrunken(self, seen: NDArray[np.uint8]) -> float:
        inside = self._near > 0
        one, other = (grey[inside].astype(np.float64) for grey in (self._template, seen))
        one, other = one - one.mean(), other - other.mean()
        length = float(np.linalg.norm(one) * np.linalg.norm(other))
        return float(one @ other) / length if length > 0 else 0.0

    def _seek(self, seen: NDArray[np.uint8], start: Step) -> Step:
        """Return a step moved by whole pixels, to where the near part fits best within some pixels round it."""
        top, left, bottom, right = self._near_box
        followed = np.pad(_follow(seen, start), SEEK_PX, mode="edge")
        window = followed[top : bottom + 2 * SEEK_PX, left : right + 2 * SEEK_PX]
        fits = cv2.matchTemplate(window, self._template[top:bottom, left:right], cv2.TM_CCOEFF_NORMED)
        _, _, _, best = cv2.minMaxLoc(fits)
        sought = start.copy()
        sought[:, 2] += start[:, :2] @ (np.array(best, dtype=np.float32) - SEEK_PX)
        return sought

    def _match(
        self, seen: NDArray[np.uint8], start: Step, mask: NDArray[np.uint8], *, model: int
    ) -> Step | None:
        """Return the step that covers the picture inside a mask, None where it is not found."""
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, MATCH_STEPS, MATCH_PRECISION)
        try:
            _, found = cv2.findTransformECC(
                self._template, seen, start.copy(), model, criteria, mask, MATCH_SMOOTHING_PX
            )
        except cv2.error:  # it does not converge on blank or foreign pictures
            return None
        return found.astype(np.float32, copy=False)

    def _shrink(self, rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
        grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
        rows, columns = grey.shape
        size = (round(columns / self._scale), round(rows / self._scale))
        return cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)


def cut_through(rgb: NDArray[np.uint8], pose: Matrix, size_px: tuple[int, int]) -> NDArray[np.uint8]:
    """Return uint8 (rows, columns, 3) of a picture as seen through a pose; black where the picture ends."""
    rows, columns = size_px
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(rgb, pose, (columns, rows), flags=flags).astype(np.uint8, copy=False)


def _is_plausible(step: Step) -> bool:
    return bool(np.abs(step[:, :2] - np.eye(2)).max() <= MOST_STRETCH)


def _follow(seen: NDArray[np.uint8], step: Step) -> NDArray[np.uint8]:
    """Return a grey picture as seen through a step."""
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(seen, step, seen.shape[::-1], flags=flags).astype(np.uint8, copy=False)


def _draw_disc(
    size_px: tuple[int, int], middle_px: tuple[float, float], *, radius_px: float
) -> NDArray[np.uint8]:
    """Return uint8 (rows, columns), 255 inside a disc round (row, column)."""
    rows, columns = np.ogrid[: size_px[0], : size_px[1]]
    inside = (rows - middle_px[0]) ** 2 + (columns - middle_px[1]) ** 2 <= radius_px**2
    return np.where(inside, 255, 0).astype(np.uint8)


def _find_box(mask: NDArray[np.uint8]) -> tuple[int, int, int, int]:
    """Return (top, left, bottom, right) of what is set, ends excluded."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return int(rows[0]), int(columns[0]), int(rows[-1]) + 1, int(columns[-1]) + 1

"""The light in one frame: sky, sunlit leaf and dark, at half size; and the colour that tells a shadow from a body.

A leaf seen against the sky glows with the light that comes through it. Each leaf in the light path multiplies each colour
by its transmittance, so a leaf's shadow on a leaf keeps a leaf's colour and shifts on towards green (the red of a mature leaf
falls to a few hundredths while the green keeps a tenth). An opaque body takes all colours alike. `measure_green_shift`
gives that difference in log colour. Linear light is relative to the camera's white; the tone curve is taken to be that of
IEC 61966-2-1 (sRGB). This file outlines nothing.
"""

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

Mask = NDArray[np.uint8]

HALF_STEP_PX = 2
"""Arrays of a lit frame have one element for 2 x 2 px: a body of 6 px is still 3 elements long, at a quarter of the cost."""

LEAST_GREEN_SHARE = 0.06
"""Green must exceed the mean of red and blue by this share for a leaf; grey sky and bark are greyer than that (own choice)."""

SKY_LUMA = 150
"""Sky is brighter than this (8-bit); in a frame exposed for leaves it mostly clips."""

DARK_SHARE_OF_LEAF = 0.45
"""What is under this share of the leaves' median green (8-bit) is dark: one more leaf in the light path leaves about 0.46."""

DARK_FLOOR = 12
"""Darker than this (8-bit) carries no colour: noise and the codec decide it."""

LINEAR_FLOOR = 0.002
"""Added to linear light before the logarithm; about one 8-bit step at the dark end."""


@dataclass(frozen=True, slots=True, eq=False)
class _Sorted:
    """Masks of a frame, each uint8 (h, w), and the median green of its sunlit leaves."""

    leaf: Mask
    sky: Mask
    dark: Mask
    leaf_level: float


@dataclass(frozen=True, eq=False)
class LitFrame:
    """One frame sorted by light. Arrays are half size (h, w) = (H // 2, W // 2); masks are 0 or 255.

    Masks are made when first asked for: not every look needs them.

    Attributes
    ----------
    rgb : uint8 (H, W, 3), the upright frame at full resolution
    half : uint8 (h, w, 3), the same at half size
    """

    rgb: NDArray[np.uint8]
    half: NDArray[np.uint8]

    @cached_property
    def green(self) -> NDArray[np.uint8]:
        """The half-size frame's green channel, the brightest in a leaf, uint8 (h, w)."""
        return np.ascontiguousarray(self.half[..., 1])

    @property
    def leaf(self) -> Mask:
        """Mask of sunlit leaf."""
        return self._sorted.leaf

    @property
    def sky(self) -> Mask:
        """Mask of sky."""
        return self._sorted.sky

    @property
    def dark(self) -> Mask:
        """Mask of what is darker than leaves; what is in none of the masks is bark, haze or flare."""
        return self._sorted.dark

    @property
    def leaf_level(self) -> float:
        """Median green of sunlit leaf, 8-bit; 0 where the frame shows none."""
        return self._sorted.leaf_level

    @cached_property
    def _sorted(self) -> _Sorted:
        return _sort_light(self.half, self.green)


def _tabulate_linear() -> NDArray[np.float32]:
    code = np.arange(256) / 255
    curve = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return curve.astype(np.float32)


LINEAR_OF_CODE = _tabulate_linear()
"""float32 (256,): linear light 0 to 1 of each 8-bit code value."""


def read_light(rgb: NDArray[np.uint8]) -> LitFrame:
    """Make an upright (H, W, 3) uint8 frame ready to be sorted into sky, sunlit leaf and dark."""
    height, width = rgb.shape[:2]
    size = (max(1, width // HALF_STEP_PX), max(1, height // HALF_STEP_PX))
    half = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
    return LitFrame(rgb, half)


def _sort_light(half: NDArray[np.uint8], green: NDArray[np.uint8]) -> _Sorted:
    red, blue = (np.ascontiguousarray(half[..., channel]) for channel in (0, 2))
    others = cv2.addWeighted(red, 0.5, blue, 0.5, 0)
    excess = cv2.subtract(green, others)
    is_green = cv2.compare(excess, cv2.convertScaleAbs(green, alpha=LEAST_GREEN_SHARE, beta=2), cv2.CMP_GT)
    lit_enough = find_above(green, DARK_FLOOR * 2)
    green_lit = cv2.bitwise_and(is_green, lit_enough)
    leaf_level = _find_median(green, _as_mask(green_lit))
    dark = cv2.bitwise_not(find_above(green, max(DARK_FLOOR, DARK_SHARE_OF_LEAF * leaf_level)))
    leaf = cv2.bitwise_and(green_lit, cv2.bitwise_not(dark))
    bright = find_above(cv2.max(others, green).astype(np.uint8, copy=False), SKY_LUMA)
    sky = cv2.bitwise_and(bright, cv2.bitwise_not(leaf))
    return _Sorted(_as_mask(leaf), _as_mask(sky), _as_mask(dark), leaf_level)


def measure_green_shift(inside: NDArray[np.uint8], around: NDArray[np.uint8]) -> float:
    """Return how much greener the inside is than its surroundings, in natural log units; 0 for an opaque, colourless body.

    Parameters
    ----------
    inside, around : uint8 (N, 3) and (M, 3) RGB samples

    Returns
    -------
    log(G / sqrt(R B)) inside less the same around, in linear light. One more mature leaf in the path adds about +1.5 in
    theory; noise and chroma subsampling pull it towards 0.
    """
    return _green_log_ratio(inside) - _green_log_ratio(around)


def find_mean_light(samples: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return the mean linear light (3,) of uint8 (N, 3) RGB samples, 0 to 1."""
    light: NDArray[np.float32] = LINEAR_OF_CODE[samples].mean(axis=0)
    return light


def find_above(values: NDArray[np.uint8], limit: float) -> Mask:
    """Return 255 where uint8 values exceed the limit, else 0; for any size, down to one element."""
    return _as_mask(cv2.threshold(values, limit, 255, cv2.THRESH_BINARY)[1])


def _green_log_ratio(samples: NDArray[np.uint8]) -> float:
    red, green, blue = np.log(find_mean_light(samples) + LINEAR_FLOOR)
    return float(green - (red + blue) / 2)


def _find_median(values: NDArray[np.uint8], mask: Mask) -> float:
    """Median of the masked values by histogram; 0 where the mask is empty."""
    counts = cv2.calcHist([values], [0], mask, [256], [0, 256])[:, 0]
    total = counts.sum()
    if total == 0:
        return 0.0
    return float(np.searchsorted(np.cumsum(counts), total / 2))


def _as_mask(values: NDArray[np.generic]) -> Mask:
    return values.astype(np.uint8, copy=False)

"""Dark, slug-shaped outlines on sunlit leaves, from 6 to 80 px long and at any angle.

A closing larger than any body's width fills what is darker than its surroundings; what it filled by enough is outlined
(the black-hat transform). Lengths are along the longest axis of the outline in full-resolution px. The finder offers every
outline that could be a body; telling bodies from shadows and stalks is the scorer's work, from the features listed here.
"""

from dataclasses import dataclass
from enum import IntEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.light import HALF_STEP_PX, LitFrame, find_above, find_mean_light, measure_green_shift
from detect.regions import Outline, Region

SHORTEST_PX = 5.0
LONGEST_PX = 110.0
"""Bodies are 6 to 80 px long; the outlines offered may miss by a pixel at one end and include a leaf tip at the other."""

WIDEST_PX = 36
"""No body is wider across; the closing spans this, so anything broader (crown, trunk, sky holes) is not offered."""

DEPTHS = (0.2, 0.45)
"""Shares of the surrounding code value that must be missing inside. One leaf's shadow takes about half, a small blurred body
about a quarter; the deeper mask parts a body from the shadow it lies beside."""

SAME_SHARE = 0.7

LEAST_GROUND = 24.0
GROUND_SHARE_OF_LEAF = 0.5
"""What surrounds a body is at least this bright (8-bit), and at least this share of the frame's leaves: it is lit."""

MOST_OUTLINES = 150
"""Outlines of one frame whose shape is looked at, largest first: bounds the work where a frame is full of specks."""

MOST_REGIONS = 16
"""Outlines of one frame that are measured closely, by shape and darkness: measuring one costs most of a millisecond."""

RING_PX = 4
"""Width, in half-size elements, of the surroundings that are compared with the inside."""


class Feature(IntEnum):
    """What a silhouette's features hold, in order. Shares and ratios are 0 to 1 unless said."""

    LENGTH = 0
    """log2 of the length in px over 16"""
    ELONGATION = 1
    """width over length"""
    SOLIDITY = 2
    """area over the area of the convex hull"""
    DEPTH = 3
    """1 less the linear light inside over that around"""
    GREEN_SHIFT = 4
    """of `measure_green_shift`, natural log units"""
    LEAF_AROUND = 5
    """share of sunlit leaf in the surroundings"""
    SKY_AROUND = 6
    """share of sky in the surroundings"""
    DARK_AROUND = 7
    """share of dark in the surroundings: twigs, stalks and shadows go on"""
    EDGE = 8
    """mean gradient along the outline over the step from inside to around"""
    ALIKENESS = 9
    """how alike the two halves along the axis are: a slug tapers to both ends, a comma or a stalk end does not"""
    LIGHT_AROUND = 10
    """linear green around over that of the frame's leaves"""
    SPREAD = 11
    """first Hu moment of the outline: .159 for a disc, .338 for an ellipse of 4 to 1, more for what bends or branches"""


@dataclass(frozen=True, slots=True, eq=False)
class _Rough:
    """A dark outline before it is measured: half-size contour (N, 1, 2) as (x, y), and its rank."""

    contour: NDArray[np.int32]
    weight: float


def find_silhouettes(lit: LitFrame) -> list[Region]:
    """Return the dark outlines of one frame that could be bodies, as regions of kind "silhouette"."""
    roughs = _choose_slugs(lit, [rough for deep in _find_deep(lit) for rough in _outline_dark(deep)])
    regions = (_measure_region(lit, rough) for rough in roughs)
    return [region for region in regions if region is not None]


def _find_deep(lit: LitFrame) -> list[NDArray[np.uint8]]:
    """Masks of what lies deep enough under its closing, on bright enough ground, one for each of `DEPTHS`.

    Sky counts as no brighter than a leaf: otherwise every leaf beside a gap would lie deep under it.
    """
    span = WIDEST_PX // HALF_STEP_PX + 1
    kernel = np.ones((span, span), np.uint8)
    level = max(LEAST_GROUND, lit.leaf_level)
    capped = np.minimum(lit.green, np.uint8(level))
    closed = cv2.morphologyEx(capped, cv2.MORPH_CLOSE, kernel).astype(np.uint8, copy=False)
    ground = find_above(closed, max(LEAST_GROUND, GROUND_SHARE_OF_LEAF * lit.leaf_level))
    masks = []
    for depth in DEPTHS:
        limit = cv2.convertScaleAbs(closed, alpha=1 - depth)
        masks.append(
            cv2.bitwise_and(cv2.compare(capped, limit, cv2.CMP_LT), ground).astype(np.uint8, copy=False)
        )
    return masks


def _outline_dark(deep: NDArray[np.uint8]) -> list[_Rough]:
    """Contours of the deep places whose size could be a body's, largest first."""
    contours, _ = cv2.findContours(deep, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = LONGEST_PX / HALF_STEP_PX
    shortest = SHORTEST_PX / HALF_STEP_PX
    roughs = []
    for contour in contours:
        if not 4 <= len(contour) <= 4 * longest:
            continue
        _, _, width, height = cv2.boundingRect(contour)
        if max(width, height) > longest or np.hypot(width, height) < shortest:
            continue
        area = cv2.contourArea(contour) + len(contour) / 2 + 1
        roughs.append(_Rough(contour.astype(np.int32, copy=False), area))
    roughs.sort(key=lambda rough: -rough.weight)
    return roughs[:MOST_OUTLINES]


def _choose_slugs(lit: LitFrame, roughs: list[_Rough]) -> list[_Rough]:
    """Keep the outlines most like a body by their shape and how dark they are, at a hundredth of the cost of measuring."""
    ranked = []
    for number, rough in enumerate(roughs):
        _, (a, b), _ = cv2.minAreaRect(rough.contour)
        long, short = max(a, b) + 1, min(a, b) + 1
        fill = min(1.0, rough.weight / (long * short))
        slimness = min(1.0, max(0.0, (0.9 - short / long) / 0.5))
        x, y, w, h = cv2.boundingRect(rough.contour)
        darkest, ground, _, _ = cv2.minMaxLoc(lit.green[y : y + h, x : x + w])
        depth = 1 - darkest / max(1.0, ground, lit.leaf_level)
        ranked.append((-(0.2 + slimness) * fill * depth, number))
    ranked.sort()
    chosen: list[_Rough] = []
    for _, number in ranked:
        if len(chosen) == MOST_REGIONS:
            break
        if not any(_is_same(roughs[number], other) for other in chosen):
            chosen.append(roughs[number])
    return chosen


def _is_same(first: _Rough, second: _Rough) -> bool:
    """Tell whether two outlines of different depths show one thing: the boxes share most of the smaller one."""
    x, y, w, h = cv2.boundingRect(first.contour)
    u, v, a, b = cv2.boundingRect(second.contour)
    across = min(x + w, u + a) - max(x, u)
    down = min(y + h, v + b) - max(y, v)
    return across > 0 and down > 0 and across * down > SAME_SHARE * min(w * h, a * b)


def _measure_region(lit: LitFrame, rough: _Rough) -> Region | None:
    """Outline one dark place at full resolution and measure its features; None where nothing is left of it."""
    x, y, w, h = cv2.boundingRect(rough.contour)
    margin = RING_PX + 2
    rows, columns = lit.green.shape
    top, left = max(0, y - margin), max(0, x - margin)
    bottom, right = min(rows, y + h + margin), min(columns, x + w + margin)
    patch = (slice(top, bottom), slice(left, right))
    inside = np.zeros((bottom - top, right - left), np.uint8)
    cv2.drawContours(inside, [rough.contour - (left, top)], -1, 255, cv2.FILLED)
    size = 2 * RING_PX + 1
    near = cv2.dilate(inside, np.ones((3, 3), np.uint8))
    ring = cv2.dilate(inside, np.ones((size, size), np.uint8))
    ring = cv2.bitwise_and(ring, cv2.bitwise_not(near)).astype(bool)
    if not ring.any():
        return None
    body = inside.astype(bool)
    outline = _refine_outline(lit, rough.contour)
    length_px, width_px = measure_extent(outline)
    if not SHORTEST_PX <= length_px <= LONGEST_PX:
        return None
    half = lit.half[patch]
    light_in, light_around = find_mean_light(half[body]), find_mean_light(half[ring])
    features = np.zeros(len(Feature), np.float32)
    features[Feature.LENGTH] = np.log2(length_px / 16)
    features[Feature.ELONGATION] = width_px / length_px
    features[Feature.SOLIDITY] = _measure_solidity(outline)
    features[Feature.DEPTH] = 1 - light_in.sum() / max(1e-4, light_around.sum())
    features[Feature.GREEN_SHIFT] = measure_green_shift(half[body], half[ring])
    features[Feature.LEAF_AROUND] = (lit.leaf[patch][ring] > 0).mean()
    features[Feature.SKY_AROUND] = (lit.sky[patch][ring] > 0).mean()
    features[Feature.DARK_AROUND] = (lit.dark[patch][ring] > 0).mean()
    features[Feature.EDGE] = _measure_edge(lit.green[patch], inside)
    features[Feature.ALIKENESS] = _compare_halves(outline)
    leaf_light = float(find_mean_light(np.full((1, 3), int(lit.leaf_level), np.uint8))[1])
    features[Feature.SPREAD] = measure_spread(outline)
    features[Feature.LIGHT_AROUND] = min(2.0, float(light_around[1]) / max(1e-3, leaf_light))
    return Region(
        "silhouette", find_box(outline, lit.rgb.shape[:2]), outline, length_px, width_px, 0.0, features
    )


def _refine_outline(lit: LitFrame, contour: NDArray[np.int32]) -> Outline:
    """Outline the body in the full-resolution green channel at half the step from its darkest to its surroundings."""
    x, y, w, h = (HALF_STEP_PX * v for v in cv2.boundingRect(contour))
    margin = 3 * HALF_STEP_PX
    top, left = max(0, y - margin), max(0, x - margin)
    window = lit.rgb[top : y + h + margin, left : x + w + margin, 1]
    seed = np.zeros(window.shape, np.uint8)
    full = (contour * HALF_STEP_PX + HALF_STEP_PX // 2 - (left, top)).astype(np.int32)
    cv2.drawContours(seed, [full], -1, 255, cv2.FILLED)
    cv2.drawContours(seed, [full], -1, 255, HALF_STEP_PX)
    inside = window[seed > 0]
    around = window[cv2.dilate(seed, np.ones((5, 5), np.uint8)) == 0]
    if not len(around):
        around = window.ravel()
    level = (_find_quantile(inside, 0.2) + _find_quantile(around, 0.5)) / 2
    dark = cv2.bitwise_not(find_above(np.ascontiguousarray(window), level))
    reach = cv2.dilate(seed, np.ones((5, 5), np.uint8))
    dark = cv2.bitwise_and(dark, reach).astype(np.uint8, copy=False)
    contours, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    best = max(contours, key=lambda c: (cv2.contourArea(c), len(c)), default=full).astype(
        np.int32, copy=False
    )
    if len(best) < 3:
        best = full
    outline: Outline = best[:, 0, ::-1].astype(np.float32) + np.array([top, left], dtype=np.float32)
    return outline


def _find_quantile(values: NDArray[np.uint8], share: float) -> float:
    """Quantile of a few values by sorting: for small arrays several times faster than numpy's own, which interpolates."""
    ordered = np.sort(values, axis=None)
    return float(ordered[int(share * (len(ordered) - 1))])


def measure_extent(outline: Outline) -> tuple[float, float]:
    """Return the length and width in px of the smallest rectangle round a closed (N, 2) outline, whole pixels counted."""
    _, (a, b), _ = cv2.minAreaRect(outline)
    return float(max(a, b) + 1), float(min(a, b) + 1)


def measure_spread(outline: Outline) -> float:
    """Return the first Hu moment of a closed (N, 2) outline's area, free of size and angle; 0 for one without area.

    A disc has 1 / (2 pi), the least of all shapes (Hu 1962, doi:10.1109/TIT.1962.1057692).
    """
    moments = cv2.moments(outline)
    return float(moments["nu20"] + moments["nu02"]) if moments["m00"] > 0 else 0.0


def find_box(outline: Outline, frame_size_px: tuple[int, ...]) -> tuple[int, int, int, int]:
    """Return the box of whole pixels round an outline, inside a frame of (rows, columns)."""
    first = np.floor(outline.min(axis=0)).astype(int)
    end = np.floor(outline.max(axis=0)).astype(int) + 1
    return (
        max(0, int(first[0])),
        max(0, int(first[1])),
        min(frame_size_px[0], int(end[0])),
        min(frame_size_px[1], int(end[1])),
    )


def _measure_solidity(outline: Outline) -> float:
    area = cv2.contourArea(outline) + len(outline) / 2
    hull = cv2.convexHull(outline)
    return float(
        min(1.0, area / max(1.0, cv2.contourArea(hull) + len(hull) / 2 + cv2.arcLength(hull, True) / 4))
    )


def _measure_edge(green: NDArray[np.uint8], inside: NDArray[np.uint8]) -> float:
    """Step across the outline over the range inside to around: 1 for a crisp edge, towards 0 for a soft shade."""
    wide = cv2.dilate(inside, np.ones((3, 3), np.uint8))
    core = cv2.erode(inside, np.ones((3, 3), np.uint8), borderValue=0)
    just_out = (wide > 0) & (inside == 0)
    just_in = (inside > 0) & (core == 0)
    far = wide == 0
    if not (just_out.any() and just_in.any() and far.any()):
        return 0.0
    darkest = float(green[inside > 0].min())
    span = _find_quantile(green[far], 0.5) - darkest
    step = float(green[just_out].mean()) - float(green[just_in].mean())
    return float(np.clip(step / max(8.0, span), 0, 1))


def _compare_halves(outline: Outline) -> float:
    """Spread of the outline about its axis in one half over that in the other, smaller over larger."""
    centred = outline - outline.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    along, across = centred @ axes[0], centred @ axes[-1]
    first, second = np.abs(across[along < 0]), np.abs(across[along >= 0])
    if not len(first) or not len(second):
        return 1.0
    a, b = float(first.mean()) + 0.5, float(second.mean()) + 0.5
    return min(a, b) / max(a, b)

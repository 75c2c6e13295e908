"""Chewed places in a frame of canopy: holes and bites in leaves, seen as bright sky where leaf should be.

The border between sky and what stands before it is followed. A bite is a stretch of it that dents into tissue between two
corners that bend outward, rounded inside like the work of jaws, with the edge going on beyond the corners about where it left
off. The wedge between two leaves that overlap is not: it is narrow and pointed inside, and the edges beside it run off steeply.
A hole is a small rounded piece of sky with broad leaf all round. In a dense crown gaps between leaves look just like holes, so
a piece of sky among many like it counts for little.

Masks are at reduced size, one element for `scale` x `scale` px; regions are in full-resolution px, (row, column). Inside, points
are complex, column + 1j * row. Whether the leaf is one that an animal fed on is not known here; how much of a single leaf is gone
is measured better by `detect.leaf_damage` where one stands free.
"""

from dataclasses import dataclass, replace
from enum import IntEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.leaf_damage import measure_leaf
from detect.regions import Region

Mask = NDArray[np.uint8]
Complex = NDArray[np.complex64]
Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

SHORTEST_BORDER = 24
"""Outlines of fewer elements hold no bite with edge on both sides."""

WRAP = 8
"""Elements repeated at both ends of a closed outline, so that smoothing and turning need no special case there."""

TURN_REACH = 3
"""The border's turn at a point is between the directions over this many elements before and after: the least that is not noise
of the raster (a step of one element in three is 18 degrees)."""

LEAST_CORNER = 0.3
"""Tangent of half the turn at the ends of a bite, 33 degrees."""

SAMPLES = 25
"""Points looked at along a bite or hole."""

BITE_LENGTHS = (6, 110)
"""Border length of a bite in elements: smaller is noise, larger is no bite but the shape of the crown."""

MOST_SKIPPED_CORNERS = 5
"""Corners that may lie inside a ragged bite."""

LEAST_DEPTH = 1.5
DEPTHS_PER_CHORD = (0.22, 3.0)
LEAST_FILL = 0.45
MOST_OVERHANG = 1.2
"""A bite's depth in elements and over its chord, its area over that of the rectangle round it, and how far tissue may stick out
over the chord. A triangle fills 0.5 of its rectangle, a half disc 0.79, the wedge between two convex edges less than a
triangle (plane geometry)."""

STEEPEST_RAD = 1.4
"""Most angle between the chord and the edge beyond a corner."""

USUAL_DEPTH = 0.6
USUAL_MISFIT_RAD = 0.6
"""Depth over chord of the bites in drawn scenes, and a misfit that noise explains."""

HOLE_LENGTHS = (8, 110)
LEAST_ROUNDNESS = 0.5
"""Border length of a hole in elements, and least 4 pi area / length^2 (1 for a disc, .785 for a square, .60 for an equilateral
triangle; plane geometry)."""

DEPTHS_INTO_TISSUE = (2, 4, 6, 8)
"""How far behind the border tissue is looked for, in elements: twigs and leaf rims are thinner."""

CROWD_REACH = 48
"""Pieces of sky this near, in elements, are a hole's crowd."""

MOST_PARTS = 40
MOST_REGIONS = 12
LEAST_CHANCE = 0.01
"""Bites and holes put together to leaves, and leaves handed on, in one frame; and the chance under which a part is left out."""

REACH_PER_SIZE = 3.0
"""Parts nearer to one another than this many times their size, with tissue between, are of one leaf."""

LEAF_REACH = 60
"""Half the side of the square, in elements, in which a leaf may stand free: 240 px at full resolution."""

LEAST_LEAF_RADIUS = 6.0
"""Half the width, in elements, of a blade whose outline can be trusted."""

LEAST_LEAF_SHARE = 0.75
LEAST_LEAF_SOLIDITY = 0.8
"""Sunlit leaf in a piece of tissue that is one leaf, and its tissue and missing parts over the area of its convex hull; clumps of
far foliage seldom reach both (canopy photographs)."""

LENGTH_PER_WIDTH = 1.6
"""Of a leaf's blade; 1.1 for aspen, about 2 for sallow (common practice, no source)."""

MOST_MISSING_PERCENT = 95.0

MOST_REBUILT = 2
REBUILT_CHANCE = 0.3
"""Leaves whose edge is rebuilt in one frame, and the chance it takes: 5 ms each."""


class FeedingFeature(IntEnum):
    """What a feeding region's features hold, in order: those of its largest part, then of its leaf."""

    HOLE = 0
    """1 for a hole, 0 for a bite"""
    SIZE = 1
    """log2 of chord or diameter in elements over 8, from -1.5 to 1.5"""
    LARGE = 2
    """by how much log2 of the same over 8 exceeds 1, up to 2"""
    DEPTH = 3
    """how far the depth over the chord is from 0.6, as a natural logarithm without sign; 0 for a hole"""
    FILL = 4
    """area over that of the rectangle round it; for a hole its roundness"""
    CUSP = 5
    """tangent of half the sharpest turn inside, less the mean, up to 1.5"""
    CORNER = 6
    """tangent of half the turn at the blunter end of a bite, 0.3 to 1; 0 for a hole"""
    MISFIT = 7
    """angle in rad over 0.6 between chord and the edge beyond, at the worse end; 0 for a hole"""
    BARK = 8
    """share of tissue behind the border that is no sunlit leaf"""
    LEAF = 9
    """share of sunlit leaf behind the border; a leaf of its own ends somewhere, a dense crown does not"""
    CROWD = 10
    """log2 of 1 + small pieces of sky near by"""
    FREE = 11
    """1 where the leaf stands free, so that its area is known"""
    PARTS = 12
    """log2 of the number of parts on this leaf"""


@dataclass(frozen=True, slots=True, eq=False)
class _Border:
    """All outlines between sky and the rest, one after the other, each with `WRAP` points repeated at both ends.

    Attributes
    ----------
    points : complex64 (P,), smoothed
    turns : float32 (P,), tangent of half the turn, positive where tissue bends outward
    start, length : (C,) of each outline's own points
    """

    points: Complex
    turns: NDArray[np.float32]
    start: Indices
    length: Indices

    def look(self, outline: Indices, place: Indices) -> Indices:
        """Return where in `points` the places on outlines are; places wrap round."""
        return np.asarray(self.start[outline] + place % self.length[outline], np.intp)


@dataclass(frozen=True, slots=True, eq=False)
class _Parts:
    """Stretches of border that may be bites or holes: outline, first place and length in elements, and whether it is a hole."""

    outline: Indices
    first: Indices
    length: Indices
    hole: NDArray[np.bool_]

    def take(self, chosen: Indices | NDArray[np.bool_]) -> "_Parts":
        """Return some of them."""
        return _Parts(self.outline[chosen], self.first[chosen], self.length[chosen], self.hole[chosen])


@dataclass(frozen=True, slots=True, eq=False)
class _Leaf:
    """The parts of one leaf, largest first, the share of the leaf that they make, and where it stands free the mask of it."""

    parts: tuple[int, ...]
    missing_percent: float
    free_mask: Mask | None


def find_feeding(sky_mask: Mask, leaf_mask: Mask, *, scale: int) -> list[Region]:
    """Return the chewed leaves of one frame, likeliest first, at most `MOST_REGIONS`.

    Parameters
    ----------
    sky_mask, leaf_mask : uint8 (h, w), non-zero on sky and on sunlit leaf
    scale : px of the frame for one element of the masks

    Returns
    -------
    list of Region of kind "feeding"
        One for each leaf. Outline, box and extent are those of the largest missing part. `missing_percent` is that of
        `measure_leaf` where the leaf stands free in the mask and is likely chewed; else the parts found over the tissue left,
        which is that of the free leaf, or of a blade as wide as the tissue beside the part and `LENGTH_PER_WIDTH` times as long.
    """
    if sky_mask.size == 0 or not sky_mask.any():
        return []
    calm = cv2.medianBlur(sky_mask, 3).astype(np.uint8, copy=False)
    border = _trace_border(calm)
    parts = _join_parts(_propose_bites(border, calm.shape), _propose_holes(border, calm.shape))
    if not len(parts.length):
        return []
    features = _measure_parts(border, parts, sky=calm, leaf=leaf_mask)
    chances = _score(features)
    best = np.argsort(-chances, kind="stable")[:MOST_PARTS]
    best = best[chances[best] >= LEAST_CHANCE]
    if not len(best):
        return []
    parts, features = _drop_overlaps(border, parts.take(best), features[best])
    leaves = _group_parts(border, parts, sky=calm, leaf=leaf_mask)
    regions = [_make_region(border, parts, features, leaf, scale=scale, size=calm.shape) for leaf in leaves]
    order = sorted(range(len(regions)), key=lambda k: (-score_feeding(regions[k]), regions[k].box))
    for place in order[:MOST_REBUILT]:
        regions[place] = _rebuild_leaf(regions[place], leaves[place])
    return [regions[place] for place in order]


def score_feeding(region: Region) -> float:
    """Return the hand-made chance, 0 to 1, that a feeding region's features are those of feeding."""
    return float(_score(region.features.astype(np.float64)[None])[0])


def _trace_border(calm: Mask) -> _Border:
    """Follow all borders of sky; the direction is such that tissue lies to the right of it, +90 degrees in the image."""
    contours, _ = cv2.findContours(calm, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    contours = [contour for contour in contours if len(contour) >= HOLE_LENGTHS[0]]
    if not contours:
        none = np.zeros(0, np.intp)
        return _Border(np.zeros(0, np.complex64), np.zeros(0, np.float32), none, none)
    length = np.array([len(contour) for contour in contours], np.intp)
    found = np.concatenate(contours)[:, 0, :].astype(np.float32).view(np.complex64)[:, 0]
    origin = np.cumsum(length) - length
    start = np.cumsum(length + 2 * WRAP) - length - WRAP
    outline = np.repeat(np.arange(len(length)), length + 2 * WRAP)
    place = np.arange(len(outline)) - start[outline]
    points = found[origin[outline] + place % length[outline]]
    for _ in range(2):
        points[1:-1] = (points[:-2] + 2 * points[1:-1] + points[2:]) / 4
    return _Border(points, _find_turns(points), start, length)


def _find_turns(points: Complex) -> NDArray[np.float32]:
    """Tangent of half the turn at each point: sin / (1 + cos), without a trigonometric function."""
    steps = points[TURN_REACH:] - points[:-TURN_REACH]
    before, after = steps[:-TURN_REACH], steps[TURN_REACH:]
    product = np.conj(before) * after
    turns = np.zeros(len(points), np.float32)
    turns[TURN_REACH:-TURN_REACH] = product.imag / (np.abs(product) + product.real + 1e-3)
    return turns


def _propose_bites(border: _Border, size: tuple[int, ...]) -> _Parts:
    """Return stretches between corners that dent into tissue."""
    corner, outline = _find_corners(border)
    place = corner - border.start[outline]
    count = np.bincount(outline, minlength=len(border.length))
    first = np.cumsum(count) - count
    number = np.arange(len(corner)) - first[outline]
    found = []
    for skipped in range(1, 2 + MOST_SKIPPED_CORNERS):
        other = first[outline] + (number + skipped) % np.maximum(count[outline], 1)
        length = (place[other] - place) % border.length[outline]
        fits = (count[outline] > skipped) & (length >= BITE_LENGTHS[0]) & (length <= BITE_LENGTHS[1])
        fits &= border.length[outline] >= SHORTEST_BORDER
        found.append(np.stack([outline[fits], place[fits], length[fits]], axis=1))
    table = np.concatenate(found) if found else np.zeros((0, 3), np.intp)
    parts = _Parts(table[:, 0], table[:, 1], table[:, 2], np.zeros(len(table), bool))
    return parts.take(_dent_inwards(border, parts, size))


def _find_corners(border: _Border) -> tuple[Indices, Indices]:
    """Return where tissue bends outward most: index in the points, and outline."""
    turns = border.turns
    middle = turns[2:-2]
    peak = (middle > LEAST_CORNER) & (middle >= turns[1:-3]) & (middle > turns[3:-1])
    peak &= (middle >= turns[:-4]) & (middle > turns[4:])
    corner = np.flatnonzero(peak) + 2
    outline = np.searchsorted(border.start, corner, "right") - 1
    own = (outline >= 0) & (corner < border.start[outline] + border.length[outline])
    return corner[own], outline[own]


def _dent_inwards(border: _Border, parts: _Parts, size: tuple[int, ...]) -> NDArray[np.bool_]:
    """Say which stretches are bites: quickly for most, closely for those that could be."""
    dented = np.flatnonzero(_bulge(border, parts))
    fits = np.zeros(len(parts.length), bool)
    fits[dented] = _is_bite(border, parts.take(dented), size)
    return fits


def _bulge(border: _Border, parts: _Parts) -> NDArray[np.bool_]:
    """Say quickly which stretches have their middle well behind the chord."""
    ends = [
        border.points[border.look(parts.outline, parts.first + step)]
        for step in (0, parts.length // 2, parts.length)
    ]
    chord = ends[2] - ends[0]
    length = np.abs(chord) + 1e-3
    behind = ((ends[1] - ends[0]) * np.conj(chord)).imag / length
    return np.asarray((behind > LEAST_DEPTH / 2) & (behind > DEPTHS_PER_CHORD[0] / 2 * length), bool)


def _is_bite(border: _Border, parts: _Parts, size: tuple[int, ...]) -> NDArray[np.bool_]:
    """Say which stretches have the shape of a bite and lie off the frame's edge."""
    points = _sample(border, parts)
    shape = _measure_shape(points)
    depth_per_chord = shape.depth / shape.chord
    fits = (shape.depth >= LEAST_DEPTH) & (shape.overhang <= MOST_OVERHANG) & (shape.fill >= LEAST_FILL)
    fits &= (depth_per_chord >= DEPTHS_PER_CHORD[0]) & (depth_per_chord <= DEPTHS_PER_CHORD[1])
    fits &= _lie_inside(points, size)
    close = np.flatnonzero(fits)
    fits[close] = _measure_misfit(border, parts.take(close), points[close]) <= STEEPEST_RAD
    return np.asarray(fits, bool)


def _sample(border: _Border, parts: _Parts) -> Complex:
    """Return `SAMPLES` points along each part, complex64 (N, SAMPLES)."""
    return np.asarray(border.points[_place_samples(border, parts)], np.complex64)


def _place_samples(border: _Border, parts: _Parts) -> Indices:
    along = np.round(parts.length[:, None] * np.linspace(0, 1, SAMPLES)).astype(np.intp)
    return border.look(parts.outline[:, None], parts.first[:, None] + along)


@dataclass(frozen=True, slots=True, eq=False)
class _Shape:
    """What the chord of each stretch says of it, (N,) each: lengths in elements, and the share of its rectangle it fills."""

    chord: Floats
    depth: Floats
    overhang: Floats
    area: Floats
    fill: Floats


def _measure_shape(points: Complex) -> _Shape:
    """Measure stretches (N, SAMPLES) against their chords."""
    chord = points[:, -1] - points[:, 0]
    length = np.abs(chord) + 1e-3
    turned = (points - points[:, :1]) * np.conj(chord / length)[:, None]
    depth = turned.imag.max(axis=1)
    width = np.maximum(length, np.ptp(turned.real, axis=1))
    area = _measure_area(points)
    depth = np.maximum(depth, 1e-3)
    return _Shape(length, depth, -turned.imag.min(axis=1), area, area / (width * depth))


def _measure_area(points: Complex) -> Floats:
    """Area inside closed polygons (N, SAMPLES)."""
    doubled = np.sum((np.conj(points) * np.roll(points, -1, axis=1)).imag, axis=1)
    return np.asarray(np.abs(doubled) / 2, np.float64)


def _lie_inside(points: Complex, size: tuple[int, ...]) -> NDArray[np.bool_]:
    """Say which stretches keep off the frame's edge by two elements."""
    inside = (points.real.min(axis=1) >= 2) & (points.imag.min(axis=1) >= 2)
    inside &= (points.real.max(axis=1) < size[1] - 2) & (points.imag.max(axis=1) < size[0] - 2)
    return np.asarray(inside, bool)


def _measure_misfit(border: _Border, parts: _Parts, points: Complex) -> Floats:
    """Angle in rad between chord and the edge beyond the corners, at the worse end, (N,)."""
    chord = points[:, -1] - points[:, 0]
    reach = np.clip(0.6 * np.abs(chord), 4, 12).astype(np.intp)
    last = parts.first + parts.length
    before = border.points[border.look(parts.outline, parts.first - 2)]
    before = before - border.points[border.look(parts.outline, parts.first - 2 - reach)]
    after = border.points[border.look(parts.outline, last + 2 + reach)]
    after = after - border.points[border.look(parts.outline, last + 2)]
    angles = np.abs(np.angle(np.stack([before, after]) * np.conj(chord)))
    return np.asarray(angles.max(axis=0), np.float64)


def _propose_holes(border: _Border, size: tuple[int, ...]) -> _Parts:
    """Return small rounded pieces of sky."""
    fits = (border.length >= HOLE_LENGTHS[0]) & (border.length <= HOLE_LENGTHS[1])
    outline = np.flatnonzero(fits)
    parts = _Parts(outline, np.zeros_like(outline), border.length[outline], np.ones(len(outline), bool))
    points = _sample(border, parts)
    fits = _is_sky(points) & (_measure_roundness(points) >= LEAST_ROUNDNESS) & _lie_inside(points, size)
    return parts.take(fits)


def _is_sky(points: Complex) -> NDArray[np.bool_]:
    """Say which closed outlines (N, SAMPLES) have sky inside: the border runs the other way round islands of tissue."""
    return np.asarray(np.sum((np.conj(points) * np.roll(points, -1, axis=1)).imag, axis=1) < 0, bool)


def _measure_roundness(points: Complex) -> Floats:
    """4 pi area / perimeter^2 of closed outlines, half an element added all round since they run through element centres."""
    perimeter = np.abs(np.roll(points, -1, axis=1) - points).sum(axis=1)
    area = _measure_area(points) + perimeter / 2 + np.pi / 4
    return np.asarray(4 * np.pi * area / (perimeter + np.pi) ** 2, np.float64)


def _join_parts(bites: _Parts, holes: _Parts) -> _Parts:
    return _Parts(
        np.concatenate([bites.outline, holes.outline]),
        np.concatenate([bites.first, holes.first]),
        np.concatenate([bites.length, holes.length]),
        np.concatenate([bites.hole, holes.hole]),
    )


def _measure_parts(border: _Border, parts: _Parts, *, sky: Mask, leaf: Mask) -> Floats:
    """Return the features (N, F) of every part; those of its leaf are left 0."""
    samples = _place_samples(border, parts)
    points = border.points[samples]
    shape = _measure_shape(points)
    bite = ~parts.hole
    dents = -border.turns[samples]
    inner = dents[:, 2:-2]
    size = np.log2(_measure_sizes(points, parts) / 8)
    tissue, leaves = _look_behind(border, samples[:, ::3], sky=sky, leaf=leaf)
    features = np.zeros((len(parts.length), len(FeedingFeature)), np.float64)
    features[:, FeedingFeature.HOLE] = parts.hole
    features[:, FeedingFeature.SIZE] = np.clip(size, -1.5, 1.5)
    features[:, FeedingFeature.LARGE] = np.clip(size - 1, 0, 2)
    depth = np.abs(np.log(shape.depth / shape.chord / USUAL_DEPTH))
    features[bite, FeedingFeature.DEPTH] = depth[bite]
    features[:, FeedingFeature.FILL] = np.where(bite, shape.fill, _measure_roundness(points))
    features[:, FeedingFeature.CUSP] = np.clip(inner.max(axis=1) - inner.mean(axis=1), 0, 1.5)
    corner = -np.maximum(dents[:, 0], dents[:, -1])
    features[bite, FeedingFeature.CORNER] = np.clip(corner, LEAST_CORNER, 1)[bite]
    misfit = _measure_misfit(border, parts.take(bite), points[bite])
    features[bite, FeedingFeature.MISFIT] = np.maximum(misfit - USUAL_MISFIT_RAD, 0)
    features[:, FeedingFeature.BARK] = tissue - leaves
    features[:, FeedingFeature.LEAF] = leaves
    features[:, FeedingFeature.CROWD] = np.log2(1 + _count_crowd(border, points, sky.shape))
    return features


def _measure_sizes(points: Complex, parts: _Parts) -> Floats:
    """Chord of a bite, diameter of a hole, (N,), in elements."""
    chord = np.abs(points[:, -1] - points[:, 0])
    diameter = np.sqrt(4 / np.pi * _measure_area(points)) + 1
    return np.asarray(np.maximum(np.where(parts.hole, diameter, chord), 1.0), np.float64)


def _look_behind(border: _Border, samples: Indices, *, sky: Mask, leaf: Mask) -> tuple[Floats, Floats]:
    """Shares of tissue and of sunlit leaf behind the border, (N,) each."""
    along = border.points[samples + 2] - border.points[samples - 2]
    into = 1j * along / (np.abs(along) + 1e-3)
    places = border.points[samples][:, :, None] + into[:, :, None] * np.array(DEPTHS_INTO_TISSUE, np.float32)
    rows = np.clip(np.round(places.imag).astype(np.intp), 0, sky.shape[0] - 1)
    columns = np.clip(np.round(places.real).astype(np.intp), 0, sky.shape[1] - 1)
    tissue = sky[rows, columns] == 0
    leaves = tissue & (leaf[rows, columns] > 0)
    return np.asarray(tissue.mean(axis=(1, 2)), np.float64), np.asarray(leaves.mean(axis=(1, 2)), np.float64)


def _count_crowd(border: _Border, points: Complex, size: tuple[int, ...]) -> Floats:
    """Number of small pieces of sky near each part's middle, (N,), counted in cells of half the reach."""
    small = np.flatnonzero(border.length <= HOLE_LENGTHS[1])
    cell = CROWD_REACH // 2
    counts = np.zeros((size[0] // cell + 1, size[1] // cell + 1), np.float32)
    some = border.points[border.start[small]]
    np.add.at(counts, ((some.imag / cell).astype(np.intp), (some.real / cell).astype(np.intp)), 1)
    sums = cv2.boxFilter(counts, -1, (5, 5), normalize=False, borderType=cv2.BORDER_CONSTANT)
    middle = points.mean(axis=1)
    near = sums[(middle.imag / cell).astype(np.intp), (middle.real / cell).astype(np.intp)]
    return np.asarray(near, np.float64)


def _drop_overlaps(border: _Border, parts: _Parts, features: Floats) -> tuple[_Parts, Floats]:
    """Keep, in order, the parts that share no border with one before."""
    kept: list[int] = []
    for number in range(len(parts.length)):
        outline, around = parts.outline[number], border.length[parts.outline[number]]
        for other in kept:
            if parts.outline[other] != outline:
                continue
            offset = (parts.first[number] - parts.first[other]) % around
            if offset < parts.length[other] or offset + parts.length[number] > around:
                break
        else:
            kept.append(number)
    chosen = np.array(kept, np.intp)
    return parts.take(chosen), features[chosen]


def _group_parts(border: _Border, parts: _Parts, *, sky: Mask, leaf: Mask) -> list[_Leaf]:
    """Put together the parts that lie near one another with tissue between; each group is taken for one leaf."""
    points = _sample(border, parts)
    middle, sizes, areas = points.mean(axis=1), _measure_sizes(points, parts), _measure_area(points)
    leaf_of = np.arange(len(middle))
    away = np.abs(middle[:, None] - middle[None, :])
    reach = REACH_PER_SIZE * np.maximum(sizes[:, None], sizes[None, :])
    for one, other in zip(*np.nonzero(np.triu(away <= reach, 1)), strict=True):
        if leaf_of[one] != leaf_of[other] and _is_tissue_between(
            sky, middle[[one, other]], sizes[[one, other]]
        ):
            leaf_of[leaf_of == leaf_of[other]] = leaf_of[one]
    leaves = []
    for number in list(dict.fromkeys(leaf_of.tolist()))[:MOST_REGIONS]:
        members = np.flatnonzero(leaf_of == number)
        members = members[np.argsort(-areas[members], kind="stable")]
        missing = float(areas[members].sum())
        left, free_mask = _find_leaf(sky, leaf, points=points[members[0]], missing_area=missing)
        percent = min(MOST_MISSING_PERCENT, 100 * missing / (missing + left))
        leaves.append(_Leaf(tuple(members.tolist()), percent, free_mask))
    return leaves


def _is_tissue_between(sky: Mask, middle: Complex, sizes: Floats) -> bool:
    """Say whether the line between two parts, less half of each, crosses tissue only."""
    one, other = middle
    length = abs(other - one)
    along = np.arange(sizes[0] / 2 + 1, length - sizes[1] / 2 - 1)
    line = one + (other - one) / max(length, 1e-3) * along
    return not sky[np.round(line.imag).astype(np.intp), np.round(line.real).astype(np.intp)].any()


def _find_leaf(sky: Mask, leaf: Mask, *, points: Complex, missing_area: float) -> tuple[float, Mask | None]:
    """Return the area of tissue left of the leaf at a part (SAMPLES,), in elements, and its mask where it stands free."""
    column, row = round(float(points.real.mean())), round(float(points.imag.mean()))
    top, left = max(0, row - LEAF_REACH), max(0, column - LEAF_REACH)
    tissue = cv2.bitwise_not(sky[top : row + LEAF_REACH, left : column + LEAF_REACH])
    # Opening cuts twigs and stalks, which tie every leaf to its neighbours.
    broad = cv2.morphologyEx(tissue, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8), borderValue=0)
    deep = cv2.distanceTransform(broad.astype(np.uint8, copy=False), cv2.DIST_L2, 3)
    reach = int(np.ptp(points.real) + np.ptp(points.imag)) // 2 + DEPTHS_INTO_TISSUE[-1]
    first_row, first_column = max(0, row - top - reach), max(0, column - left - reach)
    near = deep[first_row : row - top + reach, first_column : column - left + reach]
    radius = float(near.max())
    if radius == 0:
        return 1.0, None
    place = np.unravel_index(int(near.argmax()), near.shape)
    seed = (int(place[1]) + first_column, int(place[0]) + first_row)
    area, broad, _, (x, y, width, height) = cv2.floodFill(broad, None, seed, 128)
    blade = float(np.pi / 4 * LENGTH_PER_WIDTH * (2 * radius) ** 2)
    is_cut_off = x == 0 or y == 0 or x + width == broad.shape[1] or y + height == broad.shape[0]
    if is_cut_off or radius < LEAST_LEAF_RADIUS:
        return blade, None
    piece = np.where(broad == 128, 255, 0).astype(np.uint8)
    if not _is_one_leaf(
        piece, leaf[top : row + LEAF_REACH, left : column + LEAF_REACH], missing_area=missing_area
    ):
        return blade, None
    whole = cv2.bitwise_and(cv2.dilate(piece, np.ones((3, 3), np.uint8)), tissue)
    return float(area), whole.astype(np.uint8, copy=False)


def _is_one_leaf(piece: Mask, leaf: Mask, *, missing_area: float) -> bool:
    """Say whether a piece of tissue is sunlit nearly all over and, with its missing parts, fills its hull as a blade does."""
    area = cv2.countNonZero(piece)
    if cv2.countNonZero(cv2.bitwise_and(piece, leaf)) < LEAST_LEAF_SHARE * area:
        return False
    hull = cv2.convexHull(cv2.findNonZero(piece))
    # A hull runs through element centres: half its length and 1 are added to make it an area of elements.
    hull_area = cv2.contourArea(hull) + cv2.arcLength(hull, True) / 2 + 1
    return area + missing_area >= LEAST_LEAF_SOLIDITY * hull_area


def _rebuild_leaf(region: Region, leaf: _Leaf) -> Region:
    """Put right how much is missing where the leaf stands free and the region is likely enough to be worth the time."""
    if leaf.free_mask is None or score_feeding(region) < REBUILT_CHANCE:
        return region
    return replace(
        region, missing_percent=measure_leaf(leaf.free_mask).missing_percent or leaf.missing_percent
    )


def _make_region(
    border: _Border, parts: _Parts, features: Floats, leaf: _Leaf, *, scale: int, size: tuple[int, ...]
) -> Region:
    """Make the region of one leaf: its largest part outlined in px."""
    largest = leaf.parts[0]
    places = parts.first[largest] + np.arange(parts.length[largest] + (0 if parts.hole[largest] else 1))
    points = border.points[border.look(parts.outline[largest], places)]
    outline = np.stack([points.imag, points.real], axis=1)
    outline = ((outline + 0.5) * scale - 0.5).astype(np.float32)
    first, end = np.floor(outline.min(axis=0)).astype(int), np.ceil(outline.max(axis=0)).astype(int) + 1
    box = (
        max(0, int(first[0])),
        max(0, int(first[1])),
        min(size[0] * scale, int(end[0])),
        min(size[1] * scale, int(end[1])),
    )
    _, (one, other), _ = cv2.minAreaRect(outline)
    values = features[largest].astype(np.float32)
    values[FeedingFeature.FREE] = leaf.free_mask is not None
    values[FeedingFeature.PARTS] = np.log2(len(leaf.parts))
    length_px, width_px = max(one, other) + 1, min(one, other) + 1
    return Region("feeding", box, outline, length_px, width_px, leaf.missing_percent, values)


BITE_BIAS = 5.1
BITE_WEIGHTS: dict[FeedingFeature, float] = {
    FeedingFeature.SIZE: -1.3,
    FeedingFeature.LARGE: -0.9,
    FeedingFeature.DEPTH: -1.1,
    FeedingFeature.FILL: 2.3,
    FeedingFeature.CUSP: -3.4,
    FeedingFeature.CORNER: 2.4,
    FeedingFeature.MISFIT: -0.7,
    FeedingFeature.BARK: -12.0,
    FeedingFeature.LEAF: -5.4,
    FeedingFeature.CROWD: -0.83,
    FeedingFeature.FREE: 1.0,
    FeedingFeature.PARTS: 0.4,
}
HOLE_BIAS = 3.3
HOLE_WEIGHTS: dict[FeedingFeature, float] = {
    FeedingFeature.SIZE: 0.6,
    FeedingFeature.LARGE: -0.6,
    FeedingFeature.FILL: 6.6,
    FeedingFeature.CUSP: -2.3,
    FeedingFeature.BARK: -17.0,
    FeedingFeature.LEAF: -7.5,
    FeedingFeature.CROWD: -0.93,
    FeedingFeature.FREE: 0.6,
    FeedingFeature.PARTS: 0.4,
}
"""Log-odds per unit of each feature: rounded from a logistic regression on 60 drawn masks of leaves, some of them chewed, 20
drawn crowns and half of 41 canopy photographs. Then `FREE`, `PARTS` and the bias of bites were set by hand, until one region in
all 41 photographs was left over 0.5. `tests/bench/feeding.py` prints how right they are on other masks and crowns."""


def _tabulate(bias: float, weights: dict[FeedingFeature, float]) -> Floats:
    """Weights in the order of the features, the bias last."""
    return np.array([*(weights.get(feature, 0.0) for feature in FeedingFeature), bias])


WEIGHTS = np.stack([_tabulate(BITE_BIAS, BITE_WEIGHTS), _tabulate(HOLE_BIAS, HOLE_WEIGHTS)])


def _score(features: Floats) -> Floats:
    """The chances (N,) that features (N, F) of parts are those of feeding."""
    weights = WEIGHTS[(features[:, FeedingFeature.HOLE] > 0.5).astype(np.intp)]
    log_odds = np.sum(features * weights[:, :-1], axis=1) + weights[:, -1]
    return np.asarray(1 / (1 + np.exp(-log_odds)), np.float64)

"""How much of one leaf is gone: the leaf as it was, rebuilt from what is left, with the outlines of the holes and bites.

A hole is enclosed by tissue. A bite is a stretch of the edge between two sharp corners that bend outward, lying inside the line
that carries the edge on from one corner to the other; of all pairs of corners those are taken whose bridge makes the edge
simpler by most (bending energy of the edge as it is, less that of the bridge). Teeth and lobes are told from bites because
they are alike all round, rounded, or met by the edge at a steep angle. Nothing is learnt from pictures: the shape of a leaf is
its own measure.

Masks are (rows, columns), outlines (row, column) in px of the mask given. Inside, the outline is a complex array,
column + 1j * row, run round so that a turn of positive angle is convex, which makes a direction an angle and a quarter turn a
factor of 1j. This file looks at one leaf at a time; finding leaves in a frame is not done here.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from cv2.typing import MatLike
from numpy.typing import NDArray

from detect.errors import DetectError
from detect.regions import Outline

Mask = NDArray[np.uint8]
Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

WORKING_LENGTH_PX = 400
"""The longer side of the leaf's box is brought to this before measuring: a hole of 20 px in a scan of 900 still has 4."""

SAMPLES = 720
"""Points along the outline: about 1.5 to 2 px apart at the working length, so that the raster's steps are smoothed away."""

EDGE_SMOOTHING = 2.0
BENDING_SMOOTHING = 5.0
"""Gaussian sigma in samples for finding corners and for measuring bending energy. The second decides what a corner costs:
angle^2 / (2 sqrt(pi) sigma)."""

CORNER_REACH = 7
CORNER_CORE = 3
CORNER_SPACING = 5
LEAST_CORE = 0.5
"""A corner is a turn within the reach, in samples either way; at least this share of the least turn falls in its core, and no
sharper core lies within the spacing."""

LEAST_CORNER_RAD = np.deg2rad(38)
"""Feeding meets the edge steeply. This and the following were chosen on the even-numbered chewed leaflets, tree leaves and drawn
bites (tests/bench/leaf_damage.py); a change of this by 6 degrees moves the mean error by under 0.1 points there."""

FLANK = 30
TOOTHED_FLANK = 70
LEAST_FLANK = 10
FLANK_SKIP = 4
"""The edge's direction at a corner is that of a line through this many samples next to it, but for the first few, which the
smoothing rounds off. Over teeth the line must be longer."""

STEEPEST_RAD = 1.45
"""Most angle between the edge's direction and the chord of a bite. Lobes and teeth with pointed tips are steeper."""

MOST_BULGE_RAD = 0.8
"""A bridge leaves the chord at no more than this; a bitten-off tip would else be drawn too long."""

GAP_COST = 25.0
GAP_COST_PER_TURN = 60.0
TURNING_POINT_COST = 60.0
UNKNOWN_FLANK_COST = 15.0
"""Bending energy, with the perimeter as the unit of length, that a gap must save: for each, for its share of the perimeter, for
an end where the bridge does not carry on the edge (at a leaf tip), and for an end with no edge left to carry on. A circle has
39, two right-angled corners 200."""

LEAST_DEPTH = 0.025
"""Least depth of a bite under its chord over the square root of the leaf's area; shallower is the edge's own waviness."""

MOST_OVERHANG = 0.03
"""How far tissue may stick out over chord or bridge, same unit."""

TOOTH_DEPTHS = (0.008, 0.07)
LEAST_TEETH = 7
DEEPER_THAN_TEETH = 2.2
"""Where at least this many notches between neighbouring corners have depths in this range, the leaf counts as toothed, and a
bite must be deeper than the median notch by the factor."""

LEAST_LOBES = 4
ROUNDED_CRISPNESS = 0.74
CRISP = 0.76
"""Share of a corner's turn in its core: 0.8 to 1 for bites, about 0.65 for the rounded tips of lobes (drawn oak leaves). When
this many gaps end mostly in rounded corners, the leaf is lobed and only crisp corners are kept."""

LONGEST_GAP = 0.7
SHORTEST_GAP = 6
"""Longest gap as a share of the outline, shortest in samples."""

STALK_WIDTH = 0.05
STALK_LENGTHS = 2.0
"""A stalk is narrower than this share of the square root of the leaf's area, and longer than wide by this factor."""

ROOT_SHARE_BITTEN = 0.5
"""A thin end with more than this share of its root's surroundings in a bite is the midrib that feeding left."""

LEAST_PIECE = 0.005
"""Pieces of tissue smaller than this share of the largest are specks; larger ones hang on a vein too thin to see."""

LEAST_PART_PX = 6
"""Missing parts smaller than this at the working length are noise of the raster."""


class LeafError(DetectError):
    """A picture or mask that cannot be measured as a leaf."""


@dataclass(frozen=True, slots=True, eq=False)
class LeafDamage:
    """One leaf, rebuilt.

    Attributes
    ----------
    missing_percent : share of the leaf as it was that is gone, 0 to 100
    leaf_area_px : area of the leaf as it was, in px of the mask given
    outline : float32 (N, 2), the leaf as it was, without its stalk
    holes : outlines of missing parts enclosed by tissue, largest first
    bites : outlines of missing parts that reach the edge, largest first
    """

    missing_percent: float
    leaf_area_px: float
    outline: Outline
    holes: tuple[Outline, ...]
    bites: tuple[Outline, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    """The outline of the remaining tissue: samples (N,), their bending energy (N,), perimeter and size (root of area) in px."""

    samples: Complex
    bending: Floats
    perimeter_px: float
    size_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _Corners:
    """Sharp convex corners (K,): sample index, and the directions in rad with which the edge arrives and leaves, nan where too
    little edge is left to tell; with the least depth of a bite."""

    index: Indices
    arriving_rad: Floats
    leaving_rad: Floats
    least_depth_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _Gap:
    """A stretch of outline that is not the leaf's edge: first sample, number of samples, and the bridge (B,) over it."""

    first: int
    length: int
    bridge: Complex
    gain: float
    ends: tuple[int, int]


def mask_leaf(rgb: NDArray[np.uint8]) -> Mask:
    """Return the tissue, 255, of one leaf on white or bright sky, from a (H, W, 3) uint8 RGB picture.

    Leaves of any colour but blue take up blue light (a mature leaf lets under 0.01 through: PROSPECT, 450-490 nm), while white
    and sky are bright in it; brown and yellow tissue stands out in blue but not in green. The threshold is Otsu's.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8 or rgb.size == 0:
        raise LeafError(
            f"a picture of a leaf must be uint8 of shape (H, W, 3), found {rgb.dtype} of shape {rgb.shape}; "
            "convert it to 8-bit RGB"
        )
    blue = cv2.GaussianBlur(np.ascontiguousarray(rgb[..., 2]), (0, 0), 0.7)
    _, tissue = cv2.threshold(blue, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(tissue)
    if count < 2:
        raise LeafError(
            f"no leaf stands out in a picture of shape {rgb.shape}: expected one leaf on white or bright sky, "
            "found a single brightness; choose a picture with a bright background"
        )
    areas = stats[1:, cv2.CC_STAT_AREA]
    largest = 1 + int(np.argmax(areas))
    keep = np.r_[False, areas >= LEAST_PIECE * areas.max()] & _lie_in_box(stats, largest)
    return np.where(keep[labels], 255, 0).astype(np.uint8)


def measure_leaf(tissue: NDArray[np.generic]) -> LeafDamage:
    """Rebuild a leaf from the mask of what is left of it and measure what is gone.

    Parameters
    ----------
    tissue : (rows, columns), non-zero where there is tissue; one leaf, from about 40 px long

    Returns
    -------
    LeafDamage
        Leaves with pointed lobes deeper than a third of the leaf are taken for bitten.

    Raises
    ------
    LeafError
        Where the mask is not two-dimensional or holds no tissue.
    """
    small, scale, origin = _bring_to_size(tissue)
    filled = _fill_tissue(small)
    stalk = _find_stalk(filled)
    body, leaf = _rebuild(_subtract(filled, stalk))
    if _comes_from_bite(stalk, body, leaf):
        body, leaf = _rebuild(filled)
    whole = cv2.bitwise_and(small, body)
    missing = _subtract(leaf, whole)
    holes, bites = _outline_parts(missing, body, scale=scale, origin=origin)
    gone, area = cv2.countNonZero(missing), cv2.countNonZero(leaf)
    contour = _find_outer(leaf)
    return LeafDamage(
        missing_percent=100 * gone / area,
        leaf_area_px=area / scale**2,
        outline=_to_outline(contour, scale=scale, origin=origin),
        holes=holes,
        bites=bites,
    )


def _lie_in_box(stats: NDArray[np.generic], largest: int) -> NDArray[np.bool_]:
    """Which components have their box's middle in the box of the largest one; stats (K, 5) of OpenCV."""
    left, top, width, height = (stats[:, column].astype(float) for column in range(4))
    column, row = left + width / 2, top + height / 2
    inside = (column >= left[largest]) & (column <= left[largest] + width[largest])
    inside &= (row >= top[largest]) & (row <= top[largest] + height[largest])
    return np.asarray(inside, bool)


def _bring_to_size(tissue: NDArray[np.generic]) -> tuple[Mask, float, tuple[float, float]]:
    """Cut the tissue out with room around it, at the working length; also the scale, and the (row, column) origin in the mask."""
    if tissue.ndim != 2:
        raise LeafError(
            f"a leaf's mask must have two dimensions, found shape {tissue.shape}; give one channel, non-zero for tissue"
        )
    mask = np.where(tissue != 0, 255, 0).astype(np.uint8)
    left, top, width, height = cv2.boundingRect(mask)
    if width == 0:
        raise LeafError(
            f"a leaf's mask must hold tissue, found none in shape {tissue.shape}; give a mask that is non-zero on the leaf"
        )
    scale = WORKING_LENGTH_PX / max(width, height)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = cv2.resize(mask[top : top + height, left : left + width], size, interpolation=method)
    _, small = cv2.threshold(small, 127, 255, cv2.THRESH_BINARY)
    room = WORKING_LENGTH_PX // 4  # a bridge stands out by a fifth of its chord at most
    framed = cv2.copyMakeBorder(small, room, room, room, room, cv2.BORDER_CONSTANT, value=0)
    return framed.astype(np.uint8, copy=False), scale, (top - room / scale, left - room / scale)


def _fill_tissue(small: Mask) -> Mask:
    """Return the tissue as one piece with its holes filled."""
    filled = np.zeros_like(small)
    cv2.drawContours(filled, [_find_outer(_join_pieces(small))], -1, 255, cv2.FILLED)
    return filled


def _subtract(mask: MatLike, other: MatLike) -> Mask:
    """Return what is in one mask and not in another."""
    return cv2.subtract(mask, other).astype(np.uint8, copy=False)


def _rebuild(body: Mask) -> tuple[Mask, Mask]:
    """Return a filled outline and the leaf as it was."""
    edge = _sample_edge(body)
    return body, _fill_leaf(body, edge, _find_gaps(edge))


def _comes_from_bite(stalk: Mask, body: Mask, leaf: Mask) -> bool:
    """Say whether a thin end has its root in a bite: then it is the midrib that the feeding left, not the stalk."""
    grown = cv2.dilate(stalk, np.ones((3, 3), np.uint8))
    root = _subtract(cv2.dilate(cv2.bitwise_and(grown, body), np.ones((9, 9), np.uint8)), body)
    bitten = cv2.countNonZero(cv2.bitwise_and(root, _subtract(leaf, body)))
    return bitten > ROOT_SHARE_BITTEN * max(1, cv2.countNonZero(_subtract(root, stalk)))


def _join_pieces(small: Mask) -> Mask:
    """Tie every larger piece of tissue to the largest by a line where they are nearest: a vein too thin to see held it there."""
    pieces = sorted((c[:, 0, :] for c in _find_contours(small)), key=cv2.contourArea, reverse=True)
    least = LEAST_PIECE * cv2.contourArea(pieces[0])
    joined = np.zeros_like(small)
    cv2.drawContours(joined, [pieces[0][:, None]], -1, 255, cv2.FILLED)
    base = pieces[0].astype(np.float32)
    for piece in pieces[1:]:
        if cv2.contourArea(piece) < least:
            break
        away = np.hypot(*(base[None, ::2] - piece[::2, None]).transpose(2, 0, 1))
        nearest, other = np.unravel_index(int(np.argmin(away)), away.shape)
        cv2.drawContours(joined, [piece[:, None]], -1, 255, cv2.FILLED)
        start, end = piece[2 * nearest], base[2 * other].astype(np.int32)
        cv2.line(joined, (int(start[0]), int(start[1])), (int(end[0]), int(end[1])), 255, 3)
        base = np.vstack([base, piece.astype(np.float32)])
    return joined


def _find_stalk(filled: Mask) -> Mask:
    """Return the longest thin end that stands out from the leaf, as a mask; empty where there is none."""
    size_px = np.sqrt(cv2.countNonZero(filled))
    width = max(3, round(STALK_WIDTH * size_px)) | 1
    broad = cv2.morphologyEx(
        filled, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    )
    stalk = np.zeros_like(filled)
    if not broad.any():
        return stalk
    hull = np.zeros_like(filled)
    cv2.fillConvexPoly(hull, cv2.convexHull(np.vstack(_find_contours(broad))), 255)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(_subtract(filled, broad))
    lengths = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    for label in sorted(range(1, count), key=lambda k: -lengths[k]):
        if lengths[label] < STALK_LENGTHS * width:
            break
        part = np.where(labels == label, 255, 0).astype(np.uint8)
        touching = cv2.bitwise_and(cv2.dilate(part, np.ones((3, 3), np.uint8)), broad)
        ends_free = cv2.connectedComponents(touching)[0] == 2
        outside = cv2.countNonZero(_subtract(part, hull)) > 0.5 * cv2.countNonZero(part)
        if ends_free and outside:
            return part
    return stalk


def _find_outer(mask: Mask) -> NDArray[np.int32]:
    """Return the outer contour (N, 1, 2), (x, y), of the largest piece."""
    return max(_find_contours(mask), key=lambda c: (cv2.contourArea(c), len(c)))


def _find_contours(mask: MatLike) -> list[NDArray[np.int32]]:
    """Return the outer contours (N, 1, 2), (x, y), of all pieces."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return [contour.astype(np.int32, copy=False) for contour in contours]


def _sample_edge(body: Mask) -> _Edge:
    """Sample the outline of one piece evenly and measure its bending."""
    contour = _find_outer(body)[:, 0, :].astype(np.float64)
    points = contour[:, 0] + 1j * contour[:, 1]
    steps = np.abs(np.roll(points, -1) - points)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    places = np.arange(SAMPLES) / SAMPLES * along[-1]
    samples = np.interp(places, along, np.concatenate([points, points[:1]]))
    if _find_area(samples) < 0:
        samples = samples[::-1]
    samples = _smooth(samples, EDGE_SMOOTHING)
    bending = _find_turns(_smooth(samples, BENDING_SMOOTHING)) ** 2 * SAMPLES
    return _Edge(samples, bending, float(along[-1]), float(np.sqrt(abs(_find_area(samples)))))


def _find_area(points: Complex) -> float:
    """Signed area inside a closed outline, positive where a convex turn has a positive angle."""
    return float(np.sum((np.conj(points) * np.roll(points, -1)).imag)) / 2


def _smooth(points: Complex, sigma: float) -> Complex:
    """Smooth a closed outline by a Gaussian of `sigma` samples."""
    frequency = np.fft.fftfreq(len(points))
    gain = np.exp(-2 * (np.pi * frequency * sigma) ** 2)
    return np.asarray(np.fft.ifft(np.fft.fft(points) * gain), np.complex128)


def _find_turns(points: Complex) -> Floats:
    """Turn in rad at every sample of a closed outline."""
    steps = np.roll(points, -1) - points
    return np.asarray(np.angle(steps * np.conj(np.roll(steps, 1))), np.float64)


def _sum_around(values: Floats, reach: int) -> Floats:
    """Sum of a closed row of values over `reach` places either way."""
    wrapped = np.cumsum(np.r_[0.0, values, values, values])
    here = np.arange(len(values)) + len(values)
    return np.asarray(wrapped[here + reach + 1] - wrapped[here - reach], np.float64)


def _find_gaps(edge: _Edge) -> list[_Gap]:
    """Return the stretches of outline that feeding made; of a lobed leaf only those that end in a crisp corner."""
    index, crispness = _find_corners(edge)
    proposed = _propose_gaps(edge, _measure_corners(edge, index))
    gaps = _choose_gaps(proposed)
    ends = crispness[[end for gap in gaps for end in gap.ends]]
    if len(gaps) >= LEAST_LOBES and np.median(ends) < ROUNDED_CRISPNESS:
        gaps = _choose_gaps([gap for gap in proposed if crispness[list(gap.ends)].mean() >= CRISP])
    return gaps


def _find_corners(edge: _Edge) -> tuple[Indices, Floats]:
    """Return the sharp convex corners: sample indices (K,) and crispness (K,), the share of the turn in the core."""
    turns = _find_turns(edge.samples)
    turn, core = _sum_around(turns, CORNER_REACH), _sum_around(turns, CORNER_CORE)
    near = (np.arange(SAMPLES)[:, None] + np.arange(-CORNER_SPACING, CORNER_SPACING + 1)) % SAMPLES
    turn = turn[near].max(axis=1)
    sharp = (
        (core >= core[near].max(axis=1)) & (turn > LEAST_CORNER_RAD) & (core > LEAST_CORE * LEAST_CORNER_RAD)
    )
    index = np.flatnonzero(sharp)
    return index, core[index] / turn[index]


def _measure_corners(edge: _Edge, index: Indices) -> _Corners:
    """Measure in which direction the edge runs at each corner, and how deep a bite must be to stand out from teeth."""
    tooth_depth = _find_tooth_depth(edge, index)
    before = (index - np.roll(index, 1) - 1) % SAMPLES + 1
    after = np.roll(before, -1)
    longest = FLANK
    if tooth_depth > 0:
        longest = TOOTHED_FLANK
        before = after = np.full(len(index), SAMPLES)
    spare = FLANK_SKIP + 2
    reach_before = np.clip(before - spare, 0, longest)
    reach_after = np.clip(after - spare, 0, longest)
    arriving = [
        _find_direction(edge, int(k), -int(reach)) for k, reach in zip(index, reach_before, strict=True)
    ]
    leaving = [_find_direction(edge, int(k), int(reach)) for k, reach in zip(index, reach_after, strict=True)]
    depth = max(LEAST_DEPTH, DEEPER_THAN_TEETH * tooth_depth) * edge.size_px
    return _Corners(index, np.array(arriving), np.array(leaving), depth)


def _find_tooth_depth(edge: _Edge, index: Indices) -> float:
    """Return the median depth of the notches between neighbouring corners over the leaf's size; 0 for a leaf without teeth."""
    depths = []
    for first, end in zip(index, np.roll(index, -1), strict=True):
        length = int(end - first) % SAMPLES
        if SHORTEST_GAP <= length <= SAMPLES // 4:
            stretch = _take_stretch(edge.samples, int(first), length)
            depths.append(-float(_measure_offsets(stretch).min()) / edge.size_px)
    teeth = [depth for depth in depths if TOOTH_DEPTHS[0] < depth < TOOTH_DEPTHS[1]]
    return float(np.median(teeth)) if len(teeth) >= LEAST_TEETH else 0.0


def _take_stretch(samples: Complex, first: int, length: int) -> Complex:
    """Return the samples from `first` over `length` steps, (length + 1,)."""
    return np.asarray(samples[np.arange(first, first + length + 1) % SAMPLES], np.complex128)


def _measure_offsets(stretch: Complex) -> Floats:
    """Distances of a stretch's samples from its own chord, px, positive outside the leaf."""
    chord = stretch[-1] - stretch[0]
    direction = chord / max(abs(chord), 1e-9)
    return np.asarray(-((stretch - stretch[0]) * np.conj(direction)).imag, np.float64)


def _find_direction(edge: _Edge, corner: int, reach: int) -> float:
    """Direction in rad of the edge over `reach` samples (negative: before the corner), carried on to the corner; nan if short.

    A line has the direction of its middle, so it is turned on by what an even outline turns from there.
    """
    count = abs(reach)
    if count < LEAST_FLANK:
        return float("nan")
    sign = 1 if reach > 0 else -1
    flank = edge.samples[(corner + sign * np.arange(FLANK_SKIP, FLANK_SKIP + count)) % SAMPLES]
    centred = flank - flank.mean()
    # The main axis of complex points is half the angle of their mean square.
    axis = np.exp(0.5j * np.angle(np.sum(centred**2)))
    if (np.conj(axis) * sign * (flank[-1] - flank[0])).real < 0:
        axis = -axis
    turn_on = 2 * np.pi / SAMPLES * (count / 2 + FLANK_SKIP)
    return float(np.angle(axis)) - sign * turn_on


def _propose_gaps(edge: _Edge, corners: _Corners) -> list[_Gap]:
    """Return every pair of corners whose bridge makes the edge simpler and runs outside the tissue, most gain first."""
    index = corners.index
    length = (index[None, :] - index[:, None]) % SAMPLES
    chord = edge.samples[index][None, :] - edge.samples[index][:, None]
    leave, arrive, cost = _choose_bridges(edge, corners, chord=chord)
    kept = np.cumsum(np.r_[0.0, edge.bending, edge.bending])
    saved = kept[index[:, None] + length + 1] - kept[index[:, None]]
    gain = saved - cost - GAP_COST - GAP_COST_PER_TURN * length / SAMPLES
    fits = (gain > 0) & (length >= SHORTEST_GAP) & (length <= LONGEST_GAP * SAMPLES)
    gaps = []
    for start, end in zip(*np.nonzero(fits), strict=True):
        stretch = _take_stretch(edge.samples, int(index[start]), int(length[start, end]))
        offsets = _measure_offsets(stretch)
        if offsets.max() > MOST_OVERHANG * edge.size_px or -offsets.min() < corners.least_depth_px:
            continue
        bridge = _build_bridge(stretch[0], stretch[-1], leave=leave[start, end], arrive=arrive[start, end])
        if _lies_outside(bridge, stretch, most_overhang_px=MOST_OVERHANG * edge.size_px):
            ends = (int(start), int(end))
            gaps.append(
                _Gap(int(index[start]), int(length[start, end]), bridge, float(gain[start, end]), ends)
            )
    gaps.sort(key=lambda gap: (-gap.gain, gap.first))
    return gaps


def _choose_bridges(edge: _Edge, corners: _Corners, *, chord: Complex) -> tuple[Floats, Floats, Floats]:
    """For each pair of corners (K, K) the cheapest bridge: angles to the chord at both ends, and its bending energy.

    A bridge carries the edge on at both ends, or at one only and bends as a free end does at the other, or at none. The energy
    of a cubic over a chord c with end slopes a and b is 4 / c (a^2 + a b + b^2).
    """
    direction = np.angle(chord)
    share = np.maximum(np.abs(chord) / edge.perimeter_px, 4 / SAMPLES)
    leave = _wrap(corners.arriving_rad[:, None] - direction)
    arrive = _wrap(corners.leaving_rad[None, :] - direction)
    unknown_leave, unknown_arrive = np.isnan(leave), np.isnan(arrive)
    bulge = np.full(leave.shape, np.deg2rad(6))
    options = [
        (leave, arrive, np.zeros_like(leave)),
        (-arrive / 2, arrive, np.where(unknown_leave, UNKNOWN_FLANK_COST, TURNING_POINT_COST)),
        (leave, -leave / 2, np.where(unknown_arrive, UNKNOWN_FLANK_COST, TURNING_POINT_COST)),
        (
            -bulge,
            bulge,
            np.where(unknown_leave, UNKNOWN_FLANK_COST, TURNING_POINT_COST)
            + np.where(unknown_arrive, UNKNOWN_FLANK_COST, TURNING_POINT_COST),
        ),
    ]
    costs = np.stack([extra + 4 / share * (a * a + a * b + b * b) for a, b, extra in options])
    steep = np.stack([np.maximum(np.abs(a), np.abs(b)) > STEEPEST_RAD for a, b, _ in options])
    costs[steep | np.isnan(costs)] = np.inf
    best = costs.argmin(axis=0)[None]
    leaves = np.take_along_axis(np.stack([a for a, _, _ in options]), best, axis=0)[0]
    arrives = np.take_along_axis(np.stack([b for _, b, _ in options]), best, axis=0)[0]
    cost = np.take_along_axis(costs, best, axis=0)[0]
    return (
        np.clip(leaves, -MOST_BULGE_RAD, MOST_BULGE_RAD),
        np.clip(arrives, -MOST_BULGE_RAD, MOST_BULGE_RAD),
        cost,
    )


def _wrap(angle_rad: Floats) -> Floats:
    """Bring angles to -pi to pi."""
    return np.asarray((angle_rad + np.pi) % (2 * np.pi) - np.pi, np.float64)


def _build_bridge(start: complex, end: complex, *, leave: float, arrive: float) -> Complex:
    """Return a cubic (32,) from start to end with these angles to the chord; near a circle's arc where they are alike."""
    chord = end - start
    speed = chord / np.cos((abs(leave) + abs(arrive)) / 4) ** 2
    first, last = speed * np.exp(1j * leave), speed * np.exp(1j * arrive)
    u = np.linspace(0, 1, 32)
    points = (2 * u**3 - 3 * u**2 + 1) * start + (3 * u**2 - 2 * u**3) * end
    return np.asarray(points + (u**3 - 2 * u**2 + u) * first + (u**3 - u**2) * last, np.complex128)


def _lies_outside(bridge: Complex, stretch: Complex, *, most_overhang_px: float) -> bool:
    """Say whether a bridge encloses something with the stretch it replaces and no tissue sticks out over it."""
    if _find_area(np.concatenate([bridge, stretch[::-1]])) <= 0:
        return False
    chord = stretch[-1] - stretch[0]
    direction = np.conj(chord / max(abs(chord), 1e-9))
    along = ((stretch - stretch[0]) * direction).real
    allowed = np.interp(along, ((bridge - stretch[0]) * direction).real, _measure_offsets(bridge))
    return bool((_measure_offsets(stretch) - allowed).max() <= most_overhang_px)


def _choose_gaps(proposed: list[_Gap]) -> list[_Gap]:
    """Take gaps in order of gain, none overlapping another."""
    taken = np.zeros(SAMPLES, bool)
    chosen = []
    for gap in proposed:
        inner = np.arange(gap.first + 1, gap.first + gap.length) % SAMPLES
        if not taken[inner].any():
            taken[inner] = True
            chosen.append(gap)
    return chosen


def _fill_leaf(body: Mask, edge: _Edge, gaps: list[_Gap]) -> Mask:
    """Return the leaf as it was: the filled tissue and what lies between each gap and its bridge."""
    leaf = body.copy()
    fraction_bits = 4
    for gap in gaps:
        stretch = _take_stretch(edge.samples, gap.first, gap.length)
        part = np.concatenate([gap.bridge, stretch[::-1]])
        corners = np.round(np.stack([part.real, part.imag], axis=1) * 2**fraction_bits).astype(np.int32)
        cv2.fillPoly(leaf, [corners], 255, shift=fraction_bits)
    return leaf


def _outline_parts(
    missing: Mask, body: Mask, *, scale: float, origin: tuple[float, float]
) -> tuple[tuple[Outline, ...], tuple[Outline, ...]]:
    """Outline the missing parts, largest first: those enclosed by the body as holes, the others as bites."""
    holes: list[Outline] = []
    bites: list[Outline] = []
    for contour in sorted(_find_contours(missing), key=lambda c: -cv2.contourArea(c)):
        if cv2.contourArea(contour) + len(contour) / 2 < LEAST_PART_PX:
            continue
        outline = _to_outline(contour, scale=scale, origin=origin)
        enclosed = bool(body[contour[:, 0, 1], contour[:, 0, 0]].all())
        (holes if enclosed else bites).append(outline)
    return tuple(holes), tuple(bites)


def _to_outline(contour: NDArray[np.int32], *, scale: float, origin: tuple[float, float]) -> Outline:
    """Turn a contour at the working length, (x, y), into (row, column) px of the mask given."""
    points = (contour[:, 0, ::-1] + 0.5) / scale - 0.5
    return np.asarray(points + np.array(origin), np.float32)

"""Movement: the hand, the steps and the wind, as closed forms of time, and the maps from frame to layers that they make.

Any row of any frame can be asked for (rolling shutter). A layer's map takes a frame place (x, y) to a layer place (x, y), given
at nodes 24 px apart: shake and roll are the same for all depths, walking is divided by the depth, wind moves each cluster of
leaves its own way. Pictures are drawn from maps in `clip`.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_float
from models.canopy.scene import Layer

CELL_PX = 24
"""Spacing of the nodes between which a map is straight; leaves are larger, so their movement stays smooth."""

HUNT_AWAY_S = 2.0
"""In a short burst the focus's hunting lies up to this far away, so that most bursts are sharp."""


@dataclass(frozen=True, slots=True, eq=False)
class Waves:
    """A sum of sine waves: amplitude, frequency_hz, phase, each float64 (K,)."""

    amplitude: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    phase: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """How the camera moves: shake in px, roll in radians, walking in mm, and the focus's hunting."""

    shake_row: Waves
    shake_column: Waves
    roll: Waves
    zoom: Waves
    walk_mm_s: tuple[float, float]
    walk_waves: tuple[Waves, Waves]
    middle_s: float
    hunt_at_s: float
    hunt_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Offset:
    """Where the camera points at some times: (T,) each, shake in px and walk in mm, down and to the right."""

    shake_down_px: NDArray[np.float64]
    shake_right_px: NDArray[np.float64]
    walk_down_mm: NDArray[np.float64]
    walk_right_mm: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Sway:
    """The wind on one layer: per component amplitude (K, h, w, 2) in px, phase (K, h, w) and frequency_hz (K,)."""

    amplitude: FloatImage
    phase: FloatImage
    frequency_hz: NDArray[np.float64]
    cell_px: float


def choose_path(
    rng: np.random.Generator,
    *,
    shake_px: float,
    walk_mm_s: float,
    hunting_px: tuple[float, float],
    duration_s: float,
) -> Path:
    """Choose how a hand of some shake moves while its owner walks at some speed."""
    heading = rng.uniform(0, 2 * np.pi)
    return Path(
        _choose_waves(rng, shake_px, *SHAKE_HZ),
        _choose_waves(rng, shake_px, *SHAKE_HZ),
        _choose_waves(rng, ROLL_RAD, *ROLL_HZ),
        _choose_waves(rng, ZOOM_SHARE, *ZOOM_HZ),
        (float(walk_mm_s * np.sin(heading)), float(walk_mm_s * np.cos(heading))),
        (_choose_waves(rng, STEP_MM, *STEP_HZ), _choose_waves(rng, STEP_MM, *STEP_HZ)),
        duration_s / 2,
        duration_s / 2 + float(rng.uniform(-1, 1)) * max(duration_s / 2, HUNT_AWAY_S),
        float(rng.uniform(*hunting_px)),
    )


SHAKE_HZ, ROLL_HZ, ZOOM_HZ, STEP_HZ = (0.25, 7.0), (0.2, 3.0), (0.1, 1.0), (0.1, 2.0)
ROLL_RAD, ZOOM_SHARE, STEP_MM = 0.006, 0.004, 12.0
"""Frequencies of a hand and of steps, and deviations of roll, of the distance's change and of the body's sway; no source."""


def _choose_waves(
    rng: np.random.Generator, deviation: float, low_hz: float, high_hz: float, count: int = 10
) -> Waves:
    """Waves whose amplitude falls with the frequency, as a hand's does."""
    frequency = np.exp(rng.uniform(np.log(low_hz), np.log(high_hz), count))
    amplitude = rng.uniform(0.5, 1.5, count) / frequency**0.9
    amplitude *= deviation / np.sqrt((amplitude**2).sum() / 2)
    return Waves(amplitude, frequency, rng.uniform(0, 2 * np.pi, count))


def add_waves(waves: Waves, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sum of the waves at each time."""
    angle = 2 * np.pi * waves.frequency_hz * np.asarray(time_s)[..., None] + waves.phase
    return np.asarray((waves.amplitude * np.sin(angle)).sum(axis=-1))


def find_offset(path: Path, times_s: NDArray[np.float64]) -> Offset:
    """Return where the camera points, relative to where it points in the middle of its time."""
    middle = np.asarray([path.middle_s])
    waves = (path.shake_row, path.shake_column, *path.walk_waves)
    moved = [add_waves(w, times_s) - add_waves(w, middle) for w in waves]
    past = times_s - path.middle_s
    return Offset(
        moved[0], moved[1], moved[2] + path.walk_mm_s[0] * past, moved[3] + path.walk_mm_s[1] * past
    )


def find_reach(path: Path, *, px_per_mm: float, duration_s: float) -> tuple[int, int]:
    """Return how far (rows, columns) in px the nearest layer moves from where it is in the middle of the time."""
    offset = find_offset(path, np.linspace(0, duration_s, 2 + int(duration_s * REACH_HZ), dtype=np.float64))
    down = np.abs(offset.shake_down_px) + np.abs(offset.walk_down_mm) * px_per_mm
    right = np.abs(offset.shake_right_px) + np.abs(offset.walk_right_mm) * px_per_mm
    return int(down.max()) + 1, int(right.max()) + 1


REACH_HZ = 60
"""How often the path is looked at for its reach; the fastest wave has a tenth of this."""


def choose_sway(rng: np.random.Generator, layer: Layer, *, wind_px: float, leaf_px: float) -> Sway:
    """Draw the wind on one layer: slow swaying of branches, faster of clusters, a flutter of single leaves."""
    rows, columns = layer.picture.shape[:2]
    cell = max(12.0, leaf_px)
    coarse = (int(rows / cell) + 3, int(columns / cell) + 3)
    frequency = np.asarray([rng.uniform(*band) for band in SWAY_HZ])
    amplitude = np.zeros((3, *coarse, 2), np.float32)
    phase = np.zeros((3, *coarse), np.float32)
    for k in range(3):
        size = (max(2, int(coarse[0] / SWAY_SPANS[k]) + 2), max(2, int(coarse[1] / SWAY_SPANS[k]) + 2))
        small = rng.normal(0, 1, (*size, 2)).astype(np.float32)
        amplitude[k] = (
            cv2.resize(small, (coarse[1], coarse[0]), interpolation=cv2.INTER_CUBIC)
            * wind_px
            * SWAY_SHARES[k]
        )
        turn = rng.uniform(0, 2 * np.pi, size).astype(np.float32)
        phase[k] = cv2.resize(turn, (coarse[1], coarse[0]), interpolation=cv2.INTER_CUBIC)
    return Sway(amplitude, phase, frequency, cell)


SWAY_HZ, SWAY_SHARES, SWAY_SPANS = ((0.25, 0.6), (0.8, 1.6), (2.0, 4.0)), (1.0, 0.5, 0.22), (8.0, 3.0, 1.4)
"""Branches, clusters and single leaves: frequency, share of the wind's deviation, and how many leaves move as one; no source."""


def map_layer(
    path: Path,
    layer: Layer,
    sway: Sway,
    *,
    time_s: float,
    readout_s: float,
    frame_px: tuple[int, int],
    px_per_mm: float,
) -> FloatImage:
    """Return the map of one layer at the nodes: float32 (m, n, 2) of (x, y) in the layer, one node outside each edge."""
    rows, columns = frame_px
    ys = (np.arange(-(-rows // CELL_PX) + 2) - 0.5) * CELL_PX - 0.5
    xs = (np.arange(-(-columns // CELL_PX) + 2) - 0.5) * CELL_PX - 0.5
    times = time_s + readout_s * ys / rows
    roll = add_waves(path.roll, times)[:, None]
    zoom = 1 + add_waves(path.zoom, times)[:, None]
    step = px_per_mm / layer.depth
    offset = find_offset(path, times)
    down = (offset.shake_down_px + offset.walk_down_mm * step)[:, None]
    right = (offset.shake_right_px + offset.walk_right_mm * step)[:, None]
    y, x = ys[:, None] - rows / 2, xs[None, :] - columns / 2
    grid = np.empty((len(ys), len(xs), 2), np.float32)
    grid[..., 0] = (x * np.cos(roll) - y * np.sin(roll)) * zoom + columns / 2 + layer.origin_px[1] + right
    grid[..., 1] = (x * np.sin(roll) + y * np.cos(roll)) * zoom + rows / 2 + layer.origin_px[0] + down
    return grid - _blow(sway, grid, time_s)


def hold_still(layer: Layer, *, frame_px: tuple[int, int]) -> FloatImage:
    """Return the map of a layer for a camera and leaves at rest, nodes as in `map_layer`."""
    ys, xs = (
        (np.arange(-(-length // CELL_PX) + 2) - 0.5) * CELL_PX - 0.5 + origin
        for length, origin in zip(frame_px, layer.origin_px, strict=True)
    )
    return as_float(np.stack(np.meshgrid(xs, ys), axis=-1))


def move_shadows(sway: Sway, grid: FloatImage, time_s: float) -> FloatImage:
    """Return how far the shadows on a layer have moved against its leaves at the nodes of its map, float32 (m, n, 2).

    What casts them sways as the layer does, a little later.
    """
    return _blow(sway, grid, time_s + SHADOW_LAG_S) - _blow(sway, grid, time_s)


SHADOW_LAG_S = 0.3


def _blow(sway: Sway, grid: FloatImage, time_s: float) -> FloatImage:
    """Where the wind has carried the leaves at each place of a layer, float32 (m, n, 2)."""
    angle = (2 * np.pi * sway.frequency_hz * time_s).astype(np.float32)[:, None, None] + sway.phase
    field = (sway.amplitude * np.sin(angle)[..., None]).sum(axis=0)
    places = grid / sway.cell_px
    return np.asarray(
        cv2.remap(field, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
        np.float32,
    )


def spread_map(grid: FloatImage, size_px: tuple[int, int], *, step_px: int = 1) -> FloatImage:
    """Spread a map from its nodes to a picture of (rows, columns) that has one element for `step_px` px of the frame."""
    m, n = grid.shape[:2]
    cell = CELL_PX // step_px
    full = cv2.resize(grid, (n * cell, m * cell), interpolation=cv2.INTER_LINEAR)
    return as_float(full[cell : cell + size_px[0], cell : cell + size_px[1]])


def find_in_frame(grid: FloatImage, points_xy: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return where in the frame (x, y) points of a layer are seen: the map turned round by repeated correction."""
    points = np.asarray(points_xy, np.float32)
    found = points - _sample_offset(grid, points - grid[0, 0])
    for _ in range(10):
        found = points - _sample_offset(grid, found)
    return found


def _sample_offset(grid: FloatImage, places_xy: NDArray[np.float32]) -> NDArray[np.float32]:
    """How far the map carries frame places: straight between nodes, and beyond the outer ones as at the edge."""
    last = np.asarray([grid.shape[1] - 1, grid.shape[0] - 1])
    at = np.clip((places_xy + 0.5) / CELL_PX + 0.5, 0, last)
    low = np.minimum(np.floor(at).astype(int), last - 1)
    share = (at - low)[..., None]
    x, y = low[:, 0], low[:, 1]
    top = grid[y, x] * (1 - share[:, 0]) + grid[y, x + 1] * share[:, 0]
    bottom = grid[y + 1, x] * (1 - share[:, 0]) + grid[y + 1, x + 1] * share[:, 0]
    place = (at - 0.5) * CELL_PX - 0.5
    return np.asarray(top * (1 - share[:, 1]) + bottom * share[:, 1] - place, np.float32)

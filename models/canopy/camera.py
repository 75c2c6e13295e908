"""The camera: how it moves over the crown, and how light becomes a frame.

Movement is a closed form of time, so that any row of any frame can be asked for (rolling shutter). A layer's map takes a
frame place (x, y) to a layer place (x, y): hand shake and roll are the same for all depths, walking is divided by the depth,
wind moves each cluster of leaves its own way. Encoding into a clip stands in `write`.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_float
from models.canopy.light import SKY_STEP_PX, Light
from models.canopy.scene import Layer

HUNT_AWAY_S = 2.0
"""In a short burst the focus's hunting lies up to this far away, so that most bursts are sharp."""

FILM_WIDTH_MM = 36.0
"""Lens lengths are given as equivalents on this width."""

CELL_PX = 24
"""Spacing of the nodes between which a map is straight; leaves are larger, so their movement stays smooth."""


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """A phone in a hand; pairs are ranges from which one clip draws.

    Attributes
    ----------
    long_side_px : of the camera's whole frame, which may be larger than a training picture
    lens_mm : 36 mm equivalent focal length
    distance_m : to the nearest leaves
    shake_px : deviation of the hand's shake, in px of a frame 1920 px long
    walk_mm_s : walking speed
    wind_mm : deviation of the leaves' swaying
    readout_s : time from the first to the last row of a frame
    exposure_s : time that light is gathered for one frame
    brightness : geometric mean of the exposed frame, 0 to 1 of full scale (linear)
    noise : deviation of the noise at mid grey, of 255
    blur_px : deviation of the lens's blur
    hunting_px : greatest blur while the focus hunts
    sharpening : strength of the sharpening in the phone
    saturation : of the colours, 1 as the light is
    contrast : strength of the S-shaped tone curve, 0 to 1
    dirt_chance : chance of dirt on the lens
    """

    long_side_px: int = 1920
    lens_mm: tuple[float, float] = (26.0, 120.0)
    distance_m: tuple[float, float] = (1.2, 4.0)
    shake_px: tuple[float, float] = (2.0, 14.0)
    walk_mm_s: tuple[float, float] = (0.0, 120.0)
    wind_mm: tuple[float, float] = (0.5, 6.0)
    readout_s: tuple[float, float] = (0.008, 0.024)
    exposure_s: tuple[float, float] = (0.0008, 0.012)
    brightness: tuple[float, float] = (0.08, 0.26)
    noise: tuple[float, float] = (0.8, 4.0)
    blur_px: tuple[float, float] = (0.4, 1.1)
    hunting_px: tuple[float, float] = (0.0, 2.5)
    sharpening: tuple[float, float] = (0.0, 0.9)
    saturation: tuple[float, float] = (0.95, 1.3)
    contrast: tuple[float, float] = (0.0, 0.5)
    dirt_chance: float = 0.3


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


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """One camera in one hand: what was drawn from the settings.

    Attributes
    ----------
    tone : uint8 (256,), code value of each root of light (8-bit)
    colour : float32 (3, 3), from the bands to the camera's colours
    grain : float32 (rows + some, columns + some, 3), noise of deviation 1 from which each frame takes a piece
    glass : float32 (rows, columns, 3), what the lens lets through: dark corners and dirt
    glow : float32 (rows / 16, columns / 16, 3), the sun's glare, relative to a lit white diffuser
    scatter : share of the light that the lens spreads over the frame
    """

    path: Path
    readout_s: float
    exposure_s: float
    brightness: float
    noise: float
    blur_px: float
    sharpening: float
    tone: NDArray[np.uint8]
    colour: NDArray[np.float32]
    grain: FloatImage
    glass: FloatImage
    glow: FloatImage
    scatter: float


SHAKE_LONG_SIDE_PX = 1920
"""Shake and hunting are given in px of a frame this long, and grow with it."""


def find_scale(lens_mm: float, distance_m: float, long_side_px: int) -> float:
    """Return px per mm at a distance: the ground sample distance turned round."""
    return long_side_px * lens_mm / (FILM_WIDTH_MM * distance_m * 1000)


def choose_camera(
    settings: CameraSettings,
    rng: np.random.Generator,
    *,
    light: Light,
    duration_s: float,
    frame_px: tuple[int, int],
    grain: FloatImage,
) -> Camera:
    """Draw one camera and its movement from the settings; `grain` comes from `draw_grain`."""
    scale = settings.long_side_px / SHAKE_LONG_SIDE_PX
    shake = rng.uniform(*settings.shake_px) * scale
    walk = rng.uniform(*settings.walk_mm_s)
    heading = rng.uniform(0, 2 * np.pi)
    path = Path(
        _choose_waves(rng, shake, 0.25, 7.0),
        _choose_waves(rng, shake, 0.25, 7.0),
        _choose_waves(rng, 0.006, 0.2, 3.0),
        _choose_waves(rng, 0.004, 0.1, 1.0),
        (float(walk * np.sin(heading)), float(walk * np.cos(heading))),
        (_choose_waves(rng, 12.0, 0.1, 2.0), _choose_waves(rng, 12.0, 0.1, 2.0)),
        duration_s / 2,
        duration_s / 2 + float(rng.uniform(-1, 1)) * max(duration_s / 2, HUNT_AWAY_S),
        float(rng.uniform(*settings.hunting_px)) * scale,
    )
    return Camera(
        path,
        float(rng.uniform(*settings.readout_s)),
        float(np.exp(rng.uniform(*np.log(settings.exposure_s)))),
        float(rng.uniform(*settings.brightness)),
        float(rng.uniform(*settings.noise)),
        float(rng.uniform(*settings.blur_px)),
        float(rng.uniform(*settings.sharpening)),
        _choose_tone(float(rng.uniform(*settings.contrast))),
        _choose_colour(float(rng.uniform(*settings.saturation)), rng),
        grain,
        _draw_glass(rng, frame_px, is_dirty=bool(rng.random() < settings.dirt_chance)),
        _draw_glow(rng, frame_px, light),
        light.flare,
    )


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
    spans = (8.0, 3.0, 1.4)
    shares = (1.0, 0.5, 0.22)
    frequency = np.asarray([rng.uniform(0.25, 0.6), rng.uniform(0.8, 1.6), rng.uniform(2.0, 4.0)])
    amplitude = np.zeros((3, *coarse, 2), np.float32)
    phase = np.zeros((3, *coarse), np.float32)
    for k in range(3):
        size = (max(2, int(coarse[0] / spans[k]) + 2), max(2, int(coarse[1] / spans[k]) + 2))
        small = rng.normal(0, 1, (*size, 2)).astype(np.float32)
        amplitude[k] = (
            cv2.resize(small, (coarse[1], coarse[0]), interpolation=cv2.INTER_CUBIC) * wind_px * shares[k]
        )
        turn = rng.uniform(0, 2 * np.pi, size).astype(np.float32)
        phase[k] = cv2.resize(turn, (coarse[1], coarse[0]), interpolation=cv2.INTER_CUBIC)
    return Sway(amplitude, phase, frequency, cell)


def map_layer(
    camera: Camera, layer: Layer, sway: Sway, *, time_s: float, frame_px: tuple[int, int], px_per_mm: float
) -> FloatImage:
    """Return the map of one layer at the nodes: float32 (m, n, 2) of (x, y) in the layer, one node outside each edge."""
    rows, columns = frame_px
    ys = (np.arange(-(-rows // CELL_PX) + 2) - 0.5) * CELL_PX - 0.5
    xs = (np.arange(-(-columns // CELL_PX) + 2) - 0.5) * CELL_PX - 0.5
    path = camera.path
    times = time_s + camera.readout_s * ys / rows
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


def find_shift(camera: Camera, time_s: float, px_per_mm: float) -> tuple[float, float]:
    """Return how far (rows, columns) the picture moves while one frame is exposed."""
    offset = find_offset(camera.path, np.asarray([time_s, time_s + camera.exposure_s]))
    down = offset.shake_down_px + px_per_mm * offset.walk_down_mm
    right = offset.shake_right_px + px_per_mm * offset.walk_right_mm
    return float(down[1] - down[0]), float(right[1] - right[0])


def find_blur(camera: Camera, time_s: float) -> float:
    """Return the deviation of the lens's blur, with the focus hunting for about a second around its moment."""
    path = camera.path
    hunt = path.hunt_px * np.exp(-(((time_s - path.hunt_at_s) / 0.45) ** 2))
    return float(np.hypot(camera.blur_px, hunt))


def find_gain(light: FloatImage, brightness: float) -> float:
    """Return the gain that brings the mean of a frame's green to `brightness`.

    The mean is taken over logarithms, so that a bright sky counts by its area and not by its light: people film leaves, and
    touch the leaf to set the exposure.
    """
    small = cv2.resize(light[::4, ::4, 1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    middle = float(np.exp(np.log(np.maximum(small, DARKEST)).mean()))
    return min(brightness / middle, MOST_GAIN)


DARKEST, MOST_GAIN = 1e-3, 60.0
"""Light under which exposure sees nothing, and the most that a phone brightens."""


def expose(
    light: FloatImage,
    camera: Camera,
    rng: np.random.Generator,
    *,
    gain: float,
    blur_px: float,
    shift_px: tuple[float, float],
) -> NDArray[np.uint8]:
    """Turn linear light (rows, columns, 3) into a uint8 RGB frame: blur, colours, noise, sharpening, tone."""
    picture = _blur(_pass_glass(light, camera), blur_px)
    picture = _smear(picture, shift_px)
    picture = as_float(cv2.transform(picture, camera.colour * np.float32(gain)))
    picture = as_float(cv2.sqrt(np.clip(picture, 0, BRIGHTEST, out=picture)))
    rows, columns = picture.shape[:2]
    r, c = int(rng.integers(camera.grain.shape[0] - rows)), int(rng.integers(camera.grain.shape[1] - columns))
    picture += camera.grain[r : r + rows, c : c + columns] * np.float32(camera.noise / 255)
    codes = cv2.convertScaleAbs(np.clip(picture, 0, None, out=picture), alpha=255)
    if camera.sharpening > 0.05:
        soft = cv2.GaussianBlur(codes, (5, 5), 1.1)
        codes = cv2.addWeighted(codes, 1 + camera.sharpening, soft, -camera.sharpening, 0)
    return np.asarray(cv2.LUT(codes, camera.tone), np.uint8)


BRIGHTEST = 1.2
"""Light over full scale is cut here, so that noise still reaches the code values under a clipped sky."""


def _pass_glass(light: FloatImage, camera: Camera) -> FloatImage:
    """Spread a share of the light over the frame, add the sun's glare, and dim what dirt and the corners hide."""
    rows, columns = light.shape[:2]
    coarse = cv2.resize(light, (camera.glow.shape[1], camera.glow.shape[0]), interpolation=cv2.INTER_AREA)
    spread = cv2.GaussianBlur(coarse, (0, 0), SPREAD_SHARE * columns / VEIL_STEP_PX)
    veil = cv2.resize(
        spread * np.float32(camera.scatter) + camera.glow, (columns, rows), interpolation=cv2.INTER_LINEAR
    )
    return np.asarray(
        cv2.multiply(cv2.addWeighted(light, 1 - camera.scatter, veil, 1, 0), camera.glass), np.float32
    )


VEIL_STEP_PX = 16
SPREAD_SHARE = 0.08
"""The veil is worked out at this step; scattered light spreads over this share of the frame's width."""


def _draw_glass(rng: np.random.Generator, frame_px: tuple[int, int], *, is_dirty: bool) -> FloatImage:
    """Draw what the lens lets through: dark corners, and soft spots of dirt."""
    rows, columns = (max(4, n // 4) for n in frame_px)
    y, x = np.linspace(-1, 1, rows)[:, None], np.linspace(-1, 1, columns)[None, :]
    field = (1 - rng.uniform(0.0, 0.18) * (x * x + y * y) / 2).astype(np.float32)
    if is_dirty:
        spots = np.ones((rows, columns), np.float32)
        for _ in range(int(rng.integers(1, 9))):
            middle = (int(rng.integers(columns)), int(rng.integers(rows)))
            axes = (int(rng.integers(1, 6)), int(rng.integers(1, 12)))
            dark = float(rng.uniform(0.55, 0.95))
            cv2.ellipse(
                spots, middle, axes, float(rng.uniform(0, 180)), 0, 360, (dark,), cv2.FILLED, cv2.LINE_AA
            )
        field *= as_float(cv2.GaussianBlur(spots, (0, 0), float(rng.uniform(0.6, 3.0))))
    wide = cv2.resize(field, (frame_px[1], frame_px[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.cvtColor(wide, cv2.COLOR_GRAY2RGB), np.float32)


def _draw_glow(rng: np.random.Generator, frame_px: tuple[int, int], light: Light) -> FloatImage:
    """Draw the sun's glare round a place in or beside the frame, with a few ghosts across the middle."""
    rows, columns = (max(2, -(-n // VEIL_STEP_PX)) for n in frame_px)
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    glow = np.zeros((rows, columns, 3), np.float32)
    if light.flare < FLARE_WITH_SUN:
        return glow
    sun = rng.uniform(-0.3, 1.3, 2) * (rows, columns)
    reach = rng.uniform(0.08, 0.3) * columns
    distance = np.hypot(y - sun[0], x - sun[1])
    glow += (light.flare * 1.2 * np.exp(-distance / reach))[..., None] * light.incident
    for _ in range(int(rng.integers(0, 4))):
        place = np.asarray([rows, columns]) / 2 + (np.asarray([rows, columns]) / 2 - sun) * rng.uniform(
            -0.5, 1.2
        )
        ring = np.hypot(y - place[0], x - place[1]) < rng.uniform(0.01, 0.06) * columns
        glow += (ring * rng.uniform(0.005, 0.03))[..., None] * rng.uniform(0.3, 1.0, 3)
    return np.asarray(cv2.GaussianBlur(glow, (0, 0), 0.7), np.float32)


FLARE_WITH_SUN = 0.02
"""More scatter than this comes with the sun in or near the frame."""


def find_sky(camera: Camera, sky: FloatImage, *, time_s: float, frame_px: tuple[int, int]) -> FloatImage:
    """Return the sky of one frame, float32 (rows, columns, 3): far away, it moves with the hand's shake alone."""
    rows, columns = frame_px
    time = np.asarray([time_s + camera.readout_s / 2])
    down, right = (float(add_waves(w, time)[0]) for w in (camera.path.shake_row, camera.path.shake_column))
    size = (columns // SKY_STEP_PX + 1, rows // SKY_STEP_PX + 1)
    middle = ((sky.shape[1] - 1) / 2 + right / SKY_STEP_PX, (sky.shape[0] - 1) / 2 + down / SKY_STEP_PX)
    piece = cv2.getRectSubPix(sky, size, middle)
    wide = cv2.resize(piece, (size[0] * SKY_STEP_PX, size[1] * SKY_STEP_PX), interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(wide[:rows, :columns], np.float32)


def _blur(light: FloatImage, blur_px: float) -> FloatImage:
    if blur_px < 0.25:
        return light
    size = 2 * int(np.ceil(2.2 * blur_px)) + 1
    return np.asarray(cv2.GaussianBlur(light, (size, size), blur_px), np.float32)


def _smear(light: FloatImage, shift_px: tuple[float, float]) -> FloatImage:
    """Average along the way the picture moved."""
    length = float(np.hypot(*shift_px))
    if length < 0.8:
        return light
    half = int(np.ceil(length / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for share in np.linspace(-0.5, 0.5, 4 * half):
        r, c = half + shift_px[0] * share, half + shift_px[1] * share
        kernel[round(r), round(c)] += 1
    kernel /= kernel.sum()
    return np.asarray(cv2.filter2D(light, -1, kernel), np.float32)


def _choose_tone(contrast: float) -> NDArray[np.uint8]:
    """From the square root of light (8-bit) to code values: nearly sRGB, with an S-shaped curve."""
    root = np.arange(256) / 255
    linear = root**2
    code = np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055
    )
    curve = code + contrast * 0.5 * (code * code * (3 - 2 * code) - code)
    return np.asarray(np.clip(np.round(curve * 255), 0, 255), np.uint8)


def _choose_colour(saturation: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """The 3 x 3 from bands to the camera's colours: its red also sees green and yellow, then a white balance."""
    mixing = np.asarray([[0.72, 0.28, 0.0], [0.06, 0.86, 0.08], [0.0, 0.1, 0.9]])
    grey = np.asarray([0.3, 0.6, 0.1])
    saturate = saturation * np.eye(3) + (1 - saturation) * np.tile(grey, (3, 1))
    balance = np.diag([rng.uniform(0.94, 1.12), 1.0, rng.uniform(0.85, 1.05)])
    return np.asarray(balance @ saturate @ mixing, np.float32)


def draw_grain(rng: np.random.Generator, frame_px: tuple[int, int]) -> FloatImage:
    """Noise larger than a frame, from which each frame takes a piece; slightly smooth, as after a phone's denoising."""
    shape = (frame_px[0] + 97, frame_px[1] + 131, 3)
    grain = rng.standard_normal(shape, dtype=np.float32)
    soft = cv2.GaussianBlur(grain, (3, 3), 0.6)
    return np.asarray(soft / soft.std(), np.float32)

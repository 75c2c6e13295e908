"""The camera: what it is, and how linear light becomes a frame of 8-bit colours.

Light passes the glass (dirt, dark corners, glare), is blurred by lens and movement, mixed into the camera's colours, amplified,
and gets noise, sharpening and a tone curve. Movement itself stands in `movement`, encoding into a clip in `write`.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_float
from models.canopy.light import SKY_STEP_PX, Light
from models.canopy.movement import Path, add_waves, choose_path, find_offset

FILM_WIDTH_MM = 36.0
"""Lens lengths are given as equivalents on this width."""


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
    path = choose_path(
        rng,
        shake_px=float(shake),
        walk_mm_s=float(rng.uniform(*settings.walk_mm_s)),
        hunting_px=(settings.hunting_px[0] * scale, settings.hunting_px[1] * scale),
        duration_s=duration_s,
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
    field = as_float(1 - rng.uniform(*DARK_CORNERS) * (x * x + y * y) / 2)
    if is_dirty:
        spots = np.ones((rows, columns), np.float32)
        for _ in range(int(rng.integers(*DIRT_SPOTS))):
            middle = (int(rng.integers(columns)), int(rng.integers(rows)))
            axes = (int(rng.integers(*DIRT_SHORT)), int(rng.integers(*DIRT_LONG)))
            dark = float(rng.uniform(*DIRT_LIGHT))
            cv2.ellipse(
                spots, middle, axes, float(rng.uniform(0, 180)), 0, 360, (dark,), cv2.FILLED, cv2.LINE_AA
            )
        field *= as_float(cv2.GaussianBlur(spots, (0, 0), float(rng.uniform(*DIRT_EDGE))))
    wide = cv2.resize(field, (frame_px[1], frame_px[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.cvtColor(wide, cv2.COLOR_GRAY2RGB), np.float32)


DARK_CORNERS = (0.0, 0.18)
DIRT_SPOTS, DIRT_SHORT, DIRT_LONG, DIRT_EDGE, DIRT_LIGHT = (1, 9), (1, 6), (1, 12), (0.6, 3.0), (0.55, 0.95)
"""Light lost in the corners; spots of dirt: how many, half axes and softness in steps of 4 px, what they let through. By eye."""


def _draw_glow(rng: np.random.Generator, frame_px: tuple[int, int], light: Light) -> FloatImage:
    """Draw the sun's glare round a place in or beside the frame, with a few ghosts across the middle."""
    rows, columns = (max(2, -(-n // VEIL_STEP_PX)) for n in frame_px)
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    glow = np.zeros((rows, columns, 3), np.float32)
    if light.flare < FLARE_WITH_SUN:
        return glow
    sun = rng.uniform(*SUN_PLACE, 2) * (rows, columns)
    reach = rng.uniform(*GLARE_REACH) * columns
    distance = np.hypot(y - sun[0], x - sun[1])
    glow += (light.flare * GLARE_STRENGTH * np.exp(-distance / reach))[..., None] * light.incident
    for _ in range(int(rng.integers(*GHOSTS))):
        place = np.asarray([rows, columns]) / 2 + (np.asarray([rows, columns]) / 2 - sun) * rng.uniform(
            -0.5, 1.2
        )
        ring = np.hypot(y - place[0], x - place[1]) < rng.uniform(*GHOST_SIZE) * columns
        glow += (ring * rng.uniform(*GHOST_LIGHT))[..., None] * rng.uniform(0.3, 1.0, 3)
    return np.asarray(cv2.GaussianBlur(glow, (0, 0), 0.7), np.float32)


SUN_PLACE, GLARE_REACH, GLARE_STRENGTH = (-0.3, 1.3), (0.08, 0.3), 1.2
GHOSTS, GHOST_SIZE, GHOST_LIGHT = (0, 4), (0.01, 0.06), (0.005, 0.03)
"""Where the sun stands, in shares of the frame; how far its glare reaches over the frame's width and how strong it is; how many
ghosts lie across the middle, how large and how bright. By eye."""

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
    linear = (np.arange(256) / 255) ** 2
    # The curve of IEC 61966-2-1 (sRGB).
    code = np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055
    )
    curve = code + contrast * 0.5 * (code * code * (3 - 2 * code) - code)
    return np.asarray(np.clip(np.round(curve * 255), 0, 255), np.uint8)


def _choose_colour(saturation: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """The 3 x 3 from bands to the camera's colours: its red also sees green and yellow, then a white balance."""
    saturate = saturation * np.eye(3) + (1 - saturation) * np.tile(GREY, (3, 1))
    balance = np.diag([rng.uniform(*BALANCE_RED), 1.0, rng.uniform(*BALANCE_BLUE)])
    return as_float(balance @ saturate @ MIXING)


MIXING = np.asarray([[0.72, 0.28, 0.0], [0.06, 0.86, 0.08], [0.0, 0.1, 0.9]])
"""What red, green and blue of a camera see of the bands: its red also sees 570 to 640 nm, where a leaf passes more than in the
red band and less than in the green. Common practice, no source."""

GREY, BALANCE_RED, BALANCE_BLUE = np.asarray([0.3, 0.6, 0.1]), (0.94, 1.12), (0.85, 1.05)
"""Weights of a colour's grey, and how far white balance strays."""


def draw_grain(rng: np.random.Generator, frame_px: tuple[int, int]) -> FloatImage:
    """Noise larger than a frame, from which each frame takes a piece; slightly smooth, as after a phone's denoising."""
    shape = (frame_px[0] + 97, frame_px[1] + 131, 3)
    grain = rng.standard_normal(shape, dtype=np.float32)
    soft = cv2.GaussianBlur(grain, (3, 3), 0.6)
    return np.asarray(soft / soft.std(), np.float32)

"""The light that falls on the crown and what a leaf lets through, in three bands: red, green, blue.

Light is linear and relative: 1 is what a perfect white diffuser held at the top of the crown would shine with. Band
transmittances are those of the PROSPECT-D leaf model, means over blue 450-490, green 530-570 and red 640-680 nm; a second
leaf in the path multiplies again. The camera's colours stand in `camera`, not here.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_float

RED, GREEN, BLUE = 0, 1, 2

LEAF_AGES = (0.0, 0.5, 1.0)
BAND_TRANSMITTANCES = (
    (0.116, 0.321, 0.055),
    (0.032, 0.177, 0.008),
    (0.008, 0.102, 0.002),
)
"""(red, green, blue) of young (N 1.2, Cab 15, Car 4, Cm .003), middle (N 1.5, Cab 30, Car 8, Cm .005) and mature leaves
(N 1.7, Cab 50, Car 10 ug/cm2, Cm .007 g/cm2); PROSPECT-D (Feret et al. 2017, doi 10.1016/j.rse.2017.03.004), as the package
`prosail` computes it."""


@dataclass(frozen=True, slots=True)
class LightSettings:
    """The sky and the sun; each pair is a range from which one scene draws.

    Attributes
    ----------
    clear_share : chance that the sky is clear, with a direct sun; else it is overcast
    sky_level : sky radiance of a clear sky seen from below, relative to a lit white diffuser
    cloud_level : the same for an overcast sky
    sky_blueness : 0 grey to 1 deep blue, of a clear sky
    sun_height_deg : height of the sun over the horizon
    sun_width_deg : width of the sun's disc as penumbras show it; the true 0.53 widened by haze
    ambient : light from below (ground, low sun), relative to that from above, drawn evenly by ratio
    flare_chance : chance that the sun or its glare stands near the frame
    """

    clear_share: float = 0.65
    sky_level: tuple[float, float] = (0.1, 0.5)
    cloud_level: tuple[float, float] = (0.7, 1.2)
    sky_blueness: tuple[float, float] = (0.25, 0.9)
    sun_height_deg: tuple[float, float] = (32.0, 62.0)
    sun_width_deg: tuple[float, float] = (0.53, 1.2)
    ambient: tuple[float, float] = (0.006, 0.1)
    flare_chance: float = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """The light of one scene.

    Attributes
    ----------
    incident : float32 (3,), what falls on the uppermost leaves; no band exceeds 1
    ambient : float32 (3,), what a surface sends back of the light from below, before its own colour
    sky : float32 (3,), mean of the sky seen through the gaps
    sun_offset : (row, column) by which a shadow moves on a leaf, per px of height between the two leaves
    sun_width : width of the penumbra per px of height
    is_clear : whether there is a direct sun
    flare : share of the light that the lens scatters over the frame
    """

    incident: NDArray[np.float32]
    ambient: NDArray[np.float32]
    sky: NDArray[np.float32]
    sun_offset: tuple[float, float]
    sun_width: float
    is_clear: bool
    flare: float


def find_transmittance(age: float) -> NDArray[np.float32]:
    """Return the (3,) red, green, blue transmittance of a leaf from 0 (just unfolded) to 1 (mature).

    Between the three published leaves the logarithm (the absorbance) is interpolated, as pigments add.
    """
    logs = np.log(np.asarray(BAND_TRANSMITTANCES))
    ages = np.asarray(LEAF_AGES)
    bands = [np.exp(np.interp(age, ages, logs[:, band])) for band in range(3)]
    return np.asarray(bands, np.float32)


def choose_light(settings: LightSettings, rng: np.random.Generator) -> Light:
    """Draw the light of one scene from its ranges."""
    is_clear = bool(rng.random() < settings.clear_share)
    ambient = np.float32(np.exp(rng.uniform(*np.log(settings.ambient)))) * GROUND
    azimuth = rng.uniform(0, 2 * np.pi)
    slope = 1 / np.tan(np.deg2rad(rng.uniform(*settings.sun_height_deg)))
    offset = (float(np.sin(azimuth) * slope), float(np.cos(azimuth) * slope))
    width = float(np.deg2rad(rng.uniform(*settings.sun_width_deg)))
    has_sun_near = rng.random() < settings.flare_chance
    flare = float(rng.uniform(*(FLARE_SUN if has_sun_near else FLARE_NO_SUN)))
    if is_clear:
        blue = rng.uniform(*settings.sky_blueness)
        tint = (1 - blue) * np.ones(3) + blue * BLUEST
        sky = (rng.uniform(*settings.sky_level) * tint).astype(np.float32)
        return Light(SUNLIGHT, ambient, sky, offset, width, True, flare)
    sky = (rng.uniform(*settings.cloud_level) * CLOUD).astype(np.float32)
    incident = np.minimum(1.0, sky).astype(np.float32)
    return Light(incident, ambient, sky, offset, OVERCAST_WIDTH, False, flare * FLARE_UNDER_CLOUD)


SUNLIGHT, CLOUD = np.asarray([1.0, 0.97, 0.9], np.float32), np.asarray([0.95, 0.98, 1.0])
BLUEST, GROUND = np.asarray([0.42, 0.68, 1.0]), np.asarray([0.95, 1.0, 0.8], np.float32)
"""Colours, red to blue: direct light with the sun, cloud, the bluest sky, light sent up by a wood's floor; no source."""

FLARE_SUN, FLARE_NO_SUN, FLARE_UNDER_CLOUD = (0.02, 0.08), (0.0, 0.015), 0.6
"""Share of the light that a phone's lens scatters, with the sun near the frame and without; common practice, no source."""

OVERCAST_WIDTH = 0.9
"""Penumbra per px of height under cloud: light comes from the whole sky, so only leaves that touch cast a shadow with an edge."""


SKY_STEP_PX = 8
"""The sky is kept at this step: it holds nothing finer than a cloud's edge."""


SKY_SLOPE = 0.3
CLOUDS_CLEAR, CLOUDS_OVERCAST = (0.0, 0.6), (0.05, 0.25)
CLOUD_FROM, CLOUD_EDGE, CLOUD_BRIGHTER = 0.3, 1.2, 1.6
"""How the sky changes over the frame; how dense clouds are; where they begin in a noise of deviation 1, how soft their edge is
in steps of 32 px, and how much brighter than the sky they are. By eye."""


def draw_sky(light: Light, rng: np.random.Generator, size_px: tuple[int, int]) -> FloatImage:
    """Return the sky behind the crown, float32 (rows, columns, 3), one element for 8 x 8 px, twice as wide as the frame."""
    rows, columns = (2 * (n // SKY_STEP_PX + 1) for n in size_px)
    small = (max(4, rows // 4), max(4, columns // 4))
    tilt = rng.uniform(-SKY_SLOPE, SKY_SLOPE, 2)
    slope = np.linspace(-1, 1, small[0])[:, None] * tilt[0] + np.linspace(-1, 1, small[1])[None, :] * tilt[1]
    cloud = draw_soft_noise(rng, small, cell_px=9) + 0.5 * draw_soft_noise(rng, small, cell_px=3)
    cloud = as_float(cv2.GaussianBlur(cloud, (0, 0), CLOUD_EDGE))
    amount = rng.uniform(*(CLOUDS_CLEAR if light.is_clear else CLOUDS_OVERCAST))
    cover = np.clip(cloud - CLOUD_FROM, 0, 1) * amount
    tint = light.sky[None, None, :] * (1 + slope[..., None])
    white = float(light.sky.max()) * CLOUD_BRIGHTER * np.ones(3)
    field = tint * (1 - cover[..., None]) + white * cover[..., None]
    sky = cv2.resize(field.astype(np.float32), (columns, rows), interpolation=cv2.INTER_CUBIC)
    return as_float(np.maximum(sky, 0))


def draw_soft_noise(rng: np.random.Generator, size_px: tuple[int, int], *, cell_px: float) -> FloatImage:
    """Return smooth noise float32 (rows, columns), mean 0 and deviation about 1, with features of about `cell_px`."""
    rows, columns = size_px
    coarse = (max(2, int(rows / cell_px) + 3), max(2, int(columns / cell_px) + 3))
    field = rng.standard_normal(coarse).astype(np.float32)
    return cv2.resize(field, (columns, rows), interpolation=cv2.INTER_CUBIC).astype(np.float32)

"""Drawn bodies laid into real pictures: where there is room on a lit leaf, what shape they have, and how they shade the light.

Used to make pictures to learn from (`models.examples`) and to plant larvae in footage to measure with. Shapes are float32 (N, 2)
of (x, y); a place is (row, column); light is linear, 0 to 1 of full scale. Nothing here chooses a picture or keeps one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.larvae import LONGEST_MM, POSES, SHORTEST_MM, LarvaSettings, shape_body
from models.canopy.sheets import fill_softly
from models.canopy.truth import Box, Outline


@dataclass(frozen=True, slots=True)
class LayingSettings:
    """How drawn larvae are laid into real pictures.

    Attributes
    ----------
    count : range of larvae in one picture
    length_px : range of their lengths, even by ratio
    body_light : share of the picture's light that passes the body
    larva_share : share of the laid things that are larvae
    opaque_share : share of the others that are opaque; the rest pass a leaf's light, as a shadow does
    shine : greatest light, 0 to 1 of full scale, that the body sends back
    blur_px : range of the blur of its edge
    least_greenness : the ground's green is at least this many times the mean of its red and blue
    least_code : the ground under it is at least this bright in green (8-bit): a larva is a shade on a lit leaf
    """

    count: tuple[int, int] = (2, 8)
    length_px: tuple[float, float] = (6.0, 70.0)
    body_light: tuple[float, float] = (0.02, 0.2)
    larva_share: float = 0.55
    opaque_share: float = 0.6
    shine: float = 0.02
    blur_px: tuple[float, float] = (0.5, 1.6)
    least_greenness: float = 1.06
    least_code: int = 60


MOST_TRIES = 12

OPAQUE = np.ones(3, np.float32)
LEAF_TINT = np.asarray([0.18, 0.42, 0.12], np.float32)
"""What one more leaf in the light path leaves of red, green and blue as a camera sees it: a middling leaf's transmittance
(`models.canopy.light`) relative to the brightest young one, its colours mixed by the camera."""

SHINE_TINT = np.asarray([0.8, 1.0, 0.6], np.float32)


def choose_lit(
    rgb: NDArray[np.uint8],
    settings: LayingSettings,
    rng: np.random.Generator,
    *,
    length_px: float,
    taken: Sequence[Box],
) -> tuple[float, float] | None:
    """Return a lit (row, column) with room for a body and away from others, or None where none is found soon."""
    rows, columns = rgb.shape[:2]
    reach = int(max(4.0, 0.6 * length_px))
    if min(rows, columns) <= 2 * reach + 2:
        return None
    for _ in range(MOST_TRIES):
        row, column = int(rng.integers(reach, rows - reach)), int(rng.integers(reach, columns - reach))
        ground = rgb[row - reach // 2 : row + reach // 2 + 1, column - reach // 2 : column + reach // 2 + 1]
        free = all(
            row + 2 * reach < box[0]
            or box[2] < row - 2 * reach
            or column + 2 * reach < box[1]
            or box[3] < column - 2 * reach
            for box in taken
        )
        if free and _is_lit_leaf(ground, settings):
            return float(row), float(column)
    return None


def _is_lit_leaf(ground: NDArray[np.uint8], settings: LayingSettings) -> bool:
    """Tell whether a piece of a picture (h, w, 3) is mostly lit and greener than grey, so leaf rather than sky or bark."""
    red, green, blue = (float(value) for value in np.median(ground.reshape(-1, 3), axis=0))
    return green >= settings.least_code and green >= settings.least_greenness * (red + blue) / 2


def shape_larva(rng: np.random.Generator) -> Outline:
    """Shape a body: float32 (N, 2) of (x, y), the longest extent along x."""
    body = shape_body(
        rng,
        settings=LarvaSettings(),
        length_mm=float(rng.uniform(SHORTEST_MM, LONGEST_MM)),
        pose=str(rng.choice(POSES)),
    )
    return body.outline


def shape_other(rng: np.random.Generator) -> Outline:
    """Shape what is no larva: a stick, a round clot, a ragged scrap or a bow, float32 (N, 2) of (x, y)."""
    around = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    kind = int(rng.integers(4))
    width = (rng.uniform(0.03, 0.09), rng.uniform(0.65, 1.0), rng.uniform(0.3, 0.9), rng.uniform(0.05, 0.14))[
        kind
    ]
    points = np.stack([np.cos(around), width * np.sin(around)], axis=1) / 2
    if kind == 2:
        ragged = np.interp(around, np.linspace(0, 2 * np.pi, 9), rng.uniform(0.45, 1.0, 9))
        points *= ragged[:, None]
    if kind == 3:
        points[:, 1] += rng.uniform(0.5, 2.0) * (points[:, 0] ** 2 - 0.125)
    return points.astype(np.float32)


def put_shape(
    shape: Outline, rng: np.random.Generator, *, place: tuple[float, float], length_px: float
) -> Outline:
    """Turn a shape any way, make it `length_px` long and put it at (row, column); returns (x, y)."""
    turn = rng.uniform(0, 2 * np.pi)
    rotation = np.asarray([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    local = shape * (length_px / float(np.ptp(shape[:, 0])))
    return np.asarray(local @ rotation.T + (place[1], place[0]), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """How a laid shape looks: the blur of its edge, the shares of red, green and blue light it passes, and what it sends back."""

    blur_px: float
    passed: NDArray[np.float32]
    shine: NDArray[np.float32]


def choose_look(settings: LayingSettings, rng: np.random.Generator, *, tint: NDArray[np.float32]) -> Look:
    """Choose the look of a shape: an opaque one passes a little of any light, others what their tint says."""
    blur_px = float(rng.uniform(*settings.blur_px))
    passed = float(rng.uniform(*settings.body_light)) * OPAQUE if tint is OPAQUE else tint
    shine = float(rng.uniform(0, settings.shine)) * SHINE_TINT
    return Look(blur_px, np.asarray(passed, np.float32), np.asarray(shine, np.float32))


def shade(light: NDArray[np.float32], outline_xy: Outline, look: Look) -> NDArray[np.float32]:
    """Shade a shape into linear light (H, W, 3), in place; return how much of each pixel it covers, (H', W') of its surroundings.

    The surroundings are cut off where they leave the picture.
    """
    sharp, (row, column) = fill_softly(outline_xy, pad_px=max(6, int(np.ceil(3 * look.blur_px)) + 1))
    mask = np.asarray(cv2.GaussianBlur(sharp, (0, 0), look.blur_px), np.float32)
    r0, c0 = max(0, row), max(0, column)
    r1, c1 = min(light.shape[0], row + mask.shape[0]), min(light.shape[1], column + mask.shape[1])
    inside = mask[r0 - row : max(r1, r0) - row, c0 - column : max(c1, c0) - column]
    share = inside[..., None]
    light[r0:r1, c0:c1] *= 1 - share * (1 - look.passed)
    light[r0:r1, c0:c1] += share * look.shine
    return inside

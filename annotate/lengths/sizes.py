"""From a length in px to one in mm with its error: the scale comes from a card, or from lens and distance.

What is seen is the body's projection. The larva's axis is tilted to the picture by an angle of which nothing is known but that
bodies rest along leaves and leaves hang mostly flat to a view from below: a half-normal prior of `TILT_DEG`. A tilted body looks
shorter by the cosine, never longer, so `length_mm` is a little more than `seen_mm`, and the error holds the tilt's spread. Errors
are deviations as shares, added as squares: of the search's outline, the distance, the lens, the tilt. Stages are told in
`annotate.lengths.stages`; nothing is read from files or the logbook here.
"""

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from annotate.errors import AnnotateError

if TYPE_CHECKING:
    from detect.lenses import Lens

Floats = NDArray[np.float64]

SEARCH_SHARE = 0.1
"""Deviation of the length that a search gives: 0.105 over 115 larvae of drawn clips that tracks were calibrated on, that of short
ones (`SEARCH_PX`) with it; the bias is taken off before, by the gain in the weights' card."""

SEARCH_PX = 0.5
"""And of its two ends together in px, which tells in short bodies (own choice)."""

TILT_DEG = 21.0
"""Deviation of the body's tilt out of the picture. Leaves that hang mostly flat are inclined by 27 degrees in the mean
(planophile distribution, de Wit 1965, from memory); a body along a leaf that points anywhere is then tilted by 17, the mean of a
half-normal of 21 degrees."""

TILT_STEPS = 24
"""Tilts, as likely as each other, by which the prior is summed."""

DISTANCE_SHARE = 0.05
"""Deviation of a distance that someone measured."""

HEIGHT_SHARE = 0.05
SLANT, SLANT_SHARE = 1.05, 0.04
"""A height is known as well as a distance; but what hangs so high above the lens is seen at a slant of up to 30 degrees, so it
is farther by up to 15 per cent, 5 in the middle."""

CARD_SHARE = 0.03
BESIDE_SHARE = 0.05
"""Deviation of a card's own scale (its corners, its tilt), and of the distance of a larva that it is held beside."""

LEAST_M, MOST_M = 0.05, 60.0


@dataclass(frozen=True, slots=True)
class Scale:
    """How many mm a pixel covers where the larva is.

    Attributes
    ----------
    mm_per_px : square to the view
    distance_share, lens_share : deviations as shares
    rests_on : in words, "lens 77 mm, 3 m away"
    """

    mm_per_px: float
    distance_share: float
    lens_share: float
    rests_on: str


@dataclass(frozen=True, slots=True)
class BodySize:
    """The length of one body.

    Attributes
    ----------
    seen_mm : as long as it looks, which is at most as long as it is
    length_mm, error_mm : as long as it probably is, and the deviation of that
    seen_share : deviation of `seen_mm` as a share, the tilt left out
    search_share, distance_share, lens_share, tilt_share : what the error is made of
    rests_on : what the scale rests on, in words
    """

    seen_mm: float
    length_mm: float
    error_mm: float
    seen_share: float
    search_share: float
    distance_share: float
    lens_share: float
    tilt_share: float
    rests_on: str


def scale_by_distance(lens: "Lens", *, distance_m: float, frame_size_px: tuple[int, int]) -> Scale:
    """Return the scale at a distance that was measured from the lens."""
    from detect.lenses import find_mm_per_px

    _check_metres("distance", distance_m)
    mm_per_px = find_mm_per_px(lens, distance_m=distance_m, frame_size_px=frame_size_px)
    rests_on = f"lens of {lens.focal_equivalent_mm:g} mm, {distance_m:g} m away"
    return Scale(mm_per_px, DISTANCE_SHARE, lens.error_share, rests_on)


def scale_by_height(lens: "Lens", *, height_m: float, frame_size_px: tuple[int, int]) -> Scale:
    """Return the scale at a height above the lens, seen at a slant that nobody measured."""
    from detect.lenses import find_mm_per_px

    _check_metres("height above the lens", height_m)
    mm_per_px = find_mm_per_px(lens, distance_m=height_m * SLANT, frame_size_px=frame_size_px)
    rests_on = f"lens of {lens.focal_equivalent_mm:g} mm, {height_m:g} m above it"
    return Scale(mm_per_px, math.hypot(HEIGHT_SHARE, SLANT_SHARE), lens.error_share, rests_on)


def scale_by_card(corners: NDArray[np.float32], *, side_mm: float) -> Scale:
    """Return the scale of a card that was held beside the larva; corners float32 (4, 2), (row, column), side by side.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the corners span no area or the side has no length.
    """
    from detect.cards import measure_scale
    from detect.errors import DetectError

    try:
        measured = measure_scale(corners, side_mm)
    except DetectError as error:
        raise AnnotateError(str(error)) from error
    return Scale(measured.mm_per_px, math.hypot(CARD_SHARE, BESIDE_SHARE), 0.0, "card held beside it")


def size_body(length_px: float, scale: Scale, *, is_drawn_by_hand: bool = False) -> BodySize:
    """Return the length of a body that is `length_px` long in the frame.

    Parameters
    ----------
    is_drawn_by_hand : the length was drawn by a person, so the search's own error does not count
    """
    if not length_px > 0:
        raise AnnotateError(
            f"length: expected more than 0 px; found {length_px:g}; measure the outline again"
        )
    search_share = math.hypot(0.0 if is_drawn_by_hand else SEARCH_SHARE, SEARCH_PX / length_px)
    seen_mm = length_px * scale.mm_per_px
    shortening, tilt_share = _sum_tilts()
    seen_share = math.hypot(search_share, scale.distance_share, scale.lens_share)
    length_mm = seen_mm / shortening
    return BodySize(
        seen_mm,
        length_mm,
        length_mm * math.hypot(seen_share, tilt_share),
        seen_share,
        search_share,
        scale.distance_share,
        scale.lens_share,
        tilt_share,
        scale.rests_on,
    )


def size_candidate(
    length_px: float, kind: str, scale: Scale | None, *, is_drawn_by_hand: bool = False
) -> BodySize | None:
    """Return the length of a candidate's body; None for feeding damage, or where there is no scale."""
    if kind != "silhouette" or scale is None or not length_px > 0:
        return None
    return size_body(length_px, scale, is_drawn_by_hand=is_drawn_by_hand)


def size_measured(length_mm: float, error_mm: float, *, rests_on: str) -> BodySize:
    """Return a length that somebody measured on the larva itself, with its deviation: no tilt, no lens."""
    if not (length_mm > 0 and error_mm >= 0):
        raise AnnotateError(
            f"length: expected more than 0 mm with an error of 0 mm or more; found {length_mm:g} and {error_mm:g}; correct it"
        )
    share = max(error_mm / length_mm, RULER_SHARE)
    return BodySize(length_mm, length_mm, length_mm * share, share, share, 0.0, 0.0, 0.0, rests_on)


RULER_SHARE = 0.03
"""No living larva is measured better: it stretches and draws itself in (common practice, no source)."""


def weigh_lengths(size: BodySize, lengths_mm: Floats) -> Floats:
    """Return how likely each true length (N,) makes what was seen, up to a factor: normal in the logarithm, summed over tilts."""
    shortenings = list_shortenings() if size.tilt_share > 0 else np.ones(1)
    shortened = np.log(lengths_mm)[:, None] + np.log(shortenings)[None, :]
    off = (math.log(size.seen_mm) - shortened) / size.seen_share
    return np.asarray(np.exp(-0.5 * off * off).mean(axis=1))


@cache
def list_shortenings() -> Floats:
    """Return what share of the body's length is seen, (T,), for tilts as likely as each other."""
    from statistics import NormalDist

    half = [NormalDist().inv_cdf(0.5 + (step + 0.5) / TILT_STEPS / 2) for step in range(TILT_STEPS)]
    return np.asarray(np.cos(np.radians(np.minimum(TILT_DEG * np.array(half), MOST_TILT_DEG))), np.float64)


MOST_TILT_DEG = 75.0
"""Nearly end on, a body is no longer taken for one."""


@cache
def _sum_tilts() -> tuple[float, float]:
    """Return the mean shortening, by ratio, and its deviation as a share."""
    logs = np.log(list_shortenings())
    return float(np.exp(logs.mean())), float(logs.std())


def say_size(size: BodySize) -> str:
    """Return "about 24 mm ± 4"."""
    return f"about {size.length_mm:.0f} mm ± {max(1.0, size.error_mm):.0f}"


def _check_metres(what: str, metres: float) -> None:
    if not LEAST_M <= metres <= MOST_M:
        raise AnnotateError(
            f"{what}: expected {LEAST_M:g} to {MOST_M:g} m; found {metres:g} m; give metres from the lens"
        )

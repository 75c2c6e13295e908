"""What the judge learns from: crops about the places that a seeker named and about the marks themselves, with what stands there.

Of pictures in which people judged single things, only these are cut. Pixels are (row, column), full resolution. How wrong a judge
is stands in `judge_lessons`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from models.canopy.truth import FrameTruth
from models.examples import Example
from models.lessons import UNKNOWN
from models.network import REFERENCE_PX, Proposals
from models.patches import (
    CROP_PX,
    HALF_PX,
    MOST_NEAR_LEVEL,
    build_pyramid,
    choose_finer,
    choose_level,
    cut_crops,
    draw_crop_mask,
    shrink,
)
from models.spots import Spots, list_feeding_spots, list_judged_spots, list_larva_spots

JITTERED_COPIES = 2
JITTER_PX = 1.5
JITTER_PER_LENGTH = 0.12
"""Each larva is also cut this often about a place that misses its middle, as a seeker does."""

WRONG_LEVEL_CHANCE = 0.12

HIT_REACH = 0.3
LEAST_HIT_PX = 5.0
MISS_REACH = 0.7
LEAST_MISS_PX = 9.0
"""A place within the first reach of a larva's middle shows it, one beyond the second does not; between, it is not known."""

FEEDING_MARGIN_PX = 4.0

DARK_GUESSES, OTHER_GUESSES, GUESSES_BESIDE = 40, 8, 4
GUESSED_LENGTHS_PX = (6.0, 80.0)

GUESS_SPAN = 17
"""Side, in half-size elements, of the closing whose filling marks a dark spot: wider than any body."""


@dataclass(frozen=True, slots=True, eq=False)
class JudgeBook:
    """Crops for the judge, with what stands in each.

    Attributes
    ----------
    crops : uint8 (N, 2, 48, 48, 3)
    levels : float32 (N,), the near crop's level
    named : float32 (N,), the seeker's log-odds where it named the place as a larva's, else nan
    larva, feeding : int8 (N,), 1 yes, 0 no, -1 not known
    log_lengths : float32 (N,), log2 of the length over 16 elements of the level; where larva is 1
    masks : uint8 (P, 48, 48), 0 to 255; `mask_of` int64 (N,) is a crop's mask or -1
    """

    crops: torch.Tensor
    levels: torch.Tensor
    named: torch.Tensor
    larva: torch.Tensor
    feeding: torch.Tensor
    log_lengths: torch.Tensor
    masks: torch.Tensor
    mask_of: torch.Tensor


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """The crops of one picture, in numpy, as `JudgeBook`; `masks` are those of the crops where larva is 1, in order."""

    crops: NDArray[np.uint8]
    levels: NDArray[np.int64]
    named: NDArray[np.float32]
    larva: NDArray[np.int8]
    feeding: NDArray[np.int8]
    log_lengths: NDArray[np.float32]
    masks: NDArray[np.uint8]


def make_page(
    example: Example,
    proposals: Sequence[Proposals],
    rng: np.random.Generator,
    *,
    is_jittered: bool,
    is_finer: bool = False,
) -> Page:
    """Cut the crops of one picture about every proposal and, where jittered, about every larva and chewed piece too.

    Of the proposals, those that the seeker names as larvae come first. Finer pages are cut from the next finer levels.

    Without proposals, guesses take their place: dark spots and places anywhere; where jittered, a few stand beside them too.
    """
    larvae, feeding = list_larva_spots(example), list_feeding_spots(example)
    half = shrink(example.rgb)
    named = list(proposals) or [guess_places(half, rng)]
    if proposals and is_jittered:
        named.append(guess_places(half, rng, dark=GUESSES_BESIDE, others=1))
    places = [p.places_px for p in named]
    lengths = [p.lengths_px.astype(np.float64) for p in named]
    judged = list_judged_spots(example)
    if is_jittered:
        # What was judged is cut as often whether it is a larva or not: how it is cut must tell nothing.
        about = (
            ((larvae, JITTERED_COPIES), (feeding, 1))
            if judged is None
            else [(s, JITTERED_COPIES) for s in judged]
        )
        for spots, copies in about:
            some, of = jitter(spots, rng, copies)
            places.append(some)
            lengths.append(of)
    all_places, all_lengths = np.concatenate(places), np.concatenate(lengths)
    levels = [choose_level(length) for length in all_lengths]
    if is_finer:
        levels = [choose_finer(level) for level in levels]
    if is_jittered:
        wrong = rng.random(len(levels)) < WRONG_LEVEL_CHANCE
        levels = [
            int(np.clip(level + rng.choice((-1, 1)), 0, MOST_NEAR_LEVEL)) if miss else level
            for level, miss in zip(levels, wrong, strict=True)
        ]
    nearest, larva = label_larvae(all_places, larvae)
    chewed = label_feeding(all_places, example.truth)
    if judged is not None:
        larva[(larva == 0) & ~_is_about(all_places, judged[0])] = UNKNOWN
        chewed[(chewed == 0) & ~_is_about(all_places, judged[1])] = UNKNOWN
    log_lengths, masks = np.zeros(len(levels), np.float32), []
    for number in np.flatnonzero(larva == 1):
        mark = example.truth.larvae[nearest[number]]
        log_lengths[number] = np.log2(mark.length_px / 2 ** levels[number] / REFERENCE_PX)
        masks.append(draw_crop_mask(mark.outline, all_places[number], levels[number]))
    pyramid = build_pyramid(example.rgb, half=half)
    as_larvae = np.full(len(levels), np.nan, np.float32)
    if proposals:
        as_larvae[: len(proposals[0].log_odds)] = proposals[0].log_odds
    told = np.flatnonzero((larva != UNKNOWN) | (chewed != UNKNOWN)) if judged is not None else slice(None)
    return Page(
        cut_crops(pyramid, all_places, levels)[told],
        np.array(levels, np.int64)[told],
        as_larvae[told],
        larva[told],
        chewed[told],
        log_lengths[told],
        np.array(masks, np.uint8).reshape(-1, CROP_PX, CROP_PX),
    )


def guess_places(
    half: NDArray[np.uint8],
    rng: np.random.Generator,
    *,
    dark: int = DARK_GUESSES,
    others: int = OTHER_GUESSES,
) -> Proposals:
    """Name the darkest small spots of a half-size picture and some places at random, as a seeker that knows little would."""
    green = cv2.GaussianBlur(half[..., 1], (3, 3), 0.8)
    filled = cv2.subtract(
        cv2.morphologyEx(green, cv2.MORPH_CLOSE, np.ones((GUESS_SPAN, GUESS_SPAN), np.uint8)), green
    )
    depth = filled.astype(np.float32) / (green.astype(np.float32) + 10)
    depth += rng.uniform(0, 1e-3, depth.shape).astype(np.float32)  # so that no two are equal
    peaks = np.argwhere((depth >= cv2.dilate(depth, np.ones((7, 7), np.uint8))) & (filled > 4))
    order = np.argsort(-depth[peaks[:, 0], peaks[:, 1]])[: 3 * dark]
    spots = peaks[rng.permutation(order)[:dark]]
    anywhere = rng.integers(0, np.array(half.shape[:2]), (others, 2))
    places = (np.concatenate([spots, anywhere]) + 0.5) * HALF_PX - 0.5
    shortest, longest = np.log(GUESSED_LENGTHS_PX)
    lengths = np.exp(rng.uniform(float(shortest), float(longest), len(places)))
    return Proposals(places.astype(np.float64), np.zeros(len(places), np.float32), lengths.astype(np.float32))


def jitter(
    spots: Spots, rng: np.random.Generator, copies: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return places near the taught spots and lengths near theirs."""
    taught = np.flatnonzero(spots.teach).repeat(copies)
    lengths = spots.lengths_px[taught].astype(np.float64)
    middles = np.stack([spots.rows[taught], spots.columns[taught]], axis=1).astype(np.float64)
    spread = (JITTER_PX + JITTER_PER_LENGTH * lengths)[:, None]
    return middles + rng.normal(0, 1, middles.shape) * spread, lengths * np.exp2(
        rng.normal(0, 0.25, len(lengths))
    )


def label_larvae(places: NDArray[np.float64], spots: Spots) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """Return the nearest larva of each place, -1 where there is none, and 1, 0 or -1 for whether the place shows it."""
    if not len(spots.rows) or not len(places):
        return np.full(len(places), -1), np.zeros(len(places), np.int8)
    distance = np.hypot(places[:, :1] - spots.rows[None], places[:, 1:] - spots.columns[None])
    hit = distance <= np.maximum(LEAST_HIT_PX, HIT_REACH * spots.lengths_px)[None]
    close = distance <= np.maximum(LEAST_MISS_PX, MISS_REACH * spots.lengths_px)[None]
    nearest = np.where(hit, distance, np.inf).argmin(axis=1)
    shown = hit.any(axis=1)
    labels = np.where(shown, 1, np.where(close.any(axis=1), UNKNOWN, 0))
    labels = np.where(shown & ~spots.teach[nearest], UNKNOWN, labels)
    return nearest, labels.astype(np.int8)


def _is_about(places: NDArray[np.float64], judged: Spots) -> NDArray[np.bool_]:
    """Tell of places (N, 2) whether they show something that was judged."""
    distance = np.hypot(places[:, :1] - judged.rows[None], places[:, 1:] - judged.columns[None])
    reach = np.maximum(LEAST_HIT_PX, HIT_REACH * judged.lengths_px)[None]
    about: NDArray[np.bool_] = (distance <= reach).any(axis=1)
    return about


def label_feeding(places: NDArray[np.float64], truth: FrameTruth) -> NDArray[np.int8]:
    """Return 1 where a place lies in a chewed piece's box, widened a little, else 0."""
    labels = np.zeros(len(places), np.int8)
    for mark in truth.feeding:
        top, left, bottom, right = mark.box
        inside = (places[:, 0] >= top - FEEDING_MARGIN_PX) & (places[:, 0] < bottom + FEEDING_MARGIN_PX)
        inside &= (places[:, 1] >= left - FEEDING_MARGIN_PX) & (places[:, 1] < right + FEEDING_MARGIN_PX)
        labels[inside] = 1
    return labels


def bind_pages(pages: Sequence[Page], *, device: torch.device) -> JudgeBook:
    """Bind pages into a book on one device."""
    larva = np.concatenate([page.larva for page in pages])
    mask_of = np.full(len(larva), -1)
    mask_of[larva == 1] = np.arange(int((larva == 1).sum()))

    def put(values: NDArray[np.generic]) -> torch.Tensor:
        return torch.from_numpy(values).to(device)

    return JudgeBook(
        put(np.concatenate([page.crops for page in pages])),
        put(np.concatenate([page.levels for page in pages]).astype(np.float32)),
        put(np.concatenate([page.named for page in pages])),
        put(larva),
        put(np.concatenate([page.feeding for page in pages])),
        put(np.concatenate([page.log_lengths for page in pages])),
        put(np.concatenate([page.masks for page in pages])),
        put(mask_of),
    )

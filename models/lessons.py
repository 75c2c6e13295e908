"""What the network is taught, as tensors: books of examples, and for each a loss drawn from it at random.

The seeker's book holds half-size pictures and the middles of what is marked; a lesson cuts squares from them. The judge's book
holds crops about the places that a seeker named and about the marks themselves, each with what stands there. Of pictures in which
people judged single things, only these are taught. Light, colours, noise, blur and direction are varied as a lesson is drawn.
Pixels are (row, column), full resolution. The loop that learns stands in `training`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn import functional

from models.canopy.clip import find_box, measure_length
from models.canopy.truth import FrameTruth, Outline
from models.examples import Example
from models.network import (
    FEEDING,
    JUDGED_FEEDING,
    JUDGED_LARVA,
    JUDGED_LENGTH,
    LARVA,
    LENGTH,
    REFERENCE_PX,
    Judge,
    Proposals,
)
from models.patches import (
    CELL_PX,
    CROP_PX,
    HALF_PX,
    MOST_NEAR_LEVEL,
    build_pyramid,
    choose_finer,
    choose_level,
    cut_crops,
    draw_crop_mask,
    make_judge_input,
    make_seeker_input,
    shrink,
)

TEACHABLE_VISIBLE = 0.4
TEACHABLE_LENGTH_PX = 5.0
"""Larvae hidden more than this, or shorter, are neither asked for nor forbidden."""

SQUARE_ELEMENTS = 192
"""Side of the seeker's squares, half-size elements: 384 px, several times the longest body."""

TEACHABLE_CONTRAST = 0.4
"""Nor are larvae that are no shade: at least this share of what lies about a body must be clearly brighter than it."""

BRIGHTER_BY_SHARE, BRIGHTER_BY_CODES = 1.15, 6.0
"""Clearly brighter: by this factor and these 8-bit codes of green; noise and compression reach about half of that."""

NEAR_PX, RING_PX = 1, 5
"""What lies about a body: from the first to the second distance, in px, from its outline."""

UNKNOWN = -1
"""A label that is neither yes nor no."""


@dataclass(frozen=True, slots=True, eq=False)
class Spots:
    """Marked places of one picture: float32 (N,) rows and columns of the middle, lengths in px, and whether to teach them."""

    rows: NDArray[np.float32]
    columns: NDArray[np.float32]
    lengths_px: NDArray[np.float32]
    teach: NDArray[np.bool_]


def list_larva_spots(example: Example) -> Spots:
    """Return the larvae of a picture as spots; those that nobody could see are not taught."""
    marks = example.truth.larvae
    lengths = np.array([mark.length_px for mark in marks], np.float32)
    teach = lengths >= TEACHABLE_LENGTH_PX
    if example.judged is None:  # what a person outlined, somebody saw
        visible = np.array([mark.visible for mark in marks], np.float32)
        contrast = np.array([measure_contrast(example.rgb, mark.outline) for mark in marks], np.float32)
        teach &= (visible >= TEACHABLE_VISIBLE) & (contrast >= TEACHABLE_CONTRAST)
    return _make_spots([mark.box for mark in marks], lengths, teach)


def list_judged_spots(example: Example) -> tuple[Spots, Spots] | None:
    """Return what people judged in a picture, as to larvae and as to feeding; None where all of it is known."""
    if example.judged is None:
        return None
    first, second = (
        _list_outlined(outlines, example.rgb.shape[:2])
        for outlines in (example.judged.larvae, example.judged.feeding)
    )
    return first, second


def _list_outlined(outlines: Sequence[Outline], size_px: tuple[int, ...]) -> Spots:
    boxes = [find_box(outline[:, ::-1].copy(), size_px) for outline in outlines]
    lengths = np.array([measure_length(outline[:, ::-1].copy()) for outline in outlines], np.float32)
    seen = np.array([box is not None for box in boxes], bool)
    return _make_spots(
        [box for box in boxes if box is not None], lengths[seen], np.ones(int(seen.sum()), bool)
    )


def measure_contrast(rgb: NDArray[np.uint8], outline: NDArray[np.float32]) -> float:
    """Return the share, 0 to 1, of what lies about an outline (N, 2) in (H, W, 3) that is clearly brighter than its inside."""
    margin = RING_PX + 2
    low = np.maximum(np.floor(outline.min(axis=0)).astype(int) - margin, 0)
    high = np.minimum(np.ceil(outline.max(axis=0)).astype(int) + margin + 1, rgb.shape[:2])
    if (high - low < 2).any():
        return 0.0
    inside = np.zeros(tuple(high - low), np.uint8)
    points = np.round((outline - low)[:, ::-1] * 16).astype(np.int32)
    cv2.fillPoly(inside, [points], 1, shift=4)
    near, far = (cv2.dilate(inside, np.ones((2 * reach + 1,) * 2, np.uint8)) for reach in (NEAR_PX, RING_PX))
    green = rgb[low[0] : high[0], low[1] : high[1], 1].astype(np.float32)
    body, ring = green[inside > 0], green[far > near]
    if not len(body) or not len(ring):
        return 0.0
    return float((ring >= float(np.median(body)) * BRIGHTER_BY_SHARE + BRIGHTER_BY_CODES).mean())


def list_feeding_spots(example: Example) -> Spots:
    """Return the chewed pieces of a picture as spots; a piece is as long as its box."""
    boxes = [mark.box for mark in example.truth.feeding]
    lengths = np.array([max(box[2] - box[0], box[3] - box[1]) for box in boxes], np.float32)
    return _make_spots(boxes, lengths, lengths >= TEACHABLE_LENGTH_PX)


def _make_spots(
    boxes: Sequence[tuple[int, ...]], lengths: NDArray[np.float32], teach: NDArray[np.bool_]
) -> Spots:
    edges = np.array(boxes, np.float32).reshape(-1, 4)
    rows, columns = (edges[:, 0] + edges[:, 2] - 1) / 2, (edges[:, 1] + edges[:, 3] - 1) / 2
    return Spots(rows.astype(np.float32), columns.astype(np.float32), lengths, teach)


NO_SPOTS = _make_spots((), np.zeros(0, np.float32), np.zeros(0, bool))


@dataclass(frozen=True, slots=True, eq=False)
class SpotTable:
    """Spots of many pictures or squares, one row each, padded: (N, S) like `Spots`, and which of them are there."""

    rows: NDArray[np.float32]
    columns: NDArray[np.float32]
    lengths_px: NDArray[np.float32]
    teach: NDArray[np.bool_]
    there: NDArray[np.bool_]


def tabulate_spots(spots: Sequence[Spots]) -> SpotTable:
    """Put the spots of many pictures into one table."""
    most = max(1, *(len(some.rows) for some in spots))
    numbers = np.zeros((3, len(spots), most), np.float32)
    flags = np.zeros((2, len(spots), most), bool)
    for n, some in enumerate(spots):
        count = len(some.rows)
        numbers[:, n, :count] = some.rows, some.columns, some.lengths_px
        flags[0, n, :count] = some.teach
        flags[1, n, :count] = True
    return SpotTable(*numbers, *flags)


@dataclass(frozen=True, slots=True, eq=False)
class SeekerBook:
    """Pictures for the seeker, end to end, so that one step gathers a whole batch of squares.

    Attributes
    ----------
    pixels : uint8 (P, 3), the half-size pictures row by row, on one device
    starts, sizes : int64 (N,) and (N, 2): each picture's first pixel, its rows and columns
    larvae, feeding : the spots of each
    judged_larvae, judged_feeding : what people judged as larvae and as feeding, right or wrong
    partly : bool (N,), whether only what was judged is known of it
    """

    pixels: torch.Tensor
    starts: NDArray[np.int64]
    sizes: NDArray[np.int64]
    larvae: SpotTable
    feeding: SpotTable
    judged_larvae: SpotTable
    judged_feeding: SpotTable
    partly: NDArray[np.bool_]


def make_seeker_book(prepared: Sequence["Prepared"], *, device: torch.device) -> SeekerBook:
    """Put prepared pictures into a book for the seeker."""
    sizes = np.array([some.half.shape[:2] for some in prepared], np.int64)
    counts = sizes.prod(axis=1)
    starts = np.cumsum(counts) - counts
    pixels = torch.empty((int(counts.sum()), 3), dtype=torch.uint8, device=device)
    for some, start, count in zip(prepared, starts.tolist(), counts.tolist(), strict=True):
        pixels[start : start + count] = torch.from_numpy(some.half.reshape(-1, 3)).to(device)
    larvae, feeding, judged_larvae, judged_feeding = (
        tabulate_spots(spots)
        for spots in (
            [some.larvae for some in prepared],
            [some.feeding for some in prepared],
            *([NO_SPOTS if some.judged is None else some.judged[n] for some in prepared] for n in (0, 1)),
        )
    )
    partly = np.array([some.judged is not None for some in prepared], bool)
    return SeekerBook(pixels, starts, sizes, larvae, feeding, judged_larvae, judged_feeding, partly)


@dataclass(frozen=True, slots=True, eq=False)
class _Squares:
    """Squares to be cut: picture, first row and column, quarter turns and whether mirrored before; (B,) or (B, 2) each."""

    picks: NDArray[np.int64]
    corners: NDArray[np.int64]
    turns: NDArray[np.int64]
    mirrored: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class SeekerLesson:
    """Draws squares from a book and measures how far the seeker's maps are from the truth."""

    book: SeekerBook
    batch: int
    side: int = SQUARE_ELEMENTS

    def measure_loss(self, seeker: nn.Module, rng: np.random.Generator) -> torch.Tensor:
        """Return the loss on one batch drawn with `rng`."""
        squares = self._choose(rng)
        larvae, feeding = self._place(squares)
        codes = vary_light(self._cut(squares), rng)
        maps = seeker(make_seeker_input(codes, dtype=torch.float32)).float()
        cells = self.side * HALF_PX // CELL_PX
        device = maps.device
        larva_heat, lengths, at_larva = _draw_targets(larvae, cells, device)
        feeding_heat, _, _ = _draw_targets(feeding, cells, device)
        partly = self.book.partly[squares.picks]
        if partly.any():
            larva_heat, feeding_heat = (
                _forget_unjudged(heat, _turn_spots(judged, squares, self.side), partly)
                for heat, judged in (
                    (larva_heat, self.book.judged_larvae),
                    (feeding_heat, self.book.judged_feeding),
                )
            )
        loss = measure_focal(maps[:, LARVA], larva_heat) + FEEDING_SHARE * measure_focal(
            maps[:, FEEDING], feeding_heat
        )
        error = functional.smooth_l1_loss(maps[:, LENGTH], lengths, reduction="none", beta=0.25)
        return loss + LENGTH_SHARE * (error * at_larva).sum() / at_larva.sum().clamp(min=1)

    def draw_batch(self, rng: np.random.Generator) -> tuple[torch.Tensor, SpotTable, SpotTable]:
        """Return squares uint8 (B, side, side, 3) and where larvae and chewed places lie in them."""
        squares = self._choose(rng)
        return self._cut(squares), *self._place(squares)

    def _choose(self, rng: np.random.Generator) -> _Squares:
        picks = rng.integers(len(self.book.starts), size=self.batch)
        corners = np.array([self._choose_corner(pick, rng) for pick in picks.tolist()], np.int64)
        return _Squares(picks, corners, rng.integers(4, size=self.batch), rng.random(self.batch) < 0.5)

    def _place(self, squares: _Squares) -> tuple[SpotTable, SpotTable]:
        return (
            _turn_spots(self.book.larvae, squares, self.side),
            _turn_spots(self.book.feeding, squares, self.side),
        )

    def _choose_corner(self, pick: int, rng: np.random.Generator) -> tuple[int, int]:
        """Return the (row, column) of a square's first element: anywhere or so that a taught larva lies in it.

        Where only what was judged is known, it always lies about something judged: elsewhere there is nothing to learn.
        """
        partly = bool(self.book.partly[pick])
        aims = self.book.judged_larvae if partly else self.book.larvae
        size, side = self.book.sizes[pick], self.side
        taught = np.flatnonzero(aims.teach[pick])
        if rng.random() < (1.0 if partly else AIMED_SHARE) and len(taught):
            at = int(rng.choice(taught))
            middle = int(aims.rows[pick, at]) // HALF_PX, int(aims.columns[pick, at]) // HALF_PX
            first = [value - int(rng.integers(side)) for value in middle]
        else:
            first = [
                int(rng.integers(-EDGE_ELEMENTS, max(1, length - side + EDGE_ELEMENTS))) for length in size
            ]
        last = np.maximum(-EDGE_ELEMENTS, size - side + EDGE_ELEMENTS)
        row, column = np.clip(first, -EDGE_ELEMENTS, last)
        return int(row), int(column)

    def _cut(self, squares: _Squares) -> torch.Tensor:
        """Cut and turn all squares in one step; past a picture's edge the edge goes on."""
        device = self.book.pixels.device
        ways = torch.from_numpy(squares.turns + 4 * squares.mirrored).to(device)
        rows, columns = (grid[ways] for grid in _list_ways(self.side, device))  # (B, side, side) each
        corners, sizes, starts = (
            torch.from_numpy(values).to(device)
            for values in (squares.corners, self.book.sizes[squares.picks], self.book.starts[squares.picks])
        )
        across = sizes[:, 1, None, None]
        row = (rows + corners[:, 0, None, None]).clamp(min=0).minimum(sizes[:, 0, None, None] - 1)
        column = (columns + corners[:, 1, None, None]).clamp(min=0).minimum(across - 1)
        return self.book.pixels[starts[:, None, None] + row * across + column]


@cache
def _list_ways(side: int, device: torch.device) -> tuple[torch.Tensor, torch.Tensor]:
    """Return for each of the eight ways where each element of a turned square comes from: rows and columns (8, side, side)."""
    steps = torch.arange(side)
    grid = torch.stack(torch.meshgrid(steps, steps, indexing="ij"), dim=2)
    ways = torch.stack([turn_picture(grid, way % 4, way >= 4) for way in range(DIRECTIONS)]).to(device)
    return ways[..., 0], ways[..., 1]


AIMED_SHARE = 0.5
"""Share of the squares that are laid about a larva, where the picture has one."""

EDGE_ELEMENTS = 8
"""Squares may reach this far past a picture's edge, where the edge goes on, as it does in searching."""

LENGTH_SHARE = 0.2
FEEDING_SHARE = 0.3
"""Weights of the lesser tasks beside finding larvae; chosen once, by the first runs."""


def turn_picture(picture: torch.Tensor, turns: int, mirrored: bool) -> torch.Tensor:
    """Turn the last-but-two and last-but-one axes of (..., H, W, C) by quarter turns, after mirroring the columns."""
    rows, columns = picture.ndim - 3, picture.ndim - 2
    flipped = torch.flip(picture, (columns,)) if mirrored else picture
    return torch.rot90(flipped, turns, (rows, columns))


def _turn_spots(table: SpotTable, squares: _Squares, side: int) -> SpotTable:
    """Move the spots of the pictures chosen into their squares (px, full resolution) and turn them with them."""
    last = side * HALF_PX - 1
    rows = table.rows[squares.picks] - squares.corners[:, :1] * HALF_PX
    columns = table.columns[squares.picks] - squares.corners[:, 1:] * HALF_PX
    columns = np.where(squares.mirrored[:, None], last - columns, columns)
    for turn in range(1, 4):
        # torch.rot90 from rows to columns: what was on the right comes to the top.
        is_turned = (squares.turns >= turn)[:, None]
        rows, columns = np.where(is_turned, last - columns, rows), np.where(is_turned, rows, columns)
    inside = (rows >= 0) & (rows <= last) & (columns >= 0) & (columns <= last)
    there = table.there[squares.picks] & inside
    teach = table.teach[squares.picks] & there
    lengths = table.lengths_px[squares.picks]
    # Most spots of a picture lie outside its square: only as many columns are kept as the fullest square needs.
    first = np.argsort(~there, axis=1, kind="stable")[:, : max(1, int(there.sum(axis=1).max()))]
    rows, columns, lengths = (
        np.take_along_axis(values, first, axis=1).astype(np.float32) for values in (rows, columns, lengths)
    )
    teach, there = (np.take_along_axis(values, first, axis=1) for values in (teach, there))
    return SpotTable(rows, columns, lengths, teach, there)


HEAT_SPREAD_PX = 4.0
HEAT_SPREAD_PER_LENGTH = 0.1
"""A target falls off from a spot's middle as a bell of this deviation."""

IGNORED_REACH = 0.6
"""About spots that are not taught, cells within this many lengths (at least one and a half cells) count neither way."""


def _draw_targets(
    spots: SpotTable, cells: int, device: torch.device
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Return heat (B, n, n), log lengths (B, n, n) and where those hold (B, n, n).

    Heat is 1 at a taught spot's own cell, falls off about it, and is -1 where nothing is taught.
    """
    rows, columns, lengths, teach, there = (
        torch.from_numpy(values).to(device)[..., None, None]
        for values in (spots.rows, spots.columns, spots.lengths_px, spots.teach, spots.there)
    )
    middles = (torch.arange(cells, device=device) + 0.5) * CELL_PX - 0.5
    squared = (middles[:, None] - rows) ** 2 + (middles[None, :] - columns) ** 2  # (B, S, n, n)
    spread = (HEAT_SPREAD_PER_LENGTH * lengths).clamp(min=HEAT_SPREAD_PX)
    own = ((middles[:, None] - rows).abs() <= CELL_PX / 2) & (
        (middles[None, :] - columns).abs() <= CELL_PX / 2
    )
    heat = (torch.where(own, 1.0, torch.exp(-squared / (2 * spread**2)).clamp(max=0.99)) * teach).amax(dim=1)
    reach = (IGNORED_REACH * lengths).clamp(min=1.5 * CELL_PX)
    ignored = ((squared <= reach**2) & there & ~teach).any(dim=1)
    heat = torch.where(ignored & (heat < 1), torch.full_like(heat, UNKNOWN), heat)
    close = (squared <= (1.5 * CELL_PX) ** 2) & teach
    nearest = torch.where(close, squared, torch.inf).argmin(dim=1, keepdim=True)
    logs = torch.log2(lengths.clamp(min=1) / REFERENCE_PX).expand_as(squared)
    return heat, logs.gather(1, nearest)[:, 0], close.any(dim=1)


def _forget_unjudged(heat: torch.Tensor, judged: SpotTable, partly: NDArray[np.bool_]) -> torch.Tensor:
    """Return heat (B, n, n) with -1 in cells of partly known squares that lie about nothing judged."""
    device, cells = heat.device, heat.shape[1]
    rows, columns, lengths, there = (
        torch.from_numpy(values).to(device)[..., None, None]
        for values in (judged.rows, judged.columns, judged.lengths_px, judged.there)
    )
    middles = (torch.arange(cells, device=device) + 0.5) * CELL_PX - 0.5
    squared = (middles[:, None] - rows) ** 2 + (middles[None, :] - columns) ** 2  # (B, S, n, n)
    known = ((squared <= (IGNORED_REACH * lengths).clamp(min=1.5 * CELL_PX) ** 2) & there).any(dim=1)
    forgotten = torch.from_numpy(partly).to(device)[:, None, None] & ~known
    return torch.where(forgotten, torch.full_like(heat, UNKNOWN), heat)


def measure_focal(log_odds: torch.Tensor, heat: torch.Tensor) -> torch.Tensor:
    """Return the focal loss of a map against heat 0 to 1, per spot; cells of heat -1 count neither way.

    The form of Law and Deng 2018 (doi:10.1007/978-3-030-01264-9_45) from memory: cells near a spot are forgiven by
    (1 - heat)^4, easy cells weigh little by the square of their error.
    """
    chance = torch.sigmoid(log_odds)
    is_spot = heat == 1
    found = (1 - chance) ** 2 * functional.logsigmoid(log_odds)
    quiet = (1 - heat.clamp(min=0)) ** 4 * chance**2 * functional.logsigmoid(-log_odds)
    known = heat >= 0
    total = torch.where(is_spot, found, quiet * known).sum()
    return -total / is_spot.sum().clamp(min=1)


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
            some, of = _jitter(spots, rng, copies)
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
    nearest, larva = _label_larvae(all_places, larvae)
    chewed = _label_feeding(all_places, example.truth)
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


DARK_GUESSES, OTHER_GUESSES, GUESSES_BESIDE = 40, 8, 4
GUESSED_LENGTHS_PX = (6.0, 80.0)

GUESS_SPAN = 17
"""Side, in half-size elements, of the closing whose filling marks a dark spot: wider than any body."""


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


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """One picture made ready for the seeker's book: its half-size form, its spots, and what was judged where not all is known."""

    half: NDArray[np.uint8]
    larvae: Spots
    feeding: Spots
    judged: tuple[Spots, Spots] | None = None


def prepare_example(example: Example) -> Prepared:
    """Make one picture ready for the seeker's book."""
    return Prepared(
        shrink(example.rgb),
        list_larva_spots(example),
        list_feeding_spots(example),
        list_judged_spots(example),
    )


def _jitter(
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


def _label_larvae(places: NDArray[np.float64], spots: Spots) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
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


def _label_feeding(places: NDArray[np.float64], truth: FrameTruth) -> NDArray[np.int8]:
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


class Loss(Protocol):
    """Anything that measures how wrong a network is on examples drawn at random, as `models.training.Lesson`."""

    def measure_loss(self, network: nn.Module, rng: np.random.Generator) -> torch.Tensor:
        """Return the loss, a scalar that gradients flow from."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class MixedLesson:
    """Several lessons at once, each with its weight in the loss: so a small book counts for enough beside a large one."""

    parts: tuple[tuple[float, Loss], ...]

    def measure_loss(self, network: nn.Module, rng: np.random.Generator) -> torch.Tensor:
        """Return the weighted sum of the losses, each on a batch of its own."""
        losses = [weight * lesson.measure_loss(network, rng) for weight, lesson in self.parts]
        return torch.stack(losses).sum()


@dataclass(frozen=True, slots=True, eq=False)
class JudgeLesson:
    """Draws crops from a book, larvae and chewed places more often than they come, and measures how wrong the judge is.

    Attributes
    ----------
    groups : int64 indices of the crops that show a larva, of the other chewed ones, and of the rest
    """

    book: JudgeBook
    batch: int
    groups: tuple[NDArray[np.int64], ...]

    def measure_loss(self, judge: nn.Module, rng: np.random.Generator) -> torch.Tensor:
        """Return the loss on one batch drawn with `rng`."""
        assert isinstance(judge, Judge)
        chosen, bodies = self._choose(rng)
        picks = torch.from_numpy(chosen).to(self.book.crops.device)
        first = int(rng.integers(DIRECTIONS))
        codes = vary_light(turn_batch(self.book.crops[picks], first), rng)
        inputs = make_judge_input(codes, dtype=torch.float32)
        features = judge.look(inputs)
        figures = judge.judge(features, inputs, self.book.levels[picks]).float()
        loss = _measure_known(figures[:, JUDGED_LARVA], self.book.larva[picks])
        loss = loss + FEEDING_SHARE * _measure_known(figures[:, JUDGED_FEEDING], self.book.feeding[picks])
        if not bodies:
            return loss
        known = self.book.log_lengths[picks[:bodies]]
        lengths = functional.smooth_l1_loss(figures[:bodies, JUDGED_LENGTH], known, beta=0.1)
        masks = turn_batch(self.book.masks[self.book.mask_of[picks[:bodies]]][..., None], first)[..., 0]
        drawn = judge.outline([part[:bodies] for part in features]).float()
        return loss + LENGTH_SHARE * lengths + MASK_SHARE * measure_mask_loss(drawn, masks.float() / 255)

    def _choose(self, rng: np.random.Generator) -> tuple[NDArray[np.int64], int]:
        """Return the crops of a batch, those that show a larva first, and how many do."""
        chosen = []
        for group, share in zip(self.groups[:2], BATCH_SHARES, strict=True):
            chosen.append(rng.choice(group, round(self.batch * share)) if len(group) else group)
        left = self.batch - sum(len(some) for some in chosen)
        rest = self.groups[2] if len(self.groups[2]) else np.concatenate(self.groups)
        return np.concatenate([*chosen, rng.choice(rest, left)]), len(chosen[0])


def make_judge_lesson(book: JudgeBook, *, batch: int) -> JudgeLesson:
    """Return a lesson over a book."""
    larva, feeding = book.larva.cpu().numpy(), book.feeding.cpu().numpy()
    shows = larva == 1
    chewed = (feeding == 1) & ~shows
    groups = tuple(np.flatnonzero(some) for some in (shows, chewed, ~shows & ~chewed))
    return JudgeLesson(book, batch, groups)


BATCH_SHARES = (0.3, 0.12)
"""Shares of a batch that are larvae and chewed places; the calibration afterwards brings back how often they really come."""

MASK_SHARE = 0.5

DIRECTIONS = 8


def turn_batch(pictures: torch.Tensor, first: int) -> torch.Tensor:
    """Turn and mirror pictures (B, ..., H, W, C), each the next of the eight ways, beginning with `first`."""
    turned = torch.empty_like(pictures)
    for n in range(min(DIRECTIONS, len(pictures))):
        way = (first + n) % DIRECTIONS
        turned[n::DIRECTIONS] = turn_picture(pictures[n::DIRECTIONS], way % 4, way >= 4)
    return turned


def _measure_known(log_odds: torch.Tensor, labels: torch.Tensor) -> torch.Tensor:
    """Return the mean cross entropy over the labels that are known."""
    known = labels >= 0
    losses = functional.binary_cross_entropy_with_logits(
        log_odds, labels.clamp(min=0).float(), reduction="none"
    )
    return (losses * known).sum() / known.sum().clamp(min=1)


def measure_mask_loss(log_odds: torch.Tensor, masks: torch.Tensor) -> torch.Tensor:
    """Return cross entropy plus one less the overlap (Dice) of masks (P, 48, 48), so that small bodies count as large ones."""
    entropy = functional.binary_cross_entropy_with_logits(log_odds, masks)
    chance = torch.sigmoid(log_odds)
    shared = (chance * masks).sum(dim=(1, 2))
    both = chance.sum(dim=(1, 2)) + masks.sum(dim=(1, 2))
    return entropy + (1 - (2 * shared + 1) / (both + 1)).mean()


GAIN_SPREAD = 0.3
TINT_SPREAD = 0.1
CONTRAST_SPREAD = 0.2
COLOUR_SPREAD = 0.25
MOST_NOISE = 6.0
SOFT_BELOW = -1.0
"""How light is varied: log gain, log gain per colour, log exponent, log strength of colour, deviation of noise (8-bit), and the
normal deviate under which a picture is softened (a sixth of them)."""


def vary_light(codes: torch.Tensor, rng: np.random.Generator) -> torch.Tensor:
    """Return pictures (B, ..., H, W, 3) of codes 0 to 255 with light, colour, contrast, noise and softness varied, float32."""
    batch = len(codes)
    device = codes.device
    generator = torch.Generator(device).manual_seed(int(rng.integers(2**62)))

    def draw(*size: int) -> torch.Tensor:
        wide = (batch, *([1] * (codes.ndim - 2)), *size)
        return torch.randn(wide, generator=generator, device=device)

    gain = torch.exp(GAIN_SPREAD * draw(1) + TINT_SPREAD * draw(3))
    exponent = torch.exp(CONTRAST_SPREAD * draw(1))
    lit = codes.float() / 255 * gain
    grey = lit.mean(dim=-1, keepdim=True)
    coloured = grey + (lit - grey) * torch.exp(COLOUR_SPREAD * draw(1))
    varied = 255 * coloured.clamp(1e-4, 1) ** exponent
    soft = draw(1) < SOFT_BELOW
    varied = torch.where(soft, _soften(varied), varied)
    noise = torch.randn(varied.shape, generator=generator, device=device)
    return (varied + MOST_NOISE * draw(1).abs().clamp(max=2) / 2 * noise).clamp(0, 255)


def _soften(pictures: torch.Tensor) -> torch.Tensor:
    """Average each pixel with its four neighbours."""
    rows, columns = pictures.ndim - 3, pictures.ndim - 2
    around = sum(torch.roll(pictures, step, axis) for axis in (rows, columns) for step in (-1, 1))
    return (2 * pictures + around) / 6

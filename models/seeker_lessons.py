"""What the seeker is taught: half-size pictures in a book, squares cut from it at random, and how wrong its maps are.

A lesson cuts squares, varies them and measures the loss. Of pictures in which people judged single things, only these are
taught. Pixels are (row, column), full resolution. The loop that learns stands in `training`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn import functional

from models.examples import Example
from models.lessons import FEEDING_SHARE, LENGTH_SHARE, UNKNOWN
from models.network import FEEDING, LARVA, LENGTH, REFERENCE_PX
from models.patches import CELL_PX, HALF_PX, make_seeker_input, shrink
from models.spots import (
    NO_SPOTS,
    Spots,
    SpotTable,
    list_feeding_spots,
    list_judged_spots,
    list_larva_spots,
    tabulate_spots,
)
from models.variation import DIRECTIONS, turn_picture, vary_light

SQUARE_ELEMENTS = 192
"""Side of the seeker's squares, half-size elements: 384 px, several times the longest body."""

AIMED_SHARE = 0.5
"""Share of the squares that are laid about a larva, where the picture has one."""

EDGE_ELEMENTS = 8
"""Squares may reach this far past a picture's edge, where the edge goes on, as it does in searching."""

HEAT_SPREAD_PX = 4.0
HEAT_SPREAD_PER_LENGTH = 0.1
"""A target falls off from a spot's middle as a bell of this deviation."""

IGNORED_REACH = 0.6
"""About spots that are not taught, cells within this many lengths (at least one and a half cells) count neither way."""


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

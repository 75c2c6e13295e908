"""What the second judge learns from: squares about the places that a trained pair offers, with what stands there.

A page is a picture's places; pages of one stock of leaves are written into one file as soon as they are drawn, and a book takes
up what has been written so far, so that learning begins while drawing goes on. Pixels are (row, column), full resolution.
"""

import io
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, fields
from math import prod
from pathlib import Path
from threading import Event, Thread

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from models.errors import ModelsError
from models.examples import Example
from models.judge_books import jitter, label_feeding, label_larvae
from models.judge_lessons import measure_known
from models.lessons import FEEDING_SHARE, UNKNOWN
from models.network import FEEDING, JUDGED_LARVA, LARVA, NetworkPair, find_peaks, look_over
from models.patches import (
    build_pyramid,
    choose_finer,
    choose_level,
    cut_crops,
    find_window,
    make_judge_input,
    shrink,
)
from models.second_judge import (
    NEAR_PX,
    SECOND_FEEDING,
    SECOND_LARVA,
    WIDE_PX,
    SecondJudge,
    cut_squares,
    make_second_input,
)
from models.spots import list_feeding_spots, list_larva_spots
from models.variation import DIRECTIONS, move_batch, turn_batch, turn_picture, vary_light
from models.whole_files import write_whole

MOST_LARVAE, MOST_CHEWED = 24, 3
FLOOR = -6.0
"""Places of a picture that the seeker may name, as larvae and as chewed, and its log-odds under which none is: a little more
than a search looks at."""

JITTERED_COPIES = 1
"""Each larva and chewed piece is also cut this often about a place that misses its middle: many larvae teach more than many
squares of one."""

LENGTH_SPREAD = 0.2
"""Deviation, in doublings, of the length that a place is cut by: in use it is that of an outline."""


@dataclass(frozen=True, slots=True, eq=False)
class SecondPage:
    """Places of one or more pictures.

    Attributes
    ----------
    near, wide : uint8 (N, 96, 96, 3) and (N, 64, 64, 3)
    levels : int8 (N,), that they are cut from
    larva, feeding : int8 (N,), 1 yes, 0 no, -1 not known
    judged, named : float32 (N,), log-odds of a larva by the pair's judge, as a mean of two sizes, and by its seeker, which is
        nan where it did not name the place
    """

    near: NDArray[np.uint8]
    wide: NDArray[np.uint8]
    levels: NDArray[np.int8]
    larva: NDArray[np.int8]
    feeding: NDArray[np.int8]
    judged: NDArray[np.float32]
    named: NDArray[np.float32]


def make_second_page(
    example: Example, pair: NetworkPair, rng: np.random.Generator, *, is_jittered: bool
) -> SecondPage:
    """Cut a picture about what a readied pair names in it and, where jittered, about every larva that can be taught.

    Jittered are chewed pieces too, and the lengths by which places are cut. Places of which it is not known whether a larva is
    there are left out.
    """
    half = shrink(example.rgb)
    maps = look_over(pair.seeker, half)
    larvae, chewed = (
        find_peaks(maps, half.shape[:2], channel=channel, most=most, floor=FLOOR)
        for channel, most in ((LARVA, MOST_LARVAE), (FEEDING, MOST_CHEWED))
    )
    spots = list_larva_spots(example)
    places, lengths = [larvae.places_px, chewed.places_px], [larvae.lengths_px, chewed.lengths_px]
    if is_jittered:
        for some, of in (
            jitter(spots, rng, JITTERED_COPIES),
            jitter(list_feeding_spots(example), rng, JITTERED_COPIES),
        ):
            places.append(some)
            lengths.append(of.astype(np.float32))
    all_places, all_lengths = np.concatenate(places), np.concatenate(lengths).astype(np.float64)
    pyramid = build_pyramid(example.rgb, half=half)
    judged = _judge(pair, pyramid, all_places, all_lengths)
    if is_jittered:
        all_lengths = all_lengths * np.exp2(rng.normal(0, LENGTH_SPREAD, len(all_lengths)))
    named = np.full(len(all_places), np.nan, np.float32)
    named[: len(larvae.log_odds)] = larvae.log_odds
    _, larva = label_larvae(all_places, spots)
    feeding = label_feeding(all_places, example.truth)
    squares: list[tuple[NDArray[np.uint8], NDArray[np.uint8]]] = []
    levels = []
    for place, length in zip(all_places, all_lengths, strict=True):
        window = find_window(place, float(length), example.rgb.shape)
        kept = example.rgb[window]
        inside = place - [window[0].start, window[1].start]
        levels.append(choose_level(float(length)))
        squares.append(cut_squares(build_pyramid(kept, half=shrink(kept)), inside, levels[-1]))
    near = np.array([square for square, _ in squares], np.uint8).reshape(-1, NEAR_PX, NEAR_PX, 3)
    wide = np.array([square for _, square in squares], np.uint8).reshape(-1, WIDE_PX, WIDE_PX, 3)
    page = SecondPage(near, wide, np.array(levels, np.int8), larva, feeding, judged, named)
    return choose_places(page, larva != UNKNOWN)


def _judge(
    pair: NetworkPair,
    pyramid: list[NDArray[np.uint8]],
    places: NDArray[np.float64],
    lengths: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Return the judge's log-odds of a larva at places (N,), as a mean of two sizes."""
    if not len(places):
        return np.zeros(0, np.float32)
    levels = [choose_level(float(length)) for length in lengths]
    weight = pair.judge.mask.weight
    both = []
    for at in (levels, [choose_finer(level) for level in levels]):
        crops = torch.from_numpy(cut_crops(pyramid, places, at)).to(weight.device)
        with torch.inference_mode():
            inputs = make_judge_input(crops, dtype=weight.dtype)
            told = torch.tensor(at, dtype=weight.dtype, device=weight.device)
            figures = pair.judge.judge(pair.judge.look(inputs), inputs, told)
        both.append(figures[:, JUDGED_LARVA].float().cpu().numpy())
    return np.asarray(np.mean(both, axis=0), np.float32)


def choose_places(page: SecondPage, chosen: NDArray[np.bool_]) -> SecondPage:
    """Return the places of a page where `chosen` (N,) holds."""
    return SecondPage(*(getattr(page, field.name)[chosen] for field in fields(SecondPage)))


def join_pages(pages: Sequence[SecondPage]) -> SecondPage:
    """Return one page of several, of which at least one holds a place."""
    full = [page for page in pages if len(page.levels)]
    return SecondPage(
        *(np.concatenate([getattr(page, field.name) for page in full]) for field in fields(SecondPage))
    )


PAGE_ENDING = ".places.npz"
NEAR_SHAPE, WIDE_SHAPE = (NEAR_PX, NEAR_PX, 3), (WIDE_PX, WIDE_PX, 3)


def write_page(path: Path, page: SecondPage) -> None:
    """Write a page, whole or not at all."""
    memory = io.BytesIO()
    np.savez(memory, **{field.name: getattr(page, field.name) for field in fields(SecondPage)})
    write_whole(path, memory.getvalue())


def read_page(path: Path) -> SecondPage:
    """Read a page that `write_page` wrote.

    Raises
    ------
    ModelsError
        Where the file cannot be read or is no such page.
    """
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as kept:
            page = SecondPage(*(kept[field.name] for field in fields(SecondPage)))
        count = len(page.levels)
        if (page.near.shape, page.wide.shape) != ((count, *NEAR_SHAPE), (count, *WIDE_SHAPE)):
            raise ValueError(f"{count} places with squares {page.near.shape} and {page.wide.shape}")
    except (OSError, ValueError, TypeError, KeyError, EOFError, zipfile.BadZipFile, zlib.error) as error:
        raise ModelsError(
            f"{path}: cannot be read as a page of places; expected squares {NEAR_SHAPE} and {WIDE_SHAPE} with their labels, "
            f"found: {type(error).__name__}: {error}; delete it, and draw it again where it is missed"
        ) from error
    return page


def list_pages(folder: Path) -> list[Path]:
    """Return the pages of a folder in order of name."""
    return sorted(folder.glob(f"*{PAGE_ENDING}"))


HARD_LOG_ODDS = -1.0
"""From these log-odds of the first judge on, a place without a larva is a hard one."""

BATCH_SHARES = (0.36, 0.04, 0.36)
"""Shares of a batch that are larvae, chewed places and hard ones without a larva; the rest is any other place."""


class SecondBook:
    """Places to learn from, as many as there are so far; its state is what was taken up.

    Parameters
    ----------
    most : places it has room for; further ones are passed over

    Raises
    ------
    ModelsError
        Where so many have no room in the device's memory.
    """

    def __init__(self, most: int, *, device: torch.device) -> None:
        try:
            self.near, self.wide = (
                torch.empty((most, *shape), dtype=torch.uint8, device=device)
                for shape in (NEAR_SHAPE, WIDE_SHAPE)
            )
        except RuntimeError as error:
            gigabytes = most * (prod(NEAR_SHAPE) + prod(WIDE_SHAPE)) / 1e9
            raise ModelsError(
                f"a book of {most} places has no room on {device}; expected {gigabytes:.0f} GB free, "
                f"found: {str(error).splitlines()[0]}; ask for fewer by --most-places"
            ) from error
        self.levels = torch.zeros(most, dtype=torch.int8, device=device)
        self.larva, self.feeding = torch.zeros_like(self.levels), torch.zeros_like(self.levels)
        self.groups: tuple[list[int], ...] = ([], [], [], [])
        self.count = 0

    def take_up(self, page: SecondPage) -> None:
        """Add the places of a page, as far as there is room."""
        most = min(len(page.levels), len(self.levels) - self.count)
        where = slice(self.count, self.count + most)
        for kept, new in (
            (self.near, page.near),
            (self.wide, page.wide),
            (self.levels, page.levels),
            (self.larva, page.larva),
            (self.feeding, page.feeding),
        ):
            kept[where] = torch.from_numpy(new[:most]).to(kept.device)
        is_larva, is_chewed = page.larva[:most] == 1, page.feeding[:most] == 1
        is_hard = page.judged[:most] >= HARD_LOG_ODDS
        kinds = np.select([is_larva, is_chewed, is_hard], [0, 1, 2], 3)
        for number, kind in enumerate(kinds, start=self.count):
            self.groups[int(kind)].append(number)
        self.count += most


class PageReader:
    """Reads pages of a folder in the background as they are written; its state is what was read and not yet taken."""

    def __init__(self, folder: Path, *, every_s: float = 1.0) -> None:
        self._folder, self._every_s = folder, every_s
        self._read: list[SecondPage] = []
        self._known: set[Path] = set()
        self._fault: ModelsError | None = None
        self._end = Event()
        self._thread = Thread(target=self._run, daemon=True, name="reads pages")

    def __enter__(self) -> "PageReader":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()

    def take(self) -> list[SecondPage]:
        """Return what was read since it was last asked.

        Raises
        ------
        ModelsError
            Where a page could not be read; none is read after it.
        """
        if self._fault is not None:
            raise self._fault
        taken: list[SecondPage] = []
        while self._read:
            taken.append(self._read.pop(0))
        return taken

    def _run(self) -> None:
        try:
            while not self._end.is_set():
                self._look()
                self._end.wait(self._every_s)
        except ModelsError as fault:  # an error in a thread reaches nobody: who takes pages is told
            self._fault = fault

    def _look(self) -> None:
        for path in list_pages(self._folder):
            if path in self._known or self._end.is_set() or len(self._read) >= MOST_WAITING:
                continue
            self._known.add(path)
            self._read.append(read_page(path))


MOST_WAITING = 12
"""Pages held in memory until they are taken up."""


@dataclass(frozen=True, slots=True, eq=False)
class SecondLesson:
    """Draws places from a book, larvae and hard ones more often than they come, and measures how wrong the second judge is."""

    book: SecondBook
    batch: int
    reader: PageReader | None = None

    def measure_loss(self, judge: nn.Module, rng: np.random.Generator) -> torch.Tensor:
        """Return the loss on one batch drawn with `rng`, of what has been taken up by now."""
        assert isinstance(judge, SecondJudge)
        for page in self.reader.take() if self.reader is not None else ():
            self.book.take_up(page)
        book = self.book
        picks = torch.from_numpy(self._choose(rng)).to(book.near.device)
        first = int(rng.integers(DIRECTIONS))
        light, moves = rng.integers(2**62, size=2).tolist()  # the same for both squares of a place
        near, wide = (
            make_second_input(
                vary_light(
                    move_batch(turn_batch(squares[picks], first), np.random.default_rng(moves)),
                    np.random.default_rng(light),
                ),
                dtype=torch.float32,
            )
            for squares in (book.near, book.wide)
        )
        with torch.random.fork_rng(devices=[picks.device] if picks.is_cuda else []):
            # What is dropped out is drawn from torch's own generator.
            torch.manual_seed(int(rng.integers(2**62)))
            figures = judge(near, wide, book.levels[picks].float()).float()
        larva = measure_known(figures[:, SECOND_LARVA], book.larva[picks])
        return larva + FEEDING_SHARE * measure_known(figures[:, SECOND_FEEDING], book.feeding[picks])

    def _choose(self, rng: np.random.Generator) -> NDArray[np.int64]:
        counts = [round(self.batch * share) for share in BATCH_SHARES]
        counts.append(self.batch - sum(counts))
        chosen = []
        for group, count in zip(self.book.groups, counts, strict=True):
            some = group or range(self.book.count)
            chosen.append(np.array([some[place] for place in rng.integers(len(some), size=count)], np.int64))
        return np.concatenate(chosen)


def judge_page(
    judge: SecondJudge, page: SecondPage, *, device: torch.device, turns: int = 1, at_once: int = 256
) -> NDArray[np.float64]:
    """Return a readied second judge's log-odds of a larva, (N,), as a mean over so many ways to turn and mirror."""
    weight = judge.gather.weight
    parts = [torch.zeros(0)]
    with torch.inference_mode():
        for first in range(0, len(page.levels), at_once):
            some = slice(first, first + at_once)
            levels = torch.from_numpy(page.levels[some]).to(device)
            both = [torch.from_numpy(squares[some]).to(device) for squares in (page.near, page.wide)]
            total = torch.zeros(len(levels), device=device)
            for way in range(turns):
                near, wide = (
                    make_second_input(turn_picture(squares, way % 4, way >= 4), dtype=weight.dtype)
                    for squares in both
                )
                total += judge(near, wide, levels)[:, SECOND_LARVA].float()
            parts.append((total / turns).cpu())
    return torch.cat(parts).double().numpy()

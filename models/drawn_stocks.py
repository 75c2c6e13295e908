"""Drawn pictures made to order where a training needs them: whole stocks of leaves, each drawn once, several at once.

A stock is named by its seed and gives the same files whenever it is drawn, so one cut off by a stop is drawn again. Pixels are
(row, column). This file trains nothing and does without torch, which each drawing process would have to load.
"""

import signal
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from itertools import islice
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from models.canopy.clip import CanopySettings
from models.canopy.presets import find_preset
from models.canopy.truth import find_truth_path
from models.errors import ModelsError
from models.examples import Source, choose_canopy, draw_examples
from models.worker_processes import settle_worker


@dataclass(frozen=True, slots=True)
class StockOrder:
    """Pictures to draw from one stock of leaves: its seed, how many, and whether of plants "learned" from or "held out"."""

    seed: int
    pictures: int
    plants: str = "learned"
    larvae: tuple[int, int] = (3, 10)
    size_px: tuple[int, int] | None = None

    def list_paths(self, folder: Path) -> list[Path]:
        """Return where the pictures lie or will lie."""
        return [folder / f"drawn-{self.seed:06d}-{number:03d}.jpg" for number in range(self.pictures)]

    def choose_settings(self) -> CanopySettings:
        """Return what the pictures are drawn like."""
        settings = choose_canopy(np.random.default_rng((self.seed, 1)), larvae=self.larvae)
        if self.plants == "held out":
            other = find_preset("held-out")
            settings = replace(
                other, size_px=settings.size_px, larvae=replace(other.larvae, count=self.larvae)
            )
        return settings if self.size_px is None else replace(settings, size_px=self.size_px)


def draw_stocks(folder: Path, stocks: Sequence[StockOrder], *, workers: int) -> Iterator[int]:
    """Draw the stocks that are not there whole, several at once, and yield after each how many are there.

    The same stocks give the same files; one cut off by a stop is drawn again.

    Raises
    ------
    ModelsError
        Where a picture cannot be written, or a process that draws was ended from outside.
    """
    missing = [
        stock
        for stock in stocks
        if not all(find_truth_path(path).is_file() for path in stock.list_paths(folder))
    ]
    done = len(stocks) - len(missing)
    yield done
    if not missing:
        return
    folder.mkdir(parents=True, exist_ok=True)
    left = iter(missing)
    at_once = max(1, min(workers, len(missing)))
    context = get_context("spawn")
    try:
        with ProcessPoolExecutor(at_once, mp_context=context, initializer=_settle_drawer) as pool:
            # No stock waits inside the pool, where a person's Ctrl-C would not reach it and it would still be drawn.
            running = {pool.submit(_draw_stock, folder, stock) for stock in islice(left, at_once)}
            while running:
                ended, running = wait(running, return_when=FIRST_COMPLETED)
                running |= {pool.submit(_draw_stock, folder, stock) for stock in islice(left, len(ended))}
                for one in ended:
                    one.result()
                    done += 1
                    yield done
    except OSError as error:
        raise ModelsError(
            f"{folder}: expected room and the right to write drawn pictures, found: {error.strerror or error}; "
            "free some space and run the same command again, what was drawn is kept"
        ) from error
    except BrokenProcessPool as error:
        raise ModelsError(
            f"{folder}: expected {at_once} processes to draw pictures to their end, found one ended from outside, perhaps for "
            "want of memory; close other programs and run the same command again, what was drawn is kept"
        ) from error


def _settle_drawer() -> None:
    """Keep a drawing process to one core, and have Ctrl-C end it at once: every file it drew is whole or not there.

    Begun where Ctrl-C is ignored, as in the background, it ignores it like the program it draws for.
    """
    if signal.getsignal(signal.SIGINT) != signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    settle_worker()


def _draw_stock(folder: Path, stock: StockOrder) -> None:
    draw_examples(folder, stock.choose_settings(), seed=stock.seed, count=stock.pictures)


def list_drawn(folder: Path, stocks: Sequence[StockOrder]) -> list[Source]:
    """Return the pictures of stocks as sources, in order."""
    return [Source(path, "drawn", 0) for stock in stocks for path in stock.list_paths(folder)]

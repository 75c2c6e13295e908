"""The clips that a search is measured on: plants and seeds that nothing ever learns from, drawn once and kept.

Clip N is `held-out-N.mp4` with its truth beside it, N being its seed, from `FIRST_SEED` on. Several processes draw at once, a
clip each, so that how many there are changes no frame. A clip counts as drawn when both files are there: each is written under
another name and moved, the truth last, so that one half written by a stopped run is drawn again.
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from itertools import islice
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from models.canopy.clip import CanopySettings
from models.canopy.presets import find_preset
from models.canopy.truth import find_truth_path
from models.canopy.write import write_clip
from models.errors import ModelsError
from models.worker_processes import settle_worker

FIRST_SEED = 700_000
"""Seeds from here on are kept for evaluation; training never reaches them."""

CLIP_SECONDS = 8.0
"""A walk under one part of a crown: sixteen frames looked at closely."""

DEFAULT_CLIPS = 60
"""With 4 to 10 larvae in each, several hundred larvae, and eight minutes of footage to be wrong in. Two clips drawn at once, on
two cores that had other work too, took 97 s: all take about 45 minutes there."""

HELD_OUT = replace(find_preset("held-out"), duration_s=CLIP_SECONDS)


def list_held_out(folder: Path, count: int) -> list[Path]:
    """Return where the first `count` clips lie or will lie."""
    return [folder / f"held-out-{FIRST_SEED + number}.mp4" for number in range(count)]


def find_missing(paths: Sequence[Path]) -> list[Path]:
    """Return the clips that are not there with their truth."""
    return [path for path in paths if not (path.is_file() and find_truth_path(path).is_file())]


def draw_held_out(
    paths: Sequence[Path], *, workers: int, settings: CanopySettings = HELD_OUT
) -> Iterator[Path]:
    """Draw clips named by `list_held_out`, so many at once, and yield each as it is done.

    Raises
    ------
    ModelsError
        Where a clip cannot be written; those that were done stay.
    """
    at_once = max(1, workers)
    left = iter(paths)
    with ProcessPoolExecutor(at_once, mp_context=get_context("spawn"), initializer=settle_worker) as pool:
        # No clip waits inside the pool, where a person's Ctrl-C would not reach it and it would still be drawn.
        running = {pool.submit(_draw_clip, path, settings) for path in islice(left, at_once)}
        while running:
            done, running = wait(running, return_when=FIRST_COMPLETED)
            running |= {pool.submit(_draw_clip, path, settings) for path in islice(left, len(done))}
            yield from map(_take, done)


def _take(drawn: "Future[Path]") -> Path:
    try:
        return drawn.result()
    except OSError as error:
        raise ModelsError(
            f"{error.filename or 'a drawn clip'}: expected room and the right to write drawn clips, found: "
            f"{error.strerror or error}; free some space or give another folder, what was drawn is kept"
        ) from error
    except BrokenProcessPool as error:
        raise ModelsError(
            "drawing clips: expected every process to finish its clip, found that the system ended one, perhaps for want of "
            "memory; close other programs and run the same command again, what was drawn is kept"
        ) from error


def _draw_clip(path: Path, settings: CanopySettings) -> Path:
    """Draw one clip in a process of its own; its seed stands in its name."""
    write_clip(path, settings, rng=np.random.default_rng(int(path.stem.rsplit("-", 1)[1])))
    return path

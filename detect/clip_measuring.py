"""All that is measured on one clip with a truth file: the search of the whole clip, single frames, and finders side by side.

Clips are measured one after another or in several processes; either way they come back in the order given, and with the same
figures but for the seconds, which are honest only with one process. Nothing is summed up here (`detect.clip_figures`,
`models.evaluate`).
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from detect import network_scoring
from detect.clip_figures import WatchedClip
from detect.default_scorer import settle_threads
from detect.evaluation import make_finder, sample_frames, search_with_truth
from detect.larva_looks import look_at_frames, watch_larvae
from detect.scoring import HandMadeScorer
from detect.search import SearchSettings
from models.alternatives import Finder
from models.canopy.truth import find_truth_path, read_truth
from models.detectability import Look
from models.evaluate import Tally, tally_finders
from models.worker_processes import end_with_parent

FRAME_EVERY_S = 2.0
"""Whole clips are searched as always; for the comparison side by side, one frame in so many seconds is enough."""

LOOK_EVERY_S = 0.5
"""For the chance to find a larva in one frame, frames are taken a little more often than a search takes them, sharp or not."""

SEARCH, HAND_MADE = "search", "hand-made"


@dataclass(frozen=True, slots=True)
class Measuring:
    """What is measured with: the search's weights, and whether general finders and the generic detector stand beside it."""

    weights_path: Path
    with_classical: bool = False
    with_generic: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredClip:
    """One clip: its search with the larvae on show, whether single frames show each larva, and what finders made of frames."""

    watched: WatchedClip
    looks: tuple[Look, ...]
    tally: Tally


@dataclass(frozen=True, slots=True, eq=False)
class Tools:
    """The scorer and the finders that a `Measuring` asks for, loaded."""

    scorer: network_scoring.NetworkScorer
    finders: dict[str, Finder]


def measure_clips(clips: Sequence[Path], measuring: Measuring, *, workers: int = 1) -> Iterator[MeasuredClip]:
    """Yield what is measured on each clip, in order, by so many processes."""
    if workers == 1:
        tools = load_tools(measuring)
        for path in clips:
            yield measure_clip(path, tools)
        return
    with ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_ready_worker, initargs=(measuring,)
    ) as pool:
        yield from pool.map(_measure_in_worker, clips)


def measure_clip(path: Path, tools: Tools) -> MeasuredClip:
    """Measure one clip."""
    settings = SearchSettings()
    outcome = search_with_truth(path, settings, scorer=tools.scorer)
    on_show = watch_larvae(path, read_truth(find_truth_path(path)), outcome.times_s)
    looks = tuple(look_at_frames(path, settings, scorer=tools.scorer, every_s=LOOK_EVERY_S))
    tally = tally_finders(tools.finders, sample_frames(path, every_s=FRAME_EVERY_S))
    return MeasuredClip(WatchedClip(outcome, on_show), looks, tally)


def load_tools(measuring: Measuring) -> Tools:
    """Load the scorer and the finders."""
    scorer = network_scoring.load_network_scorer(measuring.weights_path)
    finders: dict[str, Finder] = {SEARCH: make_finder(scorer), HAND_MADE: make_finder(HandMadeScorer())}
    if measuring.with_classical:
        from models.alternatives import CLASSICAL

        finders |= CLASSICAL
    if measuring.with_generic:
        from models import generic

        finders[generic.NAME] = generic.make_finder(generic.load_detector())
    return Tools(scorer, finders)


_worker_tools: list[Tools] = []
"""In a process that measures for another: its tools, loaded once."""


def _ready_worker(measuring: Measuring) -> None:
    settle_threads()
    end_with_parent()
    _worker_tools[:] = [load_tools(measuring)]


def _measure_in_worker(path: Path) -> MeasuredClip:
    return measure_clip(path, _worker_tools[0])

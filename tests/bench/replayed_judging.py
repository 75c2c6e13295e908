"""Judging replayed in memory: the verdicts of a simulated reviewer, in the very order that the review would have asked for them.

Candidates and looks are read from the logbook once; what is learned is `annotate.judging.promise`. A place is the row of a
candidate, in the order of ids; an order is places as they are judged. `tests.bench.judging` shows that a logbook gives the same.
Nothing is written and nothing printed here.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from annotate.judging.promise import RENEW_EVERY, learn_promises
from annotate.judging.review_order import is_to_teach
from annotate.logbook.looks import Looks
from annotate.logbook.promises import JudgedCandidates

Places = NDArray[np.int64]
Floats = NDArray[np.float64]

RESAMPLINGS = 2_000
INTERVAL_PERCENT = (2.5, 97.5)


@dataclass(frozen=True, slots=True, eq=False)
class ReadSeason:
    """A season as read from its logbook, nothing judged.

    Attributes
    ----------
    larvae : of each candidate the larva that it shows, empty for a false one
    """

    judged: JudgedCandidates
    looks: Looks
    larvae: tuple[str, ...]

    @property
    def is_true(self) -> NDArray[np.bool_]:
        """Whether each candidate shows a larva."""
        return np.array([bool(larva) for larva in self.larvae], np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class Evening:
    """What was judged, and what is promised afterwards."""

    order: Places
    promises: Floats


def sort_by(values: Floats, among: Places) -> Places:
    """Return places, the highest value first, equals in the order of their ids."""
    return among[np.lexsort((among, -values[among]))]


def replay(season: ReadSeason, *, verdicts: int, allowed: NDArray[np.bool_] | None = None) -> Evening:
    """Judge as a person would who is always right, with renewals and cards that teach, as the review does.

    Parameters
    ----------
    allowed : candidates that may be judged; None for all
    """
    may = np.ones(len(season.larvae), np.bool_) if allowed is None else allowed
    is_true = season.is_true
    state = replace(season.judged, promises=season.judged.scores.copy())
    order: list[int] = []
    teaching: tuple[int, ...] = ()
    while len(order) < min(verdicts, int(may.sum())):
        if len(order) % RENEW_EVERY == 0:
            state, teaching = _renew(state, season.looks)
        open_places = np.flatnonzero(state.is_open & may)
        place = int(sort_by(state.promises, open_places)[0])
        if is_to_teach(len(order), order="best"):
            wanted = np.searchsorted(state.ids, teaching)
            place = next((int(one) for one in wanted if state.is_open[one] and may[one]), place)
        state.answers[place], state.is_open[place] = float(is_true[place]), False
        order.append(place)
    state, _ = _renew(state, season.looks)
    return Evening(np.array(order, np.int64), state.promises)


def _renew(state: JudgedCandidates, looks: Looks) -> tuple[JudgedCandidates, tuple[int, ...]]:
    """Return the candidates with renewed promises, those judged keep theirs, and the ids that teach most."""
    learned = learn_promises(state, looks)
    promises = np.where(state.is_open, learned.promises, state.promises)
    answers, is_open = state.answers.copy(), state.is_open.copy()
    return replace(state, promises=promises, answers=answers, is_open=is_open), learned.teaching


def order_by_oracle(season: ReadSeason) -> Places:
    """Return the best order there can be: one candidate of each larva, then the rest."""
    known: set[str] = set()
    is_first = []
    for larva in season.larvae:
        is_first.append(bool(larva) and larva not in known)
        known.add(larva)
    return sort_by(np.array(is_first, np.float64), np.arange(len(is_first)))


def find_shares(season: ReadSeason, order: Places) -> Floats:
    """Return for each larva the share of the queue that was judged when it was met first, in rising order."""
    met: dict[str, float] = {}
    for number, place in enumerate(order.tolist(), start=1):
        if season.larvae[place]:
            met.setdefault(season.larvae[place], number / len(order))
    return np.array(sorted(met.values()), np.float64)


@dataclass(frozen=True, slots=True)
class Effort:
    """Larvae found in a part of a season, and false candidates judged for it."""

    larvae: int
    false: int


def measure_effort(season: ReadSeason, part: Places, *, values: Floats, recall: float) -> Effort:
    """Walk down a part in the order of values until a share of its larvae, rounded up, is found."""
    wanted = math.ceil(recall * len({season.larvae[place] for place in part} - {""}))
    found: set[str] = set()
    false = 0
    for place in sort_by(values, part).tolist():
        if len(found) >= wanted:
            break
        false += not season.larvae[place]
        found |= {season.larvae[place]} - {""}
    return Effort(wanted, false)


def resample(
    measure: Callable[[NDArray[np.int64]], float], count: int, *, rng: np.random.Generator
) -> tuple[float, float]:
    """Return the bootstrap interval of a figure measured on numbers drawn from 0 to count - 1 with replacement."""
    figures = [measure(rng.integers(0, count, count)) for _ in range(RESAMPLINGS)]
    low, high = np.percentile(figures, INTERVAL_PERCENT)
    return float(low), float(high)


def count_false_per_larva(efforts: Sequence[Effort]) -> float:
    """Return false candidates per larva found over several parts; nan where none was to be found."""
    larvae = sum(effort.larvae for effort in efforts)
    return sum(effort.false for effort in efforts) / larvae if larvae else math.nan

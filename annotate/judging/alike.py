"""What looks alike: more like a candidate from all footage of a logbook, and groups that can be dismissed together.

Two looks are as similar as the cosine of the angle between them, after the mean of all looks is taken away and each number is
brought to the same spread: what all candidates share says nothing. -1 is opposite, 0 unrelated, 1 the same. Looks are compared
one by one, in memory. It gives no verdict (`annotate.logbook.batches` does) and draws nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from annotate.errors import AnnotateError
from annotate.logbook.looks import Looks, read_looks
from annotate.logbook.opening import Logbook
from annotate.logbook.promises import list_doubtful
from annotate.logbook.records import QueuedCandidate, Standing
from annotate.logbook.review import find_candidate, find_candidates

LEAST_ALIKE = 0.35
"""Similarity from which things are offered as alike to one that was dismissed."""

MOST_PROMISE_GROUPED = 0.01
"""What promises more is never offered in a group: a person looks at each of these. In five drawn seasons of which 300 candidates
were judged, none of 803 things so grouped showed a larva; 97 of 123 that were dismissed had a group, half of these one of 6 or
more."""

MOST_GROUPED = 40
"""As many pictures as a person can look over at a glance on one page."""

USUAL_SIMILAR = 20

LEAST_SPREAD = 1e-6
CHUNK = 1_024
"""Looks compared at a time: as many as stay near the processor."""


@dataclass(frozen=True, slots=True)
class Similar:
    """A candidate, with its best view, that looks like another; similarity is -1 to 1."""

    candidate: QueuedCandidate
    similarity: float


ReadLooks = Callable[[Logbook], Looks]


def find_similar(
    logbook: Logbook, candidate_id: int, *, limit: int = USUAL_SIMILAR, read: ReadLooks = read_looks
) -> tuple[Similar, ...]:
    """Return what looks most like a candidate in all clips, whatever was said of it, most similar first.

    What a later search set aside is among it; what it found again is there once, as it was judged.

    Parameters
    ----------
    read : where looks come from: `LookKeeper.read` where one asks often

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such candidate, or none of it was seen by the network yet.
    """
    find_candidate(logbook, candidate_id)
    looks = read(logbook)
    similarities = compare_looks(looks, candidate_id)
    others = np.flatnonzero(looks.ids != candidate_id)
    # Equal ones in the order of their ids, so that the same question has the same answer.
    order = others[np.argsort(-similarities[others], kind="stable")]
    found: list[Similar] = []
    for first in range(0, len(order), max(1, limit)):
        some = order[first : first + limit]
        loaded = _load(logbook, looks.ids[some], similarities[some])
        found += [one for one in loaded if one.candidate.standing != "same"]
        if len(found) >= limit:
            break
    return tuple(found[:limit])


def say_standing(standing: Standing) -> str:
    """Return in words why a candidate takes no part in the review; empty where it does."""
    return STANDING_WORDS[standing]


STANDING_WORDS: dict[Standing, str] = {
    "listed": "",
    "set aside": "set aside by a later search",
    "same": "found again by a later search",
}


def find_alike(
    logbook: Logbook, candidate_id: int, *, limit: int = MOST_GROUPED, read: ReadLooks = read_looks
) -> tuple[Similar, ...]:
    """Return the open candidates that look like one and promise little, most similar first; they may be dismissed with it.

    They are of the same kind, at least `LEAST_ALIKE` similar, and promise at most `MOST_PROMISE_GROUPED`. Where the candidate
    has no look there are none. `read` is as for `find_similar`.
    """
    kind = find_candidate(logbook, candidate_id).kind
    looks = read(logbook)
    if candidate_id not in looks.ids:
        return ()
    doubtful = list_doubtful(logbook, kind=kind, most_promise=MOST_PROMISE_GROUPED)
    similarities = compare_looks(looks, candidate_id)
    fits = np.isin(looks.ids, doubtful) & (looks.ids != candidate_id) & (similarities >= LEAST_ALIKE)
    chosen = np.flatnonzero(fits)
    order = chosen[np.argsort(-similarities[chosen], kind="stable")][:limit]
    return _load(logbook, looks.ids[order], similarities[order])


def compare_looks(looks: Looks, candidate_id: int) -> NDArray[np.float32]:
    """Return how similar each look is to that of a candidate, (N,).

    Raises
    ------
    annotate.errors.AnnotateError
        Where the candidate has no look.
    """
    place = int(np.searchsorted(looks.ids, candidate_id))
    if place == len(looks.ids) or looks.ids[place] != candidate_id:
        raise AnnotateError(
            f"candidate {candidate_id}: expected one that the network has looked at; found no look of it, as of one drawn in "
            "by hand or whose picture was missing; have it looked at with: leafshade order"
        )
    mean, spread = _measure_looks(looks.vectors)
    wanted = (looks.vectors[place].astype(np.float32) - mean) / spread
    # ((v - mean) / spread) squared and times the wanted one, multiplied out: no look is copied more than once.
    slope = wanted / spread
    bend = spread**-2
    similarities = np.empty(len(looks.ids), np.float32)
    for first in range(0, len(looks.ids), CHUNK):
        vectors = looks.vectors[first : first + CHUNK].astype(np.float32)
        along = vectors @ slope - mean @ slope
        squares = np.einsum("nd,nd->n", vectors * bend, vectors - 2 * mean) + (mean * bend) @ mean
        lengths = np.sqrt(np.maximum(squares, 0) * (wanted @ wanted))
        similarities[first : first + CHUNK] = along / np.maximum(lengths, LEAST_SPREAD)
    return np.clip(similarities, -1, 1)


LOOKS_MEASURED = 4_000
"""Mean and spread are read off so many looks, evenly chosen."""


def _measure_looks(vectors: NDArray[np.float16]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return mean and spread of each number of the looks, (D,) each."""
    some = vectors[:: max(1, len(vectors) // LOOKS_MEASURED)].astype(np.float32)
    spread = some.std(axis=0)
    return some.mean(axis=0), np.where(spread > LEAST_SPREAD, spread, np.float32(np.inf))


def _load(logbook: Logbook, ids: NDArray[np.int64], similarities: NDArray[np.float32]) -> tuple[Similar, ...]:
    found = {candidate.id: candidate for candidate in find_candidates(logbook, ids.tolist())}
    return tuple(
        Similar(found[number], round(float(similarity), 4))
        for number, similarity in zip(ids.tolist(), similarities, strict=True)
        if number in found
    )

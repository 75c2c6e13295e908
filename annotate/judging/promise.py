"""What verdicts teach of the order of judging: how promising each open candidate is, and which would teach most.

A candidate's promise is the chance that it will be confirmed: its log-odds are those of the search's score, weighed against what
a second judge made of it at a longer look where there is one (`models.looks`), plus what a Bayesian logistic regression
learned from this logbook's verdicts, on how a candidate looks to the network (the leading directions of the looks), how long it
is, in how many frames it was seen, how high it scored, and how much of its clip scored higher. How far looks may move the score
is set by the evidence of the verdicts themselves. Without verdicts and without a second look the promise is the score, and so is
the order.

No larva is buried: nothing leaves the review for want of promise, only the order changes; a second look and what was learned may
each lower the log-odds of a score by `MOST_DROP` at most; and one card in `annotate.judging.review_order.TEACH_EVERY` is chosen
to teach, from those in doubt and unlike what was judged, however little they promise. The same verdicts give the same promises.
SQL stands in `annotate.logbook.promises`.
"""

import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from math import inf
from threading import Lock, Thread, get_native_id

import numpy as np
from numpy.typing import NDArray

from annotate.logbook.looks import Looks, read_looks
from annotate.logbook.opening import Logbook
from annotate.logbook.promises import JudgedCandidates, read_judged, write_promises

Floats = NDArray[np.float64]

DIRECTIONS = 24
"""Leading directions of the looks that the order may go by."""

LOOKS_MEASURED = 4_000
"""Directions are read off so many looks, evenly chosen: more change them little and take longer."""

LOOK_DEVIATIONS = (0.03, 0.1, 0.3, 1.0, 3.0)
"""How far, in log-odds, the first direction may move a usual candidate; each counts by the evidence of the verdicts."""

LEVEL_DEVIATION, SCORE_DEVIATION, SHAPE_DEVIATION = 2.0, 0.3, 0.5
"""Prior deviations, log-odds for a usual candidate: how many there are in this wood, how steep the score is, length and views."""

MOST_DROP = 3.0
"""Log-odds by which what was learned may lower a score, and a second look move it: a factor of 20 in the odds."""

SECOND_LOOK_KIND = "silhouette"
"""The kind that the log-odds of a second look speak of: larvae."""

SCORE_SHARE, SECOND_LOOK_SHARE, SECOND_LOOK_OFFSET = 0.55, 0.68, -1.19
"""How the log-odds of the score and of the second look make one: logistic regression on 1,423 candidates, 160 of larvae, of the
70 drawn clips that tracks were calibrated on (`python -m tests.bench.second_look`); the area under the curve there is .929 by
score and .962 by both. Fitted on the drawn seasons of `tests.bench.judging` they would be .42, .82 and -1.55."""

BATCH_WEIGHT = 0.25
"""A verdict given to many at once counts so much of one: they were chosen by looks and confirm what is believed of these."""

LEAST_DOUBT = 1e-4
"""Scores are held so far off 0 and 1: no score is sure for ever."""

LOG_ODDS_DIGITS = 2
"""Promises are told apart to a hundredth of the odds, so that small changes of belief are not all written."""

TEACHING = 60
"""Candidates named as teaching most: more than are judged between two renewals."""

NEWTON_STEPS, NEWTON_HALVINGS, NEWTON_ENOUGH = 40, 30, 1e-8

RENEW_EVERY = 20
"""Verdicts after which promises are learned anew: some tens of seconds of judging."""


@dataclass(frozen=True, slots=True)
class Renewal:
    """What a renewal did: from how many verdicts it learned, and how many promises changed."""

    learned_from: int
    changed: int


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """Promise, 0 to 1, and worth as a lesson, in nats, of each candidate, in the order asked."""

    promises: Floats
    teaching: tuple[int, ...]
    learned_from: int


def renew_promises(logbook: Logbook) -> Renewal:
    """Learn from all verdicts, and write the promise of every open candidate and which teach most; in one transaction.

    Readers are never kept waiting; somebody who gives a verdict meanwhile waits for the writing only. Asked again, it changes
    nothing.
    """
    judged = read_judged(logbook)
    learned = learn_promises(judged, read_looks(logbook))
    changed = judged.is_open & (learned.promises != judged.promises)
    write_promises(
        logbook, ids=judged.ids[changed], promises=learned.promises[changed], teaching=learned.teaching
    )
    return Renewal(learned.learned_from, int(changed.sum()))


def learn_promises(judged: JudgedCandidates, looks: Looks) -> Learned:
    """Return what the verdicts teach of every candidate; judged ones have a promise too, as if they were open."""
    promises = judged.scores.copy()
    lessons: list[tuple[float, int]] = []
    learned_from = 0
    for kind in np.unique(judged.kinds):
        chosen = np.flatnonzero(judged.kinds == kind)
        traits, offsets, deviations = _describe(judged, chosen, looks)
        answers = judged.answers[chosen]
        taught = np.flatnonzero(~np.isnan(answers))
        weights = np.where(judged.in_batch[chosen[taught]], BATCH_WEIGHT, 1.0)
        belief = _weigh_beliefs(
            traits[taught], offsets[taught], answers=answers[taught], weights=weights, deviations=deviations
        )
        if len(taught):
            offsets = offsets + np.maximum(traits @ belief.means, -MOST_DROP)
            learned_from += len(taught)
        if len(taught) or _is_weighed(looks, str(kind)):
            # Rounded: how a processor adds up then changes nothing either.
            promises[chosen] = _to_chance(np.round(offsets, LOG_ODDS_DIGITS))
        is_open = judged.is_open[chosen]
        order = _choose_lessons(traits[is_open], promises[chosen[is_open]], belief)
        lessons += [(worth, int(judged.ids[chosen[is_open][place]])) for worth, place in order]
    # Equal worths in the order of ids, so that the same verdicts name the same candidates.
    lessons.sort(key=lambda lesson: (-lesson[0], lesson[1]))
    return Learned(promises, tuple(candidate_id for _, candidate_id in lessons[:TEACHING]), learned_from)


def _describe(
    judged: JudgedCandidates, chosen: NDArray[np.int64], looks: Looks
) -> tuple[Floats, Floats, Floats]:
    """Return traits (N, T) of candidates of one kind, their log-odds by score (N,), and the traits' prior deviations (T,).

    The last traits, those of looks, are scaled so that one deviation holds for all of them together.
    """
    offsets = weigh_scores(
        judged.scores[chosen], judged.ids[chosen], looks=looks, kind=str(judged.kinds[chosen[0]])
    )
    plain = [
        offsets,
        np.log(np.maximum(judged.lengths_px[chosen], 1.0)),
        np.log(np.maximum(judged.views_seen[chosen], 1.0)),
        np.sqrt(np.maximum(judged.missing_percents[chosen], 0.0)),
        np.log1p(_count_better(judged.clip_ids[chosen], offsets)),
    ]
    seen = _find_directions(judged.ids[chosen], looks)
    traits = np.column_stack([np.ones(len(chosen)), *(_standardise(trait) for trait in plain), seen])
    deviations = [LEVEL_DEVIATION, SCORE_DEVIATION, *[SHAPE_DEVIATION] * (len(plain) - 1)]
    return traits, offsets, np.array([*deviations, *[inf] * seen.shape[1]])


def weigh_scores(scores: Floats, ids: NDArray[np.int64], *, looks: Looks, kind: str) -> Floats:
    """Return the log-odds (N,) of candidates of one kind: by score, and by second look where they had one."""
    chances = np.clip(scores, LEAST_DOUBT, 1 - LEAST_DOUBT)
    by_score = np.log(chances / (1 - chances))
    if not _is_weighed(looks, kind):
        return by_score
    assert looks.log_odds is not None
    places, has_look = _find_looks(ids, looks)
    second = np.where(has_look, looks.log_odds[places], np.nan)
    both = SCORE_SHARE * by_score + SECOND_LOOK_SHARE * second + SECOND_LOOK_OFFSET
    moved = np.clip(both - by_score, -MOST_DROP, MOST_DROP)
    # What a broken disk left of a look may be no number.
    return np.where(np.isfinite(both), by_score + moved, by_score)


def _is_weighed(looks: Looks, kind: str) -> bool:
    """Whether candidates of a kind had a second look."""
    return looks.log_odds is not None and len(looks.ids) > 0 and kind == SECOND_LOOK_KIND


def _find_looks(ids: NDArray[np.int64], looks: Looks) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return where the looks of candidates stand, (N,), and which of them have one, (N,)."""
    places = np.searchsorted(looks.ids, ids)
    places[places == len(looks.ids)] = 0
    return places, looks.ids[places] == ids if len(looks.ids) else np.zeros(len(ids), np.bool_)


def _count_better(clip_ids: NDArray[np.int64], log_odds: Floats) -> NDArray[np.int64]:
    """Return how many candidates of its clip score higher than each: where much looks like a larva, little is one."""
    order = np.lexsort((-log_odds, clip_ids))
    clips, values = clip_ids[order], log_odds[order]
    places = np.arange(len(order))
    begins = np.r_[True, clips[1:] != clips[:-1]] if len(order) else np.zeros(0, np.bool_)
    changes = begins | np.r_[True, values[1:] != values[:-1]] if len(order) else begins
    first = np.maximum.accumulate(np.where(begins, places, 0))
    level = np.maximum.accumulate(np.where(changes, places, 0))
    better = np.empty(len(order), np.int64)
    better[order] = level - first
    return better


def _standardise(values: Floats) -> Floats:
    spread = float(values.std())
    return (values - values.mean()) / spread if spread > NEWTON_ENOUGH else np.zeros_like(values)


def _find_directions(ids: NDArray[np.int64], looks: Looks) -> Floats:
    """Return where candidates lie along the leading directions of their looks, (N, D); nought for those without a look.

    Each number of the vectors is brought to the same spread first; the first direction then has a deviation of 1 and the others
    less, by their share in the looks' variety.
    """
    places, has_look = _find_looks(ids, looks)
    if has_look.sum() < 2:
        return np.zeros((len(ids), 0))
    seen = places[has_look]
    some = looks.vectors[seen[:: max(1, len(seen) // LOOKS_MEASURED)]].astype(np.float32)
    mean, spread = some.mean(axis=0), some.std(axis=0)
    spread = np.where(spread > NEWTON_ENOUGH, spread, np.float32(inf))
    some = (some - mean) / spread
    variances, directions = np.linalg.eigh(some.T.astype(np.float64) @ some / len(some))
    leading = np.argsort(-variances, kind="stable")[: min(DIRECTIONS, len(some) - 1)]
    if variances[leading[0]] <= NEWTON_ENOUGH:
        return np.zeros((len(ids), 0))
    chosen = (directions[:, leading] / np.sqrt(variances[leading[0]])).astype(np.float32)
    chosen /= spread[:, None]
    along = np.zeros((len(ids), len(leading)))
    rows = np.flatnonzero(has_look)
    for first in range(0, len(rows), CHUNK):
        vectors = looks.vectors[seen[first : first + CHUNK]].astype(np.float32)
        along[rows[first : first + CHUNK]] = vectors @ chosen - mean @ chosen
    return along


CHUNK = 1_024
"""Looks worked on at a time: as many as stay near the processor."""


@dataclass(frozen=True, slots=True, eq=False)
class _Belief:
    """What is believed of the traits' weights: means (T,), covariance (T, T), and log evidence of the verdicts."""

    means: Floats
    covariance: Floats
    evidence: float


def _weigh_beliefs(
    traits: Floats, offsets: Floats, *, answers: Floats, weights: Floats, deviations: Floats
) -> _Belief:
    """Return the belief under all deviations of looks, each counting as much as the verdicts speak for it.

    The best one alone was tried: with a hundred verdicts it is often too bold.
    """
    beliefs = [
        _believe(
            traits,
            offsets,
            answers=answers,
            weights=weights,
            deviations=np.where(np.isinf(deviations), deviation, deviations),
        )
        for deviation in LOOK_DEVIATIONS
    ]
    evidence = np.array([belief.evidence for belief in beliefs])
    shares = np.exp(evidence - evidence.max())
    shares /= shares.sum()
    means = np.sum([share * belief.means for share, belief in zip(shares, beliefs, strict=True)], axis=0)
    covariance = np.zeros((len(means), len(means)))
    for share, belief in zip(shares, beliefs, strict=True):
        away = belief.means - means
        covariance += share * (belief.covariance + np.outer(away, away))
    return _Belief(means, covariance, float(evidence.max()))


def _believe(
    traits: Floats, offsets: Floats, *, answers: Floats, weights: Floats, deviations: Floats
) -> _Belief:
    """Return mode, covariance and evidence by Laplace's method (Bishop 2006, 4.4 and 4.5); the mode by Newton's."""
    precisions = deviations**-2.0

    def measure(means: Floats) -> float:
        log_odds = offsets + traits @ means
        return float(weights @ (answers * log_odds - np.logaddexp(0, log_odds)) - precisions @ means**2 / 2)

    means = np.zeros(traits.shape[1])
    height = measure(means)
    for _ in range(NEWTON_STEPS):
        chances = _to_chance(offsets + traits @ means)
        slope = traits.T @ (weights * (answers - chances)) - precisions * means
        bend = (traits.T * (weights * chances * (1 - chances))) @ traits + np.diag(precisions)
        step = np.linalg.solve(bend, slope)
        for _ in range(NEWTON_HALVINGS):
            if (higher := measure(means + step)) >= height:
                break
            step /= 2
        else:
            break
        means, gain, height = means + step, higher - height, higher
        if gain < NEWTON_ENOUGH:
            break
    chances = _to_chance(offsets + traits @ means)
    bend = (traits.T * (weights * chances * (1 - chances))) @ traits + np.diag(precisions)
    evidence = height + (np.log(precisions).sum() - np.linalg.slogdet(bend)[1]) / 2
    return _Belief(means, np.asarray(np.linalg.inv(bend), np.float64), float(evidence))


def _choose_lessons(traits: Floats, promises: Floats, belief: _Belief) -> Iterator[tuple[float, int]]:
    """Yield (worth, place) of the open candidates whose verdicts would teach most, each as if the ones before were judged.

    Worth is how much is in doubt of a candidate, p (1 - p), times the variance of what is believed of it, which is large for
    what looks like nothing judged: to first order, the information that its verdict would give.
    """
    doubts = promises * (1 - promises)
    covariance = belief.covariance.copy()
    variances = np.einsum("nt,tu,nu->n", traits, covariance, traits)
    left = np.ones(len(traits), np.bool_)
    for _ in range(min(TEACHING, len(traits))):
        worths = np.where(left, doubts * variances, -inf)
        place = int(np.argmax(worths))
        yield float(worths[place]), place
        left[place] = False
        along = covariance @ traits[place]
        share = doubts[place] / (1 + doubts[place] * variances[place])
        variances = np.maximum(variances - share * (traits @ along) ** 2, 0.0)
        covariance -= share * np.outer(along, along)


def _to_chance(log_odds: Floats) -> Floats:
    return 0.5 * (1 + np.tanh(log_odds / 2))


class PromiseKeeper:
    """Renews promises in the background as verdicts come in; its state is how many came since, and whether a renewal runs.

    As a context it ends with the block: no renewal begins any more, and the one that runs is waited for.
    """

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook
        self._lock = Lock()
        self._since = 0
        self._thread: Thread | None = None
        self._has_ended = False

    def __enter__(self) -> "PromiseKeeper":
        return self

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._has_ended = True
        self.wait()

    def note(self, verdicts: int = 1) -> None:
        """Say that verdicts were given or taken back; every `RENEW_EVERY` a renewal begins, unless one is running."""
        with self._lock:
            self._since += verdicts
            is_running = self._thread is not None and self._thread.is_alive()
            if self._since < RENEW_EVERY or is_running or self._has_ended:
                return
            self._since = 0
            self._thread = Thread(target=self._renew, name="promises", daemon=True)
            self._thread.start()

    def wait(self) -> None:
        """Wait until no renewal is running, as at the end of a program."""
        with self._lock:
            thread = self._thread
        if thread is not None:
            thread.join()

    def _renew(self) -> None:
        from contextlib import suppress

        from annotate.errors import AnnotateError

        _give_way()
        # The order is as good as before; the next renewal tries again, and a full disk is told by the verdict that meets it.
        with suppress(AnnotateError):
            renew_promises(self._logbook)


GIVING_WAY = 15
"""Niceness of a renewal, of 19: whoever judges meanwhile goes first."""


def _give_way() -> None:
    """Let the rest of the program go first, where a thread can have a priority of its own (Linux); elsewhere nothing changes."""
    if sys.platform == "linux":
        os.setpriority(os.PRIO_PROCESS, get_native_id(), GIVING_WAY)

"""How well two reviewers agree on the candidates that both judged, and how much of a planted truth a reviewer finds.

Agreement is the share of equal answers, and Cohen's kappa: how far that share lies above the one that chance would give to
two people who give each answer as often as these two. Nobody is taken to be right. Where only a share of the dismissed was read
again, each candidate counts for as many as it stands for, and the error grows by that. What cannot be said is None, and the
sentence says why.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from annotate.errors import AnnotateError
from annotate.judging.audit import CONFIDENCE, bound_share
from annotate.numbers import say_count
from annotate.words import ANSWERS, Answer

JUDGED: tuple[Answer, ...] = ("confirm", "dismiss", "unsure")
"""The answers that are a judgement, in the order of the table. "open" is none: a candidate whose verdict was undone."""

NORMAL_95 = 1.959964
"""Standard deviations to either side that hold 95 % of a normal distribution."""

UNWEIGHTED: Mapping[int, float] = {}

ROUNDING = 1e-12
"""A variance or a denominator this small is none: it comes of rounding."""


@dataclass(frozen=True, slots=True)
class Kappa:
    """Cohen's kappa of a table, -1 to 1, with its large-sample error.

    Attributes
    ----------
    value : 1 for full agreement, 0 for what chance gives
    standard_error : 0 where the formula gives none, as for full agreement
    low, high : 95 % interval, within -1 to 1; None where the standard error is 0, which then says nothing of the doubt
    """

    value: float
    standard_error: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Agreement:
    """What two reviewers said of the candidates that both judged.

    Attributes
    ----------
    table : candidates by answer, rows the first reviewer's, columns the second's, both in the order of `JUDGED`
    shared : candidates that both judged
    share : of them, with the same answer; None without any
    kappa : None without shared candidates, and where both gave one and the same answer to all
    disagreed : ids of the candidates with different answers, ascending
    only_first, only_second : candidates that only one of the two judged
    is_weighted : whether `share` and `kappa` count some candidates for several, of which they were drawn
    """

    table: tuple[tuple[int, ...], ...]
    shared: int
    share: float | None
    kappa: Kappa | None
    disagreed: tuple[int, ...]
    only_first: int
    only_second: int
    is_weighted: bool = False


@dataclass(frozen=True, slots=True)
class HitRate:
    """How many of the planted larvae that were shown a reviewer found.

    Attributes
    ----------
    share : None where none was shown
    low, high : the exact interval of the share, 0 to 1 where none was shown
    """

    hits: int
    shown: int
    share: float | None
    low: float
    high: float
    confidence: float = CONFIDENCE


def compare_reviewers(
    first: Mapping[int, Answer], second: Mapping[int, Answer], *, stands_for: Mapping[int, float] = UNWEIGHTED
) -> Agreement:
    """Return how two reviewers agree.

    Parameters
    ----------
    first, second : the answer of each to candidates, by id; "open" is no answer
    stands_for : for how many candidates one counts, by id: n where one in n was drawn; those not named count for one

    Raises
    ------
    annotate.errors.AnnotateError
        For a word that is no answer.
    """
    first, second = _keep_judged(first), _keep_judged(second)
    shared = sorted(first.keys() & second.keys())
    counts = np.zeros((len(JUDGED), len(JUDGED)), dtype=np.int64)
    weights, squares = np.zeros(counts.shape), np.zeros(counts.shape)
    for candidate_id in shared:
        cell = JUDGED.index(first[candidate_id]), JUDGED.index(second[candidate_id])
        weight = stands_for.get(candidate_id, 1.0)
        counts[cell] += 1
        weights[cell] += weight
        squares[cell] += weight**2
    return Agreement(
        table=tuple(tuple(int(count) for count in row) for row in counts),
        shared=len(shared),
        share=float(np.trace(weights) / weights.sum()) if shared else None,
        kappa=measure_kappa(weights.tolist(), squares=squares.tolist()),
        disagreed=tuple(
            candidate_id for candidate_id in shared if first[candidate_id] != second[candidate_id]
        ),
        only_first=len(first.keys() - second.keys()),
        only_second=len(second.keys() - first.keys()),
        is_weighted=bool((weights != counts).any()),
    )


def measure_kappa(
    table: Sequence[Sequence[float]], *, squares: Sequence[Sequence[float]] | None = None
) -> Kappa | None:
    """Return Cohen's kappa of a square table of counts, rows one reviewer's answers, columns the other's.

    With po the share on the diagonal and pe the sum of the products of both reviewers' shares of each answer, kappa is (po -
    pe) / (1 - pe) (Cohen 1960, Educ. Psychol. Meas. 20:37-46). The standard error is the large-sample one of Fleiss, Cohen
    and Everitt (1969, Psychol. Bull. 72:323-327), written as the spread of kappa's slopes over the candidates; with a few dozen
    candidates it is rough. So written it also holds for a weighted sample, each candidate drawn by itself (Binder 1983, Int.
    Stat. Rev. 51:279-292; from memory). None for an empty table, and where pe is 1: one answer only.

    Parameters
    ----------
    table : counts, or sums of weights
    squares : sums of the squares of the weights; None where all weights are 1

    Raises
    ------
    annotate.errors.AnnotateError
        Where the table is not square or a count is negative.
    """
    rows = len(table)
    if any(len(row) != rows for row in table) or any(count < 0 for row in table for count in row):
        raise AnnotateError(
            "table of answers: expected as many columns as rows and no count below 0; "
            f"found {[list(row) for row in table]}; count again"
        )
    total = sum(sum(row) for row in table)
    if not total:
        return None
    shares = np.array(table, dtype=np.float64) / total
    agreed = float(np.trace(shares))
    by_chance = float(shares.sum(axis=1) @ shares.sum(axis=0))
    if 1 - by_chance < ROUNDING:
        return None
    value = (agreed - by_chance) / (1 - by_chance)
    parts = np.array(table if squares is None else squares, dtype=np.float64) / total**2
    slopes = _find_slopes(shares, agreed, by_chance)
    variance = float((parts * (slopes - (shares * slopes).sum()) ** 2).sum())
    if variance < ROUNDING:
        return Kappa(value, 0.0, None, None)
    error = float(variance**0.5)
    return Kappa(value, error, max(value - NORMAL_95 * error, -1.0), min(value + NORMAL_95 * error, 1.0))


def rate_reviewer(hits: int, shown: int, confidence: float = CONFIDENCE) -> HitRate:
    """Return the share of planted larvae that a reviewer found, with its exact interval (`annotate.judging.audit.bound_share`).

    Raises
    ------
    annotate.errors.AnnotateError
        Where more were found than shown, or a count is negative.
    """
    low, high = bound_share(hits, shown, confidence)
    return HitRate(hits, shown, hits / shown if shown else None, low, high, confidence)


def say_agreement(agreement: Agreement) -> str:
    """Return what a recorder reads: on how many the two agree, kappa with its interval, or why there is none."""
    if agreement.share is None:
        return "The two reviewers have judged no candidate in common: how well they agree is not known."
    judged = f"{say_count(agreement.shared, 'candidate')} {'was' if agreement.shared == 1 else 'were'} judged by both"
    if agreement.kappa is None:
        everyone = "with" if agreement.shared == 1 else "all with"
        return (
            f"{judged}, {everyone} the same answer, {_name_only_answer(agreement)}: "
            "where only one answer was given, agreement cannot be told from chance."
        )
    same = agreement.shared - len(agreement.disagreed)
    number = "all" if same == agreement.shared else f"{same:,}" if same else "none"
    share = f"{agreement.share * 100:.0f} %"
    of_all = (
        f"; each counted for as many as it was drawn from, {share}"
        if agreement.is_weighted
        else f" ({share})"
    )
    return f"{judged}, {number} with the same answer{of_all}: kappa {_write_kappa(agreement.kappa)}."


def _keep_judged(answers: Mapping[int, Answer]) -> dict[int, Answer]:
    """Return the answers that are a judgement; refuse words that are none."""
    for candidate_id, answer in answers.items():
        if answer not in ANSWERS:
            raise AnnotateError(
                f"answer to candidate {candidate_id}: expected one of {', '.join(ANSWERS)}; found {answer!r}; correct it"
            )
    return {candidate_id: answer for candidate_id, answer in answers.items() if answer in JUDGED}


def _find_slopes(shares: NDArray[np.float64], agreed: float, by_chance: float) -> NDArray[np.float64]:
    """Return by how much kappa grows with the share of each cell of a table (A, A)."""
    of_first, of_second = shares.sum(axis=1), shares.sum(axis=0)
    # A candidate in a cell adds to the first's share of its row and to the second's share of its column.
    chance = of_second[:, None] + of_first[None, :]
    same = np.eye(len(shares))
    return np.asarray(same / (1 - by_chance) - chance * (1 - agreed) / (1 - by_chance) ** 2, dtype=np.float64)


def _name_only_answer(agreement: Agreement) -> Answer:
    """Return the one answer that both reviewers gave to everything."""
    return next(answer for place, answer in enumerate(JUDGED) if agreement.table[place][place])


def _write_kappa(kappa: Kappa) -> str:
    """Return kappa with its interval, in two decimals, or why it has none."""
    if kappa.low is None or kappa.high is None:
        return f"{_write_decimals(kappa.value)}, its error not known from answers so alike or so unlike"
    return f"{_write_decimals(kappa.value)} ({_write_decimals(kappa.low)} to {_write_decimals(kappa.high)})"


def _write_decimals(number: float) -> str:
    """Return a number in two decimals; what rounds to nothing has no minus."""
    return f"{round(number, 2) + 0.0:.2f}"

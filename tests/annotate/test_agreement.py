"""How well two reviewers agree: against tables in print, by hand, and where nothing can be said."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.inter_rater import cohens_kappa

from annotate.agreement import (
    JUDGED,
    Agreement,
    Kappa,
    compare_reviewers,
    measure_kappa,
    rate_reviewer,
    say_agreement,
)
from annotate.errors import AnnotateError
from annotate.words import ANSWERS, Answer


def answer_all(table: list[list[int]]) -> tuple[dict[int, Answer], dict[int, Answer]]:
    """The answers of two reviewers that make a table: candidates numbered from 1, row by row."""
    first: dict[int, Answer] = {}
    second: dict[int, Answer] = {}
    for row, counts in enumerate(table):
        for column, count in enumerate(counts):
            for _ in range(count):
                number = len(first) + 1
                first[number], second[number] = JUDGED[row], JUDGED[column]
    return first, second


@pytest.mark.parametrize(
    ("table", "value", "error", "low", "high"),
    [
        # A SAS printout that statsmodels' own tests hold cohens_kappa to (test_inter_rater.py; seen)
        ([[0, 4, 1], [0, 8, 0], [0, 1, 5]], 0.4842, 0.1380, 0.2137, 0.7547),
        # Two dermatologists, SAS/STAT User's Guide, FREQ, getting started: kappa and interval (seen)
        (
            [[10, 4, 1, 0], [5, 10, 12, 2], [2, 4, 12, 5], [0, 2, 6, 13]],
            0.3449,
            (0.4868 - 0.2030) / (2 * 1.96),
            0.2030,
            0.4868,
        ),
        # The textbook two by two: po 0.7, pe 0.5 (common practice, no source). The error by hand: 0.02743 from the diagonal,
        # 0.02547 from beside it, less 0.0025, makes 0.0504; over 0.5^4 0.8064; over 50 candidates the square of 0.1270
        ([[20, 5], [10, 15]], 0.4, (0.8064 / 50) ** 0.5, 0.4 - 1.96 * 0.1270, 0.4 + 1.96 * 0.1270),
    ],
)
def test_kappa_of_tables_in_print(
    table: list[list[int]], value: float, error: float, low: float, high: float
) -> None:
    """Kappa, standard error and interval to the four decimals in print."""
    kappa = measure_kappa(table)
    assert kappa is not None
    assert kappa.value == pytest.approx(value, abs=5e-5)
    assert kappa.standard_error == pytest.approx(error, abs=5e-5)
    assert (kappa.low, kappa.high) == pytest.approx((low, high), abs=1e-4)


def test_the_error_is_that_of_kappas_slopes() -> None:
    """The formula in print equals the delta method done by numbers: the slopes of kappa in each share of the table."""

    def find_kappa(shares: np.ndarray) -> float:
        by_chance = shares.sum(axis=1) @ shares.sum(axis=0)
        return float((np.trace(shares) - by_chance) / (1 - by_chance))

    table = np.array([[31, 6, 4], [3, 58, 9], [2, 7, 11]])
    shares, step = table / table.sum(), 1e-6
    slopes = np.zeros((3, 3))
    for place in np.ndindex(3, 3):
        change = np.zeros((3, 3))
        change[place] = step
        slopes[place] = (find_kappa(shares + change) - find_kappa(shares - change)) / (2 * step)
    variance = (shares * slopes**2).sum() - (shares * slopes).sum() ** 2
    kappa = measure_kappa(table.tolist())
    assert kappa is not None
    assert kappa.value == pytest.approx(find_kappa(shares))
    assert kappa.standard_error == pytest.approx((variance / table.sum()) ** 0.5, rel=1e-6)


@given(counts=st.lists(st.integers(0, 40), min_size=9, max_size=9))
def test_kappa_is_that_of_statsmodels(counts: list[int]) -> None:
    """Any table of three answers: kappa, error and interval of another library, where they are defined."""
    table = np.array(counts).reshape(3, 3)
    kappa = measure_kappa(table.tolist())
    if kappa is None or kappa.low is None:
        return
    other = cohens_kappa(table)
    assert kappa.value == pytest.approx(other.kappa)
    assert kappa.standard_error == pytest.approx(other.std_kappa, rel=1e-5)
    assert kappa.low == pytest.approx(max(other.kappa_low, -1), abs=1e-5)
    assert kappa.high == pytest.approx(min(other.kappa_upp, 1), abs=1e-5)


@given(counts=st.lists(st.integers(0, 40), min_size=9, max_size=9), seed=st.integers(0, 99))
def test_kappa_behaves(counts: list[int], seed: int) -> None:
    """It lies in its interval between -1 and 1, does not mind who is first or the order of answers, and is never not a number."""
    table = np.array(counts).reshape(3, 3)
    kappa = measure_kappa(table.tolist())
    used = ((table.sum(axis=0) + table.sum(axis=1)) > 0).sum()
    assert (kappa is None) == (used <= 1)
    if kappa is None:
        return
    assert -1 <= kappa.value <= 1
    assert math.isfinite(kappa.standard_error) and kappa.standard_error >= 0
    assert (kappa.low is None) == (kappa.high is None) == (kappa.standard_error == 0)
    if kappa.low is not None and kappa.high is not None:
        assert -1 <= kappa.low <= kappa.value <= kappa.high <= 1
    order = np.random.default_rng(seed).permutation(3)
    for changed in (table.T, table[order][:, order]):
        other = measure_kappa(changed.tolist())
        assert other is not None
        assert other.value == pytest.approx(kappa.value)
        assert other.standard_error == pytest.approx(kappa.standard_error, abs=1e-6)


def test_reviewers_are_compared_on_what_both_judged() -> None:
    """Seven candidates, five of them judged by both, an undone verdict is none; those answered differently are named in order."""
    first: dict[int, Answer] = {
        9: "confirm",
        4: "confirm",
        2: "dismiss",
        7: "unsure",
        1: "confirm",
        5: "open",
        3: "dismiss",
    }
    second: dict[int, Answer] = {
        1: "confirm",
        2: "dismiss",
        4: "unsure",
        5: "dismiss",
        7: "unsure",
        8: "unsure",
        9: "dismiss",
    }
    agreement = compare_reviewers(first, second)
    assert agreement.table == ((1, 1, 1), (0, 1, 0), (0, 0, 1))
    assert (agreement.shared, agreement.share, agreement.disagreed) == (5, 0.6, (4, 9))
    assert (agreement.only_first, agreement.only_second) == (1, 2)
    assert agreement.kappa is not None
    # pe = (3*1 + 1*2 + 1*2) / 25 = 0.28; kappa = 0.32 / 0.72
    assert agreement.kappa.value == pytest.approx(0.32 / 0.72)


def test_nothing_in_common_is_said_so() -> None:
    """No answers at all, none in common, and only undone ones in common: no share, no kappa, and the reason."""
    said = "The two reviewers have judged no candidate in common: how well they agree is not known."
    pairs: list[tuple[dict[int, Answer], dict[int, Answer]]] = [
        ({}, {}),
        ({1: "confirm"}, {2: "confirm"}),
        ({1: "open"}, {1: "confirm"}),
    ]
    for first, second in pairs:
        agreement = compare_reviewers(first, second)
        assert (agreement.shared, agreement.share, agreement.kappa, agreement.disagreed) == (
            0,
            None,
            None,
            (),
        )
        assert say_agreement(agreement) == said


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        # po = 35/50 = 0.7, pe = 0.6 * 0.5 + 0.4 * 0.5 = 0.5, kappa 0.4, error 0.1270: 0.15 to 0.65
        (
            [[20, 5, 0], [10, 15, 0], [0, 0, 0]],
            "50 candidates were judged by both, 35 with the same answer (70 %): kappa 0.40 (0.15 to 0.65).",
        ),
        (
            [[0, 0, 0], [0, 1240, 0], [0, 0, 0]],
            "1,240 candidates were judged by both, all with the same answer, dismiss: "
            "where only one answer was given, agreement cannot be told from chance.",
        ),
        (
            [[1, 0, 0], [0, 0, 0], [0, 0, 0]],
            "1 candidate was judged by both, with the same answer, confirm: "
            "where only one answer was given, agreement cannot be told from chance.",
        ),
        (
            [[5, 0, 0], [0, 5, 0], [0, 0, 0]],
            "10 candidates were judged by both, all with the same answer (100 %): "
            "kappa 1.00, its error not known from answers so alike or so unlike.",
        ),
        (
            [[0, 5, 0], [5, 0, 0], [0, 0, 0]],
            "10 candidates were judged by both, none with the same answer (0 %): "
            "kappa -1.00, its error not known from answers so alike or so unlike.",
        ),
        (
            [[0, 1, 0], [0, 0, 0], [0, 0, 0]],
            "1 candidate was judged by both, none with the same answer (0 %): "
            "kappa 0.00, its error not known from answers so alike or so unlike.",
        ),
    ],
)
def test_agreement_is_said_in_a_sentence(table: list[list[int]], sentence: str) -> None:
    """One, some, all and none alike; the error is not given where the formula has none."""
    agreement = compare_reviewers(*answer_all(table))
    assert agreement.table == tuple(tuple(row) for row in table)
    assert say_agreement(agreement) == sentence


def test_nothing_has_no_minus() -> None:
    """A kappa that rounds to nothing is 0.00, whichever side it comes from."""
    agreement = Agreement(((2, 2), (2, 2)), 8, 0.5, Kappa(-0.001, 0.35, -0.7, 0.7), (3, 4, 5, 6), 0, 0)
    assert say_agreement(agreement).endswith("(50 %): kappa 0.00 (-0.70 to 0.70).")


def test_what_is_judged_is_every_answer_but_open() -> None:
    """If a new answer is given to people, the table must have it."""
    assert set(JUDGED) == set(ANSWERS) - {"open"}


def test_a_reviewers_rate_has_an_exact_interval() -> None:
    """Newcombe 1998's 15 of 148 (from memory, reproduced with a library); nothing shown leaves all possible."""
    rate = rate_reviewer(15, 148)
    assert rate.share == pytest.approx(0.10135, abs=5e-6)
    assert (rate.low, rate.high) == pytest.approx((0.0578, 0.1617), abs=5e-5)
    nothing = rate_reviewer(0, 0)
    assert (nothing.share, nothing.low, nothing.high) == (None, 0.0, 1.0)
    everything = rate_reviewer(20, 20)
    assert (everything.share, everything.high) == (1.0, 1.0)
    assert everything.low == pytest.approx(0.8316, abs=5e-5)  # 0 of 20 mirrored


def test_slips_are_refused() -> None:
    """A word that is no answer, a table that is not square, a count below nothing, more found than shown."""
    with pytest.raises(AnnotateError, match=r"answer to candidate 3: expected one of confirm.*found 'yes'"):
        compare_reviewers({3: "yes"}, {})  # type: ignore[dict-item]
    for table in ([[1, 2]], [[1, -1], [0, 3]]):
        with pytest.raises(AnnotateError, match="table of answers: expected as many columns as rows"):
            measure_kappa(table)
    with pytest.raises(AnnotateError, match="hits: expected 0 to 4; found 5"):
        rate_reviewer(5, 4)

"""How well two reviewers agree: against tables in print, by hand, and where nothing can be said."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.inter_rater import cohens_kappa

from annotate.errors import AnnotateError
from annotate.judging.agreement import (
    JUDGED,
    Agreement,
    Kappa,
    compare_reviewers,
    measure_kappa,
    rate_reviewer,
    say_agreement,
)
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
        # An example of the R package statpsych, ci.kappa(.05, 31, 12, 4, 58), given with seven decimals (seen)
        ([[31, 12], [4, 58]], 0.6756757, 0.07344761, 0.5317210, 0.8196303),
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


@pytest.mark.parametrize(
    ("table", "value", "decimals"),
    [
        # Cohen 1960: 200 patients, po .70, pe .41 (from memory)
        ([[88, 14, 18], [10, 40, 10], [2, 6, 12]], 0.492, 3),
        # Fleiss, Levin and Paik 2003, table 18.1: psychosis, neurosis, organic (from memory)
        ([[75, 1, 4], [5, 4, 1], [0, 0, 10]], 0.68, 2),
        # Agresti 2002, Categorical Data Analysis, 10.5: two pathologists, 118 slides (from memory)
        ([[22, 2, 2, 0], [5, 7, 14, 0], [0, 2, 36, 0], [0, 1, 17, 10]], 0.493, 3),
        # Sim and Wright 2005, Phys. Ther. 85:257-268: two clinicians, 39 patients (from memory)
        ([[22, 2], [4, 11]], 0.67, 2),
        # Feinstein and Cicchetti 1990, J. Clin. Epidemiol. 43:543-549: 85 % agree in both, and kappa is half where one answer
        # is rare (from memory)
        ([[40, 9], [6, 45]], 0.70, 2),
        ([[80, 10], [5, 5]], 0.32, 2),
    ],
)
def test_kappa_of_tables_remembered(table: list[list[int]], value: float, decimals: int) -> None:
    """Kappa to the decimals that are remembered of it."""
    kappa = measure_kappa(table)
    assert kappa is not None and round(kappa.value, decimals) == value


def test_a_weight_is_so_many_alike_but_not_so_much_knowledge() -> None:
    """Weights of 4 give the kappa of four times the table, and the error of the table that was seen."""
    table = np.array([[11, 2, 1], [3, 40, 2], [1, 1, 4]])
    plain = measure_kappa(table.tolist())
    weighted = measure_kappa((4 * table).tolist(), squares=(16 * table).tolist())
    many = measure_kappa((4 * table).tolist())
    assert plain is not None and weighted is not None and many is not None
    assert weighted.value == pytest.approx(plain.value) == pytest.approx(many.value)
    assert weighted.standard_error == pytest.approx(plain.standard_error)
    assert many.standard_error == pytest.approx(plain.standard_error / 2)


def test_a_share_of_the_dismissed_gives_the_kappa_of_all() -> None:
    """Of 3,000 candidates one in ten dismissed ones read again, 400 times: on average the kappa of all, within its interval.

    The candidates are drawn anew each time. Counting those read as they are would be clearly off.
    """
    truth = np.array([[0.06, 0.02, 0.00], [0.03, 0.85, 0.01], [0.005, 0.005, 0.02]])
    exact = measure_kappa(truth.tolist())
    assert exact is not None
    rng = np.random.default_rng(5)
    values, hits, naive = [], 0, []
    for _ in range(400):
        whole = rng.multinomial(3000, truth.ravel()).reshape(3, 3)
        seen = whole.copy()
        seen[1] = rng.binomial(whole[1], 0.1)
        weights = np.array([[1], [10], [1]])
        kappa = measure_kappa((seen * weights).tolist(), squares=(seen * weights**2).tolist())
        as_they_are = measure_kappa(seen.tolist())
        assert kappa is not None and kappa.low is not None and kappa.high is not None
        assert as_they_are is not None
        values.append(kappa.value)
        naive.append(as_they_are.value)
        hits += kappa.low <= exact.value <= kappa.high
    assert np.mean(values) == pytest.approx(exact.value, abs=0.01)
    assert abs(np.mean(naive) - exact.value) > 0.03
    assert 0.92 <= hits / 400 <= 0.98


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


def test_a_drawn_candidate_counts_for_as_many_as_it_stands_for() -> None:
    """The table counts what was read, share and kappa what it stands for, and the sentence says so."""
    first, second = answer_all([[6, 2, 0], [1, 9, 0], [0, 0, 0]])
    dismissed = {number: 5.0 for number, answer in first.items() if answer == "dismiss"}
    agreement = compare_reviewers(first, second, stands_for=dismissed)
    assert agreement.table == ((6, 2, 0), (1, 9, 0), (0, 0, 0)) and agreement.is_weighted
    assert agreement.share == pytest.approx(51 / 58)
    same = measure_kappa([[6, 2], [5, 45]])
    assert same is not None and agreement.kappa is not None
    assert agreement.kappa.value == pytest.approx(same.value)
    assert agreement.kappa.standard_error > same.standard_error
    assert say_agreement(agreement).startswith(
        "18 candidates were judged by both, 15 with the same answer; each counted for as many as it was drawn from, 88 %: kappa "
    )
    assert not compare_reviewers(first, second, stands_for=dict.fromkeys(first, 1.0)).is_weighted


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

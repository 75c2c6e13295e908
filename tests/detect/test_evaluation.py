"""Whole clips are counted at any threshold from one search, checked by hand on small cases."""

import pytest

from detect.evaluation import ClipOutcome, count_outcomes, find_threshold

OUTCOMES = [
    ClipOutcome(
        "one",
        60.0,
        {"A": 20.0, "B": 12.0, "C": 8.0},
        ((0.9, "A"), (0.85, "A"), (0.8, None), (0.6, "B"), (0.3, None)),
        {"A": 0.05, "B": -0.1},
    ),
    ClipOutcome("two", 60.0, {"A": 40.0}, ((0.7, None), (0.2, "A")), {"A": 0.0}),
]


def test_one_search_is_read_at_any_threshold() -> None:
    """Found by class, and false candidates a minute over all clips; repeats of a larva count once."""
    strict = count_outcomes(OUTCOMES, threshold=0.75)
    assert strict.found == {
        (6.0, 10.0): (0, 1),
        (10.0, 16.0): (0, 1),
        (16.0, 32.0): (1, 1),
        (32.0, float("inf")): (0, 1),
    }
    assert strict.false_per_minute == 0.5
    loose = count_outcomes(OUTCOMES, threshold=0.1)
    assert loose.find_share(16) == 1.0 and loose.find_share(6, 10) == 0.0
    assert loose.false_per_minute == 1.5
    assert loose.find_share(6, 8) != loose.find_share(6, 8)


def test_the_threshold_keeps_to_the_rate() -> None:
    """The lowest threshold with no more than so many false a minute; without false ones the lowest there is."""
    for rate in (0.0, 0.5, 1.0, 1.5):
        threshold = find_threshold(OUTCOMES, false_per_minute=rate)
        assert count_outcomes(OUTCOMES, threshold=threshold).false_per_minute <= rate
    assert find_threshold(OUTCOMES, false_per_minute=0.5) == pytest.approx(0.7, abs=1e-9)
    assert find_threshold(OUTCOMES, false_per_minute=9.0) == pytest.approx(0.02)
    assert find_threshold([], false_per_minute=1.0) == pytest.approx(0.02)

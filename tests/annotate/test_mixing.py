"""Plain frames among candidates: as many as asked for, spread, the same each time, and not to be foretold."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from annotate.errors import AnnotateError
from annotate.judging.mixing import mix_ahead


@given(share=st.floats(0.01, 1), seed=st.integers(0, 2**31), places=st.integers(0, 600))
def test_each_run_of_places_has_one(share: float, seed: int, places: int) -> None:
    """Whatever the share: as many as it asks for to one, ascending, none twice, never further apart than two runs."""
    mixed = mix_ahead(0, places, share=share, seed=seed)
    assert abs(len(mixed) - places * share) <= 1
    assert all(before < after <= before + 2 / share + 1 for before, after in pairwise(mixed))
    assert all(0 <= place < places for place in mixed)


@given(first=st.integers(0, 500), count=st.integers(0, 60), share=st.floats(0.01, 1), seed=st.integers(0, 99))
def test_looking_ahead_from_anywhere_sees_the_same(first: int, count: int, share: float, seed: int) -> None:
    """What is seen from place N on is that part of what is seen from the start."""
    whole = mix_ahead(0, first + count, share=share, seed=seed)
    assert mix_ahead(first, count, share=share, seed=seed) == tuple(p for p in whole if p >= first)


def test_none_and_all() -> None:
    """No share mixes none in, the whole share takes every place, and no place has none."""
    assert mix_ahead(0, 50, share=0) == ()
    assert mix_ahead(3, 4, share=1) == (3, 4, 5, 6)
    assert mix_ahead(7, 0) == ()


def test_places_cannot_be_foretold_and_reviewers_differ() -> None:
    """Within their runs of ten the places take every value, about alike often, and other seeds give other places."""
    mixed = mix_ahead(0, 10_000, seed=4)
    counts = [sum(place % 10 == digit for place in mixed) for digit in range(10)]
    assert sum(counts) == 1000 and min(counts) > 60 and max(counts) < 150
    assert mixed != mix_ahead(0, 10_000, seed=5)


def test_nonsense_is_refused() -> None:
    """A share in per cent, and places before the first."""
    for first, count, share in ((0, 5, 10), (-1, 5, 0.1), (0, -1, 0.1)):
        with pytest.raises(AnnotateError, match="mixing: expected places from 0 on"):
            mix_ahead(first, count, share=share)

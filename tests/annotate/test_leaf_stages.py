"""Leaf stages by the BBCH scale against published codes, and their two digits read and written."""

import pytest

from annotate.errors import AnnotateError
from annotate.field.leaf_stages import (
    PICKER,
    PRINCIPAL,
    WORDS,
    read_leaf_stage,
    say_leaf_stage,
    write_leaf_stage,
)

PUBLISHED_WORDS = {
    7: "green",
    9: "5 mm",
    10: "leaves",
    11: "unfolded",
    15: "not yet",
    19: "full",
    31: "shoots begin",
    61: "begin",
    65: "full flower",
    69: "over",
}
"""What the codes say of pome fruit, after Meier: en.wikipedia.org/wiki/BBCH-scale_(pome_fruit) (seen)."""

PUBLISHED_STAGES = {
    0: "bud development",
    1: "leaf development",
    3: "shoot development",
    6: "flowering",
    7: "fruit",
    8: "ripening",
    9: "rest",
}
"""Principal growth stages of the general scale: en.wikipedia.org/wiki/BBCH-scale (seen)."""


def test_codes_mean_what_is_published() -> None:
    """Each code compared says the same as the published key."""
    for code, word in PUBLISHED_WORDS.items():
        assert word in WORDS[code]
    for stage, word in PUBLISHED_STAGES.items():
        assert word in PRINCIPAL[stage]
    assert set(PRINCIPAL) == {0, 1, 3, 5, 6, 7, 8, 9}


def test_the_year_runs_forward_in_the_picker() -> None:
    """Codes rise, each belongs to a stage that trees have, from bud burst to leaf fall (93 and 97, from memory)."""
    codes = [code for code, _ in PICKER]
    assert codes == sorted(set(codes))
    assert {code // 10 for code in codes} <= set(PRINCIPAL)
    assert "begin to fall" in WORDS[93] and "all leaves fallen" in WORDS[97]


@pytest.mark.parametrize("code", [code for code in range(100) if code // 10 in PRINCIPAL])
def test_codes_come_back_as_they_were_written(code: int) -> None:
    """Two digits always; a code between those of the picker names its principal stage."""
    assert len(write_leaf_stage(code)) == 2
    assert read_leaf_stage(write_leaf_stage(code)) == code
    assert say_leaf_stage(code).startswith(f"{code:02}, ")


@pytest.mark.parametrize("typed", ["21", "45", "100", "-7", "7.0", "leaf", "０７"])
def test_codes_no_tree_has_are_refused(typed: str) -> None:
    """Tillering, heading, words and other digits are told apart from slips of the pen."""
    with pytest.raises(AnnotateError, match="BBCH code of two digits"):
        read_leaf_stage(typed)


def test_one_digit_and_nothing() -> None:
    """7 is 07; nothing typed is nothing noted."""
    assert read_leaf_stage(" 7 ") == 7
    assert read_leaf_stage("") is None
    assert write_leaf_stage(None) == say_leaf_stage(None) == ""

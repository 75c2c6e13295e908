"""The scales of the weather against what is published, and what is typed of them read without guessing."""

import itertools

import pytest

from annotate.errors import AnnotateError
from annotate.field.weather import (
    BEAUFORT,
    CLOUD,
    read_force,
    read_oktas,
    read_temperature,
    say_weather,
)

PUBLISHED_M_S = (
    (0.0, 0.2), (0.3, 1.5), (1.6, 3.3), (3.4, 5.4), (5.5, 7.9), (8.0, 10.7), (10.8, 13.8),
    (13.9, 17.1), (17.2, 20.7), (20.8, 24.4), (24.5, 28.4), (28.5, 32.6),
)  # fmt: skip
"""Speeds in m/s of WMO code table 1100 as copied by delta-s.org/weer/beaufort.html and meteothes.gr/wxbeaufort-en.html (seen)."""

PUBLISHED_OKTAS = {
    0: "clear",
    1: "1/8 or less",
    4: "4/8",
    7: "7/8 or more",
    8: "8/8",
    9: "obscured",
}
"""World Weather Information Service of the WMO, worldweather.wmo.int/oktas.htm (seen); 9 from memory."""

LAW_M_S = 0.836
"""Mean speed is 0.836 B^1.5 m/s, by which the WMO's table was made (from memory)."""


def test_speeds_are_those_published() -> None:
    """Each force has the speeds of the table, and the last begins where the one before ends."""
    assert [(force.least_m_s, force.most_m_s) for force in BEAUFORT[:-1]] == list(PUBLISHED_M_S)
    assert (BEAUFORT[12].least_m_s, BEAUFORT[12].most_m_s) == (32.7, None)


def test_speeds_follow_the_law_behind_the_table() -> None:
    """The middle of each range gives its own number back by the power law: no row is shifted."""
    for force in BEAUFORT[1:-1]:
        assert force.most_m_s is not None
        middle_m_s = (force.least_m_s + force.most_m_s) / 2
        assert round((middle_m_s / LAW_M_S) ** (2 / 3)) == force.number


def test_numbers_and_ranges_leave_no_gap() -> None:
    """The numbers run from 0 to 12, and a tenth of a metre per second stands between neighbours."""
    assert [force.number for force in BEAUFORT] == list(range(13))
    for lower, upper in itertools.pairwise(BEAUFORT):
        assert lower.most_m_s is not None
        assert upper.least_m_s == pytest.approx(lower.most_m_s + 0.1)


def test_oktas_say_what_is_published() -> None:
    """Ten words, 0 for clear to 8 for no gaps, and 9 for a sky that cannot be seen."""
    assert len(CLOUD) == 10
    for oktas, words in PUBLISHED_OKTAS.items():
        assert words in CLOUD[oktas]


@pytest.mark.parametrize(
    ("typed", "force"), [("", None), (" 3 ", 3), ("Gentle  Breeze", 3), ("0", 0), ("12", 12), ("calm", 0)]
)
def test_wind_is_read_by_number_or_name(typed: str, force: int | None) -> None:
    """Whatever its capitals and blanks; nothing typed is nothing said."""
    assert read_force(typed) == force


@pytest.mark.parametrize(
    ("reader", "typed", "said"),
    [
        (read_force, "13", "from 0 to 12"),
        (read_force, "-1", "from 0 to 12"),
        (read_force, "3.5", "whole number"),
        (read_force, "gental breeze", "did you mean 'gentle breeze'"),
        (read_force, "nan", "Beaufort"),
        (read_oktas, "10", "from 0 to 9"),
        (read_oktas, "half", "oktas"),
        (read_temperature, "86", "degrees Celsius"),
        (read_temperature, "1e400", "degrees Celsius"),
        (read_temperature, "14.5 °C", "digits only"),
        (read_temperature, "١٤", "digits only"),
    ],
)
def test_what_cannot_be_is_refused_with_the_way_out(reader: object, typed: str, said: str) -> None:
    """Out of range, another unit, no number: each says what was expected."""
    with pytest.raises(AnnotateError, match=said):
        reader(typed)  # type: ignore[operator]


def test_temperature_takes_a_decimal_comma_and_a_true_minus() -> None:
    """As a person or a spreadsheet writes it."""
    assert read_temperature("14,5") == 14.5
    assert read_temperature("\N{MINUS SIGN}3") == -3.0
    assert read_oktas("5/8") == 5


def test_weather_in_a_line_leaves_out_what_nobody_said() -> None:
    """Units and words stand in it; nothing said gives nothing."""
    assert say_weather(temperature_c=None, wind_beaufort=None, cloud_oktas=None) == ""
    text = say_weather(temperature_c=-0.5, wind_beaufort=3, cloud_oktas=9, words="drizzle")
    assert text == "\N{MINUS SIGN}0.5 °C, wind 3 (gentle breeze), sky obscured, by fog or snow; drizzle"

"""How fast a person judges, and the sentences on what is left."""

from datetime import UTC, datetime, timedelta

import pytest

from annotate.judging.review_order import measure_pace_s, say_progress, say_time_left
from annotate.numbers import say_count

START = datetime(2026, 5, 17, 20, 0, tzinfo=UTC)


def place_moments(*gaps_s: float) -> list[datetime]:
    """Moments with these gaps between them."""
    moments = [START]
    for gap_s in gaps_s:
        moments.append(moments[-1] + timedelta(seconds=gap_s))
    return moments


def test_nothing_is_said_of_the_pace_before_enough_is_known() -> None:
    """No, one and four verdicts tell no pace; with five it is told."""
    assert measure_pace_s([]) is None
    assert measure_pace_s(place_moments()) is None
    assert measure_pace_s(place_moments(3, 3, 3)) is None
    assert measure_pace_s(place_moments(3, 3, 3, 3)) == 3


def test_pace_is_the_median_without_breaks() -> None:
    """A cup of tea between two verdicts, or one hard case, does not change the pace."""
    assert measure_pace_s(place_moments(4, 5, 6, 1800, 5, 90)) == 5


def test_pace_follows_the_newest_verdicts_in_any_order() -> None:
    """Verdicts of an hour ago do not count any more, and the order they come in does not matter."""
    moments = place_moments(*[30] * 60, *[2] * 60)
    assert measure_pace_s(moments[::-1]) == 2


@pytest.mark.parametrize(
    ("left", "pace_s", "sentence"),
    [
        (0, 5.0, ""),
        (10, None, ""),
        (5, 4.0, "Less than a minute left."),
        (17, 4.0, "About 1 minute left."),
        (60, 4.0, "About 4 minutes left."),
        (900, 4.0, "About 1 hour left."),
        (1075, 4.0, "About 1 hour 10 minutes left."),
        (1790, 4.0, "About 2 hours left."),
        (100_000, 3.0, "About 83 hours 20 minutes left."),
    ],
)
def test_time_left_is_said_no_finer_than_it_is_known(left: int, pace_s: float | None, sentence: str) -> None:
    """Minutes up to an hour, tens of minutes after, nothing where the pace is not known."""
    assert say_time_left(left, pace_s) == sentence


def test_progress_is_one_sentence_and_the_time() -> None:
    """The sentence of the page as it stands in the plan of the pages."""
    said = say_progress(
        where="Tree OT03", judged=14, everything=31, confirmed="2 larvae confirmed", pace_s=14.0
    )
    assert said == "Tree OT03: 14 of 31 judged, 2 larvae confirmed. About 4 minutes left."


def test_progress_when_all_is_judged() -> None:
    """At the end nothing is said of time."""
    said = say_progress(where="Tree OT03", judged=31, everything=31, confirmed="none confirmed", pace_s=14.0)
    assert said == "Tree OT03: all 31 judged, none confirmed."


def test_counts_agree_with_their_nouns() -> None:
    """None, one, two and thousands."""
    said = [say_count(number, "leaf", "leaves") for number in (0, 1, 2, 1234)]
    assert said == ["no leaves", "1 leaf", "2 leaves", "1,234 leaves"]

"""In which order candidates are judged, how fast a person judges, and the sentence that says how far one is.

Pure functions over counts and moments; the logbook does the counting and the sorting.
"""

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from statistics import median
from typing import Literal, get_args

from annotate.numbers import say_count

Order = Literal["best", "tree"]
ORDERS: tuple[Order, ...] = get_args(Order)

TEACH_EVERY = 8
"""One card in so many is chosen to teach, in the order "best": the rest of an evening is as short as can be (own choice)."""

TEACHING_WORD = "chosen to teach"

LONGEST_THOUGHT_S = 120.0
"""A longer time between two verdicts is a break, not a thought, and tells nothing of the pace (no source)."""

LEAST_GAPS = 4
"""With fewer times between verdicts nothing is said of the minutes left: one slow one would double them."""

PACE_VERDICTS = 40
"""The pace is that of the newest verdicts only, since people get faster, and slower again when tired."""

MINUTES_PER_HOUR = 60


def is_to_teach(turn: int, *, order: Order) -> bool:
    """Whether the card of a turn is chosen to teach.

    Parameters
    ----------
    turn : how many cards the person judged before it, 0 for the first
    """
    return order == "best" and turn % TEACH_EVERY == TEACH_EVERY - 1


def measure_pace_s(moments: Sequence[datetime]) -> float | None:
    """Return the median time from verdict to verdict of one person, in seconds; None where too little is known.

    Parameters
    ----------
    moments : when the person gave verdicts, in any order
    """
    newest = sorted(moments)[-PACE_VERDICTS:]
    gaps_s = [(after - before).total_seconds() for before, after in pairwise(newest)]
    thoughts_s = [gap_s for gap_s in gaps_s if 0 < gap_s <= LONGEST_THOUGHT_S]
    return median(thoughts_s) if len(thoughts_s) >= LEAST_GAPS else None


def say_time_left(left: int, pace_s: float | None) -> str:
    """Return a sentence on the time that the candidates left will take, or nothing where the pace is not known."""
    if pace_s is None or left == 0:
        return ""
    minutes = round(left * pace_s / 60)
    if minutes < 1:
        return "Less than a minute left."
    if minutes < MINUTES_PER_HOUR:
        return f"About {say_count(minutes, 'minute')} left."
    hours, rest = divmod(minutes, MINUTES_PER_HOUR)
    rest = round(rest, -1)  # to ten minutes: the pace is not known better
    if rest == MINUTES_PER_HOUR:
        hours, rest = hours + 1, 0
    words = say_count(hours, "hour") + (f" {rest} minutes" if rest else "")
    return f"About {words} left."


def say_progress(
    *, where: str, judged: int, everything: int, confirmed: str, pace_s: float | None, plain_frames: int = 0
) -> str:
    """Return what is judged here, what came of it and how long the rest will take.

    Parameters
    ----------
    where : "Tree OT03", "Otterholt Wood"
    confirmed : "2 larvae confirmed"
    plain_frames : of an audit, that wait for an answer
    """
    beside = f", and {say_count(plain_frames, 'plain frame')} to look at" if plain_frames else ""
    if judged == everything:
        return f"{where}: all {everything:,} judged, {confirmed}{beside}."
    sentence = f"{where}: {judged:,} of {everything:,} judged, {confirmed}{beside}."
    return " ".join(part for part in (sentence, say_time_left(everything - judged, pace_s)) if part)

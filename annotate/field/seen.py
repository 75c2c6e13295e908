"""What may be said of an animal seen by eye, and of a search in vain: each value read from what was typed, and checked.

The same rules hold for the form, the command line and files. What happens in the database stands in `annotate.logbook.by_eye`.
"""

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

from annotate.errors import AnnotateError
from annotate.field.visits import read_clock
from annotate.logbook.records import Observation
from annotate.numbers import Range, read_number, read_whole
from annotate.words import ASPECTS, BEHAVIOURS, CONDITIONS, STAGES, read_word
from annotate.zones import find_local_date, read_zone, to_local, write_clock, write_date

HEIGHT = Range(0.0, 130.0, "metres", "2.5")
"""The tallest known tree is a coast redwood of about 116 m (from memory)."""

COUNT = Range(0, 9999, "animals", "2")
MINUTES = Range(0.0, 1440.0, "minutes", "10")
"""A day; a search by eye of one tree is minutes."""

LENGTH = Range(0.1, 200.0, "millimetres", "24.5")
"""No caterpillar is longer than about 150 mm (from memory)."""

LONGEST_NOTE = 2000
LONGEST_WORDS = 120
"""Letters of a branch, a marker, a name: one line on a phone or two."""

CLOCK_AHEAD = timedelta(hours=1)
"""A phone's clock may run ahead; what lies further in the future is a slip."""

EARLIEST_YEAR = 1800

NOON = "12:00"
"""Where a record has a date and no time."""

WORD_LISTS: Mapping[str, tuple[str, ...]] = {
    "stage": STAGES,
    "condition": CONDITIONS,
    "behaviour": BEHAVIOURS,
    "aspect": ASPECTS,
}
NUMBERS = {
    "height_m": HEIGHT,
    "searched_min": MINUTES,
    "length_mm": LENGTH,
    "length_error_mm": LENGTH,
}
TEXTS = {
    "note": LONGEST_NOTE,
    "branch": LONGEST_WORDS,
    "marker": LONGEST_WORDS,
    "observer": LONGEST_WORDS,
    "taxon": LONGEST_WORDS,
    "length_from": LONGEST_WORDS,
}


def read_value(name: str, typed: str, *, comma_is_decimal: bool = True) -> Any:
    """Return what was typed for a value of `annotate.logbook.by_eye.ENTRY_VALUES`; None, or for names empty, for nothing.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it cannot be so.
    """
    if name in WORD_LISTS:
        return read_word(typed, WORD_LISTS[name], what=name)
    if name in NUMBERS:
        return read_number(typed, NUMBERS[name], what=name, comma_is_decimal=comma_is_decimal)
    if name == "count":
        return read_whole(typed, COUNT, what=name, comma_is_decimal=comma_is_decimal)
    text = read_text(typed, what=name, longest=TEXTS[name])
    return text if name in ("observer", "taxon") else text or None


def read_text(typed: str, *, what: str, longest: int) -> str:
    """Return a text without outer blanks, its line ends as one kind.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is too long, or holds letters that cannot be shown.
    """
    text = typed.replace("\r\n", "\n").replace("\r", "\n").strip()
    if len(text) > longest:
        raise AnnotateError(
            f"{what}: expected at most {longest} letters; found {len(text)}; shorten it, or keep the text elsewhere"
        )
    odd = [letter for letter in text if not letter.isprintable() and letter not in "\n\t"]
    if odd:
        raise AnnotateError(f"{what}: expected letters that can be shown; found {odd[0]!r}; remove it")
    return text


def check_together(values: Mapping[str, Any]) -> None:
    """Raise where values that are fine alone contradict each other.

    Raises
    ------
    annotate.errors.AnnotateError
        Where something is said of an animal that was not found.
    """
    said = [name for name in ("stage", "condition", "behaviour") if values.get(name)]
    if values.get("count") == 0 and said:
        raise AnnotateError(
            f"count: expected 1 or more where {said[0]} is said; found 0, which means none found; "
            "correct the count, or leave what is said of the animal empty"
        )


def read_moment(clock: str, *, day: date, zone: str, now: datetime) -> datetime:
    """Return the moment of a local time on a date; noon where no time was typed.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such time, or it lies in the future or before `EARLIEST_YEAR`.
    """
    if day.year < EARLIEST_YEAR:
        raise AnnotateError(f"date: expected one from {EARLIEST_YEAR} on; found {day}; correct the year")
    moment = read_clock(clock or NOON, day=day, zone=zone)
    if not clock.strip() and find_local_date(now, zone) == day:
        # Today's noon may not have been yet.
        moment = min(moment, now)
    return check_moment(moment, zone=zone, now=now)


def check_moment(moment: datetime, *, zone: str, now: datetime) -> datetime:
    """Return the moment to the millisecond, or raise where nobody can have seen anything then yet."""
    if moment > now + CLOCK_AHEAD:
        found = f"{write_date(find_local_date(moment, zone))}, {write_clock(moment, zone)}"
        raise AnnotateError(f"time: expected one that has been; found {found}; correct date or time")
    return moment.astimezone(UTC)


def read_stamp(typed: str, *, zone: str, now: datetime) -> datetime:
    """Return the moment of an ISO 8601 stamp; without an offset from UTC it is by the clock of the zone.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is none, or lies in the future or before `EARLIEST_YEAR`.
    """
    try:
        moment = datetime.fromisoformat(typed.strip())
    except ValueError:
        raise AnnotateError(
            f"time: expected one such as 2026-05-17T13:42:00+01:00; found {typed.strip()[:60]!r}; correct it"
        ) from None
    if moment.year < EARLIEST_YEAR or moment.year > now.year + 1:
        raise AnnotateError(
            f"time: expected one from {EARLIEST_YEAR} until now; found {typed.strip()[:60]!r}; correct the year"
        )
    if moment.tzinfo is None:
        local = moment.replace(tzinfo=read_zone(zone))
        if to_local(local.astimezone(UTC), zone).replace(tzinfo=None) != moment:
            raise AnnotateError(
                f"time: expected one that the clock of {zone} shows; found {typed.strip()[:60]!r}, left out by the change to "
                "summer time; write the time by the clock after the change"
            )
        moment = local
    return check_moment(moment, zone=zone, now=now)


def check_correction(before: Observation, changes: Mapping[str, Any]) -> None:
    """Raise where a record would contradict itself once changed.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it would name no count or observer, or say something of an animal that was not found.
    """
    if "count" in changes and changes["count"] is None:
        raise AnnotateError("count: expected a number; found nothing; write 0 where none was found")
    for name in ("observer", "taxon"):
        if name in changes and not changes[name]:
            raise AnnotateError(f"{name}: expected a name; found nothing; write it, or leave it as it was")
    after = {name: changes.get(name, getattr(before, name)) for name in ("stage", "condition", "behaviour")}
    said = {name: value for name, value in after.items() if name in changes or before.count}
    if "count" in changes and changes["count"] == 0:
        # Becoming "none found" takes what was said of the animal away; only what is said anew contradicts.
        said = {name: value for name, value in said.items() if changes.get(name)}
    check_together({**said, "count": changes.get("count", before.count)})

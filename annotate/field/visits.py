"""Visits as data, and what a person types about one: a date and times of the local clock."""

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, time, tzinfo
from typing import Any

from annotate.errors import AnnotateError
from annotate.field.leaf_stages import read_leaf_stage, write_leaf_stage
from annotate.field.weather import read_force, read_oktas, read_temperature
from annotate.logbook.effort import TreeEffort
from annotate.logbook.visits import VisitSummary
from annotate.numbers import Range, read_number
from annotate.sheets import Cell
from annotate.zones import read_zone, to_local

COLUMNS = (
    "date",
    "site",
    "started_at_local",
    "ended_at_local",
    "started_at_utc",
    "ended_at_utc",
    "zone",
    "recorders",
    "weather",
    "temperature_c",
    "wind_beaufort",
    "cloud_oktas",
    "notes",
    "trees",
    "clips",
    "searched_s",
    "usable_s",
    "candidates",
    "judged",
    "observations",
    "by_eye_min",
    "effort",
)

MINUTES = Range(0.0, 1440.0, "minutes", "10")
"""A day."""

LONGEST_WORDS = 2000

CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})")


def describe_visit(summary: VisitSummary, effort: Sequence[TreeEffort] = ()) -> dict[str, Cell]:
    """Return a visit as data: dates as YYYY-MM-DD, moments in ISO 8601, lengths in seconds, trees parted by blanks.

    What was done at each tree stands in words in one cell, trees parted by semicolons.
    """
    told = [one for one in effort if not one.is_empty]
    minutes = [one.eye_min for one in told if one.eye_min is not None]
    visit = summary.visit
    moments = {"started_at": visit.started_at, "ended_at": visit.ended_at}
    return {
        "date": visit.date.isoformat(),
        "site": visit.site,
        **{f"{name}_local": write_local(moment, visit.zone) for name, moment in moments.items()},
        **{f"{name}_utc": write_utc(moment) for name, moment in moments.items()},
        "zone": visit.zone,
        "recorders": visit.recorders,
        "weather": visit.weather,
        "temperature_c": visit.temperature_c,
        "wind_beaufort": visit.wind_beaufort,
        "cloud_oktas": visit.cloud_oktas,
        "notes": visit.notes,
        "trees": " ".join(summary.trees),
        "clips": summary.clips,
        "searched_s": round(summary.searched_s, 2),
        "usable_s": round(summary.usable_s, 2),
        "candidates": summary.candidates,
        "judged": summary.judged,
        "observations": summary.observations,
        "by_eye_min": sum(minutes) if minutes else None,
        "effort": "; ".join(_write_effort(one) for one in told),
    }


def read_date(typed: str) -> date:
    """Read a date written 2026-05-17."""
    try:
        return date.fromisoformat(typed.strip())
    except ValueError:
        # Not "from" it: an error that rests on another is taken for the machine's, which passes by itself.
        raise AnnotateError(
            f"date: expected one such as 2026-05-17; found {typed[:40]!r}; correct it"
        ) from None


def read_clock(typed: str, *, day: date, zone: str) -> datetime:
    """Return the moment of a time of the local clock, such as 09:10, on a date.

    A time that the change to winter time brings twice is taken as its first; one that the change to summer time leaves out is
    refused.
    """
    found = CLOCK.fullmatch(typed.strip())
    hours, minutes = (int(found[1]), int(found[2])) if found else (-1, -1)
    if not (0 <= hours < 24 and 0 <= minutes < 60):
        raise AnnotateError(f"time: expected one such as 09:10; found {typed!r}; correct it")
    local: tzinfo = read_zone(zone)
    moment = datetime.combine(day, time(hours, minutes), tzinfo=local)
    if to_local(moment.astimezone(read_zone("UTC")), zone).time() != moment.time():
        raise AnnotateError(
            f"time: expected a time that the clock of {zone} shows; found {typed} on {day}, left out by the change to summer "
            "time; write the time by the clock after the change"
        )
    return moment


def write_utc(moment: datetime | None) -> str | None:
    """Return a moment in UTC, to the second, as ISO 8601 with Z."""
    return None if moment is None else to_local(moment, "UTC").strftime("%Y-%m-%dT%H:%M:%SZ")


def write_local(moment: datetime | None, zone: str) -> str | None:
    """Return a moment of the local clock, to the second, as ISO 8601 with its offset from UTC."""
    return None if moment is None else to_local(moment, zone).isoformat(timespec="seconds")


def read_visit_values(typed: Mapping[str, str], *, day: date, zone: str) -> dict[str, Any]:
    """Return what was typed of a visit, by the names of `annotate.logbook.visits.VISIT_VALUES`; empty takes a value away.

    Raises
    ------
    annotate.errors.AnnotateError
        Where something cannot be so.
    """
    readers: Mapping[str, Callable[[str], Any]] = {
        "started_at": lambda text: read_clock(text, day=day, zone=zone) if text.strip() else None,
        "ended_at": lambda text: read_clock(text, day=day, zone=zone) if text.strip() else None,
        "temperature_c": read_temperature,
        "wind_beaufort": read_force,
        "cloud_oktas": read_oktas,
    }
    return {
        name: readers[name](text) if name in readers else _read_words(name, text)
        for name, text in typed.items()
    }


def read_tree_note(name: str, typed: str) -> Any:
    """Return what was typed of a tree on a visit, by the names of `annotate.logbook.visits.TREE_NOTES`.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it cannot be so.
    """
    if name == "leaf_stage_bbch":
        return read_leaf_stage(typed)
    if name == "eye_min":
        return read_number(typed, MINUTES, what="minutes by eye")
    return _read_words(name, typed)


def _read_words(name: str, typed: str) -> str:
    text = typed.replace("\r\n", "\n").strip()
    if len(text) > LONGEST_WORDS:
        raise AnnotateError(
            f"{name}: expected at most {LONGEST_WORDS} letters; found {len(text)}; shorten it"
        )
    odd = [letter for letter in text if not letter.isprintable() and letter not in "\n\t"]
    if odd:
        raise AnnotateError(f"{name}: expected letters that can be shown; found {odd[0]!r}; remove it")
    return text


def _write_effort(effort: TreeEffort) -> str:
    """Return "OT03: filmed 60 s, usable 45 s, by eye 12 min, leaves 11"; what is not known is left out."""
    parts = []
    if effort.filmed_s:
        parts += [f"filmed {effort.filmed_s:.0f} s", f"usable {effort.usable_s:.0f} s"]
    if effort.eye_min is not None:
        parts.append(f"by eye {effort.eye_min:g} min")
    if effort.leaf_stage_bbch is not None:
        parts.append(f"leaves {write_leaf_stage(effort.leaf_stage_bbch)}")
    parts += [f"{effort.found} found"] if effort.found else ["none found"] if effort.none_found else []
    return f"{effort.tree}: {', '.join(parts) or effort.note}"

"""Visits as data, and what a person types about one: a date and times of the local clock."""

import re
from datetime import date, datetime, time, tzinfo

from annotate.errors import AnnotateError
from annotate.logbook.visits import VisitSummary
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
    "notes",
    "trees",
    "clips",
    "searched_s",
    "usable_s",
    "candidates",
    "judged",
    "observations",
)

CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})")


def describe_visit(summary: VisitSummary) -> dict[str, Cell]:
    """Return a visit as data: dates as YYYY-MM-DD, moments in ISO 8601, lengths in seconds, trees parted by blanks."""
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
        "notes": visit.notes,
        "trees": " ".join(summary.trees),
        "clips": summary.clips,
        "searched_s": round(summary.searched_s, 2),
        "usable_s": round(summary.usable_s, 2),
        "candidates": summary.candidates,
        "judged": summary.judged,
        "observations": summary.observations,
    }


def read_date(typed: str) -> date:
    """Read a date written 2026-05-17."""
    try:
        return date.fromisoformat(typed.strip())
    except ValueError as error:
        raise AnnotateError(f"date: expected one such as 2026-05-17; found {typed!r}; correct it") from error


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

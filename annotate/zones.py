"""Local zones: reads their names, turns moments into local time and local dates, and writes these for people.

A zone is a name of the IANA database ("Europe/London") or a fixed offset from UTC ("+01:00", as cameras write it). It
guesses no zone from a place.
"""

import re
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from difflib import get_close_matches
from functools import lru_cache

from annotate.errors import AnnotateError

OFFSET = re.compile(r"(?:UTC|GMT)?([+-])(\d{1,2}):?(\d{2})")
MOST_OFFSET = timedelta(hours=14)
"""Kiritimati; nowhere on Earth is further from UTC (IANA tz database, file australasia)."""


@lru_cache
def read_zone(name: str) -> tzinfo:
    """Return the zone of that name; looking through all names takes 30 ms, and a page names dozens of moments, so it is kept.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such zone; the message names the nearest.
    """
    from zoneinfo import ZoneInfo, available_timezones

    plain = name.strip()
    if plain in ("UTC", "Z"):
        return UTC
    offset = OFFSET.fullmatch(plain)
    if offset:
        hours, minutes = int(offset[2]), int(offset[3])
        ahead = timedelta(hours=hours, minutes=minutes)
        if minutes < 60 and ahead <= MOST_OFFSET:
            return timezone(-ahead if offset[1] == "-" else ahead)
    known = available_timezones()
    if plain in known:
        return ZoneInfo(plain)
    nearest = get_close_matches(plain, known, n=1)
    advice = f"did you mean {nearest[0]!r}?" if nearest else "look up the name in the IANA list of time zones"
    raise AnnotateError(
        f"zone: expected a name such as 'Europe/London' or an offset such as '+01:00'; found {name!r}; {advice}"
    )


def find_local_zone() -> str:
    """Return the name of this computer's zone, "UTC" where it cannot be told."""
    from tzlocal import get_localzone_name

    try:
        return get_localzone_name() or "UTC"
    except (LookupError, OSError, ValueError):
        return "UTC"


def to_local(moment: datetime, zone: str) -> datetime:
    """Return the moment in local time."""
    return moment.astimezone(read_zone(zone))


def find_local_date(moment: datetime, zone: str) -> date:
    """Return the date on the wall calendar of that zone."""
    return to_local(moment, zone).date()


def write_date(day: date) -> str:
    """Return a date written out: "25 October 2026"."""
    return f"{day.day} {day:%B} {day.year}"


def write_clock(moment: datetime, zone: str) -> str:
    """Return the local time of day to the minute with the zone's short name, which tells the hour that comes twice apart."""
    local = to_local(moment, zone)
    return f"{local:%H:%M} {local.tzname() or zone}"

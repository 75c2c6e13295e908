"""What was changed of a record, as people read it: fields by name, moments by the local clock, the beginning of a hash.

A history is kept as the fields of the database and texts (`annotate.logbook.changes`); the command line and the pages show it by
these words. What a form calls its own fields stands with the form.
"""

from datetime import datetime

from annotate.field.clock_offsets import say_offset
from annotate.logbook.records import ObservationChange, RecordChange
from annotate.zones import to_local, write_date

FIELD_WORDS = {
    "at": "time",
    "recorded_at": "filmed at",
    "clock_offset_s": "added to the camera's clock",
    "started_at": "start",
    "ended_at": "end",
    "times_from": "start and end from",
    "temperature_c": "temperature, °C",
    "wind_beaufort": "wind, Beaufort",
    "cloud_oktas": "cloud, oktas",
    "height_m": "height, m",
    "searched_min": "minutes searched",
    "evidence": "picture",
    "withdrawn_at": "withdrawn",
    "length_mm": "length, mm",
    "length_error_mm": "error of the length, mm",
    "length_from": "length from",
    "verdict_id": "verdict",
    "leaf_stage_bbch": "leaf stage",
    "eye_min": "minutes by eye",
    "note": "note",
}
"""Fields whose own name does not say what they are."""

MOMENTS = ("at", "recorded_at", "withdrawn_at")
SHORT_HASH = 12


def name_field(change: ObservationChange | RecordChange) -> str:
    """Return the name of what was changed: "time", or "OT03, leaf stage" of a tree on a visit."""
    tree, _, field = change.field.rpartition(" ")
    if tree and field in FIELD_WORDS:
        return f"{tree}, {FIELD_WORDS[field]}"
    return FIELD_WORDS.get(change.field, change.field)


def say_value(field: str, value: str | None, *, zone: str) -> str:
    """Return one side of a change, empty where there is nothing; what is not as it should be is shown as it is."""
    if not value:
        return ""
    if field == "evidence":
        return f"{value[:SHORT_HASH]}…"
    try:
        if field in MOMENTS:
            local = to_local(datetime.fromisoformat(value), zone)
            return f"{write_date(local.date())}, {local:%H:%M:%S} {local.tzname() or zone}"
        if field == "clock_offset_s":
            return say_offset(float(value))
    except ValueError:
        pass
    return value

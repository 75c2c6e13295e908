"""What was changed, in words: every field that is an instant or a number of seconds is shown as people read it."""

from datetime import UTC, datetime

import pytest

from annotate.histories import name_field, say_value
from annotate.logbook.records import RecordChange
from annotate.logbook.tables import ObservationRow, VisitRow

ZONE = "Europe/London"


def change(field: str) -> RecordChange:
    return RecordChange(field, None, "1", "Maren", datetime(2026, 5, 17, tzinfo=UTC))


@pytest.mark.parametrize(
    ("field", "words"),
    [
        ("clock_offset_s", "added to the camera's clock"),
        ("OT03 leaf_stage_bbch", "OT03, leaf stage"),
        ("OT03 note", "OT03, note"),
        ("stretches by track", "stretches by track"),
        ("branch", "branch"),
    ],
)
def test_fields_are_named(field: str, words: str) -> None:
    """By words of their own, with the tree before them on a visit, or by their name where it says all."""
    assert name_field(change(field)) == words


@pytest.mark.parametrize("table", [ObservationRow, VisitRow])
def test_no_field_with_a_unit_or_an_instant_is_shown_by_its_column(table: type) -> None:
    """Whatever can be changed of a record and is measured or timed has a name in words."""
    odd = ("_c", "_m", "_mm", "_min", "_bbch", "_at", "_oktas")
    columns = [column.name for column in table.__table__.columns]  # type: ignore[attr-defined]
    unread = ("recorded_at", "created_at", "entered_at")
    wanted = [name for name in columns if name.endswith(odd) and name not in unread]
    assert len(wanted) > 2
    assert all(name_field(change(name)) != name for name in wanted)


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("recorded_at", "2026-05-17T10:07:58.242547+00:00", "17 May 2026, 11:07:58 BST"),
        ("at", "2026-10-25T01:30:00+00:00", "25 October 2026, 01:30:00 GMT"),
        ("withdrawn_at", None, ""),
        ("clock_offset_s", "-7198.0", "-1h59m58s"),
        ("clock_offset_s", "0", "0s"),
        ("evidence", "a6d553e9a5c0ffff", "a6d553e9a5c0…"),
        ("at", "no time", "no time"),
        ("stage", "L4", "L4"),
    ],
)
def test_values_are_said(field: str, value: str | None, words: str) -> None:
    """Instants by the local clock, offsets in hours, minutes and seconds; what is not understood stands as it is."""
    assert say_value(field, value, zone=ZONE) == words

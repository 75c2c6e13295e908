"""The history of sites, trees, visits, clips and stretches: each field that was changed later, by whom, when, from what to what.

Rows are only added (the database refuses anything else). Observations have a history of their own in
`annotate.logbook.observations`. Values are kept as text.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from annotate.logbook.opening import Logbook
from annotate.logbook.records import RecordChange
from annotate.logbook.tables import RecordChangeRow

Record = Literal["site", "tree", "visit", "clip", "stretch"]
FieldChange = tuple[str, Any, Any]
"""field, value before, value now"""


def note_changes(
    session: Session,
    record: Record,
    *,
    record_id: int,
    changed: Iterable[FieldChange],
    who: str,
    at: datetime,
) -> None:
    """Keep what was changed of a record, within the transaction that changes it."""
    for field, old, new in changed:
        row = RecordChangeRow(
            record=record, record_id=record_id, field=field, old=_write(old), new=_write(new), who=who, at=at
        )
        session.add(row)


def list_record_changes(logbook: Logbook, record: Record, record_id: int) -> tuple[RecordChange, ...]:
    """Return what was changed of a record after it was made, oldest first."""
    wanted = (
        select(RecordChangeRow)
        .where(RecordChangeRow.record == record, RecordChangeRow.record_id == record_id)
        .order_by(RecordChangeRow.id)
    )
    with logbook.reading() as session:
        return tuple(
            RecordChange(row.field, row.old, row.new, row.who, row.at) for row in session.scalars(wanted)
        )


def _write(value: Any) -> str | None:
    if value is None or value == "":
        return None
    return f"{value:.10g}" if isinstance(value, float) else str(value)

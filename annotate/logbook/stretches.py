"""Stretches put in the place of others of the same source, with everything that was filmed in them moved along.

What a person said stands above what a card says, that above a track, that above the position in a file: a stronger source is left
as it is, a weaker one is cut where the new stretches lie. The history of a clip's stretches stands under the clip, that of the
observations moved in their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from annotate.logbook.changes import note_changes
from annotate.logbook.clips import SHORTEST_STRETCH_S, find_tree_at, move_to_visit
from annotate.logbook.observations import change_fields
from annotate.logbook.tables import CandidateRow, ClipRow, ObservationRow, StretchRow, TreeRow

CARD, TRACK, POSITION = "card", "track", "position"
"""How stretches are marked that a tree card, a walked track or the position in a file made."""

STRENGTH = {POSITION: 0, TRACK: 1, CARD: 2}
SAID = 3
"""Of all other sources: a person said it."""

SAME_TIME_S = 1e-6


@dataclass(frozen=True, slots=True)
class PlannedStretch:
    """A stretch to be kept; `doubt` says in words why a person is asked, or is empty."""

    tree_id: int
    start_s: float
    end_s: float
    doubt: str


def list_rows(session: Session, clip_id: int) -> list[StretchRow]:
    """Return the stretches of a clip in order of time."""
    wanted = select(StretchRow).where(StretchRow.clip_id == clip_id).order_by(StretchRow.start_s)
    return list(session.scalars(wanted))


def list_stronger(session: Session, clip_id: int, *, source: str) -> list[StretchRow]:
    """Return the stretches of a clip that a source leaves as they are."""
    own = STRENGTH.get(source, SAID)
    return [row for row in list_rows(session, clip_id) if STRENGTH.get(row.source, SAID) > own]


def leave_out(planned: Sequence[PlannedStretch], stronger: Sequence[StretchRow]) -> list[PlannedStretch]:
    """Return the parts of planned stretches that lie outside stronger ones."""
    left = list(planned)
    for row in stronger:
        parts = []
        for one in left:
            for start_s, end_s in _cut_out(one.start_s, one.end_s, row.start_s, row.end_s):
                parts.append(PlannedStretch(one.tree_id, start_s, end_s, one.doubt))
        left = parts
    return left


def replace_stretches(
    session: Session,
    clip: ClipRow,
    planned: Sequence[PlannedStretch],
    *,
    source: str,
    who: str,
    at: datetime | None = None,
) -> bool:
    """Put planned stretches, which lie outside stronger ones, in the place of their source's; return whether any changed."""
    now = datetime.now(UTC) if at is None else at
    rows = list_rows(session, clip.id)
    before = [row for row in rows if row.source == source]
    if _are_same(before, planned):
        return False
    touched = [(row.start_s, row.end_s) for row in before] + [(one.start_s, one.end_s) for one in planned]
    others = [row for row in rows if row.source != source and _lies_under(row, planned)]
    was = describe_stretches(session, [*before, *others])
    for row in before:
        session.delete(row)
    for row in others:
        _cut_weaker(session, row, planned)
    new = [
        StretchRow(
            clip_id=clip.id,
            tree_id=one.tree_id,
            start_s=one.start_s,
            end_s=one.end_s,
            source=source,
            doubt=one.doubt,
        )
        for one in planned
    ]
    session.add_all(new)
    session.flush()
    standing = list_rows(session, clip.id)
    if before or others:
        changed = [(f"stretches by {source}", was, describe_stretches(session, new))]
        note_changes(session, "clip", record_id=clip.id, changed=changed, who=who, at=now)
    if standing:
        site_id = session.get_one(TreeRow, standing[0].tree_id).site_id
        move_to_visit(session, clip, site_id=site_id)
    move_filmed(session, clip, standing=standing, touched=touched, who=who, at=now)
    return True


def move_filmed(
    session: Session,
    clip: ClipRow,
    *,
    standing: Sequence[StretchRow],
    touched: Sequence[tuple[float, float]],
    who: str,
    at: datetime,
) -> None:
    """Give the candidates in what was changed their tree, or none, and let their observations follow with history."""
    found = session.execute(
        select(CandidateRow, ObservationRow)
        .outerjoin(ObservationRow, ObservationRow.candidate_id == CandidateRow.id)
        .where(CandidateRow.clip_id == clip.id)
    ).all()
    for candidate, observation in found:
        if not any(start_s <= candidate.best_s <= end_s for start_s, end_s in touched):
            continue
        tree_id = find_tree_at(standing, candidate.best_s)
        if tree_id == candidate.tree_id:
            continue
        candidate.tree_id = tree_id
        if observation is not None:
            change_fields(session, observation, changes={"tree_id": tree_id}, who=who, at=at)


def describe_stretches(session: Session, stretches: Sequence[StretchRow]) -> str:
    """Return stretches in one line: "OT01 0.0-12.3 s, OT02 12.3-40.0 s in doubt"."""
    codes = {row.tree_id: session.get_one(TreeRow, row.tree_id).code for row in stretches}
    ordered = sorted(stretches, key=lambda row: row.start_s)
    return ", ".join(
        f"{codes[row.tree_id]} {row.start_s:.1f}-{row.end_s:.1f} s{' in doubt' if row.doubt else ''}"
        for row in ordered
    )


def _lies_under(row: StretchRow, planned: Sequence[PlannedStretch]) -> bool:
    return any(row.start_s < one.end_s and row.end_s > one.start_s for one in planned)


def _cut_weaker(session: Session, row: StretchRow, planned: Sequence[PlannedStretch]) -> None:
    parts = [(row.start_s, row.end_s)]
    for one in planned:
        parts = [
            part for start_s, end_s in parts for part in _cut_out(start_s, end_s, one.start_s, one.end_s)
        ]
    session.delete(row)
    session.add_all(
        StretchRow(
            clip_id=row.clip_id,
            tree_id=row.tree_id,
            start_s=start_s,
            end_s=end_s,
            source=row.source,
            doubt=row.doubt,
        )
        for start_s, end_s in parts
    )


def _cut_out(start_s: float, end_s: float, from_s: float, to_s: float) -> list[tuple[float, float]]:
    """Return what is left of a span once another is cut out of it, without what is too short to matter."""
    if to_s <= start_s or from_s >= end_s:
        return [(start_s, end_s)]
    parts = [(start_s, min(end_s, from_s)), (max(start_s, to_s), end_s)]
    return [part for part in parts if part[1] - part[0] >= SHORTEST_STRETCH_S]


def _are_same(before: Sequence[StretchRow], planned: Sequence[PlannedStretch]) -> bool:
    old = sorted((row.start_s, row.end_s, row.tree_id, row.doubt) for row in before)
    new = sorted((one.start_s, one.end_s, one.tree_id, one.doubt) for one in planned)
    return len(old) == len(new) and all(
        a[2:] == b[2:] and abs(a[0] - b[0]) < SAME_TIME_S and abs(a[1] - b[1]) < SAME_TIME_S
        for a, b in zip(old, new, strict=True)
    )

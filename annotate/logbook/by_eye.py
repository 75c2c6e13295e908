"""What was seen by eye, and searched for in vain: written once each, corrected, withdrawn and brought back, with history.

An entry has a key; sent again under the same key it is the record that is there. A record belongs to the visit of its tree's site
on its local date, which is made where missing. Records from footage rest on their verdict: of them only what is said of the
animal and its place is corrected here. Rules for single values stand in `annotate.field.seen`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.clips import leave_visit
from annotate.logbook.observations import change_fields, get_observation, read_observation
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Observation
from annotate.logbook.tables import ObservationRow, SiteRow, TreeRow, VisitRow
from annotate.logbook.visits import join_visit
from annotate.zones import find_local_date

SEEN_SOURCES = ("eye", "none found")

SAID_VALUES = ("stage", "condition", "behaviour", "note", "height_m", "aspect", "branch", "marker")
"""What is said of the animal and its place: for every record, those from footage too."""

ENTRY_VALUES = (
    *SAID_VALUES,
    "count",
    "observer",
    "taxon",
    "searched_min",
    "length_mm",
    "length_error_mm",
    "length_from",
    "evidence",
    "at",
)
"""What a record by eye consists of, with its tree; the names are those of `Observation`."""


@dataclass(frozen=True, slots=True)
class SeenEntry:
    """What somebody saw by eye on a tree, or that nothing was found there.

    Attributes
    ----------
    tree_id : of the tree
    at : aware moment; it is kept to the second
    count : how many animals; 0 for "searched, none found"
    taxon : empty for what the tree or else the settings name
    evidence : sha256 of a kept picture
    entry_key : names this entry for good; empty where none is known, and it gets one
    withdrawn_at : None while it stands
    """

    tree_id: int
    at: datetime
    observer: str
    count: int = 1
    taxon: str = ""
    stage: str | None = None
    condition: str | None = None
    behaviour: str | None = None
    note: str | None = None
    height_m: float | None = None
    aspect: str | None = None
    branch: str | None = None
    marker: str | None = None
    searched_min: float | None = None
    length_mm: float | None = None
    length_error_mm: float | None = None
    length_from: str | None = None
    evidence: str | None = None
    entry_key: str = ""
    withdrawn_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class EntryDone:
    """What became of an entry: the id of its record, whether it is new, and the values by which the record differs from it."""

    observation_id: int
    is_new: bool
    differs: tuple[str, ...] = ()


def add_seen(logbook: Logbook, entries: Sequence[SeenEntry]) -> tuple[EntryDone, ...]:
    """Write entries, all or none; those whose key is known already change nothing.

    Raises
    ------
    annotate.errors.AnnotateError
        Where a tree is not there.
    """
    with logbook.writing() as session:
        return tuple(_add_one(session, entry, usual_taxon=logbook.settings.record.taxon) for entry in entries)


def correct_seen(
    logbook: Logbook, observation_id: int, *, changes: Mapping[str, Any], who: str, at: datetime
) -> Observation:
    """Set values of a record, named as in `ENTRY_VALUES` or "tree_id"; what they were stays in its history.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such record, or it is from footage and the value is for its clip or verdict to say.
    """
    with logbook.writing() as session:
        row = get_observation(session, observation_id)
        _check_source(row, changes)
        values = dict(changes)
        if "at" in values:
            values["at"] = values["at"].astimezone(UTC).replace(microsecond=0)
        if "count" in values:
            values["source"] = "none found" if values["count"] == 0 else "eye"
            if values["count"] == 0:
                values |= {"stage": None, "condition": None, "behaviour": None}
        change_fields(session, row, changes=values, who=who, at=at)
        session.flush()
        if row.source != "footage":
            _rejoin(session, row)
    return read_observation(logbook, observation_id)


def withdraw_seen(logbook: Logbook, observation_id: int, *, who: str, at: datetime) -> Observation:
    """Withdraw a record by eye; it stays, with the moment. One withdrawn already stays as it is."""
    return _stand(logbook, observation_id, withdrawn_at=at, who=who, at=at)


def bring_back_seen(logbook: Logbook, observation_id: int, *, who: str, at: datetime) -> Observation:
    """Let a withdrawn record by eye stand again."""
    return _stand(logbook, observation_id, withdrawn_at=None, who=who, at=at)


def attach_picture(
    logbook: Logbook, sha256: str, *, entry_key: str, who: str, at: datetime
) -> Observation | None:
    """Give the record of an entry its picture; None where no such entry has arrived yet.

    The same picture again changes nothing; another one stands in its place, and the first stays kept and in the history.
    """
    with logbook.writing() as session:
        row = _find_entry(session, entry_key)
        if row is None:
            return None
        if row.evidence is None:
            row.evidence = sha256  # It belongs to the entry and only came later: nothing was changed.
        else:
            change_fields(session, row, changes={"evidence": sha256}, who=who, at=at)
        observation_id = row.id
    return read_observation(logbook, observation_id)


def _add_one(session: Session, entry: SeenEntry, *, usual_taxon: str) -> EntryDone:
    entry = replace(entry, at=entry.at.astimezone(UTC).replace(microsecond=0))
    known = _find_entry(session, entry.entry_key)
    if known is not None:
        return EntryDone(known.id, False, _compare(known, entry))
    tree = session.get(TreeRow, entry.tree_id)
    if tree is None:
        raise AnnotateError(
            f"tree: expected the id of a tree; found {entry.tree_id}; see them with: leafshade trees"
        )
    site = session.get_one(SiteRow, tree.site_id)
    row = ObservationRow(
        tree_id=tree.id,
        visit_id=join_visit(session, site, day=find_local_date(entry.at, site.zone)).id,
        source="eye" if entry.count else "none found",
        zone=site.zone,
        withdrawn_at=entry.withdrawn_at,
        entry_key=entry.entry_key or f"made-{uuid4().hex}",
        **{name: getattr(entry, name) for name in ENTRY_VALUES},
    )
    row.taxon = entry.taxon or tree.expected_taxon or usual_taxon
    session.add(row)
    session.flush()
    return EntryDone(row.id, True)


def _find_entry(session: Session, entry_key: str) -> ObservationRow | None:
    if not entry_key:
        return None
    return session.scalar(select(ObservationRow).where(ObservationRow.entry_key == entry_key))


def _compare(row: ObservationRow, entry: SeenEntry) -> tuple[str, ...]:
    """Return the values by which a record differs from the entry that it came from."""
    different = [
        name
        for name in ENTRY_VALUES
        if getattr(row, name) != getattr(entry, name) and not (name == "taxon" and not entry.taxon)
    ]
    if row.tree_id != entry.tree_id:
        different.append("tree")
    if (row.withdrawn_at is None) != (entry.withdrawn_at is None):
        different.append("withdrawn")
    return tuple(different)


def _check_source(row: ObservationRow, changes: Mapping[str, Any]) -> None:
    allowed = SAID_VALUES if row.source == "footage" else (*ENTRY_VALUES, "tree_id")
    wrong = [name for name in changes if name not in allowed]
    if wrong:
        raise AnnotateError(
            f"observation {row.id}: expected changes of {', '.join(allowed)}; found {', '.join(wrong)}; "
            "tree, time and count of a record from footage follow its clip: correct those"
        )


def _rejoin(session: Session, row: ObservationRow) -> None:
    """Put a record into the visit of its tree and date; a visit left empty goes."""
    tree = session.get(TreeRow, row.tree_id)
    if tree is None:
        raise AnnotateError(
            f"tree: expected the id of a tree; found {row.tree_id}; see them with: leafshade trees"
        )
    site = session.get_one(SiteRow, tree.site_id)
    row.zone = site.zone
    visit = join_visit(session, site, day=find_local_date(row.at, site.zone))
    before, row.visit_id = row.visit_id, visit.id
    session.flush()
    if before is not None and before != visit.id:
        leave_visit(session, session.get_one(VisitRow, before))


def _stand(
    logbook: Logbook, observation_id: int, *, withdrawn_at: datetime | None, who: str, at: datetime
) -> Observation:
    with logbook.writing() as session:
        row = get_observation(session, observation_id)
        if row.source == "footage":
            raise AnnotateError(
                f"observation {observation_id}: expected a record by eye; found one from footage, which stands or falls with its "
                f"verdict; judge candidate {row.candidate_id} again"
            )
        if (row.withdrawn_at is None) != (withdrawn_at is None):
            change_fields(session, row, changes={"withdrawn_at": withdrawn_at}, who=who, at=at)
    return read_observation(logbook, observation_id)

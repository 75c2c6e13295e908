"""What was done at each tree on a visit: footage, minutes by eye, leaf stage, and how many records came of it.

Usable seconds of a clip are shared out among its stretches by their length. Minutes by eye are those that were noted for the
tree; where none were, those that the records state: of one person's records on one tree and visit the longest, since one search
may bring several, added up over the people.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from annotate.logbook.opening import Logbook
from annotate.logbook.tables import (
    ClipRow,
    ObservationRow,
    SearchRow,
    StretchRow,
    TreeRow,
    VisitRow,
    VisitTreeRow,
)


@dataclass(frozen=True, slots=True)
class TreeEffort:
    """One tree on one visit.

    Attributes
    ----------
    filmed_s, usable_s : footage of it, and what of it was sharp enough to show a larva
    eye_min : minutes it was looked over by eye, noted or else by its records; None where nobody said
    is_noted : whether the minutes were noted for the tree
    leaf_stage_bbch, note : None and empty where not noted
    found, none_found : standing records of animals, and of searches that found none
    """

    tree_id: int
    tree: str
    filmed_s: float
    usable_s: float
    eye_min: float | None
    is_noted: bool
    leaf_stage_bbch: int | None
    note: str
    found: int
    none_found: int

    @property
    def is_empty(self) -> bool:
        """Whether nothing at all is known of the tree on this visit."""
        said = self.filmed_s or self.found or self.none_found or self.note
        return not said and self.eye_min is None and self.leaf_stage_bbch is None


def list_effort(logbook: Logbook) -> Mapping[int, tuple[TreeEffort, ...]]:
    """Return every tree of the site visited, in walking order and by code, by visit id."""
    with logbook.reading() as session:
        footage = _share_footage(session)
        minutes = _sum_minutes(session)
        counts = _count_records(session)
        notes = {(row.visit_id, row.tree_id): row for row in session.scalars(select(VisitTreeRow))}
        rows = session.execute(
            select(VisitRow.id, TreeRow.id, TreeRow.code)
            .join(TreeRow, TreeRow.site_id == VisitRow.site_id)
            .order_by(VisitRow.id, TreeRow.walk_order.is_(None), TreeRow.walk_order, TreeRow.code)
        ).all()
        efforts: dict[int, list[TreeEffort]] = {}
        for visit_id, tree_id, code in rows:
            key = (visit_id, tree_id)
            filmed_s, usable_s = footage.get(key, (0.0, 0.0))
            found, none_found = counts.get(key, (0, 0))
            note = notes.get(key)
            noted_min = note.eye_min if note else None
            effort = TreeEffort(
                tree_id=tree_id,
                tree=code,
                filmed_s=filmed_s,
                usable_s=usable_s,
                eye_min=minutes.get(key) if noted_min is None else noted_min,
                is_noted=noted_min is not None,
                leaf_stage_bbch=note.leaf_stage_bbch if note else None,
                note=note.note if note else "",
                found=found,
                none_found=none_found,
            )
            efforts.setdefault(visit_id, []).append(effort)
    return {visit_id: tuple(trees) for visit_id, trees in efforts.items()}


Key = tuple[int, int]
"""(visit id, tree id)"""


def _share_footage(session: Session) -> dict[Key, tuple[float, float]]:
    """Return (seconds filmed, of them usable)."""
    rows = session.execute(
        select(
            ClipRow.visit_id,
            StretchRow.tree_id,
            StretchRow.start_s,
            StretchRow.end_s,
            SearchRow.searched_s,
            SearchRow.usable_s,
        )
        .join(StretchRow, StretchRow.clip_id == ClipRow.id)
        .join(SearchRow, (SearchRow.clip_id == ClipRow.id) & SearchRow.current)
    )
    shares: dict[Key, tuple[float, float]] = {}
    for visit_id, tree_id, start_s, end_s, searched_s, usable_s in rows:
        if visit_id is None:
            continue
        length_s = max(0.0, min(end_s, searched_s) - start_s)
        filmed, usable = shares.get((visit_id, tree_id), (0.0, 0.0))
        share = usable_s / searched_s if searched_s else 0.0
        shares[visit_id, tree_id] = (filmed + length_s, usable + share * length_s)
    return shares


def _sum_minutes(session: Session) -> dict[Key, float]:
    """Return the minutes that standing records state."""
    rows = session.execute(
        select(ObservationRow.visit_id, ObservationRow.tree_id, func.max(ObservationRow.searched_min))
        .where(ObservationRow.withdrawn_at.is_(None), ObservationRow.searched_min.is_not(None))
        .group_by(ObservationRow.visit_id, ObservationRow.tree_id, func.lower(ObservationRow.observer))
    )
    minutes: dict[Key, float] = {}
    for visit_id, tree_id, longest in rows:
        if visit_id is not None and tree_id is not None and longest is not None:
            minutes[visit_id, tree_id] = minutes.get((visit_id, tree_id), 0.0) + longest
    return minutes


def _count_records(session: Session) -> dict[Key, tuple[int, int]]:
    """Return (standing records of animals, of searches that found none)."""
    rows = session.execute(
        select(
            ObservationRow.visit_id,
            ObservationRow.tree_id,
            func.count().filter(ObservationRow.count > 0),
            func.count().filter(ObservationRow.count == 0),
        )
        .where(ObservationRow.withdrawn_at.is_(None))
        .group_by(ObservationRow.visit_id, ObservationRow.tree_id)
    )
    return {
        (visit_id, tree_id): (found, none)
        for visit_id, tree_id, found, none in rows
        if visit_id is not None and tree_id is not None
    }

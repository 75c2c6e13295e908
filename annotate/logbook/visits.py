"""Visits in the logbook: written by a person, listed with what was filmed and found.

A visit is one site on one local date. It arises by itself when a clip filmed there is searched (`annotate.logbook.clips`) or
something is recorded by eye (`annotate.logbook.by_eye`); what a person says of it is added here and stands above what the
footage tells. What was noted of single trees, and the effort spent on each, stands in `annotate.logbook.effort`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.changes import FieldChange, note_changes
from annotate.logbook.clips import FOOTAGE, GIVEN, take_times
from annotate.logbook.opening import Logbook
from annotate.logbook.places import to_site
from annotate.logbook.records import Site, Visit
from annotate.logbook.tables import (
    CandidateRow,
    ClipRow,
    ObservationRow,
    SearchRow,
    SiteRow,
    StretchRow,
    TreeRow,
    VisitRow,
    VisitTreeRow,
)
from annotate.zones import write_clock

TIMES = ("started_at", "ended_at")
WORDS = ("recorders", "weather", "notes")
VISIT_VALUES = (*TIMES, *WORDS, "temperature_c", "wind_beaufort", "cloud_oktas")
TREE_NOTES = ("leaf_stage_bbch", "eye_min", "note")

UNKNOWN_WRITER = "recorder"
"""Stands in the history where nobody is named who changed a visit."""


@dataclass(frozen=True, slots=True)
class VisitSummary:
    """A visit with what was filmed and found on it.

    Attributes
    ----------
    trees : codes of the trees filmed, in order
    clips : how many
    searched_s, usable_s : footage searched, and what of it was sharp enough to show a larva
    candidates, judged : offered for review, and answered
    observations : standing ones
    """

    visit: Visit
    trees: tuple[str, ...]
    clips: int
    searched_s: float
    usable_s: float
    candidates: int
    judged: int
    observations: int


def write_visit(
    logbook: Logbook,
    site: str,
    *,
    day: date,
    changes: Mapping[str, Any],
    trees: Mapping[int, Mapping[str, Any]] | None = None,
    who: str = "",
) -> tuple[Visit, bool]:
    """Add a visit, or change the one this site has on that date; what is not said stays. Return it and whether it is new.

    Parameters
    ----------
    changes : by the names in `VISIT_VALUES`; None or empty takes a value away
    trees : what was noted of trees, by tree id and the names in `TREE_NOTES`
    who : whose name stands in the history; without it the logbook's recorder

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such site or tree, or the visit would end before it starts.
    """
    with logbook.writing() as session:
        site_row = _get_site(session, site)
        row = session.scalar(select(VisitRow).where(VisitRow.site_id == site_row.id, VisitRow.date == day))
        is_new = row is None
        if row is None:
            row = join_visit(session, site_row, day=day)
        changed = _set_values(session, row, changes)
        for tree_id, notes in (trees or {}).items():
            changed += _note_tree(session, row, tree_id, notes)
        session.flush()
        if not is_new:
            note_changes(
                session,
                "visit",
                record_id=row.id,
                changed=changed,
                who=who or logbook.settings.recorder.name or UNKNOWN_WRITER,
                at=datetime.now(UTC),
            )
        return _to_visit(row, site_row.code), is_new


def join_visit(session: Session, site: SiteRow, *, day: date) -> VisitRow:
    """Return the visit that a site has on a date, made where missing; its times are then for footage or a person to say."""
    row = session.scalar(select(VisitRow).where(VisitRow.site_id == site.id, VisitRow.date == day))
    if row is None:
        row = VisitRow(
            site_id=site.id, date=day, zone=site.zone, times_from=FOOTAGE, recorders="", weather="", notes=""
        )
        session.add(row)
        session.flush()
    return row


def find_visit(logbook: Logbook, visit_id: int) -> Visit:
    """Return the visit of that id.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none.
    """
    with logbook.reading() as session:
        row = session.get(VisitRow, visit_id)
        if row is None:
            raise AnnotateError(
                f"visit: expected the number of a visit; found {visit_id}; see them with: leafshade visits"
            )
        return _to_visit(row, session.get_one(SiteRow, row.site_id).code)


def _set_values(session: Session, row: VisitRow, changes: Mapping[str, Any]) -> list[FieldChange]:
    """Set values of a visit; return (field, value before, value now) of those that were different."""
    changed: list[FieldChange] = []
    values = {name: changes[name] for name in VISIT_VALUES if name in changes}
    # Saying the times that stand there already says nothing: a form sends back what it was given.
    if any(name in values and getattr(row, name) != values[name] for name in TIMES):
        # Times that a person takes away are for the footage to say again.
        is_given = any(values.get(name, getattr(row, name)) is not None for name in TIMES)
        values["times_from"] = GIVEN if is_given else FOOTAGE
    for name, new in values.items():
        old = getattr(row, name)
        new = (new or "") if name in WORDS else new
        if old != new:
            changed.append((name, _tell(old, row.zone), _tell(new, row.zone)))
            setattr(row, name, new)
    if row.times_from == FOOTAGE:
        take_times(session, row)
    if row.started_at is not None and row.ended_at is not None and row.ended_at < row.started_at:
        start, end = (write_clock(moment, row.zone) for moment in (row.started_at, row.ended_at))
        raise AnnotateError(
            f"visit: expected an end after the start; found {start} to {end}; correct start or end"
        )
    return changed


def _tell(value: Any, zone: str) -> Any:
    """Return a value as it stands in the history: moments by the local clock."""
    return write_clock(value, zone) if isinstance(value, datetime) else value


def _tell_note(name: str, value: Any) -> Any:
    """Return a note of a tree as it stands in the history: leaf stages are codes of two digits."""
    return f"{value:02}" if name == "leaf_stage_bbch" and value is not None else value


def _note_tree(
    session: Session, visit: VisitRow, tree_id: int, notes: Mapping[str, Any]
) -> list[FieldChange]:
    """Set what was noted of a tree on a visit; return (field with the tree's code, value before, value now)."""
    tree = session.get(TreeRow, tree_id)
    if tree is None or tree.site_id != visit.site_id:
        raise AnnotateError(
            f"visit: expected a tree of the site visited; found {tree.code if tree else tree_id}; "
            "choose a tree of this site, or another site"
        )
    row = session.get(VisitTreeRow, (visit.id, tree_id)) or VisitTreeRow(
        visit_id=visit.id, tree_id=tree_id, leaf_stage_bbch=None, eye_min=None, note=""
    )
    changed: list[FieldChange] = []
    for name in TREE_NOTES:
        new = notes.get(name, getattr(row, name))
        new = (new or "") if name == "note" else new
        if new != getattr(row, name):
            old = getattr(row, name)
            changed.append((f"{tree.code} {name}", _tell_note(name, old), _tell_note(name, new)))
            setattr(row, name, new)
    if changed:
        session.add(row)
    return changed


def find_site(logbook: Logbook, code: str) -> Site:
    """Return the site of that code, whatever its capitals; without a code, the only one there is.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none, or no code was given and there are several.
    """
    with logbook.reading() as session:
        return to_site(_get_site(session, code))


def list_visits(logbook: Logbook, *, site: str = "") -> tuple[VisitSummary, ...]:
    """Return the visits, to one site where named, by date and site."""
    wanted = select(VisitRow, SiteRow.code).join(SiteRow, SiteRow.id == VisitRow.site_id)
    if site:
        wanted = wanted.where(SiteRow.code == site)
    with logbook.reading() as session:
        visits = [
            _to_visit(row, code)
            for row, code in session.execute(wanted.order_by(VisitRow.date, SiteRow.code))
        ]
        trees = _list_trees(session)
        footage = _sum_footage(session)
        judged = _count_judged(session)
        records = _count_observations(session)
    return tuple(
        VisitSummary(
            visit=visit,
            trees=trees.get(visit.id, ()),
            clips=footage.get(visit.id, (0, 0.0, 0.0))[0],
            searched_s=footage.get(visit.id, (0, 0.0, 0.0))[1],
            usable_s=footage.get(visit.id, (0, 0.0, 0.0))[2],
            candidates=judged.get(visit.id, (0, 0))[0],
            judged=judged.get(visit.id, (0, 0))[1],
            observations=records.get(visit.id, 0),
        )
        for visit in visits
    )


def _get_site(session: Session, code: str) -> SiteRow:
    sites = session.scalars(select(SiteRow).order_by(SiteRow.code)).all()
    found = [row for row in sites if row.code.casefold() == code.strip().casefold()]
    if found:
        return found[0]
    if not code.strip() and len(sites) == 1:
        return sites[0]
    known = ", ".join(row.code for row in sites)
    what = f"found {code!r}; the sites are {known}" if sites else f"found {code!r}, and no sites at all"
    advice = (
        "write one of these"
        if sites
        else "import trees with their site first: leafshade trees import FILE.csv"
    )
    raise AnnotateError(f"site: expected the code of a site in the logbook; {what}; {advice}")


def _list_trees(session: Session) -> Mapping[int, tuple[str, ...]]:
    """Return the codes of the trees filmed, by visit id."""
    rows = session.execute(
        select(ClipRow.visit_id, TreeRow.code)
        .join(StretchRow, StretchRow.clip_id == ClipRow.id)
        .join(TreeRow, TreeRow.id == StretchRow.tree_id)
        .distinct()
        .order_by(TreeRow.code)
    )
    trees: dict[int, list[str]] = {}
    for visit_id, code in rows:
        if visit_id is not None:
            trees.setdefault(visit_id, []).append(code)
    return {visit_id: tuple(codes) for visit_id, codes in trees.items()}


def _sum_footage(session: Session) -> Mapping[int, tuple[int, float, float]]:
    """Return (clips, seconds searched, seconds usable), by visit id."""
    rows = session.execute(
        select(
            ClipRow.visit_id,
            func.count(),
            func.coalesce(func.sum(SearchRow.searched_s), 0.0),
            func.coalesce(func.sum(SearchRow.usable_s), 0.0),
        )
        .outerjoin(SearchRow, (SearchRow.clip_id == ClipRow.id) & SearchRow.current)
        .group_by(ClipRow.visit_id)
    )
    return {
        visit_id: (clips, searched_s, usable_s)
        for visit_id, clips, searched_s, usable_s in rows
        if visit_id is not None
    }


def _count_judged(session: Session) -> Mapping[int, tuple[int, int]]:
    """Return (candidates listed, of them judged), by visit id, planted larvae left out."""
    rows = session.execute(
        select(ClipRow.visit_id, func.count(), func.count().filter(CandidateRow.answer != "open"))
        .join(CandidateRow, CandidateRow.clip_id == ClipRow.id)
        .where(CandidateRow.standing == "listed", CandidateRow.found_by != "planted")
        .group_by(ClipRow.visit_id)
    )
    return {visit_id: (listed, judged) for visit_id, listed, judged in rows if visit_id is not None}


def _count_observations(session: Session) -> Mapping[int, int]:
    """Return the number of standing observations, by visit id."""
    rows = session.execute(
        select(ObservationRow.visit_id, func.count())
        .where(ObservationRow.withdrawn_at.is_(None))
        .group_by(ObservationRow.visit_id)
    )
    return {visit_id: number for visit_id, number in rows if visit_id is not None}


def _to_visit(row: VisitRow, site: str) -> Visit:
    return Visit(
        id=row.id,
        site=site,
        date=row.date,
        started_at=row.started_at,
        ended_at=row.ended_at,
        times_from=row.times_from,
        zone=row.zone,
        recorders=row.recorders,
        weather=row.weather,
        notes=row.notes,
        temperature_c=row.temperature_c,
        wind_beaufort=row.wind_beaufort,
        cloud_oktas=row.cloud_oktas,
    )

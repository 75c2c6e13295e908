"""Visits in the logbook: written by a person, listed with what was filmed and found.

A visit is one site on one local date. It arises by itself when a clip filmed there is searched (`annotate.logbook.clips`);
what a person says of it is added here and stands above what the footage tells.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.clips import GIVEN
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
)


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
    started_at: datetime | None = None,
    ended_at: datetime | None = None,
    recorders: str = "",
    weather: str = "",
    notes: str = "",
) -> tuple[Visit, bool]:
    """Add a visit, or complete the one this site has on that date; what is not said stays. Return it and whether it is new.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such site, or the visit would end before it starts.
    """
    with logbook.writing() as session:
        row_site = _get_site(session, site)
        row = session.scalar(select(VisitRow).where(VisitRow.site_id == row_site.id, VisitRow.date == day))
        is_new = row is None
        if row is None:
            row = VisitRow(site_id=row_site.id, date=day, zone=row_site.zone, times_from=GIVEN)
            session.add(row)
        if started_at is not None or ended_at is not None:
            row.times_from = GIVEN
        row.started_at = started_at or row.started_at
        row.ended_at = ended_at or row.ended_at
        if row.started_at is not None and row.ended_at is not None and row.ended_at < row.started_at:
            raise AnnotateError(
                f"visit: expected an end after the start; found {row.started_at:%H:%M} to {row.ended_at:%H:%M} UTC; "
                "correct --start or --end"
            )
        row.recorders, row.weather, row.notes = (
            recorders or row.recorders or "",
            weather or row.weather or "",
            notes or row.notes or "",
        )
        session.flush()
        return _to_visit(row, row_site.code), is_new


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
    """Return (candidates listed, of them judged), by visit id."""
    rows = session.execute(
        select(ClipRow.visit_id, func.count(), func.count().filter(CandidateRow.answer != "open"))
        .join(CandidateRow, CandidateRow.clip_id == ClipRow.id)
        .where(CandidateRow.standing == "listed")
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
    )

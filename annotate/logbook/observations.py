"""Observations: made from confirmed candidates, withdrawn and brought back, completed with details, listed.

Nothing of an observation is overwritten without a row of history that holds the value before.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Details, Observation, ObservationChange, Verdict
from annotate.logbook.tables import (
    CandidateRow,
    ClipRow,
    ObservationChangeRow,
    ObservationRow,
    SiteRow,
    TreeRow,
    VerdictRow,
    ViewRow,
)
from annotate.words import BEHAVIOURS, CONDITIONS, STAGES, read_word

LONGEST_NOTE = 2000
"""Letters; a note is a sentence or two, and a page of text by mistake should be seen as one."""


def set_details(
    logbook: Logbook,
    observation_id: int,
    *,
    stage: str | None,
    condition: str | None,
    behaviour: str | None,
    note: str | None,
    who: str,
    at: datetime,
) -> Observation:
    """Set what is said of the animal, as a form does: all four, None or empty for nothing said; the history is kept.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such observation, or a word is none of `annotate.words`.
    """
    details = check_details(Details(stage, condition, behaviour, note))
    with logbook.writing() as session:
        row = get_observation(session, observation_id)
        change_fields(session, row, changes=asdict(details), who=who, at=at)
        session.flush()
        return _read_one(session, ObservationRow.id == observation_id)


def find_observation(logbook: Logbook, *, candidate_id: int) -> Observation | None:
    """Return the observation that a candidate was confirmed as, withdrawn or not; None where it never was."""
    with logbook.reading() as session:
        found = session.execute(
            _select_observations().where(ObservationRow.candidate_id == candidate_id)
        ).first()
        return None if found is None else _to_observation(*found)


def read_observation(logbook: Logbook, observation_id: int) -> Observation:
    """Return the observation of that id, withdrawn or not.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none.
    """
    with logbook.reading() as session:
        get_observation(session, observation_id)
        return _read_one(session, ObservationRow.id == observation_id)


def get_observation(session: Session, observation_id: int) -> ObservationRow:
    """Return the row of an observation, or raise where there is none."""
    row = session.get(ObservationRow, observation_id)
    if row is None:
        raise AnnotateError(
            f"observation: expected the id of an observation; found {observation_id}; see them with: leafshade observations"
        )
    return row


def list_observations(
    logbook: Logbook,
    *,
    site: str = "",
    tree: str = "",
    since: datetime | None = None,
    until: datetime | None = None,
    with_withdrawn: bool = False,
) -> tuple[Observation, ...]:
    """Return observations by date: of one site or tree (code) where named, from `since` until before `until`."""
    wanted = _select_observations().order_by(ObservationRow.at, ObservationRow.id)
    if site:
        wanted = wanted.where(SiteRow.code == site)
    if tree:
        wanted = wanted.where(TreeRow.code == tree)
    if since is not None:
        wanted = wanted.where(ObservationRow.at >= since)
    if until is not None:
        wanted = wanted.where(ObservationRow.at < until)
    if not with_withdrawn:
        wanted = wanted.where(ObservationRow.withdrawn_at.is_(None))
    with logbook.reading() as session:
        return tuple(_to_observation(*found) for found in session.execute(wanted))


def list_changes(logbook: Logbook, observation_id: int) -> tuple[ObservationChange, ...]:
    """Return what was changed of an observation after it was made, oldest first."""
    wanted = (
        select(ObservationChangeRow)
        .where(ObservationChangeRow.observation_id == observation_id)
        .order_by(ObservationChangeRow.id)
    )
    with logbook.reading() as session:
        return tuple(
            ObservationChange(row.field, row.old, row.new, row.who, row.at) for row in session.scalars(wanted)
        )


def find_last_change(session: Session, candidate_id: int) -> datetime | None:
    """Return the latest moment at which the observation of a candidate was changed; None where there was no change."""
    changed_at = func.max(ObservationChangeRow.at, type_=ObservationChangeRow.at.type)
    wanted = select(changed_at).join(ObservationRow, ObservationRow.id == ObservationChangeRow.observation_id)
    return session.scalar(wanted.where(ObservationRow.candidate_id == candidate_id))


def follow_answer(
    session: Session,
    candidate: CandidateRow,
    *,
    verdict: VerdictRow,
    at: datetime,
    confirmed: Sequence[Verdict],
    details: Details | None,
    taxon: str,
) -> None:
    """Make, bring back or withdraw the observation of a candidate, as the answer that counts says.

    Parameters
    ----------
    verdict : the newest, just added
    at : when it changes the observation, not before what was changed last
    confirmed : the verdicts of those who say "confirm", oldest first; an observer among them stays the observer
    details : what is said of the animal; None leaves what was said before
    taxon : what is written where the tree names no expected taxon
    """
    row = session.scalar(select(ObservationRow).where(ObservationRow.candidate_id == candidate.id))
    changes: dict[str, Any] = {}
    if candidate.answer != "confirm":
        if row is None or row.withdrawn_at is not None:
            return
        changes["withdrawn_at"] = at
    else:
        said = None if details is None else check_details(details)
        observer = confirmed[0].reviewer
        # Where people agree at last, the newest verdict may be that of somebody who no longer stands in the way.
        rests_on = verdict.id if verdict.answer == "confirm" else confirmed[-1].id
        if row is None:
            session.add(
                _make_observation(
                    session,
                    candidate,
                    verdict_id=rests_on,
                    observer=observer,
                    details=said or Details(),
                    taxon=taxon,
                )
            )
            return
        if row.withdrawn_at is not None and row.observer not in {one.reviewer for one in confirmed}:
            changes["observer"] = observer
        changes |= {"withdrawn_at": None, "verdict_id": rests_on, **(asdict(said) if said else {})}
    change_fields(session, row, changes=changes, who=verdict.reviewer, at=at)


def check_details(details: Details) -> Details:
    """Return the details with each word as `annotate.words` writes it."""
    note = (details.note or "").strip() or None
    if note is not None and len(note) > LONGEST_NOTE:
        raise AnnotateError(
            f"note: expected at most {LONGEST_NOTE} letters; found {len(note)}; shorten it, or keep the text elsewhere"
        )
    return Details(
        stage=read_word(details.stage, STAGES, what="stage"),
        condition=read_word(details.condition, CONDITIONS, what="condition"),
        behaviour=read_word(details.behaviour, BEHAVIOURS, what="behaviour"),
        note=note,
    )


def change_fields(
    session: Session, row: ObservationRow, *, changes: Mapping[str, Any], who: str, at: datetime
) -> None:
    """Change fields of an observation and keep the values before; what is the same already leaves no history."""
    for field, new in changes.items():
        old = getattr(row, field)
        if old == new:
            continue
        setattr(row, field, new)
        is_tree = field == "tree_id"
        session.add(
            ObservationChangeRow(
                observation_id=row.id,
                field="tree" if is_tree else field,
                old=_name_tree(session, old) if is_tree else _write_value(old),
                new=_name_tree(session, new) if is_tree else _write_value(new),
                who=who,
                at=at,
            )
        )


def _make_observation(
    session: Session,
    candidate: CandidateRow,
    *,
    verdict_id: int,
    observer: str,
    details: Details,
    taxon: str,
) -> ObservationRow:
    clip = session.get_one(ClipRow, candidate.clip_id)
    tree = None if candidate.tree_id is None else session.get_one(TreeRow, candidate.tree_id)
    evidence = session.scalar(
        select(ViewRow.picture).where(ViewRow.candidate_id == candidate.id).order_by(ViewRow.rank).limit(1)
    )
    return ObservationRow(
        tree_id=candidate.tree_id,
        visit_id=clip.visit_id,
        source="footage",
        candidate_id=candidate.id,
        verdict_id=verdict_id,
        at=candidate.at,
        zone=clip.zone,
        taxon=(tree.expected_taxon if tree is not None else "") or taxon,
        stage=details.stage,
        condition=details.condition,
        behaviour=details.behaviour,
        note=details.note,
        count=1,
        observer=observer,
        evidence=evidence,
        withdrawn_at=None,
    )


def _select_observations() -> "Select[ObservationRow, str | None, str | None]":
    return (
        select(ObservationRow, SiteRow.code, TreeRow.code)
        .outerjoin(TreeRow, TreeRow.id == ObservationRow.tree_id)
        .outerjoin(SiteRow, SiteRow.id == TreeRow.site_id)
    )


def _read_one(session: Session, condition: Any) -> Observation:
    return _to_observation(*session.execute(_select_observations().where(condition)).one())


def _name_tree(session: Session, tree_id: int | None) -> str | None:
    """Return "SITE/TREE"; ids mean nothing to a reader of the history."""
    codes = session.execute(
        select(SiteRow.code, TreeRow.code)
        .join(TreeRow, TreeRow.site_id == SiteRow.id)
        .where(TreeRow.id == tree_id)
    ).first()
    return None if codes is None else "/".join(codes)


def _write_value(value: Any) -> str | None:
    if value is None:
        return None
    return value.isoformat() if isinstance(value, datetime) else str(value)


def _to_observation(row: ObservationRow, site: str | None, tree: str | None) -> Observation:
    return Observation(
        id=row.id,
        at=row.at,
        zone=row.zone,
        site=site or "",
        tree=tree or "",
        visit_id=row.visit_id,
        source=row.source,  # type: ignore[arg-type]
        candidate_id=row.candidate_id,
        verdict_id=row.verdict_id,
        taxon=row.taxon,
        stage=row.stage,
        condition=row.condition,
        behaviour=row.behaviour,
        note=row.note,
        count=row.count,
        observer=row.observer,
        evidence=row.evidence,
        withdrawn_at=row.withdrawn_at,
        height_m=row.height_m,
        aspect=row.aspect,
        branch=row.branch,
        marker=row.marker,
        searched_min=row.searched_min,
        length_mm=row.length_mm,
        length_error_mm=row.length_error_mm,
        length_from=row.length_from,
        entry_key=row.entry_key,
    )

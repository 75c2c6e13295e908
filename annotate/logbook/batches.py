"""Verdicts given to many at once: what looks alike is dismissed in one transaction, and taken back in one.

Each is a verdict of its own, under the batch's name; they are only ever added. What somebody judged before is left as it is, and
where somebody judged one of them since, theirs goes on counting when the batch is taken back.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from annotate.errors import AnnotateError
from annotate.judging.readings import name_person
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Verdict
from annotate.logbook.tables import CandidateRow, VerdictRow
from annotate.logbook.verdicts import (
    add_verdict,
    check_reviewer,
    find_renamed,
    list_spellings,
    to_verdict,
    undo_verdict,
)

MOST_AT_ONCE = 200
"""Nobody looks over more pictures at a glance; a page offers far fewer."""

LONGEST_NAME = 80


@dataclass(frozen=True, slots=True)
class Batch:
    """What a batch did: its verdicts, and the candidates it left alone, since they were judged or set aside meanwhile."""

    name: str
    verdicts: tuple[Verdict, ...]
    passed_over: tuple[int, ...]


def dismiss_alike(
    logbook: Logbook, candidate_ids: Sequence[int], *, reviewer: str, at: datetime, batch: str
) -> Batch:
    """Dismiss the open ones of these candidates, all in one transaction or none.

    Asked again under the same name, as by a page that heard no answer, nothing is added and the same is returned.

    Parameters
    ----------
    batch : a name of the caller's making, never used before

    Raises
    ------
    annotate.errors.AnnotateError
        Where a candidate does not exist or is named twice, they are too many, or the name is empty, too long or somebody else's.
    """
    _check_batch(batch, candidate_ids)
    with logbook.writing() as session:
        given = _list_given(session, batch)
        if given:
            _check_owner(session, logbook, given, batch=batch, reviewer=reviewer)
            dismissed = {row.candidate_id for row in given}
            left = tuple(number for number in candidate_ids if number not in dismissed)
            return Batch(batch, tuple(to_verdict(row) for row in given), left)
        found = _find_candidates(session, candidate_ids)
        rows = [
            add_verdict(session, logbook, candidate, answer="dismiss", reviewer=reviewer, at=at, batch=batch)
            for candidate in found
            if candidate.answer == "open" and candidate.standing == "listed"
        ]
        dismissed = {row.candidate_id for row in rows}
        left = tuple(number for number in candidate_ids if number not in dismissed)
        return Batch(batch, tuple(to_verdict(row) for row in rows), left)


def take_back_batch(logbook: Logbook, batch: str, *, reviewer: str, at: datetime) -> Batch:
    """Take back every verdict of a batch that still stands, all in one transaction; only who gave it can.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such batch by this reviewer, or nothing of it is left to take back.
    """
    with logbook.writing() as session:
        given = _list_given(session, batch)
        _check_owner(session, logbook, given, batch=batch, reviewer=reviewer)
        undone = set(
            session.scalars(
                select(VerdictRow.takes_back_id).where(
                    VerdictRow.takes_back_id.in_([row.id for row in given])
                )
            )
        )
        standing = [row for row in given if row.id not in undone]
        if not standing:
            raise AnnotateError(
                f"undo: expected a group of verdicts that stand; found {batch[:LONGEST_NAME]!r} taken back already; "
                "answer the candidates anew"
            )
        rows = [undo_verdict(session, logbook, row, at=at) for row in standing]
        taken = {row.candidate_id for row in rows}
        left = tuple(row.candidate_id for row in given if row.candidate_id not in taken)
        return Batch(batch, tuple(to_verdict(row) for row in rows), left)


def find_last_batch(logbook: Logbook, *, reviewer: str) -> str:
    """Return the name of the batch that a reviewer's newest verdict that stands belongs to; empty where it is a single one."""
    undo = aliased(VerdictRow)
    with logbook.reading() as session:
        names = list_spellings(session, check_reviewer(reviewer), find_renamed(logbook))
        newest = [
            session.execute(
                select(VerdictRow.id, VerdictRow.batch)
                .outerjoin(undo, undo.takes_back_id == VerdictRow.id)
                .where(VerdictRow.reviewer == name)
                .where(VerdictRow.takes_back_id.is_(None), undo.id.is_(None))
                .order_by(VerdictRow.id.desc())
                .limit(1)
            ).first()
            for name in names
        ]
    return max(((row[0], row[1]) for row in newest if row is not None), default=(0, ""))[1]


def _list_given(session: Session, batch: str) -> list[VerdictRow]:
    rows = session.scalars(
        select(VerdictRow)
        .where(VerdictRow.batch == batch, VerdictRow.batch != "", VerdictRow.takes_back_id.is_(None))
        .order_by(VerdictRow.id)
    )
    return list(rows)


def _find_candidates(session: Session, candidate_ids: Sequence[int]) -> list[CandidateRow]:
    """Return the candidates in the order of their ids' naming."""
    found = {
        row.id: row for row in session.scalars(select(CandidateRow).where(CandidateRow.id.in_(candidate_ids)))
    }
    missing = [number for number in candidate_ids if number not in found]
    if missing:
        raise AnnotateError(
            f"candidates: expected ids of candidates; found {missing[0]}, which this logbook lacks; take them from the page"
        )
    return [found[number] for number in candidate_ids]


def _check_batch(batch: str, candidate_ids: Sequence[int]) -> None:
    if not batch.strip() or len(batch) > LONGEST_NAME:
        raise AnnotateError(
            f"group: expected a name of 1 to {LONGEST_NAME} letters; found {batch[:LONGEST_NAME]!r}; give another"
        )
    if not 0 < len(candidate_ids) <= MOST_AT_ONCE or len(set(candidate_ids)) < len(candidate_ids):
        raise AnnotateError(
            f"group: expected 1 to {MOST_AT_ONCE} different candidates; found {len(candidate_ids)}, "
            f"{len(set(candidate_ids))} of them different; choose fewer"
        )


def _check_owner(
    session: Session, logbook: Logbook, given: Sequence[VerdictRow], *, batch: str, reviewer: str
) -> None:
    """Refuse what is not a batch of this person's."""
    renamed = find_renamed(logbook)
    person = name_person(check_reviewer(reviewer), renamed)
    if not given or any(name_person(row.reviewer, renamed) != person for row in given):
        raise AnnotateError(
            f"group: expected the name of verdicts that {reviewer!r} gave together; found {batch[:LONGEST_NAME]!r}, which is "
            f"{'nobody' if not given else 'somebody else'}'s; reload the page"
        )

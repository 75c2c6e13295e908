"""Verdicts: given, taken back, listed. They are only ever added; the newest counts.

A confirmed candidate has an observation from the same transaction on; any other answer withdraws it, and a later confirm brings
the same observation back with its details. Taking back adds a verdict with the answer that counts without the one taken back.
"""

from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from annotate.errors import AnnotateError
from annotate.logbook.observations import follow_answer
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Details, Verdict
from annotate.logbook.tables import CandidateRow, VerdictRow
from annotate.words import ANSWERS, REASONS, Answer, read_word

MOST_CHANGES = 500
"""Most verdicts handed out at once to a page that asks what changed."""


def give_verdict(
    logbook: Logbook,
    candidate_id: int,
    *,
    answer: Answer,
    reviewer: str,
    at: datetime,
    details: Details | None = None,
    reason: str = "",
    blind: bool = False,
    batch: str = "",
) -> Verdict:
    """Add a verdict; "confirm" makes or brings back the observation, any other answer withdraws it.

    Parameters
    ----------
    answer : "open" puts the candidate back among the unjudged
    at : aware moment
    details : for "confirm", what is said of the animal; None leaves what was said before
    reason : for "dismiss", what it is instead, one of `annotate.words.REASONS`; empty where nothing is said
    blind : whether what others said of it was not shown
    batch : names verdicts that are given together

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such candidate, a word is none of `annotate.words`, or a reason comes with another answer.
    """
    if answer not in ANSWERS:
        raise AnnotateError(
            f"answer: expected one of {', '.join(ANSWERS)}; found {answer!r}; use one of these"
        )
    why = _check_reason(reason, answer)
    with logbook.writing() as session:
        candidate = _get_candidate(session, candidate_id)
        row = VerdictRow(
            candidate_id=candidate_id,
            answer=answer,
            reviewer=_check_reviewer(reviewer),
            at=at,
            reason=why,
            blind=blind,
            batch=batch,
        )
        session.add(row)
        session.flush()
        candidate.answer = answer
        follow_answer(session, candidate, verdict=row, details=details, taxon=logbook.settings.record.taxon)
        session.flush()
        return to_verdict(row)


def take_back(logbook: Logbook, *, reviewer: str, at: datetime, candidate_id: int | None = None) -> Verdict:
    """Take back the newest verdict of this reviewer that still stands; on one candidate where named.

    Asked again, it goes one further back. Where someone else has judged the candidate since, their answer goes on counting.

    Raises
    ------
    annotate.errors.AnnotateError
        Where nothing is left to take back.
    """
    with logbook.writing() as session:
        undo = aliased(VerdictRow)
        standing = (
            select(VerdictRow)
            .outerjoin(undo, undo.takes_back_id == VerdictRow.id)
            .where(VerdictRow.reviewer == _check_reviewer(reviewer))
            .where(VerdictRow.takes_back_id.is_(None), undo.id.is_(None))
            .order_by(VerdictRow.id.desc())
            .limit(1)
        )
        if candidate_id is not None:
            standing = standing.where(VerdictRow.candidate_id == candidate_id)
        last = session.scalar(standing)
        if last is None:
            raise AnnotateError(
                f"undo: expected a verdict by {reviewer!r}; found none left to take back; answer the candidate anew"
            )
        candidate = _get_candidate(session, last.candidate_id)
        answer, reason = _find_answer_without(session, last)
        row = VerdictRow(
            candidate_id=candidate.id,
            answer=answer,
            reviewer=last.reviewer,
            at=at,
            takes_back_id=last.id,
            reason=reason,
        )
        session.add(row)
        session.flush()
        candidate.answer = answer
        follow_answer(session, candidate, verdict=row, details=None, taxon=logbook.settings.record.taxon)
        session.flush()
        return to_verdict(row)


def list_verdicts(logbook: Logbook, candidate_id: int) -> tuple[Verdict, ...]:
    """Return all that was said of a candidate, oldest first."""
    with logbook.reading() as session:
        rows = session.scalars(
            select(VerdictRow).where(VerdictRow.candidate_id == candidate_id).order_by(VerdictRow.id)
        )
        return tuple(to_verdict(row) for row in rows)


def changes_since(logbook: Logbook, verdict_id: int) -> tuple[Verdict, ...]:
    """Return the verdicts added after the one of that id, oldest first, at most `MOST_CHANGES`; 0 gives the first ones."""
    with logbook.reading() as session:
        rows = session.scalars(
            select(VerdictRow).where(VerdictRow.id > verdict_id).order_by(VerdictRow.id).limit(MOST_CHANGES)
        )
        return tuple(to_verdict(row) for row in rows)


def find_last_verdict_id(logbook: Logbook) -> int:
    """Return the id of the newest verdict, 0 where there is none: where a page starts to ask what changed."""
    with logbook.reading() as session:
        return session.scalar(select(func.max(VerdictRow.id))) or 0


def _get_candidate(session: Session, candidate_id: int) -> CandidateRow:
    row = session.get(CandidateRow, candidate_id)
    if row is None:
        raise AnnotateError(
            f"candidate: expected the id of a candidate; found {candidate_id}, which this logbook lacks; take one from the list"
        )
    return row


def _find_answer_without(session: Session, last: VerdictRow) -> tuple[str, str]:
    """Return answer and reason of the newest verdict on the same candidate that stands without `last`, "open" where none does."""
    undo = aliased(VerdictRow)
    found = session.execute(
        select(VerdictRow.answer, VerdictRow.reason)
        .outerjoin(undo, undo.takes_back_id == VerdictRow.id)
        .where(VerdictRow.candidate_id == last.candidate_id, VerdictRow.id != last.id)
        .where(VerdictRow.takes_back_id.is_(None), undo.id.is_(None))
        .order_by(VerdictRow.id.desc())
        .limit(1)
    ).first()
    return ("open", "") if found is None else (found.answer, found.reason)


def _check_reason(reason: str, answer: Answer) -> str:
    word = read_word(reason, REASONS, what="reason") or ""
    if word and answer != "dismiss":
        raise AnnotateError(
            f"reason: expected one only where something is dismissed; found {word!r} with {answer!r}; leave the reason out"
        )
    return word


def _check_reviewer(reviewer: str) -> str:
    plain = " ".join(reviewer.split())
    if not plain:
        raise AnnotateError(
            "reviewer: expected a name; found none; write it into settings.toml under [recorder] name"
        )
    return plain


def to_verdict(row: VerdictRow) -> Verdict:
    """Return what leaves this room of a verdict."""
    answer: Answer = row.answer  # type: ignore[assignment]
    return Verdict(
        id=row.id,
        candidate_id=row.candidate_id,
        answer=answer,
        reviewer=row.reviewer,
        at=row.at,
        takes_back_id=row.takes_back_id,
        reason=row.reason,
        blind=row.blind,
        batch=row.batch,
    )

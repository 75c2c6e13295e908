"""Verdicts: given, taken back, listed. They are only ever added; which answer counts says `annotate.judging.readings`.

Mostly it is the newest. Where a second person, judging blind, says something else than the first, the candidate counts as
unsure, and makes no record, until everyone who judged it says the same.

A confirmed candidate has an observation from the same transaction on; any other answer withdraws it, and a later confirm brings
the same observation back with its details. Taking back adds a verdict with the answer that counts without the one taken back.

A verdict keeps the moment at which it was said. What it changes of an observation never stands before what was said or changed
earlier: a verdict that comes late, as an older answer from a label server does, changes the observation when it comes.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy import func, select, text
from sqlalchemy.orm import Session, aliased

from annotate.errors import AnnotateError
from annotate.judging.readings import find_counting, find_spellings, is_drawn, list_confirming, read_renamed
from annotate.logbook.observations import find_last_change, follow_answer
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
    dismissed_one_in: int = 1,
) -> Verdict:
    """Add a verdict; where "confirm" counts it makes or brings back the observation, any other answer withdraws it.

    Parameters
    ----------
    answer : "open" puts the candidate back among the unjudged
    at : aware moment
    details : for "confirm", what is said of the animal; None leaves what was said before
    reason : for "dismiss", what it is instead, one of `annotate.words.REASONS`; empty where nothing is said
    blind : whether what others said of it was not shown
    batch : names verdicts that are given together
    dismissed_one_in : for a second reading, the share of the dismissed that is read again: the verdict stands for so many

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such candidate, a word is none of `annotate.words`, or a reason comes with another answer.
    """
    with logbook.writing() as session:
        row = add_verdict(
            session,
            logbook,
            _get_candidate(session, candidate_id),
            answer=answer,
            reviewer=reviewer,
            at=at,
            details=details,
            reason=reason,
            blind=blind,
            batch=batch,
            dismissed_one_in=dismissed_one_in,
        )
        return to_verdict(row)


def add_verdict(
    session: Session,
    logbook: Logbook,
    candidate: CandidateRow,
    *,
    answer: Answer,
    reviewer: str,
    at: datetime,
    details: Details | None = None,
    reason: str = "",
    blind: bool = False,
    batch: str = "",
    dismissed_one_in: int = 1,
    added_at: datetime | None = None,
) -> VerdictRow:
    """Add a verdict within a transaction, as `give_verdict` does in one of its own; candidate and observation follow it.

    Parameters
    ----------
    added_at : aware moment at which it comes here, where it was said elsewhere; None where it was said just now
    """
    if answer not in ANSWERS:
        raise AnnotateError(
            f"answer: expected one of {', '.join(ANSWERS)}; found {answer!r}; use one of these"
        )
    row = VerdictRow(
        candidate_id=candidate.id,
        answer=answer,
        reviewer=check_reviewer(reviewer),
        at=at,
        reason=_check_reason(reason, answer),
        blind=blind,
        batch=batch,
        stands_for=_find_weight(candidate, blind=blind, dismissed_one_in=dismissed_one_in),
    )
    session.add(row)
    session.flush()
    _settle(session, logbook, candidate=candidate, verdict=row, details=details, added_at=added_at)
    return row


def take_back(
    logbook: Logbook, *, reviewer: str, at: datetime, candidate_id: int | None = None, blind: bool = False
) -> Verdict:
    """Take back the newest verdict of this reviewer that still stands; on one candidate where named.

    Asked again, it goes one further back. Where someone else has judged the candidate since, their answer goes on counting.

    Parameters
    ----------
    blind : whether what others said of it was not shown: then it was a slip, and is no reading of the person's

    Raises
    ------
    annotate.errors.AnnotateError
        Where nothing is left to take back.
    """
    with logbook.writing() as session:
        renamed = find_renamed(logbook)
        names = list_spellings(session, check_reviewer(reviewer), renamed)
        found = [_find_standing(session, name, candidate_id=candidate_id) for name in names]
        last = max((row for row in found if row is not None), key=lambda row: row.id, default=None)
        if last is None:
            raise AnnotateError(
                f"undo: expected a verdict by {reviewer!r}; found none left to take back; answer the candidate anew"
            )
        return to_verdict(undo_verdict(session, logbook, last, at=at, blind=blind))


def undo_verdict(
    session: Session, logbook: Logbook, last: VerdictRow, *, at: datetime, blind: bool = False
) -> VerdictRow:
    """Take back a verdict that stands within a transaction, as `take_back` does in one of its own."""
    candidate = _get_candidate(session, last.candidate_id)
    row = VerdictRow(
        candidate_id=candidate.id,
        answer="open",
        reviewer=last.reviewer,
        at=at,
        takes_back_id=last.id,
        reason="",
        blind=blind,
    )
    # What a row says cannot be changed once it stands: what will count is found before it is added.
    said = _list_said(session, candidate.id)
    undo = replace(to_verdict(row), id=said[-1].id + 1)
    row.answer, row.reason = find_counting([*said, undo], find_renamed(logbook))
    session.add(row)
    session.flush()
    _settle(session, logbook, candidate=candidate, verdict=row, details=None)
    return row


def list_verdicts(logbook: Logbook, candidate_id: int) -> tuple[Verdict, ...]:
    """Return all that was said of a candidate, oldest first."""
    with logbook.reading() as session:
        return tuple(_list_said(session, candidate_id))


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


def find_renamed(logbook: Logbook) -> dict[str, str]:
    """Return old name -> new name of the people whom the settings name so, as `annotate.judging.readings.name_person` does."""
    return read_renamed(logbook.settings.recorder.renamed)


def list_reviewers(session: Session) -> tuple[str, ...]:
    """Return every name that stands beside a verdict, in order; each is one step in an index."""
    steps = text(
        "WITH RECURSIVE step(name) AS (SELECT min(reviewer) FROM verdict UNION ALL "
        "SELECT (SELECT min(reviewer) FROM verdict WHERE reviewer > name) FROM step WHERE name IS NOT NULL) "
        "SELECT name FROM step WHERE name IS NOT NULL"
    )
    return tuple(session.scalars(steps))


def list_spellings(session: Session, reviewer: str, renamed: Mapping[str, str]) -> tuple[str, ...]:
    """Return the names under which a person gave verdicts."""
    return find_spellings(list_reviewers(session), reviewer, renamed)


def _find_standing(session: Session, reviewer: str, *, candidate_id: int | None) -> VerdictRow | None:
    """Return the newest verdict given under that very name that nobody took back, on one candidate where named."""
    undo = aliased(VerdictRow)
    standing = (
        select(VerdictRow)
        .outerjoin(undo, undo.takes_back_id == VerdictRow.id)
        .where(VerdictRow.reviewer == reviewer)
        .where(VerdictRow.takes_back_id.is_(None), undo.id.is_(None))
        .order_by(VerdictRow.id.desc())
        .limit(1)
    )
    if candidate_id is not None:
        standing = standing.where(VerdictRow.candidate_id == candidate_id)
    return session.scalar(standing)


def _list_said(session: Session, candidate_id: int) -> list[Verdict]:
    """Return all verdicts on a candidate, oldest first."""
    rows = session.scalars(
        select(VerdictRow).where(VerdictRow.candidate_id == candidate_id).order_by(VerdictRow.id)
    )
    return [to_verdict(row) for row in rows]


def _settle(
    session: Session,
    logbook: Logbook,
    *,
    candidate: CandidateRow,
    verdict: VerdictRow,
    details: Details | None,
    added_at: datetime | None = None,
) -> None:
    """Let candidate and observation follow the answer that counts, now that `verdict` was added."""
    renamed = find_renamed(logbook)
    said = _list_said(session, candidate.id)
    candidate.answer, _ = find_counting(said, renamed)
    if candidate.found_by == "hand":
        # What a person drew in and took back again is not for others to judge; what is said of it later lists it again.
        candidate.standing = "set aside" if candidate.answer == "open" else "listed"
    # A larva drawn into the footage is never an observation.
    if candidate.found_by != "planted":
        follow_answer(
            session,
            candidate,
            verdict=verdict,
            at=_find_moment(session, said, added_at),
            confirmed=list_confirming(said, renamed),
            details=details,
            taxon=logbook.settings.record.taxon,
        )
    session.flush()


def _find_moment(session: Session, said: Sequence[Verdict], added_at: datetime | None) -> datetime:
    """Return when the newest verdict changes the observation: as it was said, or as it came where more had happened since."""
    verdict = said[-1]
    changed_at = find_last_change(session, verdict.candidate_id)
    before = [one.at for one in said[:-1]] + ([] if changed_at is None else [changed_at])
    last = max(before, default=verdict.at)
    return verdict.at if verdict.at >= last else max(last, added_at or verdict.at)


def _find_weight(candidate: CandidateRow, *, blind: bool, dismissed_one_in: int) -> float:
    """Return how many candidates a second reading stands for: it was drawn by the answer that counted so far."""
    if dismissed_one_in < 1:
        raise AnnotateError(
            f"second reading: expected one in 1 or more of the dismissed; found one in {dismissed_one_in}; correct it"
        )
    is_share = blind and candidate.answer == "dismiss" and is_drawn(candidate.id, one_in=dismissed_one_in)
    return float(dismissed_one_in) if is_share else 1.0


def _check_reason(reason: str, answer: Answer) -> str:
    word = read_word(reason, REASONS, what="reason") or ""
    if word and answer != "dismiss":
        raise AnnotateError(
            f"reason: expected one only where something is dismissed; found {word!r} with {answer!r}; leave the reason out"
        )
    return word


def check_reviewer(reviewer: str) -> str:
    """Return a reviewer's name with its blanks set right, or raise where it is empty."""
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
        batch=row.batch or "",
        stands_for=1.0 if row.stands_for is None else row.stands_for,
    )

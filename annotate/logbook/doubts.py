"""Suspected mistakes of the labelled image set: candidates whose answer the network strongly doubts, to be looked at again.

The network's word is the calibrated score of the newest search that found the candidate: its own, or that of a later search which
found the same thing again. Whoever answers the same a second time has looked twice, and that settles it; so does any other answer
that agrees with the network or leaves it open. What was drawn in by hand, no network said anything of.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session, aliased

from annotate.judging.readings import name_person
from annotate.logbook.database import part_ids
from annotate.logbook.opening import Logbook
from annotate.logbook.tables import CandidateRow, SearchRow, VerdictRow
from annotate.logbook.verdicts import find_renamed
from annotate.words import Answer

HIGHEST_CONFIRMED = 0.2
"""A confirmed one with this score or less is doubted: of five such that the network judges, four or more are no larva."""

LOWEST_DISMISSED = 0.95
"""A dismissed one with this score or more is doubted: of twenty such, nineteen or more are one. Both are own choices: the further
out, the fewer are shown in vain."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A label that the network doubts.

    Attributes
    ----------
    answer : what counts: "confirm" or "dismiss"
    score : 0 to 1, the chance of a larva, or of feeding, by the network
    scorer : name of the weights that say so
    reviewer, at : who gave the newest verdict, and when
    """

    candidate_id: int
    answer: Answer
    score: float
    scorer: str
    reviewer: str
    at: datetime


class _Said(NamedTuple):
    """What counts here of a verdict; a row for each would take most of the time."""

    id: int
    candidate_id: int
    answer: str
    reviewer: str
    at: datetime
    takes_back_id: int | None


def list_doubts(logbook: Logbook, *, limit: int | None = None) -> tuple[Doubt, ...]:
    """Return the labels that the network doubts and nobody has looked at twice, the most doubtful first."""
    renamed = find_renamed(logbook)
    with logbook.reading() as session:
        words = _find_doubted(session)
        said = _list_said(session, [word[0] for word in words])
    doubts = [
        Doubt(number, answer, score, scorer, said[number][-1].reviewer, said[number][-1].at)
        for number, answer, score, scorer in words
        if not _is_settled(said[number], answer, renamed)
    ]
    doubts.sort(key=lambda doubt: (_measure_agreement(doubt), doubt.candidate_id))
    return tuple(doubts if limit is None else doubts[:limit])


def _measure_agreement(doubt: Doubt) -> float:
    """Return the chance, by the network, that the answer is right."""
    return doubt.score if doubt.answer == "confirm" else 1 - doubt.score


def _find_doubted(session: Session) -> list[tuple[int, Answer, float, str]]:
    """Return (id, answer, score, scorer) of the judged candidates that their newest score speaks against."""
    again = aliased(CandidateRow)
    doubted = (
        or_(
            and_(CandidateRow.answer == "confirm", again.score <= HIGHEST_CONFIRMED),
            and_(CandidateRow.answer == "dismiss", again.score >= LOWEST_DISMISSED),
        ),
        CandidateRow.standing == "listed",
        CandidateRow.found_by != "planted",
    )
    columns = (CandidateRow.id, CandidateRow.answer, again.score, SearchRow.scorer, again.id)
    own = (
        select(*columns)
        .join(again, again.id == CandidateRow.id)
        .join(SearchRow, SearchRow.id == again.search_id)
        .where(
            or_(
                and_(CandidateRow.answer == "confirm", CandidateRow.score <= HIGHEST_CONFIRMED),
                and_(CandidateRow.answer == "dismiss", CandidateRow.score >= LOWEST_DISMISSED),
            ),
            CandidateRow.standing == "listed",
            CandidateRow.found_by == "search",
        )
    )
    later = (
        select(*columns)
        .join(again, again.same_as_id == CandidateRow.id)
        .join(SearchRow, SearchRow.id == again.search_id)
        .where(*doubted)
    )
    newest = _find_newest(session)
    rows = [*session.execute(own), *session.execute(later)]
    return [
        (number, answer, score, scorer)
        for number, answer, score, scorer, said_by in rows
        if newest.get(number, number) == said_by
    ]


def _find_newest(session: Session) -> dict[int, int]:
    """Return candidate id -> id of the newest candidate that shows the same, for those found again."""
    rows = session.execute(
        select(CandidateRow.same_as_id, CandidateRow.id)
        .where(CandidateRow.same_as_id.is_not(None))
        .order_by(CandidateRow.id)
    )
    return {number: again for number, again in rows if number is not None}


def _list_said(session: Session, candidate_ids: Sequence[int]) -> dict[int, list[_Said]]:
    """Return candidate id -> all that was said of it, oldest first."""
    said: dict[int, list[_Said]] = {number: [] for number in candidate_ids}
    columns = [getattr(VerdictRow, name) for name in _Said._fields]
    for some in part_ids(candidate_ids):
        wanted = select(*columns).where(VerdictRow.candidate_id.in_(some)).order_by(VerdictRow.id)
        for row in session.execute(wanted):
            said[row.candidate_id].append(_Said(*row))
    return said


def _is_settled(verdicts: Sequence[_Said], answer: Answer, renamed: dict[str, str]) -> bool:
    """Whether one person gave the answer that counts twice, neither of them taken back."""
    undone = {verdict.takes_back_id for verdict in verdicts}
    people = [
        name_person(verdict.reviewer, renamed)
        for verdict in verdicts
        if verdict.answer == answer and verdict.takes_back_id is None and verdict.id not in undone
    ]
    return len(set(people)) < len(people)

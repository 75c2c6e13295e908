"""What was sent to label servers and what came back: which candidate is which task, and which answers became verdicts.

Each candidate is one task per server and project, each version of an answer one verdict. An answer older than what somebody said
here since, and different from it, is held back: it would count as the newest and override it silently. Nothing here speaks to a
server, and no token ever comes here.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby
from typing import Any, Literal

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.database import part_ids
from annotate.logbook.opening import Logbook
from annotate.logbook.outlines import Outline, pack_outline, unpack_outline
from annotate.logbook.records import Box, CandidateKind
from annotate.logbook.review import NO_TREE
from annotate.logbook.tables import (
    CandidateRow,
    ClipRow,
    ExchangeAnswerRow,
    ExchangeTaskRow,
    OutlineCorrectionRow,
    SearchRow,
    SiteRow,
    TreeRow,
    VerdictRow,
    ViewRow,
)
from annotate.logbook.verdicts import add_verdict
from annotate.words import Answer

Outcome = Literal["taken", "known", "repeated", "agrees", "held back", "left the review"]

BEST_RANK = 0
"""What is sent of a candidate is its best view."""


@dataclass(frozen=True, slots=True, eq=False)
class OfferedCandidate:
    """A candidate with all that a task says of it.

    Attributes
    ----------
    site, tree : codes, empty where no tree is known
    at, zone : moment of the best view, UTC, and the local zone
    scorer : name of the weights that found it
    answer : the newest verdict's
    box : of the best view, px of the frame, ends excluded
    outlines : the search's, then each that a person drew, oldest first, all (row, column) px of the frame
    picture, origin_px, size_px : sha256 of the best view's picture, its top left pixel in the frame, its (rows, columns)
    """

    id: int
    kind: CandidateKind
    score: float
    scorer: str
    site: str
    tree: str
    at: datetime
    zone: str
    length_px: float
    answer: Answer
    clip_sha256: str
    frame_index: int
    box: Box
    outlines: tuple[Outline, ...]
    picture: str
    origin_px: tuple[int, int]
    size_px: tuple[int, int]


@dataclass(frozen=True, slots=True)
class SentTask:
    """A candidate that stands in a project of a label server. `task` is its number there."""

    id: int
    server: str
    project: int
    candidate_id: int
    task: int
    sent_at: datetime


@dataclass(frozen=True, slots=True)
class SentSum:
    """What was exchanged with one project: tasks there, tasks with an answer that was taken, answers taken, newest sending."""

    server: str
    project: int
    tasks: int
    answered: int
    answers: int
    last_sent_at: datetime


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """One version of an answer on a server, in our words.

    Attributes
    ----------
    annotation, version : the number of the answer there, and what tells its versions apart
    reviewer, at : who gave it, and when
    outline : drawn anew, (row, column) px of the frame; None where it was left as suggested
    """

    annotation: int
    version: str
    answer: Answer
    reason: str
    reviewer: str
    at: datetime
    outline: Outline | None

    @property
    def meaning(self) -> tuple[str, str]:
        """Answer and reason."""
        return (self.answer, self.reason)


@dataclass(frozen=True, slots=True)
class Taking:
    """What became of an answer, and what was said here before it.

    Attributes
    ----------
    outcome : "taken" as a verdict; "known" from before; "repeated", the same that the same answer said before; "agrees" with what
        was said here later and left; "held back" as older than what was said here later; "left the review", since its clip was
        searched again
    answer, reviewer, at : the answer that counted before, and of the newest verdict then who gave it and when, empty and None
        where there was none
    from_server : whether that verdict was an answer on a label server
    drew : whether its outline was taken
    """

    outcome: Outcome
    answer: Answer
    reviewer: str
    at: datetime | None
    from_server: bool = False
    drew: bool = False


def list_unsent(
    logbook: Logbook,
    *,
    server: str,
    project: int,
    answer: Answer,
    tree_id: int | None = None,
    limit: int | None = None,
) -> tuple[int, ...]:
    """Return the ids of candidates in the review that were not sent to a project yet, most promising first.

    Planted larvae never leave: they measure the people who judge here.

    Parameters
    ----------
    answer : only with this answer; "open" for the unjudged
    tree_id : only of this tree; 0 means "no tree known", None all
    limit : most returned; None for all
    """
    sent = select(ExchangeTaskRow.candidate_id).where(
        ExchangeTaskRow.server == server, ExchangeTaskRow.project == project
    )
    wanted = (
        select(CandidateRow.id)
        .where(CandidateRow.standing == "listed", CandidateRow.answer == answer)
        .where(CandidateRow.found_by != "planted", CandidateRow.id.not_in(sent))
        .order_by(CandidateRow.promise.desc(), CandidateRow.id)
        .limit(limit)
    )
    if tree_id is not None:
        wanted = wanted.where(
            CandidateRow.tree_id.is_(None) if tree_id == NO_TREE else CandidateRow.tree_id == tree_id
        )
    with logbook.reading() as session:
        return tuple(session.scalars(wanted))


def load_offered(logbook: Logbook, ids: Sequence[int]) -> Iterator[OfferedCandidate]:
    """Yield candidates with all that a task says of them, in the order of the ids; unknown ids are passed over."""
    for some in part_ids(ids):
        with logbook.reading() as session:
            corrections = _load_corrections(session, some)
            rows = session.execute(_select_offered().where(CandidateRow.id.in_(some))).all()
        found = {row.id: _to_offered(row, corrections.get(row.id, ())) for row in rows}
        yield from (found[candidate_id] for candidate_id in some if candidate_id in found)


def list_all_ids(logbook: Logbook) -> tuple[int, ...]:
    """Return the ids of all candidates that may have been sent, newest first."""
    with logbook.reading() as session:
        return tuple(
            session.scalars(
                select(CandidateRow.id)
                .where(CandidateRow.found_by != "planted")
                .order_by(CandidateRow.id.desc())
            )
        )


def note_sent(
    logbook: Logbook, candidate_id: int, *, server: str, project: int, task: int, at: datetime
) -> SentTask:
    """Note that a candidate stands in a project as this task; a task it had there before is replaced."""
    with logbook.writing() as session:
        row = session.scalar(
            select(ExchangeTaskRow).where(
                ExchangeTaskRow.server == server,
                ExchangeTaskRow.project == project,
                ExchangeTaskRow.candidate_id == candidate_id,
            )
        )
        if row is None:
            row = ExchangeTaskRow(server=server, project=project, candidate_id=candidate_id)
            session.add(row)
        row.task, row.sent_at = task, at
        session.flush()
        return _to_sent(row)


def list_sent(logbook: Logbook, *, server: str, project: int) -> tuple[SentTask, ...]:
    """Return what was sent to a project, in the order it was first sent."""
    with logbook.reading() as session:
        rows = session.scalars(
            select(ExchangeTaskRow)
            .where(ExchangeTaskRow.server == server, ExchangeTaskRow.project == project)
            .order_by(ExchangeTaskRow.id)
        )
        return tuple(_to_sent(row) for row in rows)


def list_taken(logbook: Logbook, *, server: str, project: int) -> frozenset[tuple[int, int, str]]:
    """Return (id of the sent task, number of the answer there, version) of all that was taken from a project."""
    answer = ExchangeAnswerRow
    wanted = (
        select(answer.exchange_task_id, answer.annotation, answer.version)
        .join(ExchangeTaskRow, ExchangeTaskRow.id == answer.exchange_task_id)
        .where(ExchangeTaskRow.server == server, ExchangeTaskRow.project == project)
    )
    with logbook.reading() as session:
        return frozenset((sent, number, version) for sent, number, version in session.execute(wanted))


def sum_sent(logbook: Logbook) -> tuple[SentSum, ...]:
    """Return what was exchanged with each project of each server."""
    task, answer = ExchangeTaskRow, ExchangeAnswerRow
    wanted = (
        select(
            task.server,
            task.project,
            func.count(task.id.distinct()),
            func.count(answer.exchange_task_id.distinct()),
            func.count(answer.id),
            func.max(task.sent_at, type_=task.sent_at.type),
        )
        .outerjoin(answer, answer.exchange_task_id == task.id)
        .group_by(task.server, task.project)
        .order_by(task.server, task.project)
    )
    with logbook.reading() as session:
        return tuple(SentSum(*row) for row in session.execute(wanted))


def take_answer(
    logbook: Logbook, sent: SentTask, heard: Heard, *, at: datetime, take_older: bool = False
) -> Taking:
    """Make an answer a verdict and its outline a correction, once, all in one transaction; or say why not.

    The verdict keeps the moment at which it was given there. Where more was said or changed here since, the observation follows
    it at the moment of taking: until then it stood.

    Parameters
    ----------
    at : aware moment of taking
    take_older : take it although somebody said something else here later; it then counts, as the newest verdict added

    Raises
    ------
    annotate.errors.AnnotateError
        Where the candidate is gone.
    """
    with logbook.writing() as session:
        candidate = session.get(CandidateRow, sent.candidate_id)
        if candidate is None:
            raise AnnotateError(
                f"candidate: expected {sent.candidate_id}, which was sent; found none; open the logbook it was sent from"
            )
        before = _look_back(session, candidate)
        earlier = _find_earlier(session, sent, heard.annotation)
        outcome = _choose_outcome(
            session, sent, heard, candidate=candidate, earlier=earlier, take_older=take_older
        )
        if outcome == "repeated" and earlier is not None:
            _note_answer(session, sent, heard, earlier.id)
        if outcome != "taken":
            return replace(before, outcome=outcome)
        row = add_verdict(
            session,
            logbook,
            candidate,
            answer=heard.answer,
            reviewer=heard.reviewer,
            at=heard.at,
            reason=heard.reason,
            added_at=at,
        )
        _note_answer(session, sent, heard, row.id)
        return replace(before, outcome=outcome, drew=_keep_outline(session, heard, candidate.id))


def _look_back(session: Session, candidate: CandidateRow) -> Taking:
    """Return what was said of a candidate until now, as of a known answer."""
    said: Any = candidate.answer
    newest = _find_newest(session, candidate.id)
    if newest is None:
        return Taking("known", said, "", None)
    return Taking("known", said, newest.reviewer, newest.at, _is_from(session, newest.id))


def is_settled_here(logbook: Logbook, sent: SentTask) -> bool:
    """Tell whether the newest verdict on a sent candidate was given here, after all answers that were taken."""
    with logbook.reading() as session:
        newest = _find_newest(session, sent.candidate_id)
        return newest is not None and not _is_from(session, newest.id)


def _is_from(session: Session, verdict_id: int) -> bool:
    """Tell whether a verdict was an answer on a server."""
    noted = select(ExchangeAnswerRow.id).where(ExchangeAnswerRow.verdict_id == verdict_id)
    return session.scalar(noted.limit(1)) is not None


def _choose_outcome(
    session: Session,
    sent: SentTask,
    heard: Heard,
    *,
    candidate: CandidateRow,
    earlier: VerdictRow | None,
    take_older: bool,
) -> Outcome:
    known = select(ExchangeAnswerRow.id).where(
        ExchangeAnswerRow.exchange_task_id == sent.id,
        ExchangeAnswerRow.annotation == heard.annotation,
        ExchangeAnswerRow.version == heard.version,
    )
    if session.scalar(known) is not None:
        return "known"
    if candidate.standing != "listed":
        return "left the review"
    if earlier is not None and heard.outline is None and (earlier.answer, earlier.reason) == heard.meaning:
        # Servers touch answers without anybody answering anew.
        return "repeated"
    later = select(VerdictRow.id).where(VerdictRow.candidate_id == candidate.id, VerdictRow.at > heard.at)
    if take_older or session.scalar(later.limit(1)) is None:
        return "taken"
    if candidate.answer != heard.answer:
        return "held back"
    newest = _find_newest(session, candidate.id)
    return "taken" if newest is not None and newest.reason == heard.reason else "agrees"


def _find_newest(session: Session, candidate_id: int) -> VerdictRow | None:
    return session.scalar(
        select(VerdictRow)
        .where(VerdictRow.candidate_id == candidate_id)
        .order_by(VerdictRow.id.desc())
        .limit(1)
    )


def _find_earlier(session: Session, sent: SentTask, annotation: int) -> VerdictRow | None:
    """Return the verdict that the version of an answer taken last became, None where none was."""
    return session.scalar(
        select(VerdictRow)
        .join(ExchangeAnswerRow, ExchangeAnswerRow.verdict_id == VerdictRow.id)
        .where(ExchangeAnswerRow.exchange_task_id == sent.id, ExchangeAnswerRow.annotation == annotation)
        .order_by(ExchangeAnswerRow.id.desc())
        .limit(1)
    )


def _note_answer(session: Session, sent: SentTask, heard: Heard, verdict_id: int) -> None:
    session.add(
        ExchangeAnswerRow(
            exchange_task_id=sent.id,
            annotation=heard.annotation,
            version=heard.version,
            verdict_id=verdict_id,
        )
    )


def _keep_outline(session: Session, heard: Heard, candidate_id: int) -> bool:
    """Add a correction of the outline, unless somebody drew a later one here; return whether it was added."""
    if heard.outline is None:
        return False
    later = select(OutlineCorrectionRow.id).where(
        OutlineCorrectionRow.candidate_id == candidate_id,
        OutlineCorrectionRow.rank == BEST_RANK,
        OutlineCorrectionRow.at > heard.at,
    )
    if session.scalar(later.limit(1)) is not None:
        return False
    session.add(
        OutlineCorrectionRow(
            candidate_id=candidate_id,
            rank=BEST_RANK,
            outline=pack_outline(heard.outline),
            reviewer=heard.reviewer,
            at=heard.at,
        )
    )
    return True


def _load_corrections(session: Session, ids: Sequence[int]) -> dict[int, tuple[Outline | None, ...]]:
    """Return candidate -> the outlines that people drew for its best view, oldest first; None goes back to the search's."""
    rows = session.execute(
        select(OutlineCorrectionRow.candidate_id, OutlineCorrectionRow.outline)
        .where(OutlineCorrectionRow.candidate_id.in_(ids), OutlineCorrectionRow.rank == BEST_RANK)
        .order_by(OutlineCorrectionRow.candidate_id, OutlineCorrectionRow.id)
    )
    return {
        candidate_id: tuple(None if packed is None else unpack_outline(packed) for _, packed in some)
        for candidate_id, some in groupby(rows, key=lambda row: row[0])
    }


def _select_offered() -> "Select[*tuple[Any, ...]]":
    return (
        select(
            CandidateRow.id,
            CandidateRow.kind,
            CandidateRow.score,
            SearchRow.scorer,
            func.coalesce(SiteRow.code, "").label("site"),
            func.coalesce(TreeRow.code, "").label("tree"),
            CandidateRow.at,
            ClipRow.zone,
            CandidateRow.length_px,
            CandidateRow.answer,
            ClipRow.sha256.label("clip_sha256"),
            ViewRow.frame_index,
            ViewRow.row0,
            ViewRow.col0,
            ViewRow.row_end,
            ViewRow.col_end,
            ViewRow.outline,
            ViewRow.picture,
            ViewRow.picture_row,
            ViewRow.picture_col,
            ViewRow.picture_rows,
            ViewRow.picture_cols,
        )
        .join(ViewRow, (ViewRow.candidate_id == CandidateRow.id) & (ViewRow.rank == BEST_RANK))
        .join(ClipRow, ClipRow.id == CandidateRow.clip_id)
        .join(SearchRow, SearchRow.id == CandidateRow.search_id)
        .outerjoin(TreeRow, TreeRow.id == CandidateRow.tree_id)
        .outerjoin(SiteRow, SiteRow.id == TreeRow.site_id)
    )


def _to_offered(row: Any, corrections: Sequence[Outline | None]) -> OfferedCandidate:
    own = unpack_outline(row.outline)
    return OfferedCandidate(
        id=row.id,
        kind=row.kind,
        score=row.score,
        scorer=row.scorer,
        site=row.site,
        tree=row.tree,
        at=row.at,
        zone=row.zone,
        length_px=row.length_px,
        answer=row.answer,
        clip_sha256=row.clip_sha256,
        frame_index=row.frame_index,
        box=(row.row0, row.col0, row.row_end, row.col_end),
        outlines=(own, *(own if drawn is None else drawn for drawn in corrections)),
        picture=row.picture,
        origin_px=(row.picture_row, row.picture_col),
        size_px=(row.picture_rows, row.picture_cols),
    )


def _to_sent(row: ExchangeTaskRow) -> SentTask:
    return SentTask(
        id=row.id,
        server=row.server,
        project=row.project,
        candidate_id=row.candidate_id,
        task=row.task,
        sent_at=row.sent_at,
    )

"""Audits in the logbook: windows that the search passed over, drawn by chance, with a plain frame of each and the answers.

A sample is saved whole with its windows, in the order in which they are to be shown, which is one of chance too: what is answered
so far is then itself a random part of the pool. Answers are only ever added; the newest counts. Who gave one is known as the
giver of a verdict is (`annotate.judging.readings.name_person`): other capitals and blanks, or an older name, are nobody else. A
window belongs to the search it was drawn from; once its clip has been searched again it is asked no more. Which windows to draw,
and what follows from the answers, stands in `annotate.judging.auditing`; candidates and observations are never touched here.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, get_args

from sqlalchemy import ColumnElement, Select, exists, func, select
from sqlalchemy.orm import Session, aliased

from annotate.errors import AnnotateError
from annotate.judging.readings import find_spellings, name_person
from annotate.logbook.clips import to_clip
from annotate.logbook.database import select_parts
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Clip
from annotate.logbook.tables import (
    AuditAnswerRow,
    AuditSampleRow,
    AuditWindowRow,
    CandidateRow,
    ClipRow,
    SearchRow,
    StretchRow,
    VerdictRow,
)
from annotate.logbook.verdicts import check_reviewer, find_renamed, list_spellings

WindowAnswer = Literal["larva", "none", "unsure", "open"]
WINDOW_ANSWERS: tuple[WindowAnswer, ...] = get_args(WindowAnswer)

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Footage:
    """A clip of a visit as its newest search left it.

    Attributes
    ----------
    searched_at : when that search had ended
    flagged : (first_s, last_s) of every candidate it put before a reviewer, judged or not, and of those judged earlier that still
        stand. What a person drew in is not in it, nor what was planted
    larvae : those of them that are silhouettes and were confirmed
    unjudged : how many of them are open
    stretches : (start_s, end_s, id of the tree)
    """

    visit_id: int
    clip: Clip
    search_id: int
    searched_at: datetime
    flagged: tuple[Span, ...]
    larvae: tuple[Span, ...]
    unjudged: int
    stretches: tuple[tuple[float, float, int], ...]


@dataclass(frozen=True, slots=True)
class DrawnWindow:
    """One window of a sample; `answer` is the newest."""

    id: int
    sample_id: int
    clip_id: int
    search_id: int
    start_s: float
    end_s: float
    time_s: float
    frame_index: int
    picture: str
    frame_size_px: tuple[int, int]
    answer: WindowAnswer


@dataclass(frozen=True, slots=True)
class Sample:
    """Windows of `window_s` drawn on one visit from `pool` that could be drawn."""

    id: int
    visit_id: int
    window_s: float
    seed: int
    drawn_at: datetime
    pool: int
    windows: tuple[DrawnWindow, ...]


@dataclass(frozen=True, slots=True)
class NewWindow:
    """A window to save: the search it was drawn from, and its sharpest frame, kept as an evidence picture."""

    clip_id: int
    search_id: int
    start_s: float
    end_s: float
    time_s: float
    frame_index: int
    picture: str
    frame_size_px: tuple[int, int]


@dataclass(frozen=True, slots=True)
class PlainFrame:
    """What a reviewer is shown of a window: a picture, and nothing that says where or when it was taken."""

    window_id: int
    picture: str
    frame_size_px: tuple[int, int]


def list_footage(
    logbook: Logbook, *, visit_id: int | None = None, tree_id: int | None = None
) -> tuple[Footage, ...]:
    """Return the searched clips of all visits, or of one, or those with a stretch of a tree, in the order they were recorded."""
    wanted = (
        select(ClipRow, SearchRow)
        .join(SearchRow, (SearchRow.clip_id == ClipRow.id) & SearchRow.current)
        .where(ClipRow.visit_id.is_not(None))
        .order_by(ClipRow.recorded_at, ClipRow.id)
    )
    if visit_id is not None:
        wanted = wanted.where(ClipRow.visit_id == visit_id)
    if tree_id is not None:
        wanted = wanted.where(ClipRow.id.in_(select(StretchRow.clip_id).where(StretchRow.tree_id == tree_id)))
    with logbook.reading() as session:
        found = session.execute(wanted).all()
        is_all = visit_id is None and tree_id is None
        flagged, larvae, unjudged = _list_flagged(session, None if is_all else {row[0].id for row in found})
        stretches: dict[int, list[tuple[float, float, int]]] = {}
        for row in session.scalars(select(StretchRow).order_by(StretchRow.start_s)):
            stretches.setdefault(row.clip_id, []).append((row.start_s, row.end_s, row.tree_id))
        return tuple(
            Footage(
                visit_id=clip.visit_id or 0,
                clip=to_clip(clip),
                search_id=search.id,
                searched_at=search.finished_at,
                flagged=tuple(flagged.get(clip.id, ())),
                larvae=tuple(larvae.get(clip.id, ())),
                unjudged=unjudged.get(clip.id, 0),
                stretches=tuple(stretches.get(clip.id, ())),
            )
            for clip, search in found
        )


def list_samples(logbook: Logbook) -> tuple[Sample, ...]:
    """Return all samples with their windows, oldest first."""
    with logbook.reading() as session:
        windows: dict[int, list[DrawnWindow]] = {}
        for row in session.scalars(select(AuditWindowRow).order_by(AuditWindowRow.id)):
            windows.setdefault(row.sample_id, []).append(_to_window(row))
        rows = session.scalars(select(AuditSampleRow).order_by(AuditSampleRow.id))
        return tuple(
            Sample(
                row.id,
                row.visit_id,
                row.window_s,
                row.seed,
                row.drawn_at,
                row.pool,
                tuple(windows.get(row.id, ())),
            )
            for row in rows
        )


def save_sample(
    logbook: Logbook,
    visit_id: int,
    *,
    window_s: float,
    seed: int,
    drawn_at: datetime,
    pool: int,
    windows: Sequence[NewWindow],
) -> int:
    """Save a sample whole, its windows in the order in which they are to be shown; return its id.

    Raises
    ------
    annotate.errors.AnnotateError
        Where one of the clips was searched again, or one of the windows drawn, since they were listed.
    """
    with logbook.writing() as session:
        _refuse_outdated(session, windows)
        sample = AuditSampleRow(visit_id=visit_id, window_s=window_s, seed=seed, drawn_at=drawn_at, pool=pool)
        session.add(sample)
        session.flush()
        for window in windows:
            rows, columns = window.frame_size_px
            session.add(
                AuditWindowRow(
                    sample_id=sample.id,
                    clip_id=window.clip_id,
                    search_id=window.search_id,
                    start_s=window.start_s,
                    end_s=window.end_s,
                    time_s=window.time_s,
                    frame_index=window.frame_index,
                    picture=window.picture,
                    frame_rows=rows,
                    frame_cols=columns,
                )
            )
        session.flush()
        return sample.id


def next_window(logbook: Logbook, *, reviewer: str, after: int = 0) -> PlainFrame | None:
    """Return the next plain frame to show a reviewer; None where there is nothing to ask.

    First come those without an answer, then those of which somebody else was unsure and this reviewer has said nothing, or took
    it back. Windows of a search that was made anew are asked no more.

    Parameters
    ----------
    after : id of a window; only later ones, so that a page can fetch one ahead
    """
    with logbook.reading() as session:
        said = _has_said(_list_answering(session, logbook, reviewer))
        for condition in (AuditWindowRow.answer == "open", (AuditWindowRow.answer == "unsure") & ~said):
            row = session.scalar(_select_asked(condition).where(AuditWindowRow.id > after).limit(1))
            if row is not None:
                return PlainFrame(row.id, row.picture, (row.frame_rows, row.frame_cols))
    return None


def is_asked(logbook: Logbook, window_id: int, *, reviewer: str) -> bool:
    """Tell whether a reviewer is still asked of a window, as `next_window` would."""
    with logbook.reading() as session:
        said = _has_said(_list_answering(session, logbook, reviewer))
        asked = (AuditWindowRow.answer == "open") | ((AuditWindowRow.answer == "unsure") & ~said)
        return session.scalar(_select_asked(asked).where(AuditWindowRow.id == window_id)) is not None


def count_open(logbook: Logbook) -> int:
    """Return how many windows wait for an answer."""
    with logbook.reading() as session:
        asked = _select_asked(AuditWindowRow.answer == "open").order_by(None).subquery()
        return session.scalar(select(func.count()).select_from(asked)) or 0


def find_window(logbook: Logbook, window_id: int) -> DrawnWindow:
    """Return a window with all that is known of it: for the program, not for a reviewer who is to judge it.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none of that id.
    """
    with logbook.reading() as session:
        return _to_window(_get_window(session, window_id))


def answer_window(
    logbook: Logbook, window_id: int, *, answer: WindowAnswer, reviewer: str, at: datetime
) -> DrawnWindow:
    """Add what a reviewer said of a plain frame; "open" takes back what this reviewer said. Return the window as it stands now.

    Taken back, what somebody else said of it last counts again.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such window, the answer is none, or the reviewer has no name.
    """
    if answer not in WINDOW_ANSWERS:
        raise AnnotateError(
            f"answer: expected one of {', '.join(WINDOW_ANSWERS)}; found {answer!r}; use one of these"
        )
    name = check_reviewer(reviewer)
    with logbook.writing() as session:
        row = _get_window(session, window_id)
        session.add(AuditAnswerRow(window_id=window_id, answer=answer, reviewer=name, at=at))
        session.flush()
        row.answer = _find_standing(session, logbook, window_id)
        session.flush()
        return _to_window(row)


def count_given(logbook: Logbook, reviewer: str) -> int:
    """Return how many answers a reviewer has given in the review: verdicts, and answers to plain frames."""
    with logbook.reading() as session:
        judging = list_spellings(session, reviewer, find_renamed(logbook))
        answering = _list_answering(session, logbook, reviewer)
        verdicts = select(func.count()).where(VerdictRow.reviewer.in_(judging))
        answers = select(func.count()).where(AuditAnswerRow.reviewer.in_(answering))
        return (session.scalar(verdicts) or 0) + (session.scalar(answers) or 0)


def _list_answering(session: Session, logbook: Logbook, reviewer: str) -> tuple[str, ...]:
    """Return the names under which a person answered plain frames."""
    names = session.scalars(select(AuditAnswerRow.reviewer).distinct())
    return find_spellings(names, reviewer, find_renamed(logbook))


def _has_said(names: Sequence[str]) -> ColumnElement[bool]:
    """Return the condition that a person of these names has answered a window and not taken the answer back."""
    later = aliased(AuditAnswerRow)
    taken_back = exists().where(
        later.window_id == AuditWindowRow.id,
        later.reviewer.in_(names),
        later.answer == "open",
        later.id > AuditAnswerRow.id,
    )
    return exists().where(
        AuditAnswerRow.window_id == AuditWindowRow.id,
        AuditAnswerRow.reviewer.in_(names),
        AuditAnswerRow.answer != "open",
        ~taken_back,
    )


def _find_standing(session: Session, logbook: Logbook, window_id: int) -> str:
    """Return the newest answer of a window that was not taken back, "open" where there is none."""
    renamed = find_renamed(logbook)
    given = session.execute(
        select(AuditAnswerRow.reviewer, AuditAnswerRow.answer)
        .where(AuditAnswerRow.window_id == window_id)
        .order_by(AuditAnswerRow.id.desc())
    )
    newest: dict[str, str] = {}
    for reviewer, answer in given:
        newest.setdefault(name_person(reviewer, renamed), answer)
    return next((answer for answer in newest.values() if answer != "open"), "open")


def _list_flagged(
    session: Session, clip_ids: Collection[int] | None
) -> tuple[dict[int, list[Span]], dict[int, list[Span]], dict[int, int]]:
    """Return by clip id the spans of what the search flagged, those of confirmed silhouettes, and how many are unjudged.

    Parameters
    ----------
    clip_ids : the clips asked for; None for all
    """
    flagged: dict[int, list[Span]] = {}
    larvae: dict[int, list[Span]] = {}
    unjudged: dict[int, int] = {}
    rows = (
        row
        for some in select_parts(CandidateRow.clip_id, clip_ids)
        for row in session.execute(
            select(
                CandidateRow.clip_id,
                CandidateRow.first_s,
                CandidateRow.last_s,
                CandidateRow.standing,
                CandidateRow.answer,
                CandidateRow.kind,
            )
            .where(CandidateRow.found_by == "search", CandidateRow.standing.in_(("listed", "same")), some)
            .order_by(CandidateRow.id)
        )
    )
    for row in rows:
        flagged.setdefault(row.clip_id, []).append((row.first_s, row.last_s))
        if row.standing != "listed":
            continue
        if row.answer == "open":
            unjudged[row.clip_id] = unjudged.get(row.clip_id, 0) + 1
        elif row.answer == "confirm" and row.kind == "silhouette":
            larvae.setdefault(row.clip_id, []).append((row.first_s, row.last_s))
    return flagged, larvae, unjudged


def _select_asked(condition: ColumnElement[bool]) -> "Select[AuditWindowRow]":
    """Return the query of windows of searches that still count, in the order in which they are shown."""
    return (
        select(AuditWindowRow)
        .join(SearchRow, (SearchRow.id == AuditWindowRow.search_id) & SearchRow.current)
        .where(condition)
        .order_by(AuditWindowRow.id)
    )


def _refuse_outdated(session: Session, windows: Iterable[NewWindow]) -> None:
    wanted = {(window.clip_id, window.search_id) for window in windows}
    clips = {clip_id for clip_id, _ in wanted}
    searches = select(SearchRow.clip_id, SearchRow.id).where(SearchRow.current, SearchRow.clip_id.in_(clips))
    windows_there = select(AuditWindowRow.search_id, AuditWindowRow.start_s).where(
        AuditWindowRow.clip_id.in_(clips)
    )
    current = {(clip_id, search_id) for clip_id, search_id in session.execute(searches)}
    drawn = {(search_id, start_s) for search_id, start_s in session.execute(windows_there)}
    if not wanted <= current or any((window.search_id, window.start_s) in drawn for window in windows):
        raise AnnotateError(
            "audit: expected clips and samples to stay as they were while the frames were read; found some changed by another "
            "command; draw the sample again"
        )


def _get_window(session: Session, window_id: int) -> AuditWindowRow:
    row = session.get(AuditWindowRow, window_id)
    if row is None:
        raise AnnotateError(
            f"plain frame: expected the id of one that was drawn; found {window_id}, which this logbook lacks; reload the page"
        )
    return row


def _to_window(row: AuditWindowRow) -> DrawnWindow:
    return DrawnWindow(
        id=row.id,
        sample_id=row.sample_id,
        clip_id=row.clip_id,
        search_id=row.search_id,
        start_s=row.start_s,
        end_s=row.end_s,
        time_s=row.time_s,
        frame_index=row.frame_index,
        picture=row.picture,
        frame_size_px=(row.frame_rows, row.frame_cols),
        answer=row.answer,  # type: ignore[arg-type]
    )

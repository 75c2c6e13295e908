"""What the order of judging is learned from, and where it is written: the candidates with their answers, and their promise.

Only verdicts of people on what a search found teach: larvae planted to measure with are left out, and so is what was drawn in by
hand. Every open candidate gets a promise, planted ones too, or their place in the order would give them away. The sums stand in
`annotate.judging.promise`.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Select, Table, bindparam, select, update
from sqlalchemy.orm import aliased

from annotate.logbook.opening import Logbook
from annotate.logbook.records import CandidateKind, QueuedCandidate
from annotate.logbook.review import NO_TREE, load_candidates
from annotate.logbook.tables import CandidateRow, VerdictRow

ANSWERS = {"confirm": 1.0, "dismiss": 0.0}
UNTAUGHT = float("nan")


@dataclass(frozen=True, slots=True, eq=False)
class JudgedCandidates:
    """The candidates of a review, one element each, in the order of their ids.

    Attributes
    ----------
    ids, clip_ids, kinds, scores, lengths_px, views_seen, missing_percents : as in the logbook
    promises : as they are now
    answers : 1 confirmed, 0 dismissed, nan for what teaches nothing: open, unsure, planted, drawn in by hand
    is_open : whether it waits for a verdict
    in_batch : whether its newest verdict was given to many at once
    """

    ids: NDArray[np.int64]
    clip_ids: NDArray[np.int64]
    kinds: NDArray[np.str_]
    scores: NDArray[np.float64]
    lengths_px: NDArray[np.float64]
    views_seen: NDArray[np.float64]
    missing_percents: NDArray[np.float64]
    promises: NDArray[np.float64]
    answers: NDArray[np.float64]
    is_open: NDArray[np.bool_]
    in_batch: NDArray[np.bool_]


def read_judged(logbook: Logbook) -> JudgedCandidates:
    """Return all candidates that take part in the review, judged or not."""
    row = CandidateRow
    wanted = (
        select(
            row.id,
            row.clip_id,
            row.kind,
            row.score,
            row.length_px,
            row.views_seen,
            row.missing_percent,
            row.promise,
            row.answer,
            row.found_by,
        )
        .where(row.standing == "listed")
        .order_by(row.id)
    )
    with logbook.reading() as session:
        # Plain rows: wrapping each of 100,000 takes longer than reading them.
        found = session.connection().execute(wanted).fetchall()
        batched = set(session.scalars(_select_batched()))
    columns = list(zip(*found, strict=True)) if found else [()] * COLUMNS
    ids, clip_ids, kinds, scores, lengths_px, views_seen, missing_percents, *rest = columns
    promises, answers, found_by = rest
    said = [ANSWERS.get(answer, UNTAUGHT) for answer in answers]
    return JudgedCandidates(
        ids=np.array(ids, np.int64),
        clip_ids=np.array(clip_ids, np.int64),
        kinds=np.array(kinds, np.str_),
        scores=np.array(scores, np.float64),
        lengths_px=np.array(lengths_px, np.float64),
        views_seen=np.array(views_seen, np.float64),
        missing_percents=np.array(missing_percents, np.float64),
        promises=np.array(promises, np.float64),
        answers=np.where([by == "search" for by in found_by], np.array(said, np.float64), UNTAUGHT),
        is_open=np.array([answer == "open" for answer in answers], np.bool_),
        in_batch=np.array([candidate_id in batched for candidate_id in ids], np.bool_),
    )


COLUMNS = 10


def _select_batched() -> "Select[int]":
    """Return the query of candidates whose newest verdict was given to many at once."""
    newer = aliased(VerdictRow)
    return (
        select(VerdictRow.candidate_id)
        .where(VerdictRow.batch != "")
        .where(
            ~select(newer.id)
            .where(newer.candidate_id == VerdictRow.candidate_id, newer.id > VerdictRow.id)
            .exists()
        )
    )


def list_doubtful(logbook: Logbook, *, kind: CandidateKind, most_promise: float) -> tuple[int, ...]:
    """Return the ids of the open candidates of a kind that promise at most so much."""
    row = CandidateRow
    wanted = select(row.id).where(
        row.standing == "listed", row.kind == kind, row.answer == "open", row.promise <= most_promise
    )
    with logbook.reading() as session:
        return tuple(session.scalars(wanted))


def next_to_teach(
    logbook: Logbook,
    *,
    kind: CandidateKind | None = None,
    tree_id: int | None = None,
    without: Collection[int] = (),
) -> QueuedCandidate | None:
    """Return the open candidate, with all its views, from whose verdict most would be learned; None where none is named.

    Parameters
    ----------
    kind, tree_id : only such; `tree_id` 0 means "no tree known"
    without : ids that are not wanted: those that a page holds already, or passed by
    """
    row = CandidateRow
    wanted = (
        select(row.id)
        .where(row.teaching_rank.is_not(None), row.standing == "listed", row.answer == "open")
        .order_by(row.teaching_rank)
    )
    if kind is not None:
        wanted = wanted.where(row.kind == kind)
    if tree_id is not None:
        wanted = wanted.where(row.tree_id.is_(None) if tree_id == NO_TREE else row.tree_id == tree_id)
    with logbook.reading() as session:
        ids = [candidate_id for candidate_id in session.scalars(wanted) if candidate_id not in without]
        return next(iter(load_candidates(session, ids[:1], all_views=True)), None)


def write_promises(
    logbook: Logbook, *, ids: NDArray[np.int64], promises: NDArray[np.float64], teaching: Sequence[int]
) -> None:
    """Write promises of open candidates, and which of them teach most, in one transaction.

    What was judged since it was read keeps the promise under which it was judged.

    Parameters
    ----------
    ids, promises : those that changed
    teaching : ids, the one that teaches most first; all others teach nothing from now on
    """
    row = CandidateRow.__table__
    assert isinstance(row, Table)
    promise = (
        update(row)
        .where(row.c.id == bindparam("candidate_id"), row.c.answer == "open")
        .values(promise=bindparam("newer"))
    )
    rank = update(row).where(row.c.id == bindparam("candidate_id")).values(teaching_rank=bindparam("newer"))
    changed = [
        {"candidate_id": candidate_id, "newer": value}
        for candidate_id, value in zip(ids.tolist(), promises.tolist(), strict=True)
    ]
    ranks = [{"candidate_id": candidate_id, "newer": place} for place, candidate_id in enumerate(teaching)]
    with logbook.writing() as session:
        connection = session.connection()
        present = connection.execute(
            select(row.c.id).where(row.c.teaching_rank.is_not(None)).order_by(row.c.teaching_rank)
        ).scalars()
        if list(present) != list(teaching):
            connection.execute(update(row).where(row.c.teaching_rank.is_not(None)).values(teaching_rank=None))
            if ranks:
                connection.execute(rank, ranks)
        if changed:
            connection.execute(promise, changed)

"""What a review asks the logbook: the next candidate, lists of candidates, how many are left.

Two orders: "best" (highest score first) and "tree" (by site and tree code, candidates without a tree last, best first within
each). Every question walks an index and takes no longer with 100,000 candidates than with ten. Only candidates that take part
in the review are seen, except when asked for by id.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import islice
from typing import Any, Literal

from sqlalchemy import and_, func, or_, select, union_all
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.opening import Logbook
from annotate.logbook.records import CandidateKind, Count, QueuedCandidate, QueuedView
from annotate.logbook.searches import unpack_pairs
from annotate.logbook.tables import CandidateRow, ClipRow, ObservationRow, SiteRow, TreeRow, ViewRow
from annotate.words import ANSWERS, Answer

Order = Literal["best", "tree"]
KINDS: tuple[CandidateKind, ...] = ("silhouette", "feeding")

NO_TREE = 0
"""Stands for "no tree known" where the id of a tree is asked for."""

USUAL_PAGE = 50


@dataclass(frozen=True, slots=True)
class _Spot:
    """A candidate's place in the orders."""

    tree_id: int
    score: float
    id: int


def next_candidate(
    logbook: Logbook,
    *,
    order: Order = "best",
    kind: CandidateKind | None = None,
    tree_id: int | None = None,
    after: int | None = None,
) -> QueuedCandidate | None:
    """Return the first unjudged candidate with all its views, None where none is left.

    Parameters
    ----------
    kind, tree_id : only such; `tree_id` 0 means "no tree known"
    after : id of a candidate; only what comes after it in the order. Ask again without it to begin anew
    """
    with logbook.reading() as session:
        ids = _walk(session, order, answers=("open",), kind=kind, tree_id=tree_id, after=after, limit=1)
        return next(iter(_load(session, ids, all_views=True)), None)


def list_candidates(
    logbook: Logbook,
    *,
    order: Order = "best",
    answer: Answer | None = None,
    kind: CandidateKind | None = None,
    tree_id: int | None = None,
    after: int | None = None,
    limit: int = USUAL_PAGE,
) -> tuple[QueuedCandidate, ...]:
    """Return candidates in order, each with its best view only; the arguments are those of `next_candidate`.

    Parameters
    ----------
    answer : only with this answer; None for all
    limit : most returned; for the next page, pass the last one's id as `after`
    """
    answers = ANSWERS if answer is None else (answer,)
    with logbook.reading() as session:
        ids = _walk(session, order, answers=answers, kind=kind, tree_id=tree_id, after=after, limit=limit)
        return _load(session, ids, all_views=False)


def find_candidate(logbook: Logbook, candidate_id: int) -> QueuedCandidate:
    """Return one candidate with all its views, whether or not it takes part in the review.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none of that id.
    """
    with logbook.reading() as session:
        for candidate in _load(session, [candidate_id], all_views=True):
            return candidate
    raise AnnotateError(
        f"candidate: expected the id of a candidate; found {candidate_id}, which this logbook lacks; take one from the list"
    )


def count_candidates(logbook: Logbook, *, kind: CandidateKind | None = None) -> tuple[Count, ...]:
    """Return how many candidates of each tree have which answer, by site and tree; those without a tree last.

    Trees with no candidate are left out. `add_counts` gives the sum.
    """
    with logbook.reading() as session:
        tallies = _tally(session, kind)
        named = {tree_id: (site, code) for tree_id, site, code in _order_trees(session)}
    return tuple(
        Count(
            tree_id=tree_id,
            site=named[tree_id][0],
            tree=named[tree_id][1],
            confirmed=tallies[tree_id].get("confirm", 0),
            dismissed=tallies[tree_id].get("dismiss", 0),
            unsure=tallies[tree_id].get("unsure", 0),
            open=tallies[tree_id].get("open", 0),
        )
        for tree_id in named
        if sum(tallies.get(tree_id, {}).values())
    )


def add_counts(counts: Sequence[Count]) -> Count:
    """Return the sum of counts, without a tree."""
    return Count(
        tree_id=NO_TREE,
        site="",
        tree="",
        confirmed=sum(count.confirmed for count in counts),
        dismissed=sum(count.dismissed for count in counts),
        unsure=sum(count.unsure for count in counts),
        open=sum(count.open for count in counts),
    )


def _tally(session: Session, kind: CandidateKind | None) -> dict[int, dict[str, int]]:
    """Return tree id (0 for none) -> answer -> number of listed candidates."""
    tree_id = func.coalesce(CandidateRow.tree_id, NO_TREE)
    wanted = (
        select(tree_id, CandidateRow.answer, func.count())
        .where(CandidateRow.standing == "listed")
        .group_by(tree_id, CandidateRow.answer)
    )
    if kind is not None:
        wanted = wanted.where(CandidateRow.kind == kind)
    tallies: dict[int, dict[str, int]] = {}
    for tree, answer, number in session.execute(wanted):
        tallies.setdefault(tree, {})[answer] = number
    return tallies


def _order_trees(session: Session) -> list[tuple[int, str, str]]:
    """Return (id, site, code) of all trees in order, and at the end that of "no tree known"."""
    rows = session.execute(
        select(TreeRow.id, SiteRow.code, TreeRow.code)
        .join(SiteRow, SiteRow.id == TreeRow.site_id)
        .order_by(SiteRow.code, TreeRow.code)
    )
    return [*((tree_id, site, code) for tree_id, site, code in rows), (NO_TREE, "", "")]


def _walk(
    session: Session,
    order: Order,
    *,
    answers: Sequence[Answer],
    kind: CandidateKind | None,
    tree_id: int | None,
    after: int | None,
    limit: int,
) -> list[int]:
    """Return the ids of the first `limit` candidates of an order that pass the filters, after the one named."""
    spot = None if after is None else _find_spot(session, after)
    kinds = KINDS if kind is None else (kind,)
    if tree_id is not None:
        return _walk_tree(session, tree_id, answers=answers, kinds=kinds, spot=spot, limit=limit)
    if order == "best":
        return _walk_best(session, [], answers=answers, kinds=kinds, spot=spot, limit=limit)
    walk = _walk_trees(session, answers=answers, kinds=kinds, spot=spot, limit=limit)
    return list(islice(walk, limit))


def _walk_trees(
    session: Session,
    *,
    answers: Sequence[Answer],
    kinds: Sequence[CandidateKind],
    spot: _Spot | None,
    limit: int,
) -> Iterator[int]:
    """Yield ids tree by tree, from the tree of `spot` on."""
    reached = spot is None
    for tree_id, _, _ in _order_trees(session):
        here = spot is not None and tree_id == spot.tree_id
        reached = reached or here
        if reached:
            within = spot if here else None
            yield from _walk_tree(session, tree_id, answers=answers, kinds=kinds, spot=within, limit=limit)


def _walk_tree(
    session: Session,
    tree_id: int,
    *,
    answers: Sequence[Answer],
    kinds: Sequence[CandidateKind],
    spot: _Spot | None,
    limit: int,
) -> list[int]:
    on_tree = CandidateRow.tree_id == tree_id if tree_id != NO_TREE else CandidateRow.tree_id.is_(None)
    return _walk_best(session, [on_tree], answers=answers, kinds=kinds, spot=spot, limit=limit)


def _walk_best(
    session: Session,
    conditions: list[Any],
    *,
    answers: Sequence[Answer],
    kinds: Sequence[CandidateKind],
    spot: _Spot | None,
    limit: int,
) -> list[int]:
    """Return ids, best score first: the best few of each kind and answer come from an index and are merged."""
    if spot is not None:
        later = and_(CandidateRow.score == spot.score, CandidateRow.id > spot.id)
        conditions = [
            *conditions,
            CandidateRow.score <= spot.score,
            or_(CandidateRow.score < spot.score, later),
        ]
    runs = [
        select(CandidateRow.id.label("id"), CandidateRow.score.label("score"))
        .where(
            CandidateRow.standing == "listed",
            CandidateRow.kind == kind,
            CandidateRow.answer == answer,
            *conditions,
        )
        .order_by(CandidateRow.score.desc(), CandidateRow.id)
        .limit(limit)
        .subquery()
        for kind in kinds
        for answer in answers
    ]
    merged = union_all(*(select(run.c.id, run.c.score) for run in runs)).subquery()
    return list(
        session.scalars(select(merged.c.id).order_by(merged.c.score.desc(), merged.c.id).limit(limit))
    )


def _find_spot(session: Session, candidate_id: int) -> _Spot | None:
    row = session.execute(
        select(CandidateRow.tree_id, CandidateRow.score, CandidateRow.id).where(
            CandidateRow.id == candidate_id
        )
    ).first()
    return None if row is None else _Spot(row[0] or NO_TREE, row[1], row[2])


def _load(session: Session, ids: Sequence[int], *, all_views: bool) -> tuple[QueuedCandidate, ...]:
    """Return the candidates of these ids in the same order."""
    rows = session.execute(
        select(CandidateRow, ClipRow, SiteRow.code, TreeRow.code, ObservationRow.id)
        .join(ClipRow, ClipRow.id == CandidateRow.clip_id)
        .outerjoin(TreeRow, TreeRow.id == CandidateRow.tree_id)
        .outerjoin(SiteRow, SiteRow.id == TreeRow.site_id)
        .outerjoin(
            ObservationRow,
            and_(ObservationRow.candidate_id == CandidateRow.id, ObservationRow.withdrawn_at.is_(None)),
        )
        .where(CandidateRow.id.in_(ids))
    ).all()
    wanted = select(ViewRow).where(ViewRow.candidate_id.in_(ids)).order_by(ViewRow.candidate_id, ViewRow.rank)
    if not all_views:
        wanted = wanted.where(ViewRow.rank == 0)
    views: dict[int, list[ViewRow]] = {}
    for view in session.scalars(wanted):
        views.setdefault(view.candidate_id, []).append(view)
    loaded = {
        row.id: _to_candidate(
            row, clip, site=site, tree=tree, observation_id=observation, views=views[row.id]
        )
        for row, clip, site, tree, observation in rows
    }
    return tuple(loaded[candidate_id] for candidate_id in ids if candidate_id in loaded)


def _to_candidate(
    row: CandidateRow,
    clip: ClipRow,
    *,
    site: str | None,
    tree: str | None,
    observation_id: int | None,
    views: Sequence[ViewRow],
) -> QueuedCandidate:
    return QueuedCandidate(
        id=row.id,
        kind=row.kind,  # type: ignore[arg-type]
        score=row.score,
        tree_id=row.tree_id or NO_TREE,
        site=site or "",
        tree=tree or "",
        clip_id=clip.id,
        clip_name=clip.name,
        clip_path=clip.path,
        clip_sha256=clip.sha256,
        clip_duration_s=clip.duration_s,
        at=row.at,
        zone=clip.zone,
        first_s=row.first_s,
        last_s=row.last_s,
        best_s=row.best_s,
        views_seen=row.views_seen,
        length_px=row.length_px,
        missing_percent=row.missing_percent,
        frame_picture=row.frame_picture,
        frame_size_px=(row.frame_rows, row.frame_cols),
        answer=row.answer,  # type: ignore[arg-type]
        standing=row.standing,  # type: ignore[arg-type]
        observation_id=observation_id,
        views=tuple(_to_view(view, clip) for view in views),
    )


def _to_view(view: ViewRow, clip: ClipRow) -> QueuedView:
    return QueuedView(
        rank=view.rank,
        time_s=view.time_s,
        at=clip.recorded_at + timedelta(seconds=view.time_s),
        frame_index=view.frame_index,
        box=(view.row0, view.col0, view.row_end, view.col_end),
        outline=unpack_pairs(view.outline),
        score=view.score,
        length_px=view.length_px,
        width_px=view.width_px,
        sharpness=view.sharpness,
        picture=view.picture,
        picture_origin_px=(view.picture_row, view.picture_col),
        picture_size_px=(view.picture_rows, view.picture_cols),
    )

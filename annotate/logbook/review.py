"""What a review asks the logbook: the next candidate, lists of candidates, how many are left.

Two orders: "best" (most promising first: by score, until verdicts have taught better) and "tree" (by site and tree code,
candidates without a tree last, best first within each). Every question walks an index and takes no longer with 100,000
candidates than with ten. Only candidates that take part in the review are seen, except when asked for by id.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import islice
from typing import TYPE_CHECKING, Any, Literal

from sqlalchemy import BindParameter, Select, and_, bindparam, func, or_, select, union_all
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.opening import Logbook
from annotate.logbook.outlines import load_corrections, measure_lengths, measure_outline, pack_outline
from annotate.logbook.records import CandidateKind, Count, QueuedCandidate, QueuedView
from annotate.logbook.searches import unpack_pairs
from annotate.logbook.tables import (
    CandidateRow,
    CandidateTallyRow,
    ClipRow,
    ObservationRow,
    SiteRow,
    TreeRow,
    ViewRow,
)
from annotate.words import ANSWERS, Answer

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Order = Literal["best", "tree"]
_Trees = Literal["all", "one", "none"]
KINDS: tuple[CandidateKind, ...] = ("silhouette", "feeding")

NO_TREE = 0
"""Stands for "no tree known" where the id of a tree is asked for."""

USUAL_PAGE = 50

MOST_VIEWS = 10_000
"""More than any candidate has; the settings allow 50."""


@dataclass(frozen=True, slots=True)
class _Spot:
    """A candidate's place in the orders."""

    tree_id: int
    promise: float
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
        return next(iter(load_candidates(session, ids, all_views=True)), None)


def list_candidates(
    logbook: Logbook,
    *,
    order: Order = "best",
    answer: Answer | None = None,
    kind: CandidateKind | None = None,
    tree_id: int | None = None,
    least_score: float = 0.0,
    after: int | None = None,
    limit: int = USUAL_PAGE,
) -> tuple[QueuedCandidate, ...]:
    """Return candidates in order, each with its best view only; the arguments are those of `next_candidate`.

    Parameters
    ----------
    answer : only with this answer; None for all
    least_score : only those that the search scored so high
    limit : most returned; for the next page, pass the last one's id as `after`
    """
    answers = ANSWERS if answer is None else (answer,)
    with logbook.reading() as session:
        ids = _walk(
            session,
            order,
            answers=answers,
            kind=kind,
            tree_id=tree_id,
            least_score=least_score,
            after=after,
            limit=limit,
        )
        return load_candidates(session, ids, all_views=False)


def find_candidate(logbook: Logbook, candidate_id: int) -> QueuedCandidate:
    """Return one candidate with all its views, whether or not it takes part in the review.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none of that id.
    """
    with logbook.reading() as session:
        for candidate in load_candidates(session, [candidate_id], all_views=True):
            return candidate
    raise AnnotateError(
        f"candidate: expected the id of a candidate; found {candidate_id}, which this logbook lacks; take one from the list"
    )


def find_candidates(logbook: Logbook, candidate_ids: Sequence[int]) -> tuple[QueuedCandidate, ...]:
    """Return candidates by id, in the order named, each with its best view only; those that do not exist are left out."""
    with logbook.reading() as session:
        return load_candidates(session, candidate_ids, all_views=False)


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
    tally = CandidateTallyRow
    wanted = select(tally.tree_id, tally.answer, func.sum(tally.number)).group_by(tally.tree_id, tally.answer)
    if kind is not None:
        wanted = wanted.where(tally.kind == kind)
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
    least_score: float = 0.0,
) -> list[int]:
    """Return the ids of the first `limit` candidates of an order that pass the filters, after the one named."""
    spot = None if after is None else _find_spot(session, after)
    kinds = KINDS if kind is None else (kind,)
    if tree_id is not None or order == "best":
        return _walk_tree(
            session,
            tree_id,
            answers=answers,
            kinds=kinds,
            spot=spot,
            limit=limit,
            least_score=least_score,
        )
    walk = _walk_trees(session, answers=answers, kinds=kinds, spot=spot, limit=limit, least_score=least_score)
    return list(islice(walk, limit))


def _walk_trees(
    session: Session,
    *,
    answers: Sequence[Answer],
    kinds: Sequence[CandidateKind],
    spot: _Spot | None,
    limit: int,
    least_score: float,
) -> Iterator[int]:
    """Yield ids tree by tree, from the tree of `spot` on."""
    reached = spot is None
    for tree_id, _, _ in _order_trees(session):
        here = spot is not None and tree_id == spot.tree_id
        reached = reached or here
        if reached:
            within = spot if here else None
            yield from _walk_tree(
                session,
                tree_id,
                answers=answers,
                kinds=kinds,
                spot=within,
                limit=limit,
                least_score=least_score,
            )


def _walk_tree(
    session: Session,
    tree_id: int | None,
    *,
    answers: Sequence[Answer],
    kinds: Sequence[CandidateKind],
    spot: _Spot | None,
    limit: int,
    least_score: float,
) -> list[int]:
    """Return ids of one tree, or of all trees, most promising first."""
    values: dict[str, float | None] = {"tree_id": tree_id, "limit": limit, "least_score": least_score}
    if spot is not None:
        values |= {"spot_promise": spot.promise, "spot_id": spot.id}
    trees: _Trees = "all" if tree_id is None else "none" if tree_id == NO_TREE else "one"
    query = _build_walk(tuple(answers), tuple(kinds), trees=trees, goes_on=spot is not None)
    return list(session.scalars(query, values))


@lru_cache
def _build_walk(
    answers: tuple[Answer, ...], kinds: tuple[CandidateKind, ...], *, trees: _Trees, goes_on: bool
) -> "Select[int]":
    """Return the query of ids, most promising first: the best few of each kind and answer come from an index and are merged."""
    conditions = [CandidateRow.standing == "listed", CandidateRow.score >= bindparam("least_score")]
    if trees == "one":
        conditions.append(CandidateRow.tree_id == bindparam("tree_id"))
    elif trees == "none":
        conditions.append(CandidateRow.tree_id.is_(None))
    if goes_on:
        promise: BindParameter[float] = bindparam("spot_promise")
        number: BindParameter[int] = bindparam("spot_id")
        later = and_(CandidateRow.promise == promise, CandidateRow.id > number)
        conditions += [CandidateRow.promise <= promise, or_(CandidateRow.promise < promise, later)]
    runs = [
        select(CandidateRow.id, CandidateRow.promise)
        .where(*conditions, CandidateRow.kind == kind, CandidateRow.answer == answer)
        .order_by(CandidateRow.promise.desc(), CandidateRow.id)
        .limit(bindparam("limit"))
        .subquery()
        for kind in kinds
        for answer in answers
    ]
    merged = union_all(*(select(run.c.id, run.c.promise) for run in runs)).subquery()
    return select(merged.c.id).order_by(merged.c.promise.desc(), merged.c.id).limit(bindparam("limit"))


def _find_spot(session: Session, candidate_id: int) -> _Spot | None:
    row = session.execute(
        select(CandidateRow.tree_id, CandidateRow.promise, CandidateRow.id).where(
            CandidateRow.id == candidate_id
        )
    ).first()
    return None if row is None else _Spot(row[0] or NO_TREE, row[1], row[2])


def load_candidates(
    session: Session, ids: Sequence[int], *, all_views: bool, as_found: bool = False
) -> tuple[QueuedCandidate, ...]:
    """Return the candidates of these ids in the same order, `as_found` without the outlines that people drew."""
    candidates = {
        row["id"]: dict(row) for row in session.execute(_select_candidates(), {"ids": ids}).mappings()
    }
    views: dict[int, list[QueuedView]] = {candidate_id: [] for candidate_id in candidates}
    most_ranks = MOST_VIEWS if all_views else 1
    for row in session.execute(_select_views(), {"ids": ids, "ranks": most_ranks}).mappings():
        values = dict(row)
        candidate_id = values.pop("candidate_id")
        views[candidate_id].append(_to_view(values, candidates[candidate_id]["recorded_at"]))
    if not as_found:
        _correct(session, candidates, views)
    return tuple(
        _to_candidate(candidates[candidate_id], views[candidate_id])
        for candidate_id in ids
        if candidate_id in candidates
    )


def _correct(
    session: Session, candidates: dict[int, dict[str, Any]], views: dict[int, list[QueuedView]]
) -> None:
    """Put the outlines that people drew, and the lengths that follow from them, in the place of the search's own."""
    corrections = load_corrections(session, candidates)
    if not corrections:
        return
    sizes = {number: (row["frame_rows"], row["frame_cols"]) for number, row in candidates.items()}
    for number, length_px in measure_lengths(session, corrections, frame_sizes_px=sizes).items():
        candidates[number]["length_px"] = length_px
        views[number] = [
            _draw_in_view(view, corrections.get((number, view.rank)), sizes[number]) for view in views[number]
        ]


def _draw_in_view(
    view: QueuedView, drawn: "NDArray[np.float32] | None", frame_size_px: tuple[int, int]
) -> QueuedView:
    if drawn is None:
        return view
    measured = measure_outline(drawn, frame_size_px=frame_size_px)
    return replace(
        view,
        outline=unpack_pairs(pack_outline(drawn)),
        box=measured.box,
        length_px=measured.length_px,
        width_px=measured.width_px,
        own_outline=view.outline,
    )


@lru_cache
def _select_candidates() -> "Select[*tuple[Any, ...]]":
    """Return the query of candidates; the columns are named as the attributes of `QueuedCandidate`."""
    row, clip = CandidateRow, ClipRow
    stands = and_(ObservationRow.candidate_id == row.id, ObservationRow.withdrawn_at.is_(None))
    return (
        select(
            row.id,
            row.kind,
            row.score,
            func.coalesce(row.tree_id, NO_TREE).label("tree_id"),
            func.coalesce(SiteRow.code, "").label("site"),
            func.coalesce(TreeRow.code, "").label("tree"),
            clip.id.label("clip_id"),
            clip.name.label("clip_name"),
            clip.path.label("clip_path"),
            clip.sha256.label("clip_sha256"),
            clip.duration_s.label("clip_duration_s"),
            clip.recorded_at,
            row.at,
            clip.zone,
            row.first_s,
            row.last_s,
            row.best_s,
            row.views_seen,
            row.length_px,
            row.missing_percent,
            row.frame_picture,
            row.frame_rows,
            row.frame_cols,
            row.answer,
            row.standing,
            row.found_by,
            ObservationRow.id.label("observation_id"),
        )
        .join(clip, clip.id == row.clip_id)
        .outerjoin(TreeRow, TreeRow.id == row.tree_id)
        .outerjoin(SiteRow, SiteRow.id == TreeRow.site_id)
        .outerjoin(ObservationRow, stands)
        .where(row.id.in_(bindparam("ids", expanding=True)))
    )


@lru_cache
def _select_views() -> "Select[*tuple[Any, ...]]":
    """Return the query of views, best first; the columns are named as in the table."""
    return (
        select(*(column for column in ViewRow.__table__.columns))
        .where(ViewRow.candidate_id.in_(bindparam("ids", expanding=True)), ViewRow.rank < bindparam("ranks"))
        .order_by(ViewRow.candidate_id, ViewRow.rank)
    )


def _to_candidate(values: dict[str, Any], views: Sequence[QueuedView]) -> QueuedCandidate:
    del values["recorded_at"]
    size = (values.pop("frame_rows"), values.pop("frame_cols"))
    return QueuedCandidate(**values, frame_size_px=size, views=tuple(views))


def _to_view(values: dict[str, Any], recorded_at: datetime) -> QueuedView:
    box = (values.pop("row0"), values.pop("col0"), values.pop("row_end"), values.pop("col_end"))
    origin = (values.pop("picture_row"), values.pop("picture_col"))
    size = (values.pop("picture_rows"), values.pop("picture_cols"))
    return QueuedView(
        at=recorded_at + timedelta(seconds=values["time_s"]),
        box=box,
        outline=unpack_pairs(values.pop("outline")),
        picture_origin_px=origin,
        picture_size_px=size,
        **values,
    )

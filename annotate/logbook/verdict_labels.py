"""What the verdicts of a logbook say of its evidence pictures, as labels; nothing is written here.

The newest verdict counts, in the outlines that people corrected. Confirmed, the picture of the best view has its outline; every
other confirmed thing of the same frame that lies in the picture is marked too, so that no larva is taught as nothing. Unsure and
open ones, and larvae that were planted to measure with, are in no set. What was said since the last time tells which labels may
have changed. Marks are (row, column) px of the picture.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from sqlalchemy import Select, case, delete, func, select, true
from sqlalchemy.orm import Session, aliased

from annotate.logbook.database import part_ids
from annotate.logbook.outlines import Corrections, Outline, load_corrections, unpack_outline
from annotate.logbook.tables import (
    CandidateRow,
    ClipRow,
    LabelGatheringRow,
    ObservationChangeRow,
    ObservationRow,
    OutlineCorrectionRow,
    PlantedRow,
    SearchRow,
    SiteRow,
    StretchRow,
    TreeRow,
    VerdictRow,
    ViewRow,
)
from annotate.zones import find_local_date
from models.labels import LabelledImage, LabelMark, choose_split, find_answer


@dataclass(frozen=True, slots=True)
class LabelSources:
    """How far labels were gathered: the newest rows of what is only ever added, and a digest of the few rows else."""

    verdict: int
    correction: int
    change: int
    observation: int
    rest: str


def read_sources(session: Session) -> LabelSources:
    """Return what labels from verdicts hang on; it takes milliseconds, and errs only on the side of change."""

    def find_newest(row: Any) -> int:
        return session.scalar(select(func.max(row.id))) or 0

    tables = (
        select(ClipRow.id, ClipRow.sha256, ClipRow.recorded_at, ClipRow.zone).order_by(ClipRow.id),
        select(StretchRow.clip_id, StretchRow.tree_id, StretchRow.start_s, StretchRow.end_s).order_by(
            StretchRow.id
        ),
        select(TreeRow.id, TreeRow.site_id, TreeRow.code).order_by(TreeRow.id),
        select(SiteRow.id, SiteRow.code).order_by(SiteRow.id),
    )
    rows = [tuple(row) for table in tables for row in session.execute(table)]
    return LabelSources(
        verdict=find_newest(VerdictRow),
        correction=find_newest(OutlineCorrectionRow),
        change=find_newest(ObservationChangeRow),
        observation=find_newest(ObservationRow),
        rest=hashlib.sha256(repr(rows).encode("utf-8")).hexdigest(),
    )


def read_gathered(session: Session) -> LabelSources | None:
    """Return how far the labels were gathered the last time; None where they never were, or it was kept in another way."""
    kept = session.scalar(select(LabelGatheringRow.sources)) or ""
    try:
        return LabelSources(**json.loads(kept))
    except (ValueError, TypeError):
        return None


def write_gathered(session: Session, sources: LabelSources) -> None:
    """Keep how far the labels were gathered."""
    session.execute(delete(LabelGatheringRow))
    session.add(LabelGatheringRow(id=1, sources=json.dumps(asdict(sources))))


@dataclass(frozen=True, slots=True)
class Touched:
    """Candidates whose best view lies in a frame of which something was said, and the pictures of those views."""

    ids: frozenset[int]
    pictures: frozenset[str]


def find_touched(session: Session, before: LabelSources) -> Touched:
    """Return whose labels may have changed since: in one frame each confirmed thing is marked in the pictures of all others."""
    news = (
        select(VerdictRow.candidate_id).where(VerdictRow.id > before.verdict),
        select(OutlineCorrectionRow.candidate_id).where(OutlineCorrectionRow.id > before.correction),
        select(ObservationRow.candidate_id).where(ObservationRow.id > before.observation),
        select(ObservationRow.candidate_id)
        .join(ObservationChangeRow, ObservationChangeRow.observation_id == ObservationRow.id)
        .where(ObservationChangeRow.id > before.change),
    )
    ids = {number for query in news for number in session.scalars(query) if number is not None}
    spot = select(CandidateRow.clip_id, ViewRow.frame_index, ViewRow.picture, CandidateRow.id).join(
        ViewRow, ViewRow.candidate_id == CandidateRow.id
    )
    frames = {
        row[:2] for some in part_ids(ids) for row in session.execute(spot.where(CandidateRow.id.in_(some)))
    }
    best = [
        row
        for some in part_ids({clip_id for clip_id, _ in frames})
        for row in session.execute(spot.where(CandidateRow.clip_id.in_(some), ViewRow.rank == 0))
        if row[:2] in frames
    ]
    return Touched(frozenset(row.id for row in best), frozenset(row.picture for row in best))


@dataclass(frozen=True, slots=True)
class _Judged:
    """One judged candidate with its best view."""

    candidate_id: int
    kind: str
    answer: str
    stage: str | None
    at: Any
    zone: str
    clip_id: int
    clip: str
    site: str | None
    tree: str | None
    scorer: str
    reviewer: str
    labelled_at: Any
    reason: str
    frame_index: int
    picture: str
    origin_px: tuple[int, int]
    size_px: tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Shown:
    """One confirmed thing in a frame, its outline in px of the whole frame."""

    candidate_id: int
    mark: LabelMark


def derive_labels(session: Session, touched: Touched | None = None) -> dict[str, LabelledImage]:
    """Return picture -> what the verdicts that stand say of it, in the order of the candidates; of what was touched, or all."""
    if touched is None:
        judged = [_to_judged(row) for row in session.execute(_select_judged(true()))]
        shown = _list_shown(session, load_corrections(session), true())
    else:
        chosen = [CandidateRow.id.in_(some) for some in part_ids(sorted(touched.ids))]
        judged = [_to_judged(row) for some in chosen for row in session.execute(_select_judged(some))]
        clips = part_ids({one.clip_id for one in judged})
        corrections = load_corrections(session)
        shown = {}
        for some in clips:
            shown |= _list_shown(session, corrections, CandidateRow.clip_id.in_(some))
    undecided = _list_undecided(session)
    by_picture: dict[str, list[_Judged]] = {}
    for one in judged:
        if one.picture not in undecided:
            by_picture.setdefault(one.picture, []).append(one)
    found = (
        _to_label(alike, shown.get((alike[0].clip_id, alike[0].frame_index), ()))
        for alike in by_picture.values()
    )
    return {label.picture: label for label in found if label is not None}


def _to_judged(row: Any) -> _Judged:
    *values, first_row, first_column, rows, columns = row
    described: list[Any] = [*values, (first_row, first_column), (rows, columns)]
    return _Judged(*described)


def _select_judged(chosen: Any) -> "Select[*tuple[Any, ...]]":
    """Return the query of judged candidates that meet a condition; the columns stand in the order of `_Judged`."""
    newest = (
        select(func.max(VerdictRow.id))
        .where(VerdictRow.candidate_id == CandidateRow.id)
        .correlate(CandidateRow)
        .scalar_subquery()
    )
    return (
        select(
            CandidateRow.id,
            CandidateRow.kind,
            CandidateRow.answer,
            ObservationRow.stage,
            CandidateRow.at,
            ClipRow.zone,
            ClipRow.id,
            ClipRow.sha256,
            SiteRow.code,
            TreeRow.code,
            case((CandidateRow.found_by == "hand", ""), else_=SearchRow.scorer),
            VerdictRow.reviewer,
            VerdictRow.at,
            VerdictRow.reason,
            ViewRow.frame_index,
            ViewRow.picture,
            ViewRow.picture_row,
            ViewRow.picture_col,
            ViewRow.picture_rows,
            ViewRow.picture_cols,
        )
        .join(VerdictRow, VerdictRow.id == newest)
        .join(ViewRow, (ViewRow.candidate_id == CandidateRow.id) & (ViewRow.rank == 0))
        .join(ClipRow, ClipRow.id == CandidateRow.clip_id)
        .join(SearchRow, SearchRow.id == CandidateRow.search_id)
        .outerjoin(TreeRow, TreeRow.id == CandidateRow.tree_id)
        .outerjoin(SiteRow, SiteRow.id == TreeRow.site_id)
        .outerjoin(ObservationRow, _stands())
        .where(CandidateRow.answer.in_(("confirm", "dismiss")), CandidateRow.found_by != "planted", chosen)
        .where(ViewRow.picture.not_in(_select_planted_pictures()))
        .order_by(CandidateRow.id)
    )


def _list_undecided(session: Session) -> set[str]:
    """Return the pictures that something was drawn into while what they were cut for is not decided.

    Such a picture would teach as nothing what may be a larva, and waits.
    """
    drawn, theirs = aliased(CandidateRow), aliased(ViewRow)
    return set(
        session.scalars(
            select(theirs.picture)
            .join(drawn, drawn.id == theirs.candidate_id)
            .join(CandidateRow, CandidateRow.clip_id == drawn.clip_id)
            .join(ViewRow, (ViewRow.candidate_id == CandidateRow.id) & (ViewRow.picture == theirs.picture))
            .where(drawn.found_by == "hand", CandidateRow.standing == "listed")
            .where(CandidateRow.answer.in_(("open", "unsure")))
        )
    )


def _select_planted_pictures() -> "Select[str]":
    """Return the query of pictures that show a planted larva: what else was drawn in there would teach it as nothing."""
    planted_view = aliased(ViewRow)
    return select(planted_view.picture).join(PlantedRow, PlantedRow.candidate_id == planted_view.candidate_id)


def _stands() -> Any:
    return (ObservationRow.candidate_id == CandidateRow.id) & ObservationRow.withdrawn_at.is_(None)


def _list_shown(
    session: Session, corrections: Corrections, chosen: Any
) -> dict[tuple[int, int], list[_Shown]]:
    """Return (clip id, frame index) -> the confirmed things of that frame, by candidate, of those that meet a condition."""
    rows = session.execute(
        select(
            CandidateRow.clip_id,
            ViewRow.frame_index,
            CandidateRow.id,
            CandidateRow.kind,
            ObservationRow.stage,
            ViewRow.rank,
            ViewRow.outline,
        )
        .join(ViewRow, ViewRow.candidate_id == CandidateRow.id)
        .outerjoin(ObservationRow, _stands())
        .where(CandidateRow.answer == "confirm", CandidateRow.found_by != "planted", chosen)
        .order_by(CandidateRow.id, ViewRow.rank)
    )
    shown: dict[tuple[int, int], list[_Shown]] = {}
    for clip_id, frame_index, candidate_id, kind, stage, rank, packed in rows:
        corrected = corrections.get((candidate_id, rank))
        mark = _to_mark(unpack_outline(packed) if corrected is None else corrected, kind, stage)
        shown.setdefault((clip_id, frame_index), []).append(_Shown(candidate_id, mark))
    return shown


def _to_mark(outline: Outline, kind: str, stage: str | None) -> LabelMark:
    """Return a mark in the words of the set: a silhouette that was confirmed is a larva."""
    return (
        LabelMark(outline, "feeding", None)
        if kind == "feeding"
        else LabelMark(outline, "larva", stage or None)
    )


def _to_label(alike: Sequence[_Judged], shown: Sequence[_Shown]) -> LabelledImage | None:
    """Return the label of one picture from all candidates that were judged by it; the newest verdict is named.

    None where what was confirmed lies outside the picture: it would teach a larva as nothing.
    """
    newest = max(alike, key=lambda one: (one.labelled_at, one.candidate_id))
    own = {one.candidate_id for one in alike}
    origin = np.asarray(newest.origin_px, np.float32)
    edge = np.asarray(newest.size_px, np.float32) - np.float32(0.5)
    marks = []
    # Its own first; then what else of the frame has its middle in the picture.
    for thing in sorted(shown, key=lambda thing: (thing.candidate_id not in own, thing.candidate_id)):
        moved = thing.mark.outline - origin
        low, high = moved.min(axis=0), moved.max(axis=0)
        if thing.candidate_id in own:
            if bool((high <= -0.5).any() or (low >= edge).any()):
                return None
        elif not bool(((low + high) / 2 >= -0.5).all() and ((low + high) / 2 <= edge).all()):
            continue
        marks.append(replace(thing.mark, outline=np.clip(moved, np.float32(-0.5), edge)))
    day = find_local_date(newest.at, newest.zone)
    tree = f"{newest.site}/{newest.tree}" if newest.tree else ""
    return LabelledImage(
        picture=newest.picture,
        size_px=newest.size_px,
        marks=tuple(marks),
        answer=find_answer(marks),
        source="verdict",
        reviewer=newest.reviewer,
        labelled_at=newest.labelled_at,
        split=choose_split(tree=tree, day=day, clip=newest.clip),
        reason="" if marks else newest.reason,
        tree=tree,
        date=day,
        clip=newest.clip,
        scorer=newest.scorer or next((one.scorer for one in alike if one.scorer), ""),
    )

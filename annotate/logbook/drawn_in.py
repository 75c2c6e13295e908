"""Larvae and feeding that a search missed and a person drew into a frame: candidates found by hand, confirmed as they are drawn.

Candidate, verdict and observation are one transaction. Such a candidate belongs to the clip's current search, has one view and
the score 0, since no network said anything of it. It can be taken back and dismissed like any other; taken back, it leaves the
review. Its picture is of the labelled image set by its verdict ("verdict"): the source "drawn in" is for labels without a
candidate. Nothing here reads a clip; whoever draws brings the picture, and one made for a planted larva is refused.
"""

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import get_args

from sqlalchemy import select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.clips import find_tree_at, get_clip
from annotate.logbook.opening import Logbook
from annotate.logbook.outlines import (
    Measured,
    check_outline,
    load_corrections,
    measure_outline,
    pack_outline,
    share_area,
    unpack_outline,
)
from annotate.logbook.pictures import keep_picture, read_picture
from annotate.logbook.records import CandidateKind, Details, FoundBy
from annotate.logbook.searches import measure_picture, unpack_pairs
from annotate.logbook.tables import CandidateRow, ClipRow, SearchRow, StretchRow, ViewRow
from annotate.logbook.verdicts import add_verdict

SAME_SHARE = 0.5
"""Two outlines of one frame that share so much of their area together show one thing. Bodies that touch share next to nothing."""

DRAWN_PROMISE = 1.0

ALL_FOUND_BY: frozenset[FoundBy] = frozenset(get_args(FoundBy))
NONE_PLANTED = ALL_FOUND_BY - {"planted"}


def draw_in(
    logbook: Logbook,
    *,
    clip_id: int,
    time_s: float,
    frame_index: int,
    outline_px: Sequence[Sequence[float]],
    picture: bytes | str,
    picture_origin_px: tuple[int, int],
    frame_size_px: tuple[int, int],
    reviewer: str,
    at: datetime,
    kind: CandidateKind = "silhouette",
    frame_picture: bytes | str | None = None,
    details: Details | None = None,
) -> int:
    """Add what a person drew into a frame as a confirmed candidate with its observation; return its id.

    Parameters
    ----------
    time_s, frame_index : of the frame, as the search counts them
    outline_px : closed polygon of (row, column) in px of the full-resolution frame
    picture : the surroundings at full resolution, not enlarged or reduced: a JPEG, or the sha256 of one that is kept
    picture_origin_px : (row, column) of its top left pixel in the frame; (0, 0) for a whole frame
    frame_size_px : (rows, columns)
    frame_picture : the whole frame, reduced or not, in the same way; None where `picture` is the whole frame
    details : what is said of the animal

    Raises
    ------
    annotate.errors.AnnotateError
        Where the clip was not searched, the outline is none (`annotate.logbook.outlines.check_outline`), the picture is not kept
        or not of this frame or one that shows a planted larva, or the same thing of this frame is a candidate already.
    """
    name, size_px = _keep(logbook, picture)
    frame_name = name if frame_picture is None else _keep(logbook, frame_picture)[0]
    _check_place(picture_origin_px, size_px, frame_size_px)
    outline = check_outline(outline_px, origin_px=picture_origin_px, size_px=size_px)
    drawn = measure_outline(outline, frame_size_px=frame_size_px)
    with logbook.writing() as session:
        clip = get_clip(session, clip_id)
        search = _find_search(session, clip)
        planted = _list_planted_pictures(session, clip_id)
        # A kept picture that was not made for a planted larva shows none: what was drawn in it is something else.
        counted = NONE_PLANTED if isinstance(picture, str) and picture not in planted else ALL_FOUND_BY
        _refuse_known(
            session, clip_id=clip_id, frame_index=frame_index, kind=kind, drawn=drawn, counted=counted
        )
        _refuse_planted({one for one in (picture, frame_picture) if isinstance(one, str)} & planted)
        stretches = session.scalars(select(StretchRow).where(StretchRow.clip_id == clip_id))
        candidate = CandidateRow(
            search_id=search.id,
            clip_id=clip_id,
            tree_id=find_tree_at(stretches, time_s),
            kind=kind,
            score=0.0,
            promise=DRAWN_PROMISE,
            found_by="hand",
            first_s=time_s,
            last_s=time_s,
            best_s=time_s,
            at=clip.recorded_at + timedelta(seconds=time_s),
            views_seen=1,
            length_px=drawn.length_px,
            missing_percent=0.0,
            frame_picture=frame_name,
            frame_rows=frame_size_px[0],
            frame_cols=frame_size_px[1],
            standing="listed",
            answer="open",
        )
        session.add(candidate)
        session.flush()
        row0, col0, row_end, col_end = drawn.box
        session.add(
            ViewRow(
                candidate_id=candidate.id,
                rank=0,
                time_s=time_s,
                frame_index=frame_index,
                row0=row0,
                col0=col0,
                row_end=row_end,
                col_end=col_end,
                outline=pack_outline(outline),
                score=0.0,
                length_px=drawn.length_px,
                width_px=drawn.width_px,
                sharpness=_find_sharpness(search, time_s),
                picture=name,
                picture_row=picture_origin_px[0],
                picture_col=picture_origin_px[1],
                picture_rows=size_px[0],
                picture_cols=size_px[1],
            )
        )
        session.flush()
        add_verdict(session, logbook, candidate, answer="confirm", reviewer=reviewer, at=at, details=details)
        return candidate.id


def list_drawn_beside(
    logbook: Logbook, clip_id: int, *, without: int = 0
) -> tuple[tuple[int, tuple[tuple[float, float], ...]], ...]:
    """Return (frame index, outline) of what was drawn into a clip by hand and stands confirmed, but for one candidate."""
    with logbook.reading() as session:
        rows = session.execute(
            select(ViewRow.candidate_id, ViewRow.rank, ViewRow.frame_index, ViewRow.outline)
            .join(CandidateRow, CandidateRow.id == ViewRow.candidate_id)
            .where(CandidateRow.clip_id == clip_id, CandidateRow.found_by == "hand")
            .where(CandidateRow.answer == "confirm", CandidateRow.id != without)
            .order_by(ViewRow.candidate_id)
        ).all()
        corrections = load_corrections(session, {row.candidate_id for row in rows}) if rows else {}
    found = []
    for candidate_id, rank, frame_index, packed in rows:
        corrected = corrections.get((candidate_id, rank))
        found.append((frame_index, unpack_pairs(packed if corrected is None else pack_outline(corrected))))
    return tuple(found)


def _keep(logbook: Logbook, picture: bytes | str) -> tuple[str, tuple[int, int]]:
    """Return name and size of a picture, kept where it is not yet."""
    from PIL import UnidentifiedImageError

    data = picture if isinstance(picture, bytes) else read_picture(logbook, picture)
    try:
        size_px = measure_picture(data)
    except (OSError, UnidentifiedImageError) as error:
        raise AnnotateError(
            f"picture of {len(data)} bytes: expected a JPEG; found something else; cut it from the frame again"
        ) from error
    return (keep_picture(logbook, picture) if isinstance(picture, bytes) else picture), size_px


def _check_place(
    origin_px: tuple[int, int], size_px: tuple[int, int], frame_size_px: tuple[int, int]
) -> None:
    ends = (origin_px[0] + size_px[0], origin_px[1] + size_px[1])
    if min(origin_px) < 0 or ends[0] > frame_size_px[0] or ends[1] > frame_size_px[1]:
        raise AnnotateError(
            f"picture: expected one cut from the frame of {frame_size_px[0]} x {frame_size_px[1]} px; found one from row "
            f"{origin_px[0]}, column {origin_px[1]} to row {ends[0]}, column {ends[1]}; cut it from the frame again"
        )


def _find_search(session: Session, clip: ClipRow) -> SearchRow:
    search = session.scalar(select(SearchRow).where(SearchRow.clip_id == clip.id, SearchRow.current))
    if search is None:
        raise AnnotateError(
            f"clip {clip.name}: expected one that was searched; found no search of it; search it first: leafshade search CLIP"
        )
    return search


def _find_sharpness(search: SearchRow, time_s: float) -> float:
    """Return the sharpness rank of the frame looked at that is nearest in time, 0 where none was."""
    looks = unpack_pairs(search.watched)
    return min(looks, key=lambda look: abs(look[0] - time_s))[1] if looks else 0.0


def _list_planted_pictures(session: Session, clip_id: int) -> set[str]:
    """Return the names of the pictures and frames that were kept of the planted larvae of a clip."""
    planted = (CandidateRow.clip_id == clip_id, CandidateRow.found_by == "planted")
    views = select(ViewRow.picture).join(CandidateRow, CandidateRow.id == ViewRow.candidate_id)
    frames = select(CandidateRow.frame_picture)
    return {*session.scalars(views.where(*planted)), *session.scalars(frames.where(*planted))}


def _refuse_planted(names: Collection[str]) -> None:
    """Raise where a kept picture was made for a planted larva: a record may not show what was never there."""
    if names:
        raise AnnotateError(
            "picture: expected one of what was filmed; found one that was changed to measure with; cut the same part from the "
            "clip's own frame and draw in that"
        )


def _refuse_known(
    session: Session,
    *,
    clip_id: int,
    frame_index: int,
    kind: CandidateKind,
    drawn: Measured,
    counted: Collection[FoundBy],
) -> None:
    """Raise where a listed candidate shows the same thing in the same frame: it is to be judged, not drawn again.

    Parameters
    ----------
    counted : only candidates found in one of these ways
    """
    rows = session.execute(
        select(CandidateRow.id, CandidateRow.found_by, ViewRow.rank, ViewRow.outline)
        .join(ViewRow, ViewRow.candidate_id == CandidateRow.id)
        .where(CandidateRow.clip_id == clip_id, CandidateRow.standing == "listed")
        .where(CandidateRow.kind == kind, ViewRow.frame_index == frame_index)
        .where(CandidateRow.found_by.in_(counted))
    ).all()
    corrections = load_corrections(session, {row.id for row in rows})
    for candidate_id, found_by, rank, packed in rows:
        other = corrections.get((candidate_id, rank), unpack_outline(packed))
        shared = share_area(drawn.outline, other)
        # A planted larva outlined by half is no other larva: drawn in, it would become an observation.
        if shared >= SAME_SHARE or (found_by == "planted" and shared > 0):
            raise AnnotateError(
                f"outline: expected something that is no candidate yet; found what candidate {candidate_id} shows in the same "
                f"frame; judge that one instead, at /candidates/{candidate_id}"
            )

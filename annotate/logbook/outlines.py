"""Outlines that people corrected: kept beside the search's own, which stays; the newest counts, and nothing is overwritten.

An outline is a closed polygon of (row, column) in px of the upright full-resolution frame, given without its first point again.
It lies within the picture of its view, so that it can be a mark of the labelled image set. What the search found is not changed:
going back to it adds a row that holds no outline.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.database import part_ids
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Box
from annotate.logbook.tables import OutlineCorrectionRow, ViewRow
from annotate.logbook.verdicts import check_reviewer

Outline = NDArray[np.float32]

MOST_CORNERS = 1000
"""No hand draws more, and comparing every edge with every other stays a matter of milliseconds."""

LEAST_AREA_PX = 4.0
"""Two pixels each way: the smallest larvae that are looked for are 6 px long and about 2 px wide."""

EDGE_PX = 0.5
"""A picture reaches half a pixel beyond the centres of its outermost pixels."""

Corrections = Mapping[tuple[int, int], Outline]
"""(candidate id, rank of the view) -> the outline that a person drew."""


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """An outline with what follows from it, measured as the search measures its own."""

    outline: Outline
    box: Box
    length_px: float
    width_px: float


def correct_outline(
    logbook: Logbook,
    candidate_id: int,
    *,
    rank: int,
    outline: Sequence[Sequence[float]] | None,
    reviewer: str,
    at: datetime,
) -> None:
    """Keep an outline that a person drew for a view; None goes back to the search's own.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such view, or the outline is none: see `check_outline`.
    """
    who = check_reviewer(reviewer)
    with logbook.writing() as session:
        view = session.get(ViewRow, (candidate_id, rank))
        if view is None:
            raise AnnotateError(
                f"view: expected one that candidate {candidate_id} has; found number {rank}; reload the page"
            )
        packed = None
        if outline is not None:
            origin, size = (view.picture_row, view.picture_col), (view.picture_rows, view.picture_cols)
            packed = pack_outline(check_outline(outline, origin_px=origin, size_px=size))
        session.add(
            OutlineCorrectionRow(candidate_id=candidate_id, rank=rank, outline=packed, reviewer=who, at=at)
        )


def check_outline(
    outline: Sequence[Sequence[float]] | NDArray[Any],
    *,
    origin_px: tuple[int, int],
    size_px: tuple[int, int],
) -> Outline:
    """Return an outline as float32 (N, 2), cut at the very edge of its picture.

    Parameters
    ----------
    origin_px, size_px : of the picture it was drawn in: (row, column) of its top left pixel in the frame, (rows, columns)

    Raises
    ------
    annotate.errors.AnnotateError
        Where it has too few or too many points, leaves the picture, crosses itself, or has next to no area.
    """
    try:
        points = np.asarray(outline, np.float64)
    except (TypeError, ValueError):
        points = np.empty(0)
    if points.ndim != 2 or points.shape[1] != 2 or not 3 <= len(points) <= MOST_CORNERS:
        found = f"{len(points)} of them" if points.ndim == 2 and points.shape[1] == 2 else "something else"
        raise AnnotateError(
            f"outline: expected 3 to {MOST_CORNERS} points of row and column; found {found}; add or remove points"
        )
    low = np.asarray(origin_px) - EDGE_PX
    high = low + np.asarray(size_px)
    # Not finite numbers fail here too.
    if not bool(((points >= low - EDGE_PX) & (points <= high + EDGE_PX)).all()):
        raise AnnotateError(
            f"outline: expected points within the picture, rows {low[0]:g} to {high[0]:g} and columns {low[1]:g} to {high[1]:g}; "
            "found one outside; move it inside"
        )
    checked = np.clip(points, low, high).astype(np.float32)
    if _crosses_itself(checked.astype(np.float64)):
        raise AnnotateError(
            "outline: expected a line that goes round once; found one that crosses itself; move or remove a point there"
        )
    area_px = measure_area(checked)
    if area_px < LEAST_AREA_PX:
        raise AnnotateError(
            f"outline: expected an area of at least {LEAST_AREA_PX:g} px; found {area_px:.1f} px; draw it round the whole body"
        )
    return checked


def measure_area(outline: Outline) -> float:
    """Return the area of a closed polygon (N, 2) in px, by the shoelace formula."""
    rows, columns = outline.astype(np.float64).T
    return abs(float(rows @ np.roll(columns, -1) - columns @ np.roll(rows, -1))) / 2


FINER = 4
"""Outlines are compared on a raster this much finer than pixels."""


def share_area(one: Outline, other: Outline) -> float:
    """Return the area that two outlines have in common over that of both together, 0 to 1 (Jaccard's index)."""
    import cv2

    low = np.floor(np.minimum(one.min(axis=0), other.min(axis=0)))
    high = np.ceil(np.maximum(one.max(axis=0), other.max(axis=0)))
    if bool((one.max(axis=0) < other.min(axis=0)).any() or (other.max(axis=0) < one.min(axis=0)).any()):
        return 0.0
    rows, columns = (FINER * (high - low) + 1).astype(int)
    masks = []
    for outline in (one, other):
        mask = np.zeros((rows, columns), np.uint8)
        corners = np.round(FINER * (outline - low)).astype(np.int32)
        masks.append(
            cv2.fillPoly(mask, [corners[:, ::-1]], 1).astype(bool)
        )  # (row, column) to OpenCV's (x, y)
    return float((masks[0] & masks[1]).sum() / max(1, (masks[0] | masks[1]).sum()))


def _crosses_itself(points: NDArray[np.float64]) -> bool:
    """Tell whether two edges of a closed polygon cross; edges that only touch, neighbours above all, do not."""
    start, end = points, np.roll(points, -1, axis=0)
    along = end - start

    def find_side(of: NDArray[np.float64]) -> NDArray[np.float64]:
        """On which side of each edge (first axis) each point (second axis) lies: the sign of the cross product."""
        apart = of[None] - start[:, None]
        return np.sign(along[:, None, 0] * apart[..., 1] - along[:, None, 1] * apart[..., 0])

    parts = find_side(start) * find_side(end) < 0
    return bool((parts & parts.T).any())


def measure_outline(outline: Outline, *, frame_size_px: tuple[int, int]) -> Measured:
    """Return an outline with its box, length and width."""
    from detect.silhouettes import find_box, measure_extent

    length_px, width_px = measure_extent(outline)
    return Measured(outline, find_box(outline, frame_size_px), length_px, width_px)


def load_corrections(session: Session, candidate_ids: Collection[int] | None = None) -> Corrections:
    """Return the outlines that people drew and that stand, of the candidates named, or of all."""
    newest = select(func.max(OutlineCorrectionRow.id)).group_by(
        OutlineCorrectionRow.candidate_id, OutlineCorrectionRow.rank
    )
    wanted = select(
        OutlineCorrectionRow.candidate_id, OutlineCorrectionRow.rank, OutlineCorrectionRow.outline
    )
    if candidate_ids is None:
        parts = [newest]
    else:
        parts = [
            newest.where(OutlineCorrectionRow.candidate_id.in_(some)) for some in part_ids(candidate_ids)
        ]
    return {
        (candidate_id, rank): unpack_outline(packed)
        for part in parts
        for candidate_id, rank, packed in session.execute(wanted.where(OutlineCorrectionRow.id.in_(part)))
        if packed is not None
    }


def measure_lengths(
    session: Session,
    corrections: Corrections,
    *,
    frame_sizes_px: Mapping[int, tuple[int, int]],
    only_corrected: bool = False,
) -> dict[int, float]:
    """Return the length in px of each candidate with a corrected outline: the median over its views, as the search takes it.

    Parameters
    ----------
    only_corrected : over those views alone that a person corrected
    """
    lengths: dict[int, list[float]] = {}
    views = select(ViewRow.candidate_id, ViewRow.rank, ViewRow.length_px)
    rows = (
        row
        for some in part_ids({candidate_id for candidate_id, _ in corrections})
        for row in session.execute(views.where(ViewRow.candidate_id.in_(some)))
    )
    for candidate_id, rank, length_px in rows:
        drawn = corrections.get((candidate_id, rank))
        if drawn is not None:
            length_px = measure_outline(drawn, frame_size_px=frame_sizes_px[candidate_id]).length_px
        elif only_corrected:
            continue
        lengths.setdefault(candidate_id, []).append(length_px)
    return {candidate_id: median(values) for candidate_id, values in lengths.items()}


def pack_outline(outline: Outline) -> bytes:
    """Return an outline as it is kept: float32 (N, 2), little-endian."""
    return outline.astype("<f4").tobytes()


def unpack_outline(packed: bytes) -> Outline:
    """Return a kept outline, float32 (N, 2) of (row, column)."""
    return np.frombuffer(packed, "<f4").reshape(-1, 2).astype(np.float32)

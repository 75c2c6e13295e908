"""Where in a labelled picture the things lie that were dismissed: the outlines that their labels, without a mark, do not hold.

Outlines are (row, column) px of the picture, those that people corrected in the place of the search's. Only the newest verdict
counts, and nothing planted counts as judged.
"""

import numpy as np
from sqlalchemy import select

from annotate.logbook.opening import Logbook
from annotate.logbook.outlines import load_corrections, unpack_outline
from annotate.logbook.tables import CandidateRow, LabelRow, ViewRow
from models.labels import LabelMark

BEST_RANK = 0
"""A label's picture is that of the candidate's best view."""


def list_dismissed(logbook: Logbook) -> dict[str, tuple[LabelMark, ...]]:
    """Return picture -> the outlines of what was dismissed by it; a mark's kind says what the thing is not."""
    with logbook.reading() as session:
        rows = session.execute(
            select(
                CandidateRow.id,
                ViewRow.picture,
                CandidateRow.kind,
                ViewRow.outline,
                ViewRow.picture_row,
                ViewRow.picture_col,
                ViewRow.picture_rows,
                ViewRow.picture_cols,
            )
            .join(CandidateRow, (CandidateRow.id == ViewRow.candidate_id) & (ViewRow.rank == BEST_RANK))
            .where(
                CandidateRow.answer == "dismiss",
                CandidateRow.found_by != "planted",
                ViewRow.picture.in_(select(LabelRow.picture).where(LabelRow.source == "verdict")),
            )
            .order_by(CandidateRow.id)
        ).all()
        corrections = load_corrections(session, [row.id for row in rows])
    found: dict[str, list[LabelMark]] = {}
    for candidate_id, picture, kind, packed, row, column, rows_px, columns_px in rows:
        corrected = corrections.get((candidate_id, BEST_RANK))
        outline = (unpack_outline(packed) if corrected is None else corrected) - np.asarray(
            [row, column], np.float32
        )
        low, high = outline.min(axis=0), outline.max(axis=0)
        if (high <= -0.5).any() or low[0] >= rows_px - 0.5 or low[1] >= columns_px - 0.5:
            continue  # its picture does not show it
        edge = np.asarray([rows_px - 0.5, columns_px - 0.5], np.float32)
        mark = LabelMark(
            np.clip(outline, np.float32(-0.5), edge), "feeding" if kind == "feeding" else "larva"
        )
        found.setdefault(picture, []).append(mark)
    return {picture: tuple(marks) for picture, marks in found.items()}

"""Where in a labelled picture the things lie that were dismissed: the outlines that their labels, without a mark, do not hold.

Outlines are (row, column) px of the picture. Only the newest verdict counts, and nothing planted counts as judged.
"""

import numpy as np
from sqlalchemy import select

from annotate.logbook.labels import unpack_outline
from annotate.logbook.opening import Logbook
from annotate.logbook.tables import CandidateRow, LabelRow, ViewRow
from models.labels import LabelMark


def list_dismissed(logbook: Logbook) -> dict[str, tuple[LabelMark, ...]]:
    """Return picture -> the outlines of what was dismissed by it; a mark's kind says what the thing is not."""
    with logbook.reading() as session:
        rows = session.execute(
            select(
                ViewRow.picture,
                CandidateRow.kind,
                ViewRow.outline,
                ViewRow.picture_row,
                ViewRow.picture_col,
                ViewRow.picture_rows,
                ViewRow.picture_cols,
            )
            .join(CandidateRow, (CandidateRow.id == ViewRow.candidate_id) & (ViewRow.rank == 0))
            .where(
                CandidateRow.answer == "dismiss",
                CandidateRow.found_by != "planted",
                ViewRow.picture.in_(select(LabelRow.picture).where(LabelRow.source == "verdict")),
            )
            .order_by(CandidateRow.id)
        ).all()
    found: dict[str, list[LabelMark]] = {}
    for picture, kind, packed, row, column, rows_px, columns_px in rows:
        outline = unpack_outline(packed) - np.asarray([row, column], np.float32)
        low, high = outline.min(axis=0), outline.max(axis=0)
        if (high <= -0.5).any() or low[0] >= rows_px - 0.5 or low[1] >= columns_px - 0.5:
            continue  # its picture does not show it
        edge = np.asarray([rows_px - 0.5, columns_px - 0.5], np.float32)
        mark = LabelMark(
            np.clip(outline, np.float32(-0.5), edge), "feeding" if kind == "feeding" else "larva"
        )
        found.setdefault(picture, []).append(mark)
    return {picture: tuple(marks) for picture, marks in found.items()}

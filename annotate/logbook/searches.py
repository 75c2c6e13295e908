"""Finished searches of clips, saved whole with their candidates and pictures in one transaction.

Searching a clip again: what was judged stays in the review; what was not is set aside; and a new candidate that shows what was
judged before is tied to it and not asked again. Saving the same search twice is the caller's mistake to avoid: see
`find_current_search`.
"""

import json
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby, islice
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session

from annotate.logbook.clips import find_tree_at, get_clip, rejoin_visit
from annotate.logbook.opening import Logbook
from annotate.logbook.pictures import keep_pictures
from annotate.logbook.records import FoundBy, PastSearch
from annotate.logbook.repeats import Sighted, find_repeats
from annotate.logbook.tables import CandidateRow, ClipRow, SearchRow, StretchRow, ViewRow

if TYPE_CHECKING:
    from detect.candidates import Candidate, View
    from detect.search import ClipSearch


@dataclass(frozen=True, slots=True)
class KeptPictures:
    """The names of the pictures of one candidate."""

    frame: str
    views: tuple[str, ...]


def save_search(
    logbook: Logbook,
    clip_id: int,
    *,
    found: "ClipSearch",
    scorer: str,
    settings_sha256: str,
    started_at: datetime,
    finished_at: datetime,
) -> PastSearch:
    """Save a finished search: its pictures first, then all records in one transaction.

    Parameters
    ----------
    clip_id : of a clip added before, with its stretches
    found : what `detect.search.search_clip` returned
    scorer, settings_sha256 : what searched: the scorer's name, and `SearchSettings.digest()`

    Raises
    ------
    annotate.errors.AnnotateError
        Where the pictures or the records cannot be written; the logbook is then as before.
    """
    pictures = keep_candidate_pictures(logbook, found.candidates)
    with logbook.writing() as session:
        clip = get_clip(session, clip_id)
        # Reading a clip tells how long it is; headers are often wrong.
        clip.duration_s = found.duration_s
        rejoin_visit(session, clip)
        set_aside = _set_aside(session, clip_id)
        judged = _list_judged(session, clip_id)
        search = SearchRow(
            clip_id=clip_id,
            started_at=started_at,
            finished_at=finished_at,
            scorer=scorer,
            settings_sha256=settings_sha256,
            searched_s=found.duration_s,
            usable_s=found.usable_s,
            frames=found.frames,
            looked_at=found.looked_at,
            problems=json.dumps(list(found.problems), ensure_ascii=False),
            watched=_pack_pairs(found.times_s, found.sharpness),
            offered=0,
            same_as_before=0,
            set_aside=set_aside,
            current=True,
        )
        session.add(search)
        session.flush()
        repeats = find_repeats([_see(candidate) for candidate in found.candidates], judged)
        add_candidates(
            session, found.candidates, search=search, clip=clip, pictures=pictures, repeats=repeats
        )
        search.same_as_before = len(repeats)
        search.offered = len(found.candidates) - len(repeats)
        session.flush()
        return _to_search(search)


def find_current_search(logbook: Logbook, clip_id: int) -> PastSearch | None:
    """Return the newest finished search of a clip, None where there is none."""
    with logbook.reading() as session:
        row = session.scalar(select(SearchRow).where(SearchRow.clip_id == clip_id, SearchRow.current))
        return None if row is None else _to_search(row)


def read_sharpness(logbook: Logbook, clip_id: int) -> tuple[tuple[float, float], ...]:
    """Return (time_s, sharpness rank 0 to 1) of the frames looked at in a clip's newest search, in order of time."""
    with logbook.reading() as session:
        packed = session.scalar(
            select(SearchRow.watched).where(SearchRow.clip_id == clip_id, SearchRow.current)
        )
    return unpack_pairs(packed or b"")


def unpack_pairs(packed: bytes) -> tuple[tuple[float, float], ...]:
    """Return the pairs of a float32 (N, 2), little-endian."""
    return tuple(struct.iter_unpack("<2f", packed))


def _pack_pairs(first: Sequence[float], second: Sequence[float]) -> bytes:
    return b"".join(struct.pack("<2f", a, b) for a, b in zip(first, second, strict=True))


def _set_aside(session: Session, clip_id: int) -> int:
    """Take the unjudged candidates of older searches out of the review; return how many there were."""
    session.execute(update(SearchRow).where(SearchRow.clip_id == clip_id).values(current=False))
    done: Any = session.execute(
        update(CandidateRow)
        .where(
            CandidateRow.clip_id == clip_id, CandidateRow.standing == "listed", CandidateRow.answer == "open"
        )
        .values(standing="set aside")
    )
    return int(done.rowcount)


def _list_judged(session: Session, clip_id: int) -> list[tuple[int, Sighted]]:
    """Return the candidates of a clip that are still listed, with where each was seen; none that was planted: a real one may be
    at its place."""
    rows = session.execute(
        select(CandidateRow, ViewRow)
        .join(ViewRow, ViewRow.candidate_id == CandidateRow.id)
        .where(
            CandidateRow.clip_id == clip_id,
            CandidateRow.standing == "listed",
            CandidateRow.found_by != "planted",
        )
        .order_by(CandidateRow.id, ViewRow.rank)
    )
    judged = []
    for candidate, pairs in groupby(rows, key=lambda row: row[0]):
        views = [(view.time_s, (view.row0, view.col0, view.row_end, view.col_end)) for _, view in pairs]
        judged.append((candidate.id, Sighted(candidate.kind, candidate.length_px, tuple(views))))
    return judged


def add_candidates(
    session: Session,
    candidates: Sequence["Candidate"],
    *,
    search: SearchRow,
    clip: ClipRow,
    pictures: Sequence[KeptPictures],
    repeats: Mapping[int, int],
    found_by: FoundBy = "search",
) -> list[int]:
    """Add candidates with their views and return their ids; those that repeat an older one are tied to it."""
    if not candidates:
        return []
    first_id = (session.scalar(select(func.max(CandidateRow.id))) or 0) + 1
    stretches = session.scalars(select(StretchRow).where(StretchRow.clip_id == clip.id)).all()
    rows: list[dict[str, Any]] = []
    views: list[dict[str, Any]] = []
    for index, (candidate, kept) in enumerate(zip(candidates, pictures, strict=True)):
        row = _describe_candidate(candidate, search=search, clip=clip, frame_picture=kept.frame)
        row["id"] = first_id + index
        row["tree_id"] = find_tree_at(stretches, row["best_s"])
        row["same_as_id"] = repeats.get(index)
        row["standing"] = "listed" if row["same_as_id"] is None else "same"
        row["found_by"] = found_by
        rows.append(row)
        for rank, (view, picture) in enumerate(zip(candidate.views, kept.views, strict=True)):
            views.append({**_describe_view(view, picture), "candidate_id": row["id"], "rank": rank})
    session.execute(insert(CandidateRow), rows)
    session.execute(insert(ViewRow), views)
    return [row["id"] for row in rows]


def _see(candidate: "Candidate") -> Sighted:
    return Sighted(
        candidate.kind, candidate.length_px, tuple((view.time_s, view.box) for view in candidate.views)
    )


def keep_candidate_pictures(logbook: Logbook, candidates: Sequence["Candidate"]) -> list[KeptPictures]:
    """Keep the pictures of candidates; return the names for each."""
    pictures = [
        jpeg
        for candidate in candidates
        for jpeg in (candidate.frame_jpeg, *(view.picture_jpeg for view in candidate.views))
    ]
    names = iter(keep_pictures(logbook, pictures))
    return [KeptPictures(next(names), tuple(islice(names, len(candidate.views)))) for candidate in candidates]


def _describe_candidate(
    candidate: "Candidate", *, search: SearchRow, clip: ClipRow, frame_picture: str
) -> dict[str, Any]:
    """Return the values of a row; numpy's numbers become Python's, which the database knows."""
    best_s = float(candidate.views[0].time_s)
    return {
        "search_id": search.id,
        "clip_id": clip.id,
        "kind": candidate.kind,
        "score": float(candidate.score),
        "promise": float(candidate.score),
        "first_s": float(candidate.first_s),
        "last_s": float(candidate.last_s),
        "best_s": best_s,
        "at": clip.recorded_at + timedelta(seconds=best_s),
        "views_seen": int(candidate.views_seen),
        "length_px": float(candidate.length_px),
        "missing_percent": float(candidate.missing_percent),
        "frame_picture": frame_picture,
        "frame_rows": int(candidate.frame_size_px[0]),
        "frame_cols": int(candidate.frame_size_px[1]),
        "answer": "open",
    }


def _describe_view(view: "View", picture: str) -> dict[str, Any]:
    """Return the values of a row."""
    rows, columns = measure_picture(view.picture_jpeg.read())
    row0, col0, row_end, col_end = (int(edge) for edge in view.box)
    return {
        "time_s": float(view.time_s),
        "frame_index": int(view.frame_index),
        "row0": row0,
        "col0": col0,
        "row_end": row_end,
        "col_end": col_end,
        "outline": view.outline.astype("<f4").tobytes(),
        "score": float(view.score),
        "length_px": float(view.length_px),
        "width_px": float(view.width_px),
        "sharpness": float(view.sharpness),
        "picture": picture,
        "picture_row": int(view.picture_origin_px[0]),
        "picture_col": int(view.picture_origin_px[1]),
        "picture_rows": rows,
        "picture_cols": columns,
    }


def measure_picture(jpeg: bytes) -> tuple[int, int]:
    """Return (rows, columns) of a picture from its header."""
    from io import BytesIO

    from PIL import Image

    with Image.open(BytesIO(jpeg)) as picture:
        return picture.height, picture.width


def _to_search(row: SearchRow) -> PastSearch:
    return PastSearch(
        id=row.id,
        clip_id=row.clip_id,
        started_at=row.started_at,
        finished_at=row.finished_at,
        scorer=row.scorer,
        settings_sha256=row.settings_sha256,
        searched_s=row.searched_s,
        usable_s=row.usable_s,
        frames=row.frames,
        looked_at=row.looked_at,
        problems=tuple(json.loads(row.problems)),
        offered=row.offered,
        same_as_before=row.same_as_before,
        set_aside=row.set_aside,
    )

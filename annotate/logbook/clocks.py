"""The clock of a camera put right: the clip's moment and all that was filmed in it move together, with history.

`clock_offset_s` is what is added to the moment that was read; saying it again moves nothing twice, and 0 takes it back. A moment
that a person gave with `--recorded-at` can be moved as well.
"""

from datetime import UTC, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.changes import note_changes
from annotate.logbook.clips import get_clip, rejoin_visit
from annotate.logbook.observations import change_fields
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Clip
from annotate.logbook.tables import CandidateRow, ClipRow, ObservationRow, VisitRow

SAME_TIME_S = 1e-3


def set_clock(logbook: Logbook, clip_ids: list[int], *, offset_s: float, who: str) -> int:
    """Set what is added to the camera's clock in some clips, all or none; return how many moved.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such clip, or the moment would lie outside the calendar.
    """
    now = datetime.now(UTC)
    with logbook.writing() as session:
        return sum(
            move_clock(session, get_clip(session, clip_id), offset_s=offset_s, who=who, at=now)
            for clip_id in clip_ids
        )


def move_clock(session: Session, clip: ClipRow, *, offset_s: float, who: str, at: datetime) -> bool:
    """Set the offset of one clip within a transaction; return whether anything moved."""
    before_s, moment = clip.clock_offset_s, clip.recorded_at
    if abs(offset_s - before_s) < SAME_TIME_S:
        return False
    try:
        recorded_at = moment + timedelta(seconds=offset_s - before_s)
    except OverflowError as error:
        raise AnnotateError(
            f"clock: expected a moment on the calendar; found {clip.name} moved off it; give a smaller offset"
        ) from error
    clip.clock_offset_s, clip.recorded_at = offset_s, recorded_at
    changed = [
        ("clock_offset_s", before_s, offset_s),
        ("recorded_at", moment.isoformat(), recorded_at.isoformat()),
    ]
    note_changes(session, "clip", record_id=clip.id, changed=changed, who=who, at=at)
    session.flush()
    rejoin_visit(session, clip)
    _move_filmed(session, clip, who=who, at=at)
    return True


def _move_filmed(session: Session, clip: ClipRow, *, who: str, at: datetime) -> None:
    found = session.execute(
        select(CandidateRow, ObservationRow)
        .outerjoin(ObservationRow, ObservationRow.candidate_id == CandidateRow.id)
        .where(CandidateRow.clip_id == clip.id)
    ).all()
    for candidate, observation in found:
        candidate.at = clip.recorded_at + timedelta(seconds=candidate.best_s)
        if observation is not None:
            change_fields(session, observation, changes={"at": candidate.at}, who=who, at=at)


def read_offsets(logbook: Logbook) -> dict[int, float]:
    """Return what is added to the camera's clock, in s, by clip id."""
    with logbook.reading() as session:
        return {
            row.id: row.clock_offset_s for row in session.execute(select(ClipRow.id, ClipRow.clock_offset_s))
        }


def find_clips_named(logbook: Logbook, name: str) -> list[Clip]:
    """Return the clips of that id, name, path or beginning of the sha256; all that fit.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none.
    """
    from annotate.logbook.clips import list_clips

    clips = list_clips(logbook)
    tests = (
        lambda clip: name.isdecimal() and clip.id == int(name),
        lambda clip: name in (clip.name, clip.path),
        lambda clip: len(name) >= 8 and clip.sha256.startswith(name.lower()),
    )
    for test in tests:
        found = [clip for clip in clips if test(clip)]
        if found:
            return found
    known = ", ".join(clip.name for clip in clips[:5]) or "no clip at all"
    raise AnnotateError(
        f"clip: expected the name or number of a clip of this logbook; found {name!r}; known are {known}"
    )


def list_clips_of_visit(logbook: Logbook, *, site: str, date: str) -> list[int]:
    """Return the ids of the clips of a visit, by the code of its site (empty where there is one only) and local date."""
    from annotate.logbook.tables import SiteRow

    wanted = (
        select(ClipRow.id, SiteRow.code, VisitRow.date)
        .join(VisitRow, VisitRow.id == ClipRow.visit_id)
        .join(SiteRow, SiteRow.id == VisitRow.site_id)
        .order_by(ClipRow.recorded_at)
    )
    with logbook.reading() as session:
        rows = session.execute(wanted).all()
    found = [row for row in rows if str(row.date) == date and site in ("", row.code)]
    sites = sorted({row.code for row in found})
    if not found or len(sites) > 1:
        what = f"visits to {', '.join(sites)}" if sites else "no clip of such a visit"
        raise AnnotateError(
            f"visit: expected the date of one visit with clips; found {what} on {date}; see them with: leafshade visits"
            + (", and name one with --site" if sites else "")
        )
    return [row.id for row in found]

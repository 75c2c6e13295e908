"""Clips and their stretches in the logbook, and the visits that arise from them.

A clip is known by the sha256 of its bytes. A stretch ties a part of it to a tree; from the tree's site and the local date comes
the visit. Stretches of a clip never overlap: the one said last counts, and older ones are cut where it lies.
"""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.observations import change_fields
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Clip, Stretch
from annotate.logbook.tables import (
    AuditSampleRow,
    AuditWindowRow,
    CandidateRow,
    ClipRow,
    ObservationRow,
    SiteRow,
    StretchRow,
    TreeRow,
    VisitRow,
    VisitTreeRow,
)
from annotate.zones import find_local_date, read_zone

if TYPE_CHECKING:
    from detect.clip_info import ClipInfo

GIVEN = "given"
"""How a moment or a stretch that a person said is marked."""

FOOTAGE = "footage"
"""How the times of a visit that come from its clips are marked."""

SHORTEST_STRETCH_S = 0.04
"""Left-overs of a cut stretch shorter than one frame at 25 frames/s are dropped."""


def add_clip(
    logbook: Logbook,
    info: "ClipInfo",
    *,
    recorded_at: datetime,
    zone: str,
    recorded_from: str,
    duration_s: float,
) -> Clip:
    """Add a clip, or note that a known one (the same bytes) now lies elsewhere; return it.

    Parameters
    ----------
    recorded_at : aware moment of the first frame. For a known clip it counts only where a person said it, and then the moments
        of the clip's candidates and observations move with it
    zone : local zone, a name or an offset
    recorded_from : what the moment was read from: "metadata", "file date", "given"
    duration_s : of what can be read; 0 before that is known, `save_search` puts it right
    """
    read_zone(zone)
    with logbook.writing() as session:
        row = session.scalar(select(ClipRow).where(ClipRow.sha256 == info.sha256))
        if row is None:
            row = ClipRow(sha256=info.sha256, added_at=datetime.now(UTC), duration_s=duration_s)
            row.recorded_at, row.zone, row.recorded_from = recorded_at, zone, recorded_from
            session.add(row)
        elif recorded_from == GIVEN and row.recorded_at != recorded_at:
            _correct_moment(session, row, recorded_at=recorded_at, zone=zone)
        row.path, row.name = str(info.path.absolute()), info.path.name
        row.kind, row.codec = info.kind, info.codec
        row.width_px, row.height_px = info.width_px, info.height_px
        row.frame_rate_hz = info.frame_rate_hz
        session.flush()
        return to_clip(row)


def find_clip_by_sha256(logbook: Logbook, sha256: str) -> Clip | None:
    """Return the clip with these bytes, None where it was never added."""
    with logbook.reading() as session:
        row = session.scalar(select(ClipRow).where(ClipRow.sha256 == sha256))
        return None if row is None else to_clip(row)


def find_clip(logbook: Logbook, clip_id: int) -> Clip:
    """Return the clip of that id."""
    with logbook.reading() as session:
        return to_clip(get_clip(session, clip_id))


def list_clips(logbook: Logbook) -> tuple[Clip, ...]:
    """Return all clips in the order they were recorded."""
    with logbook.reading() as session:
        return tuple(
            to_clip(row) for row in session.scalars(select(ClipRow).order_by(ClipRow.recorded_at, ClipRow.id))
        )


def add_stretch(
    logbook: Logbook, clip_id: int, *, tree_id: int, start_s: float, end_s: float, source: str = "given"
) -> Stretch:
    """Say under which tree a part of a clip was filmed; candidates and observations of that part move to that tree.

    Older stretches are cut where the new one lies. The visit of the tree's site on the clip's local date is made where missing.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the stretch has no length, or there is no such clip or tree.
    """
    if not 0 <= start_s < end_s:
        raise AnnotateError(
            f"stretch: expected a start of 0 s or later and an end after it; found {start_s:g} to {end_s:g} s; correct them"
        )
    with logbook.writing() as session:
        clip = get_clip(session, clip_id)
        tree = session.get(TreeRow, tree_id)
        if tree is None:
            raise AnnotateError(
                f"tree: expected the id of a tree; found {tree_id}; see them with: leafshade trees"
            )
        _cut_older(session, clip_id, start_s=start_s, end_s=end_s)
        row = StretchRow(clip_id=clip_id, tree_id=tree_id, start_s=start_s, end_s=end_s, source=source)
        session.add(row)
        session.flush()
        move_to_visit(session, clip, site_id=tree.site_id)
        _move_candidates(session, clip, stretch=row)
        site = session.get_one(SiteRow, tree.site_id)
        return Stretch(row.id, clip_id, site.code, tree.code, start_s, end_s, source)


def list_stretches(logbook: Logbook, clip_id: int) -> tuple[Stretch, ...]:
    """Return the stretches of a clip in order of time."""
    wanted = (
        select(StretchRow, SiteRow.code, TreeRow.code)
        .join(TreeRow, TreeRow.id == StretchRow.tree_id)
        .join(SiteRow, SiteRow.id == TreeRow.site_id)
        .where(StretchRow.clip_id == clip_id)
        .order_by(StretchRow.start_s)
    )
    with logbook.reading() as session:
        return tuple(
            Stretch(row.id, clip_id, site, tree, row.start_s, row.end_s, row.source)
            for row, site, tree in session.execute(wanted)
        )


def get_clip(session: Session, clip_id: int) -> ClipRow:
    """Return the row of a clip, or raise where there is none."""
    row = session.get(ClipRow, clip_id)
    if row is None:
        raise AnnotateError(f"clip: expected the id of a clip; found {clip_id}; search the clip first")
    return row


def find_tree_at(stretches: Iterable[StretchRow], time_s: float) -> int | None:
    """Return the id of the tree under which that moment of a clip was filmed, None where nobody said."""
    return next((row.tree_id for row in stretches if row.start_s <= time_s <= row.end_s), None)


def _join_visit(session: Session, clip: ClipRow, *, site_id: int) -> int:
    """Return the id of the visit a clip belongs to, made where missing; its times, unless given, widen to hold the clip."""
    site = session.get_one(SiteRow, site_id)
    day = find_local_date(clip.recorded_at, site.zone)
    visit = session.scalar(select(VisitRow).where(VisitRow.site_id == site_id, VisitRow.date == day))
    if visit is None:
        visit = VisitRow(site_id=site_id, date=day, zone=site.zone, times_from=FOOTAGE)
        session.add(visit)
    if visit.times_from == FOOTAGE:
        end = clip.recorded_at + timedelta(seconds=clip.duration_s)
        visit.started_at = min(visit.started_at or clip.recorded_at, clip.recorded_at)
        visit.ended_at = max(visit.ended_at or end, end)
    session.flush()
    return visit.id


def rejoin_visit(session: Session, clip: ClipRow) -> None:
    """Put a clip, whose moment or length was corrected, into the visit it belongs to now; a visit left empty goes."""
    site_id = session.scalar(
        select(TreeRow.site_id)
        .join(StretchRow, StretchRow.tree_id == TreeRow.id)
        .where(StretchRow.clip_id == clip.id)
        .limit(1)
    )
    if site_id is None:
        return
    move_to_visit(session, clip, site_id=site_id)


def move_to_visit(session: Session, clip: ClipRow, *, site_id: int) -> None:
    """Put a clip and the observations from it into the visit of that site on its date; a visit left empty goes."""
    before = clip.visit_id
    clip.visit_id = _join_visit(session, clip, site_id=site_id)
    session.flush()
    if before == clip.visit_id:
        visit = session.get_one(VisitRow, clip.visit_id)
        if visit.times_from == FOOTAGE:
            # Joining only widens: a clip that was moved within the day leaves behind the hour it had.
            take_times(session, visit)
        return
    from_clip = select(CandidateRow.id).where(CandidateRow.clip_id == clip.id)
    session.execute(
        update(ObservationRow)
        .where(ObservationRow.candidate_id.in_(from_clip))
        .values(visit_id=clip.visit_id)
    )
    if before is not None:
        leave_visit(session, session.get_one(VisitRow, before))


def leave_visit(session: Session, visit: VisitRow) -> None:
    """Let a visit that arose from footage span the clips it still has; without clips, records and words it is removed."""
    if visit.times_from != FOOTAGE:
        return
    has_clips = take_times(session, visit)
    if not has_clips:
        _hand_on_samples(session, visit)
    records = session.scalar(select(func.count()).where(ObservationRow.visit_id == visit.id))
    samples = session.scalar(select(func.count()).where(AuditSampleRow.visit_id == visit.id))
    if not has_clips and not records and not samples and not _is_described(session, visit):
        session.delete(visit)


def _hand_on_samples(session: Session, visit: VisitRow) -> None:
    """Let the samples of what was passed over follow the clips they were drawn from, all of which have left the visit."""
    for sample in session.scalars(select(AuditSampleRow).where(AuditSampleRow.visit_id == visit.id)):
        now = session.scalar(
            select(ClipRow.visit_id)
            .join(AuditWindowRow, AuditWindowRow.clip_id == ClipRow.id)
            .where(AuditWindowRow.sample_id == sample.id, ClipRow.visit_id.is_not(None))
            .order_by(AuditWindowRow.id)
            .limit(1)
        )
        if now is not None:
            sample.visit_id = now
    session.flush()


def take_times(session: Session, visit: VisitRow) -> bool:
    """Let a visit span the clips it has; return whether it has any. Without clips it has no times."""
    clips = session.scalars(select(ClipRow).where(ClipRow.visit_id == visit.id)).all()
    ends = [clip.recorded_at + timedelta(seconds=clip.duration_s) for clip in clips]
    visit.started_at = min((clip.recorded_at for clip in clips), default=None)
    visit.ended_at = max(ends, default=None)
    return bool(clips)


def _is_described(session: Session, visit: VisitRow) -> bool:
    """Whether a person said anything of a visit."""
    measured = (visit.temperature_c, visit.wind_beaufort, visit.cloud_oktas)
    if visit.recorders or visit.weather or visit.notes or any(value is not None for value in measured):
        return True
    return bool(session.scalar(select(func.count()).where(VisitTreeRow.visit_id == visit.id)))


def _cut_older(session: Session, clip_id: int, *, start_s: float, end_s: float) -> None:
    older = session.scalars(
        select(StretchRow).where(
            StretchRow.clip_id == clip_id, StretchRow.start_s < end_s, StretchRow.end_s > start_s
        )
    ).all()
    for row in older:
        left = (row.start_s, start_s)
        right = (end_s, row.end_s)
        kept = [part for part in (left, right) if part[1] - part[0] >= SHORTEST_STRETCH_S]
        session.delete(row)
        for part in kept:
            session.add(
                StretchRow(
                    clip_id=clip_id,
                    tree_id=row.tree_id,
                    start_s=part[0],
                    end_s=part[1],
                    source=row.source,
                    doubt=row.doubt,
                )
            )
    session.flush()


def _move_candidates(session: Session, clip: ClipRow, *, stretch: StretchRow) -> None:
    """Give the candidates filmed in a stretch its tree, and move their observations along, with history."""
    inside = (
        CandidateRow.clip_id == clip.id,
        CandidateRow.best_s >= stretch.start_s,
        CandidateRow.best_s <= stretch.end_s,
        CandidateRow.tree_id.is_distinct_from(stretch.tree_id),
    )
    observations = session.scalars(
        select(ObservationRow)
        .join(CandidateRow, CandidateRow.id == ObservationRow.candidate_id)
        .where(*inside)
    ).all()
    who, now = f"stretch {stretch.source}", datetime.now(UTC)
    for observation in observations:
        change_fields(session, observation, changes={"tree_id": stretch.tree_id}, who=who, at=now)
    session.execute(update(CandidateRow).where(*inside).values(tree_id=stretch.tree_id))


def _correct_moment(session: Session, clip: ClipRow, *, recorded_at: datetime, zone: str) -> None:
    """Let a clip begin at another moment; its visit, candidates and observations go with it, with history."""
    clip.recorded_at, clip.zone, clip.recorded_from = recorded_at, zone, GIVEN
    clip.clock_offset_s = 0.0  # the moment said is the true one
    rejoin_visit(session, clip)
    now = datetime.now(UTC)
    for candidate in session.scalars(select(CandidateRow).where(CandidateRow.clip_id == clip.id)):
        candidate.at = recorded_at + timedelta(seconds=candidate.best_s)
    observations = session.execute(
        select(ObservationRow, CandidateRow.best_s)
        .join(CandidateRow, CandidateRow.id == ObservationRow.candidate_id)
        .where(CandidateRow.clip_id == clip.id)
    ).all()
    for observation, best_s in observations:
        moment = recorded_at + timedelta(seconds=best_s)
        change_fields(session, observation, changes={"at": moment}, who="recording time given", at=now)
        observation.zone = zone


def to_clip(row: ClipRow) -> Clip:
    """Return what leaves this room of a clip."""
    return Clip(
        id=row.id,
        sha256=row.sha256,
        path=row.path,
        name=row.name,
        kind=row.kind,
        width_px=row.width_px,
        height_px=row.height_px,
        frame_rate_hz=row.frame_rate_hz,
        duration_s=row.duration_s,
        codec=row.codec,
        recorded_at=row.recorded_at,
        zone=row.zone,
        recorded_from=row.recorded_from,
        added_at=row.added_at,
        visit_id=row.visit_id,
    )

"""Walked tracks kept in the logbook, the stretches that they cut, and the stretches that a person is asked about.

A track, the clocks that it puts right and the stretches that it cuts are one transaction: all of it or nothing. How positions
become stretches stands in `annotate.field.track_stretches`, how a clock is read off in `annotate.field.clock_offsets`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.field.clock_offsets import KnownPlace
from annotate.field.gpx_tracks import ReadTrack
from annotate.field.track_stretches import (
    USUAL_TREE_ERROR_M,
    FilmedSpan,
    StandingTree,
    TrackStretch,
    WalkedTrack,
)
from annotate.logbook.changes import note_changes
from annotate.logbook.clocks import move_clock
from annotate.logbook.opening import Logbook
from annotate.logbook.stretches import (
    CARD,
    POSITION,
    TRACK,
    PlannedStretch,
    leave_out,
    list_rows,
    list_stronger,
    move_filmed,
    replace_stretches,
)
from annotate.logbook.tables import ClipRow, SiteRow, StretchRow, TrackRow, TreeRow

PHOTOS = "photos"
SHORTEST_SPAN_S = 0.04


@dataclass(frozen=True, slots=True)
class AskedStretch:
    """A stretch whose tree is in doubt, with the words why."""

    id: int
    clip_id: int
    clip: str
    site: str
    tree: str
    start_s: float
    end_s: float
    source: str
    doubt: str


def list_standing_trees(logbook: Logbook, *, site: str = "") -> tuple[StandingTree, ...]:
    """Return the trees whose place is known."""
    wanted = select(TreeRow, SiteRow.code).join(SiteRow, SiteRow.id == TreeRow.site_id)
    with logbook.reading() as session:
        return tuple(
            StandingTree(
                row.id,
                row.code,
                row.latitude_deg,
                row.longitude_deg,
                USUAL_TREE_ERROR_M if row.accuracy_m is None else row.accuracy_m,
                row.walk_order,
            )
            for row, code in session.execute(wanted)
            if row.latitude_deg is not None and row.longitude_deg is not None and site in ("", code)
        )


def list_spans(logbook: Logbook) -> tuple[FilmedSpan, ...]:
    """Return when each clip was filmed by the camera's clock as it wrote, the offset not added."""
    with logbook.reading() as session:
        rows = session.scalars(select(ClipRow).order_by(ClipRow.recorded_at, ClipRow.id))
        return tuple(
            FilmedSpan(
                row.id,
                row.recorded_at.timestamp() - row.clock_offset_s,
                max(row.duration_s, SHORTEST_SPAN_S),
            )
            for row in rows
        )


def list_known_places(logbook: Logbook, spans: Sequence[FilmedSpan]) -> tuple[KnownPlace, ...]:
    """Return the middles of stretches that a card or a person tied to a tree, by the camera's clock."""
    starts = {span.clip_id: span.start_s for span in spans}
    with logbook.reading() as session:
        rows = session.scalars(
            select(StretchRow).where(StretchRow.source.not_in((TRACK, POSITION)), StretchRow.doubt == "")
        ).all()
        return tuple(
            # A card is shown at the stretch's beginning; what a person said holds for the whole of it.
            KnownPlace(
                starts[row.clip_id] + (row.start_s if row.source == CARD else (row.start_s + row.end_s) / 2),
                row.tree_id,
            )
            for row in rows
            if row.clip_id in starts
        )


def cut_by_track(
    logbook: Logbook,
    track: ReadTrack,
    *,
    planned: Mapping[int, Sequence[TrackStretch]],
    offset_s: float,
    who: str,
) -> int:
    """Keep a track, put the clocks of the clips that it reaches right, and cut them; return how many clips changed."""
    now = datetime.now(UTC)
    with logbook.writing() as session:
        _keep(session, track, at=now)
        changed = 0
        for clip_id, stretches in planned.items():
            clip = session.get(ClipRow, clip_id)
            if clip is None:
                raise AnnotateError(f"clip: expected clip {clip_id}; found it gone; run the command again")
            is_moved = move_clock(session, clip, offset_s=offset_s, who=who, at=now)
            wanted = [PlannedStretch(one.tree_id, one.start_s, one.end_s, one.doubt) for one in stretches]
            free = leave_out(wanted, list_stronger(session, clip_id, source=TRACK))
            is_cut = replace_stretches(session, clip, free, source=TRACK, who=who, at=now)
            changed += is_moved or is_cut
        return changed


def _keep(session: Session, track: ReadTrack, *, at: datetime) -> None:
    if session.scalar(select(TrackRow).where(TrackRow.sha256 == track.sha256)) is not None:
        return
    walked = track.walked
    points = np.column_stack([walked.times_s, walked.latitudes_deg, walked.longitudes_deg, walked.errors_m])
    session.add(
        TrackRow(
            sha256=track.sha256,
            name=track.name,
            added_at=at,
            first_at=datetime.fromtimestamp(float(walked.times_s[0]), UTC),
            last_at=datetime.fromtimestamp(float(walked.times_s[-1]), UTC),
            points=points.astype("<f8").tobytes(),
        )
    )


def read_tracks(logbook: Logbook) -> tuple[WalkedTrack, ...]:
    """Return the tracks kept, oldest first."""
    with logbook.reading() as session:
        rows = session.scalars(select(TrackRow.points).order_by(TrackRow.first_at)).all()
    arrays = [np.frombuffer(points, "<f8").reshape(-1, 4).T.copy() for points in rows]
    return tuple(WalkedTrack(*columns) for columns in arrays)


def list_asked(logbook: Logbook) -> tuple[AskedStretch, ...]:
    """Return the stretches that a person is asked about, in order of time."""
    wanted = (
        select(StretchRow, ClipRow.name, SiteRow.code, TreeRow.code)
        .join(ClipRow, ClipRow.id == StretchRow.clip_id)
        .join(TreeRow, TreeRow.id == StretchRow.tree_id)
        .join(SiteRow, SiteRow.id == TreeRow.site_id)
        .where(StretchRow.doubt != "")
        .order_by(ClipRow.recorded_at, StretchRow.start_s)
    )
    with logbook.reading() as session:
        return tuple(
            AskedStretch(row.id, row.clip_id, clip, site, tree, row.start_s, row.end_s, row.source, row.doubt)
            for row, clip, site, tree in session.execute(wanted)
        )


def settle_stretch(logbook: Logbook, stretch_id: int, *, tree_id: int, who: str) -> None:
    """Say which tree a stretch in doubt was filmed under; what was found in it moves along, with history.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such stretch or tree.
    """
    now = datetime.now(UTC)
    with logbook.writing() as session:
        row = session.get(StretchRow, stretch_id)
        if row is None:
            raise AnnotateError(
                f"stretch: expected the number of a stretch; found {stretch_id}; see them with: leafshade stretches"
            )
        tree = session.get_one(TreeRow, tree_id)
        before = session.get_one(TreeRow, row.tree_id)
        changed = [
            ("tree", before.code, tree.code),
            ("source", row.source, "given"),
            ("doubt", row.doubt, ""),
        ]
        changed = [one for one in changed if one[1] != one[2]]
        note_changes(session, "stretch", record_id=row.id, changed=changed, who=who, at=now)
        row.tree_id, row.source, row.doubt = tree_id, "given", ""
        session.flush()
        clip = session.get_one(ClipRow, row.clip_id)
        standing = list_rows(session, row.clip_id)
        move_filmed(session, clip, standing=standing, touched=[(row.start_s, row.end_s)], who=who, at=now)

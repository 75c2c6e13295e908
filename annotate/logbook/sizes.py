"""What the logbook knows for a body's length: px, frame, lens, heights, cards; and the lengths in mm kept with observations.

A length that a person measured is never replaced by one reckoned from pixels; what is replaced stays in the history.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.clips import get_clip
from annotate.logbook.observations import change_fields
from annotate.logbook.opening import Logbook
from annotate.logbook.outlines import load_corrections, measure_lengths
from annotate.logbook.tables import (
    CandidateRow,
    CardSightingRow,
    ClipRow,
    ObservationRow,
    SiteRow,
    StretchRow,
    TreeRow,
)

BY_PIXELS = "pixels: "
"""How `length_from` begins where a length was reckoned; anything else was measured by a person."""


@dataclass(frozen=True, slots=True)
class SeenBody:
    """A body seen in a clip, or written down by eye, with what its length in mm can rest on.

    Attributes
    ----------
    observation_id, candidate_id : None where there is none
    clip_id : None where it was seen by eye
    at, zone : moment, UTC, and the local zone
    kind : "silhouette" or "feeding"; empty where it was seen by eye
    length_px : median over the kept views, or where people corrected outlines over those; 0 where it was seen by eye
    is_drawn_by_hand : whether a person drew the outlines that the length rests on
    frame_size_px : (rows, columns)
    is_photo : whether the clip is made of photos, whole pictures of the lens
    focal_equivalent_mm : stated by the clip's file
    height_m : above the ground, as somebody wrote down
    length_mm, length_error_mm, length_from : kept with the observation
    """

    observation_id: int | None
    candidate_id: int | None
    clip_id: int | None
    site: str
    tree: str
    taxon: str
    stage: str | None
    at: datetime
    zone: str
    kind: str
    length_px: float
    best_s: float
    frame_size_px: tuple[int, int]
    is_photo: bool
    focal_equivalent_mm: float | None
    height_m: float | None
    length_mm: float | None
    length_error_mm: float | None
    length_from: str | None
    is_drawn_by_hand: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class SeenCard:
    """A tree card in a frame of a clip: the number on it and its corners, float32 (4, 2), (row, column)."""

    marker: int
    time_s: float
    corners: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class KeptLength:
    """A length to keep with an observation."""

    observation_id: int
    length_mm: float
    error_mm: float
    rests_on: str


def keep_focal_length(logbook: Logbook, clip_id: int, focal_equivalent_mm: float | None) -> None:
    """Keep what a clip's file states of its lens; None leaves what was known."""
    if focal_equivalent_mm is None:
        return
    with logbook.writing() as session:
        get_clip(session, clip_id).focal_equivalent_mm = focal_equivalent_mm


def read_focal_lengths(logbook: Logbook) -> Mapping[int, float | None]:
    """Return the focal length that each clip's file states, by clip id."""
    with logbook.reading() as session:
        rows = session.execute(select(ClipRow.id, ClipRow.focal_equivalent_mm))
        return {row.id: row.focal_equivalent_mm for row in rows}


def list_bodies(logbook: Logbook, *, site: str = "", tree: str = "") -> tuple[SeenBody, ...]:
    """Return the animals of all standing observations by date, of one site or tree (code) where named; feeding is left out."""
    wanted = (
        _select_bodies()
        .where(ObservationRow.withdrawn_at.is_(None), ObservationRow.count > 0)
        .order_by(ObservationRow.at, ObservationRow.id)
    )
    if site:
        wanted = wanted.where(SiteRow.code == site)
    if tree:
        wanted = wanted.where(TreeRow.code == tree)
    with logbook.reading() as session:
        bodies = [_to_body(*row) for row in session.execute(wanted)]
        return _measure_corrected(session, [body for body in bodies if body.kind != "feeding"])


def find_body(logbook: Logbook, candidate_id: int) -> SeenBody:
    """Return what a candidate shows, confirmed or not.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such candidate.
    """
    with logbook.reading() as session:
        found = session.execute(
            select(CandidateRow, ClipRow, ObservationRow, SiteRow.code, TreeRow)
            .join(ClipRow, ClipRow.id == CandidateRow.clip_id)
            .outerjoin(ObservationRow, ObservationRow.candidate_id == CandidateRow.id)
            .outerjoin(TreeRow, TreeRow.id == CandidateRow.tree_id)
            .outerjoin(SiteRow, SiteRow.id == TreeRow.site_id)
            .where(CandidateRow.id == candidate_id)
        ).first()
        if found is None:
            raise AnnotateError(
                f"candidate: expected the id of a candidate; found {candidate_id}; see them on the page: leafshade review"
            )
        candidate, clip, observation, site, tree = found
        taxon = (tree.expected_taxon if tree is not None else "") or logbook.settings.record.taxon
        body = _join_body(
            observation, candidate, clip, site=site, tree=None if tree is None else tree.code, taxon=taxon
        )
        return _measure_corrected(session, [body])[0]


def list_cards_seen(logbook: Logbook, clip_id: int) -> tuple[SeenCard, ...]:
    """Return the tree cards seen in a clip, by time."""
    wanted = (
        select(CardSightingRow)
        .where(CardSightingRow.clip_id == clip_id)
        .order_by(CardSightingRow.time_s, CardSightingRow.id)
    )
    with logbook.reading() as session:
        return tuple(
            SeenCard(row.marker, row.time_s, np.frombuffer(row.corners, "<f4").reshape(4, 2))
            for row in session.scalars(wanted)
        )


def list_tree_heights(logbook: Logbook, clip_id: int) -> tuple[tuple[str, float | None], ...]:
    """Return the trees that a clip was filmed under, by code, with their heights in m."""
    wanted = (
        select(TreeRow.code, func.max(TreeRow.height_m))
        .join(StretchRow, StretchRow.tree_id == TreeRow.id)
        .where(StretchRow.clip_id == clip_id)
        .group_by(TreeRow.id)
        .order_by(TreeRow.code)
    )
    with logbook.reading() as session:
        return tuple((code, height_m) for code, height_m in session.execute(wanted))


def keep_lengths(logbook: Logbook, lengths: Sequence[KeptLength], *, who: str, at: datetime) -> int:
    """Keep lengths with their observations, all or none; those that a person measured stay. Return how many were kept."""
    kept = 0
    with logbook.writing() as session:
        for length in lengths:
            row = session.get(ObservationRow, length.observation_id)
            if row is None:
                raise AnnotateError(
                    f"observation: expected the id of an observation; found {length.observation_id}; "
                    "see them with: leafshade observations"
                )
            if row.length_mm is not None and not (row.length_from or "").startswith(BY_PIXELS):
                continue
            changes = {
                "length_mm": round(length.length_mm, 1),
                "length_error_mm": round(length.error_mm, 1),
                "length_from": f"{BY_PIXELS}{length.rests_on}",
            }
            change_fields(session, row, changes=changes, who=who, at=at)
            kept += 1
    return kept


def _select_bodies() -> "Select[ObservationRow, CandidateRow, ClipRow, str, str]":
    return (
        select(ObservationRow, CandidateRow, ClipRow, SiteRow.code, TreeRow.code)
        .outerjoin(CandidateRow, CandidateRow.id == ObservationRow.candidate_id)
        .outerjoin(ClipRow, ClipRow.id == CandidateRow.clip_id)
        .outerjoin(TreeRow, TreeRow.id == ObservationRow.tree_id)
        .outerjoin(SiteRow, SiteRow.id == TreeRow.site_id)
    )


def _measure_corrected(session: Session, bodies: Sequence[SeenBody]) -> tuple[SeenBody, ...]:
    """Return the bodies as long as the outlines that people corrected make them: where there are any, these alone count."""
    sizes = {body.candidate_id: body.frame_size_px for body in bodies if body.candidate_id is not None}
    lengths = measure_lengths(
        session, load_corrections(session, sizes), frame_sizes_px=sizes, only_corrected=True
    )
    return tuple(
        replace(body, length_px=lengths[body.candidate_id], is_drawn_by_hand=True)
        if body.candidate_id in lengths
        else body
        for body in bodies
    )


def _to_body(
    observation: ObservationRow,
    candidate: CandidateRow | None,
    clip: ClipRow | None,
    site: str | None,
    tree: str | None,
) -> SeenBody:
    return _join_body(observation, candidate, clip, site=site, tree=tree, taxon=observation.taxon)


def _join_body(
    observation: ObservationRow | None,
    candidate: CandidateRow | None,
    clip: ClipRow | None,
    *,
    site: str | None,
    tree: str | None,
    taxon: str,
) -> SeenBody:
    """Join what the rows say; one of observation and candidate is there, a candidate with its clip."""
    moment: Any = observation or candidate
    zone = observation.zone if observation is not None else clip.zone if clip is not None else "UTC"
    return SeenBody(
        observation_id=observation.id if observation else None,
        candidate_id=candidate.id if candidate else None,
        clip_id=clip.id if clip else None,
        site=site or "",
        tree=tree or "",
        taxon=observation.taxon if observation else taxon,
        stage=observation.stage if observation else None,
        at=moment.at,
        zone=zone,
        kind=candidate.kind if candidate else "",
        length_px=candidate.length_px if candidate else 0.0,
        best_s=candidate.best_s if candidate else 0.0,
        frame_size_px=(candidate.frame_rows, candidate.frame_cols) if candidate else (0, 0),
        is_photo=clip is not None and clip.kind == "photos",
        focal_equivalent_mm=clip.focal_equivalent_mm if clip else None,
        height_m=observation.height_m if observation else None,
        length_mm=observation.length_mm if observation else None,
        length_error_mm=observation.length_error_mm if observation else None,
        length_from=observation.length_from if observation else None,
    )

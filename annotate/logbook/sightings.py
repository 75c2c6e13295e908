"""Tree cards seen in clips, kept with their corners, and the stretches that they cut.

Cutting again replaces only what cards cut before. Candidates and their observations move along, and the history says so: that of
an observation in its own list, that of a clip's stretches under the clip. How cards become stretches stands in
`annotate.card_stretches`; whether a card is a card, in `detect.cards`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from annotate.card_stretches import CardStretch, ShownCard, plan_stretches
from annotate.logbook.changes import note_changes
from annotate.logbook.clips import find_tree_at, get_clip, list_stretches, move_to_visit
from annotate.logbook.observations import change_fields
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Stretch
from annotate.logbook.tables import (
    CandidateRow,
    CardSightingRow,
    ClipRow,
    ObservationRow,
    SiteRow,
    StretchRow,
    TreeRow,
)

if TYPE_CHECKING:
    from detect.cards import CardSighting

CARD = "card"
"""How a stretch that a card cut is marked, and who changed what it moved."""

PHOTOS = "photos"
FIELD = "stretches by card"
SAME_TIME_S = 1e-6


@dataclass(frozen=True, slots=True)
class CardCut:
    """What the cards of a clip did.

    Attributes
    ----------
    stretches : those that cards cut, in order of time
    is_changed : whether they differ from those before
    notes : what a person should know, in sentences
    """

    stretches: tuple[Stretch, ...]
    is_changed: bool
    notes: tuple[str, ...]


def cut_by_cards(
    logbook: Logbook, clip_id: int, sightings: "Sequence[CardSighting] | None" = None
) -> CardCut:
    """Cut a clip into stretches where cards were shown; what a person said of it stays.

    Parameters
    ----------
    sightings : what a search saw, which replaces what an older one saw; None to cut by what is kept, after trees got cards
    """
    with logbook.writing() as session:
        clip = get_clip(session, clip_id)
        if sightings is not None:
            _keep(session, clip_id, sightings)
        shown = _list_shown(session, clip)
        trees = _find_trees(session, {card.marker for card in shown})
        rows = session.scalars(select(StretchRow).where(StretchRow.clip_id == clip_id)).all()
        before = [row for row in rows if row.source == CARD]
        said = [row for row in rows if row.source != CARD]
        ends = {marker: tree.id for marker, tree in trees.items()}
        spans = [(row.start_s, row.end_s) for row in said]
        planned = plan_stretches(shown, trees=ends, end_s=clip.duration_s, said=spans)
        is_changed = not _are_same(before, planned)
        if is_changed:
            _replace(session, clip, before=before, said=said, planned=planned)
        notes = (*_tell_unknown(shown, trees), *_tell_overruled(session, shown, trees, said))
        notes += tuple(_tell_sites(session, planned))
    cut = tuple(one for one in list_stretches(logbook, clip_id) if one.source == CARD)
    return CardCut(cut, is_changed, notes)


def list_sightings(logbook: Logbook, clip_id: int) -> "tuple[CardSighting, ...]":
    """Return the cards seen in a clip, in order of time."""
    with logbook.reading() as session:
        return _read(session, clip_id)


def _keep(session: Session, clip_id: int, sightings: "Sequence[CardSighting]") -> None:
    session.execute(delete(CardSightingRow).where(CardSightingRow.clip_id == clip_id))
    session.add_all(
        CardSightingRow(
            clip_id=clip_id,
            marker=int(sighting.number),
            time_s=float(sighting.time_s),
            corners=np.asarray(sighting.corners, "<f4").tobytes(),
        )
        for sighting in sightings
    )
    session.flush()


def _read(session: Session, clip_id: int) -> "tuple[CardSighting, ...]":
    from detect.cards import CardSighting

    wanted = (
        select(CardSightingRow)
        .where(CardSightingRow.clip_id == clip_id)
        .order_by(CardSightingRow.time_s, CardSightingRow.marker)
    )
    return tuple(
        CardSighting(row.time_s, row.marker, np.frombuffer(row.corners, "<f4").reshape(4, 2))
        for row in session.scalars(wanted)
    )


def _list_shown(session: Session, clip: ClipRow) -> list[ShownCard]:
    from detect.cards import LEAST_SIGHTINGS, gather_showings

    # A photo stands for itself; in a video, frames must agree.
    least = 1 if clip.kind == PHOTOS else LEAST_SIGHTINGS
    showings = gather_showings(_read(session, clip.id), least_sightings=least)
    return [ShownCard(showing.number, showing.first_s, showing.last_s) for showing in showings]


def _find_trees(session: Session, markers: set[int]) -> dict[int, TreeRow]:
    rows = session.scalars(select(TreeRow).where(TreeRow.marker.in_(markers)))
    return {row.marker: row for row in rows if row.marker is not None}


def _are_same(before: Sequence[StretchRow], planned: Sequence[CardStretch]) -> bool:
    old = sorted((row.start_s, row.end_s, row.tree_id, row.doubt) for row in before)
    new = sorted((one.start_s, one.end_s, one.tree_id, one.doubt) for one in planned)
    return len(old) == len(new) and all(
        a[2:] == b[2:] and abs(a[0] - b[0]) < SAME_TIME_S and abs(a[1] - b[1]) < SAME_TIME_S
        for a, b in zip(old, new, strict=True)
    )


def _replace(
    session: Session,
    clip: ClipRow,
    *,
    before: Sequence[StretchRow],
    said: Sequence[StretchRow],
    planned: Sequence[CardStretch],
) -> None:
    """Put the planned stretches in the place of those before, and let everything filmed in either follow."""
    now = datetime.now(UTC)
    touched = [(row.start_s, row.end_s) for row in before] + [(one.start_s, one.end_s) for one in planned]
    was = _describe(session, [(row.tree_id, row.start_s, row.end_s) for row in before])
    for row in before:
        session.delete(row)
    rows = [
        StretchRow(
            clip_id=clip.id,
            tree_id=one.tree_id,
            start_s=one.start_s,
            end_s=one.end_s,
            source=CARD,
            doubt=one.doubt,
        )
        for one in planned
    ]
    session.add_all(rows)
    session.flush()
    is_now = _describe(session, [(row.tree_id, row.start_s, row.end_s) for row in rows])
    if before:
        changed = [(FIELD, was, is_now)]
        note_changes(session, "clip", record_id=clip.id, changed=changed, who=CARD, at=now)
    standing = sorted([*rows, *said], key=lambda row: row.start_s)
    if standing:
        site_id = session.get_one(TreeRow, standing[0].tree_id).site_id
        move_to_visit(session, clip, site_id=site_id)
    _move_candidates(session, clip, standing=standing, touched=touched, at=now)


def _move_candidates(
    session: Session,
    clip: ClipRow,
    *,
    standing: Sequence[StretchRow],
    touched: Sequence[tuple[float, float]],
    at: datetime,
) -> None:
    """Give the candidates in what was cut their tree, or none, and let their observations follow with history."""
    found = session.execute(
        select(CandidateRow, ObservationRow)
        .outerjoin(ObservationRow, ObservationRow.candidate_id == CandidateRow.id)
        .where(CandidateRow.clip_id == clip.id)
    ).all()
    for candidate, observation in found:
        if not any(start_s <= candidate.best_s <= end_s for start_s, end_s in touched):
            continue
        tree_id = find_tree_at(standing, candidate.best_s)
        if tree_id == candidate.tree_id:
            continue
        candidate.tree_id = tree_id
        if observation is not None:
            change_fields(session, observation, changes={"tree_id": tree_id}, who=CARD, at=at)


def _describe(session: Session, stretches: Sequence[tuple[int, float, float]]) -> str:
    """Return stretches in one line: "OT01 0.0-12.3 s, OT02 12.3-40.0 s"."""
    codes = {
        tree_id: session.get_one(TreeRow, tree_id).code
        for tree_id in {tree_id for tree_id, _, _ in stretches}
    }
    return ", ".join(
        f"{codes[tree_id]} {start_s:.1f}-{end_s:.1f} s"
        for tree_id, start_s, end_s in sorted(stretches, key=lambda one: one[1])
    )


def _tell_unknown(shown: Sequence[ShownCard], trees: dict[int, TreeRow]) -> list[str]:
    return [
        f"at {card.first_s:.1f} s a card with marker {card.marker} is shown, which no tree of this logbook has; from there to "
        "the next card no tree is named. Give it to its tree with: leafshade trees import, column marker"
        for card in shown
        if card.marker not in trees
    ]


def _tell_overruled(
    session: Session, shown: Sequence[ShownCard], trees: dict[int, TreeRow], said: Sequence[StretchRow]
) -> list[str]:
    notes = []
    for card in shown:
        tree = trees.get(card.marker)
        over = next((row for row in said if row.start_s <= card.first_s < row.end_s), None)
        if tree is not None and over is not None and over.tree_id != tree.id:
            other = session.get_one(TreeRow, over.tree_id).code
            notes.append(
                f"at {card.first_s:.1f} s the card of {tree.code} is shown in a part that was said to be {other}; "
                "what was said stays"
            )
    return notes


def _tell_sites(session: Session, planned: Sequence[CardStretch]) -> list[str]:
    """Tell where a clip shows cards of several sites: it can belong to one visit only."""
    trees = [session.get_one(TreeRow, one.tree_id) for one in planned]
    sites = list(dict.fromkeys(tree.site_id for tree in trees))
    if len(sites) < 2:
        return []
    codes = [session.get_one(SiteRow, site_id).code for site_id in sites]
    return [
        f"cards of several sites ({', '.join(codes)}) are shown in one clip; it stands under the visit to {codes[0]}"
    ]

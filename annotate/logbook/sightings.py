"""Tree cards seen in clips, kept with their corners, and the stretches that they cut.

Cutting again replaces what cards cut before, and what weaker sources did. Candidates and their observations move along, with
history (`annotate.logbook.stretches`). How cards become stretches stands in `annotate.field.card_stretches`; whether a card is
a card, in `detect.cards`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from annotate.field.card_stretches import CardStretch, ShownCard, plan_stretches
from annotate.logbook.clips import get_clip, list_stretches
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Stretch
from annotate.logbook.stretches import CARD, PlannedStretch, list_stronger, replace_stretches
from annotate.logbook.tables import (
    CardSightingRow,
    ClipRow,
    SiteRow,
    StretchRow,
    TreeRow,
)

if TYPE_CHECKING:
    from detect.cards import CardSighting

PHOTOS = "photos"


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
        said = list_stronger(session, clip_id, source=CARD)
        ends = {marker: tree.id for marker, tree in trees.items()}
        spans = [(row.start_s, row.end_s) for row in said]
        planned = plan_stretches(shown, trees=ends, end_s=clip.duration_s, said=spans)
        wanted = [PlannedStretch(one.tree_id, one.start_s, one.end_s, one.doubt) for one in planned]
        is_changed = replace_stretches(session, clip, wanted, source=CARD, who=CARD)
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

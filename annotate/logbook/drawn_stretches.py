"""The stretches of a clip as a person drew them: all of them at once, so that drawing, moving, naming, removing and undo are one.

What is as it was keeps its source and its doubt; what was changed, or confirmed, was said by a person. Everything filmed moves
along with history. A page that knew other stretches than stand now is told so, and nothing changes.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import pairwise

from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.changes import note_changes
from annotate.logbook.clips import GIVEN, SHORTEST_STRETCH_S, get_clip, move_to_visit
from annotate.logbook.opening import Logbook
from annotate.logbook.stretches import STRENGTH, describe_stretches, list_rows, move_filmed
from annotate.logbook.tables import SiteRow, StretchRow, TreeRow

SAME_S = 0.001
SLACK_S = 0.1


@dataclass(frozen=True, slots=True)
class DrawnStretch:
    """A stretch as a page shows it: the tree as "SITE/CODE", and why it is asked about, empty where nobody is."""

    tree: str
    start_s: float
    end_s: float
    source: str
    doubt: str


def read_drawn(logbook: Logbook, clip_id: int) -> tuple[DrawnStretch, ...]:
    """Return the stretches of a clip in order of time."""
    with logbook.reading() as session:
        return tuple(_describe(session, row) for row in list_rows(session, clip_id))


def _describe(session: Session, row: StretchRow) -> DrawnStretch:
    tree = session.get_one(TreeRow, row.tree_id)
    site = session.get_one(SiteRow, tree.site_id)
    return DrawnStretch(f"{site.code}/{tree.code}", row.start_s, row.end_s, row.source, row.doubt)


def draw_stretches(
    logbook: Logbook,
    clip_id: int,
    *,
    drawn: Sequence[DrawnStretch],
    seen: Sequence[DrawnStretch],
    tree_ids: Sequence[int],
    who: str,
) -> None:
    """Let the stretches of a clip be those drawn.

    Parameters
    ----------
    drawn : those that shall stand, with "given" as source where a person says them; `tree_ids` are their trees
    seen : those that the page showed before

    Raises
    ------
    annotate.errors.AnnotateError
        Where they overlap, have no length, lie outside the clip, or others stand by now than the page showed.
    """
    now = datetime.now(UTC)
    with logbook.writing() as session:
        clip = get_clip(session, clip_id)
        before = list_rows(session, clip_id)
        if not _are_same([_describe(session, row) for row in before], seen):
            raise AnnotateError(
                f"stretches of {clip.name}: expected those that the page showed; found others, changed meanwhile; "
                "reload the page and do it again"
            )
        _check(drawn, duration_s=clip.duration_s)
        touched = [(row.start_s, row.end_s) for row in before]
        touched += [(one.start_s, one.end_s) for one in drawn]
        was = describe_stretches(session, before)
        for row in before:
            session.delete(row)
        rows = [
            StretchRow(
                clip_id=clip_id,
                tree_id=tree_id,
                start_s=one.start_s,
                end_s=one.end_s,
                source=one.source,
                doubt=one.doubt,
            )
            for one, tree_id in zip(drawn, tree_ids, strict=True)
        ]
        session.add_all(rows)
        session.flush()
        rows = list_rows(session, clip_id)
        changed = [("stretches", was, describe_stretches(session, rows))]
        note_changes(session, "clip", record_id=clip_id, changed=changed, who=who, at=now)
        if rows:
            move_to_visit(session, clip, site_id=session.get_one(TreeRow, rows[0].tree_id).site_id)
        move_filmed(session, clip, standing=rows, touched=touched, who=who, at=now)


def mark_source(drawn: DrawnStretch) -> DrawnStretch:
    """Return a drawn stretch with its source and doubt as they stood, "given" and no doubt where a person said or changed it."""
    if drawn.source in STRENGTH:
        return drawn
    return replace(drawn, source=GIVEN, doubt="")


def _check(drawn: Sequence[DrawnStretch], *, duration_s: float) -> None:
    for one in drawn:
        if not (one.start_s >= 0 and one.end_s - one.start_s >= SHORTEST_STRETCH_S):
            raise AnnotateError(
                f"stretch: expected a start of 0 s or later and an end after it; found {one.start_s:g} to {one.end_s:g} s; "
                "correct them"
            )
        if one.end_s > max(duration_s, SHORTEST_STRETCH_S) + SLACK_S:
            raise AnnotateError(
                f"stretch: expected an end within the clip's {duration_s:.1f} s; found {one.end_s:.1f} s; correct it"
            )
    for before, after in pairwise(sorted(drawn, key=lambda one: one.start_s)):
        if after.start_s < before.end_s - SAME_S:
            raise AnnotateError(
                f"stretches: expected none to overlap; found {before.tree} to {before.end_s:.1f} s and {after.tree} from "
                f"{after.start_s:.1f} s; move one of them"
            )


def _are_same(some: Sequence[DrawnStretch], others: Sequence[DrawnStretch]) -> bool:
    ordered = sorted(others, key=lambda one: one.start_s)
    return len(some) == len(ordered) and all(map(_is_same, some, ordered))


def _is_same(one: DrawnStretch, other: DrawnStretch) -> bool:
    return (
        one.tree == other.tree
        and abs(one.start_s - other.start_s) < SAME_S
        and abs(one.end_s - other.end_s) < SAME_S
    )

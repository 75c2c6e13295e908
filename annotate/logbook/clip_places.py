"""The place that a clip's file states, kept with the clip, and the stretch that it gives where nothing better is known.

The errors of the place and of the trees are weighed as in `annotate.field.track_stretches`; but it is one place for a whole
clip, so a clip too long for one tree is always asked about.
"""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from annotate.field.track_stretches import (
    NEAR_M,
    RADIUS_TO_DEVIATION,
    STANDS_OFF_M,
    USUAL_ERROR_M,
    StandingTree,
    say_doubt,
    to_metres,
)
from annotate.logbook.clips import get_clip
from annotate.logbook.opening import Logbook
from annotate.logbook.stretches import (
    POSITION,
    PlannedStretch,
    leave_out,
    list_stronger,
    replace_stretches,
)
from annotate.logbook.tracks import list_standing_trees

if TYPE_CHECKING:
    from detect.clip_places import ClipPlace

CERTAIN = 0.995
"""A tree at least this probable is taken without asking: more is asked of one place alone than of a whole walk."""

SHORT_S = 180.0
"""A clip so short is taken to be filmed under one tree; cameras write only where it began."""

SHORTEST_S = 0.05
PHOTOS = "photos"


def cut_by_place(logbook: Logbook, clip_id: int, place: "ClipPlace | None") -> str:
    """Keep where a clip was taken and tie it to the nearest tree within reach; return why it is asked about, or nothing."""
    if place is None:
        return ""
    trees = list_standing_trees(logbook)
    tree, doubt = find_nearest(place, trees)
    with logbook.writing() as session:
        clip = get_clip(session, clip_id)
        clip.latitude_deg, clip.longitude_deg = place.latitude_deg, place.longitude_deg
        clip.accuracy_m = place.error_m
        session.flush()
        if tree is None:
            return ""
        if not doubt and clip.kind != PHOTOS and clip.duration_s > SHORT_S:
            doubt = (
                f"{tree.code} is nearest to where the clip began, but at {clip.duration_s / 60:.0f} minutes "
                "it may go on to others"
            )
        planned = [PlannedStretch(tree.tree_id, 0.0, max(clip.duration_s, SHORTEST_S), doubt)]
        free = leave_out(planned, list_stronger(session, clip_id, source=POSITION))
        replace_stretches(session, clip, free, source=POSITION, who=POSITION)
        return doubt if free else ""


def find_nearest(place: "ClipPlace", trees: Sequence[StandingTree]) -> tuple[StandingTree | None, str]:
    """Return the likeliest tree within reach, None where none is, and the doubt in words, empty where certain."""
    if not trees:
        return None, ""
    error_m = USUAL_ERROR_M if place.error_m is None else place.error_m
    stems = to_metres(
        np.array([tree.latitude_deg for tree in trees]),
        np.array([tree.longitude_deg for tree in trees]),
        (place.latitude_deg, place.longitude_deg),
    )
    apart = np.hypot(*stems.T)
    widths = (
        np.array([math.hypot(error_m, tree.error_m, STANDS_OFF_M) for tree in trees]) * RADIUS_TO_DEVIATION
    )
    logs = -0.5 * (apart / widths) ** 2 - 2 * np.log(widths)
    shares = np.exp(logs - logs.max())
    shares /= shares.sum()
    best = int(shares.argmax())
    if apart[best] > NEAR_M + error_m:
        return None, ""
    if shares[best] < CERTAIN:
        return trees[best], say_doubt(shares, best, trees, by="its file")
    # Beyond three deviations the place fits no tree of the register well, however far the others are.
    if apart[best] > 3 * widths[best]:
        return trees[
            best
        ], f"{trees[best].code} is nearest, but {apart[best]:.0f} m from where its file says it was taken"
    return trees[best], ""

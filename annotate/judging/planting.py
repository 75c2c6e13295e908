"""Larvae planted in a clip on request: drawn into its frames in memory, searched for, and what the search offers put to review.

So it is measured, on this very footage, how many larvae the search finds and how many of those the reviewer recognises. The
search runs with the logbook's settings over the frames with the larvae (`detect.planted_frames`); only candidates that show one
of them are kept, those it would not have offered too as a miss. The clip is read and never written. What is measured holds for
drawn larvae on lit leaves; a real one may be better hidden. A run that is stopped keeps nothing and begins anew.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from annotate.errors import AnnotateError
from annotate.judging.agreement import HitRate, rate_reviewer
from annotate.logbook.audits import list_footage
from annotate.logbook.clips import find_clip_by_sha256
from annotate.logbook.opening import Logbook
from annotate.logbook.planted import (
    NewPlanted,
    Planted,
    PlantedCount,
    check_unplanted,
    list_planted,
    list_seen,
    read_body,
    save_planted,
)
from annotate.logbook.records import Clip, Count
from annotate.logbook.searches import find_current_search
from annotate.searching import choose_settings, look_at_found
from models.metrics import LENGTH_CLASSES_PX

if TYPE_CHECKING:
    from detect.candidates import Candidate
    from detect.clips import ChangeFrames, ClipInfo
    from detect.planted_frames import Marks, PlantedBody
    from detect.scoring import Scorer
    from detect.search import ClipSearch, SearchSettings

USUAL_LARVAE = 5
"""Larvae planted in a clip: in a season's clips together enough to tell the search by, in one clip no more than a crown may
hold."""

MOST_TRIES = 8
"""Moments and leaves tried for each larva; after so many the clip has no room for it."""

MOST_WITHOUT_ROOM = 2
"""After so many larvae in a row that found no room the clip is taken to be full: each costs minutes on a busy machine."""

NOTHING_SCORED = 2.0
"""A floor that no score reaches."""

NEAR_S = 0.5
"""No larva is planted where a candidate was seen within so long of that moment."""

PLANNING_SHARE = 0.4
"""Of the time a run takes, about what goes into choosing and following places (measured on the sample clip)."""

OnProgress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class PlantedClip:
    """What became of a clip: the larvae planted, how many were asked for, and how many of them the search found."""

    clip: Clip
    wanted: int
    planted: int
    found: int


@dataclass(frozen=True, slots=True)
class PlantedRecall:
    """How many planted larvae of one class of length a search found; the last class is all of them, from 0 to infinity."""

    scorer: str
    low_px: float
    high_px: float
    rate: HitRate

    @property
    def is_all(self) -> bool:
        """Whether it is of all lengths."""
        return self.low_px == 0 and self.high_px == float("inf")


def plant_into_logbook(
    logbook: Logbook,
    info: "ClipInfo",
    *,
    larvae: int,
    seed: int,
    scorer: "Scorer",
    at: datetime,
    on_progress: OnProgress | None = None,
) -> PlantedClip:
    """Plant larvae in a clip that was searched, search it, and save what was made of them.

    Parameters
    ----------
    larvae : how many; fewer where the clip has no room on lit leaves that are long enough on show
    seed : the same clip, seed and program plant the same
    on_progress : called with the share done, 0 to 1

    Raises
    ------
    annotate.errors.AnnotateError
        Where the clip was not searched, has no room at all, or the same were planted already.
    detect.errors.DetectError
        Where the clip cannot be read.
    """
    from detect.planted_frames import plant
    from detect.search import search_clip

    tell = on_progress or (lambda share: None)
    clip = find_clip_by_sha256(logbook, info.sha256)
    if clip is None or find_current_search(logbook, clip.id) is None:
        raise AnnotateError(
            f"{info.path}: expected a clip that was searched into this logbook; found one that was not; search it first: "
            "leafshade search CLIP"
        )
    check_unplanted(logbook, clip.id, scorer=scorer.name, seed=seed)
    settings = choose_settings(logbook)
    bodies = _choose_bodies(
        logbook,
        info,
        clip,
        larvae=larvae,
        seed=seed,
        window_s=settings.window_s,
        tell=lambda share: tell(PLANNING_SHARE * share),
    )
    if not bodies:
        raise AnnotateError(
            f"{info.path}: expected lit leaves that are on show for a second, with room for a larva; found none; choose a clip "
            "held more still or closer to the leaves"
        )
    marks: Marks = {}
    found = search_clip(
        info,
        replace(settings, silhouette_score=0.0, feeding_score=NOTHING_SCORED),
        scorer=scorer,
        with_cards=False,
        change_frames=lambda frames: plant(frames, bodies, marks),
        on_progress=lambda time_s: tell(
            PLANNING_SHARE + (1 - PLANNING_SHARE) * min(1.0, time_s / max(clip.duration_s, 1e-3))
        ),
    )
    try:
        planted = _tell_found(found, bodies, marks, settings)
        save_planted(logbook, clip.id, scorer=scorer.name, seed=seed, at=at, planted=planted)
        # Without a look it would be the only one that nothing can be compared with, and stand apart in the order.
        look_at_found(logbook, clip.id, scorer)
    finally:
        found.close()
    return PlantedClip(clip, larvae, len(planted), sum(one.candidate is not None for one in planted))


def find_change(logbook: Logbook, candidate_id: int) -> "ChangeFrames | None":
    """Return what lays the larva of a planted candidate into the frames of its clip again; None for any other candidate.

    Whatever is cut from the clip for a candidate, a loop or more of its surroundings, is cut from the frames changed by this, or
    the larva would be gone from them. It is said to nobody.
    """
    packed = read_body(logbook, candidate_id)
    if packed is None:
        return None
    from detect.planted_frames import plant, unpack_body

    body = unpack_body(packed)
    return lambda frames: plant(frames, [body], {})


def measure_recall(planted: Sequence[Planted]) -> tuple[PlantedRecall, ...]:
    """Return for each scorer, newest first, how many planted larvae it found: by class of length, and of all."""
    scorers = dict.fromkeys(one.scorer for one in reversed(planted))
    classes = (*LENGTH_CLASSES_PX, (0.0, float("inf")))
    return tuple(
        PlantedRecall(scorer, low, high, rate_reviewer(sum(one.is_found for one in alike), len(alike)))
        for scorer in scorers
        for low, high in classes
        for alike in ([one for one in planted if one.scorer == scorer and low <= one.length_px < high],)
    )


def measure_missed(logbook: Logbook, *, visit_id: int | None = None) -> HitRate:
    """Return how many planted larvae the search missed, of how many: on one visit's clips, or on all, by the weights used last.

    A chance by larvae, beside that by moments of `annotate.judging.auditing.find_missed_chance`: it holds for drawn larvae on
    lit leaves, and is known for certain, while an audit's larvae are real and their number an estimate.
    """
    of_visit = {one.clip.id for one in list_footage(logbook, visit_id=visit_id)}
    planted = [one for one in list_planted(logbook) if visit_id is None or one.clip_id in of_visit]
    newest = [one for one in planted if one.scorer == planted[-1].scorer]
    return rate_reviewer(sum(not one.is_found for one in newest), len(newest))


def leave_out_planted(counts: Sequence[Count], planted: Sequence[PlantedCount]) -> tuple[Count, ...]:
    """Return counts of candidates without the planted ones; trees that have no others go."""
    by_tree = {one.tree_id: one for one in planted}
    nothing = PlantedCount(0, 0, 0, 0, 0)
    left = []
    for count in counts:
        less = by_tree.get(count.tree_id, nothing)
        rest = replace(
            count,
            confirmed=count.confirmed - less.confirmed,
            dismissed=count.dismissed - less.dismissed,
            unsure=count.unsure - less.unsure,
            open=count.open - less.open,
        )
        if rest.all:
            left.append(rest)
    return tuple(left)


def say_recall(recall: PlantedRecall) -> str:
    """Return a line on a class of length: how many were found, and the exact interval of the chance."""
    rate = recall.rate
    if recall.is_all:
        name = "all lengths"
    elif recall.high_px == float("inf"):
        name = f"{recall.low_px:g} px and longer"
    else:
        name = f"{recall.low_px:g} to {recall.high_px:g} px"
    if rate.share is None:
        return f"{name}: none planted"
    return f"{name}: {rate.hits} of {rate.shown} found, {rate.share:.0%} ({rate.low:.0%} to {rate.high:.0%})"


def _choose_bodies(
    logbook: Logbook,
    info: "ClipInfo",
    clip: Clip,
    *,
    larvae: int,
    seed: int,
    window_s: float,
    tell: OnProgress,
) -> list["PlantedBody"]:
    """Return bodies that come near neither each other nor what was found, each from a generator of its own."""
    from detect.planted_frames import choose_body, collide, find_reach

    seen = list_seen(logbook, clip.id)
    bodies: list[PlantedBody] = []

    def find_taken(time_s: float) -> list[tuple[int, int, int, int]]:
        # A place beside another body would only be given up once it had been followed, which takes seconds.
        near = [box for seen_s, box in seen if abs(seen_s - time_s) <= NEAR_S]
        return near + [box for box in (find_reach(body, time_s) for body in bodies) if box is not None]

    without_room = 0
    for number in range(larvae):
        rng = np.random.default_rng((seed, number))
        for _ in range(MOST_TRIES):
            body = choose_body(
                info,
                rng,
                seed=int(rng.integers(2**31)),
                duration_s=clip.duration_s,
                window_s=window_s,
                find_taken=find_taken,
            )
            if body is not None and not any(collide(body, other) for other in bodies):
                bodies.append(body)
                without_room = 0
                break
        else:
            without_room += 1
        tell((number + 1) / larvae)
        if without_room == MOST_WITHOUT_ROOM:
            break
    return bodies


def _tell_found(
    found: "ClipSearch", bodies: Sequence["PlantedBody"], marks: "Marks", settings: "SearchSettings"
) -> list[NewPlanted]:
    """Return each body on show in a frame looked at, with the best candidate showing it by the rule of `detect.truth_scoring`."""
    from detect.planted_frames import pack_body
    from detect.truth_scoring import LEAST_VISIBLE, find_shown_larva

    best: dict[str, Candidate] = {}
    for candidate in found.candidates:
        name = None if candidate.kind != "silhouette" else find_shown_larva(candidate, marks)
        if name is not None and (name not in best or candidate.score > best[name].score):
            best[name] = candidate
    planted = []
    looked_at = frozenset(found.times_s)
    for number, body in enumerate(bodies):
        name = str(number)
        shown = [
            mark
            for truth in marks.values()
            if truth.time_s in looked_at
            for mark in truth.larvae
            if mark.larva_id == name and mark.visible >= LEAST_VISIBLE
        ]
        if not shown:
            continue
        shows = best.get(name)
        score = 0.0 if shows is None else float(shows.score)
        planted.append(
            NewPlanted(
                first_s=float(body.times_s[0]),
                last_s=float(body.times_s[-1]),
                length_px=float(median(mark.length_px for mark in shown)),
                sharpness=float(median(mark.sharpness for mark in shown)),
                best_score=score,
                candidate=shows if score >= settings.silhouette_score else None,
                body=pack_body(body),
            )
        )
    return planted

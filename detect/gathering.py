"""From tracks to candidates: the score of all views together, and the best views with their pictures."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from detect.candidates import Candidate, View
from detect.evidence import HeldJpeg, PictureStore
from detect.following import Sighting, Track
from detect.regions import Kind

BEST_VIEWS_COUNTED = 5
"""A larva is seen well in a few frames only; the rest of its views say little and must not drown them."""

FIRST_VIEW_LOG_ODDS = -1.0
"""Log-odds put in for each counted view that is missing: a thing seen once is less sure than one seen five times."""

LEAST_DOUBT = 1e-6


Combine = Callable[[Kind, Sequence[float]], float]
"""From a kind and the scores of a track's views to the score of the whole track."""


def gather_candidate(track: Track, combine: Combine) -> Candidate:
    """Turn a track into a candidate; the sharpness of its views is not yet ranked (see `rank_views`)."""
    views = tuple(_take_view(sighting) for sighting in track.sightings)
    best = track.sightings[0]
    return Candidate(
        kind=track.kind,
        score=combine(track.kind, track.scores),
        first_s=track.first_s,
        last_s=track.last_s,
        views=views,
        views_seen=len(track.scores),
        length_px=float(np.median([view.length_px for view in views])),
        missing_percent=float(np.median([s.scored.region.missing_percent for s in track.sightings])),
        frame_jpeg=HeldJpeg(best.frame.frame_jpeg),
        frame_size_px=best.frame.size_px,
    )


def find_log_odds(scores: Sequence[float]) -> list[float]:
    """Return the log-odds of chances; 0 and 1 are held a little off."""
    chances = np.clip(np.asarray(scores, np.float64), LEAST_DOUBT, 1 - LEAST_DOUBT)
    return [float(value) for value in np.log(chances / (1 - chances))]


def combine_scores(scores: Sequence[float], *, most_views: int) -> float:
    """Return the score, 0 to 1, that several views' scores give together: the mean log-odds of the best few.

    Parameters
    ----------
    most_views : in how many frames the thing could have been seen
    """
    counted = min(BEST_VIEWS_COUNTED, max(1, most_views))
    log_odds = np.sort(find_log_odds(scores))[::-1][:counted]
    mean = (log_odds.sum() + (counted - len(log_odds)) * FIRST_VIEW_LOG_ODDS) / counted
    return float(1 / (1 + np.exp(-mean)))


def rank_views(candidate: Candidate, ranks: Mapping[float, float]) -> Candidate:
    """Return the candidate with each view's sharpness as its rank, 0 to 1; `ranks` is by the frame's time in seconds."""
    views = tuple(replace(view, sharpness=ranks[view.time_s]) for view in candidate.views)
    return replace(candidate, views=views)


def store_pictures(candidate: Candidate, store: PictureStore) -> Candidate:
    """Return the candidate with its pictures in a store instead of in memory."""
    views = tuple(replace(view, picture_jpeg=store.keep(view.picture_jpeg)) for view in candidate.views)
    return replace(candidate, views=views, frame_jpeg=store.keep(candidate.frame_jpeg))


def _take_view(sighting: Sighting) -> View:
    frame, region = sighting.frame, sighting.scored.region
    return View(
        time_s=frame.time_s,
        frame_index=frame.index,
        box=region.box,
        outline=region.outline,
        length_px=region.length_px,
        width_px=region.width_px,
        score=sighting.scored.score,
        sharpness=frame.sharpness,
        picture_jpeg=HeldJpeg(frame.pictures[sighting.position]),
        picture_origin_px=frame.origins_px[sighting.position],
    )

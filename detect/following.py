"""From scored regions to tracks: one thing followed through the searched frames, through blur and gaps.

A track is carried into each new frame by the motion measured there and takes the nearest region of its kind; nearest pairs
first, so numbering does not matter. Places are (row, column) in upright full-resolution px. This file reads only
`SearchedFrame`s, never a picture, so that an interrupted search can be followed again from what was kept.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from detect.cards import CardSighting
from detect.motion import Similarity, apply_similarity
from detect.regions import Kind, ScoredRegion, find_middle

LONGEST_GAP_S = 2.5
"""A thing unseen for longer is let go; a leaf in wind turns back within about two seconds (own choice)."""

LEAST_REACH_PX = 14.0
REACH_PER_LENGTH = 0.6
"""A region is taken for the same thing within this distance: carried places are good to a few px, outlines wander with size."""

REACH_PER_GAP = 6.0
"""Added px of reach for each searched frame a thing was unseen in, since only the common motion carries it then."""

MOST_LENGTH_RATIO = 2.5
"""Lengths that differ by more than this factor are not the same thing seen twice."""


@dataclass(frozen=True, slots=True, eq=False)
class SearchedFrame:
    """What a close look at one frame left behind.

    Attributes
    ----------
    index, time_s, sharpness : of the frame, as in `detect.sharpness`
    size_px : (rows, columns) upright
    motion : similarity from the searched frame before, or None where the two show different places
    carried : float64 (M, 2), where the M regions of the frame before would be in this one
    regions : scored regions worth following
    pictures : one JPEG of the surroundings for each region, and `origins_px` where each was cut
    frame_jpeg : the whole frame, reduced; empty where there is no region
    cards : tree cards seen since the searched frame before, in this frame or others
    """

    index: int
    time_s: float
    sharpness: float
    size_px: tuple[int, int]
    motion: Similarity | None
    carried: NDArray[np.float64]
    regions: tuple[ScoredRegion, ...]
    pictures: tuple[bytes, ...]
    origins_px: tuple[tuple[int, int], ...]
    frame_jpeg: bytes
    cards: tuple[CardSighting, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """A track's region in one searched frame; the frame keeps the pictures."""

    frame: SearchedFrame
    position: int

    @property
    def scored(self) -> ScoredRegion:
        """The scored region seen."""
        return self.frame.regions[self.position]


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """One thing seen in one or more searched frames.

    Attributes
    ----------
    kind : of all its regions
    sightings : the best-scored ones, at most `kept_views`, best first
    scores : of every sighting, in order of time
    first_s, last_s : when it was first and last seen
    """

    kind: Kind
    sightings: tuple[Sighting, ...]
    scores: tuple[float, ...]
    first_s: float
    last_s: float


@dataclass(slots=True, eq=False)
class _Following:
    """A track in the making: state that lasts over time."""

    kind: Kind
    place: NDArray[np.float64]
    length_px: float
    last: Sighting
    first_s: float
    best: list[Sighting] = field(default_factory=list)
    scores: list[float] = field(default_factory=list)
    unseen: int = 0

    def see(self, sighting: Sighting, kept_views: int) -> None:
        """Add a sighting and keep the best-scored ones only."""
        region = sighting.scored.region
        self.place = find_centre(sighting.scored)
        self.length_px = region.length_px
        self.last = sighting
        self.unseen = 0
        self.scores.append(sighting.scored.score)
        self.best.append(sighting)
        self.best.sort(key=lambda s: (-s.scored.score, s.frame.time_s))
        del self.best[kept_views:]

    def finish(self) -> Track:
        """Return what was followed as data."""
        return Track(self.kind, tuple(self.best), tuple(self.scores), self.first_s, self.last.frame.time_s)


def follow(frames: Iterable[SearchedFrame], *, kept_views: int) -> Iterator[Track]:
    """Follow regions through searched frames in order of time; yield each track when it has ended.

    A frame with nothing in it must be given as a frame without regions, never left out. Every region ends up in exactly one
    track. At most `kept_views` sightings of a track are kept, whatever its length.
    """
    open_tracks: list[_Following] = []
    for frame in frames:
        _carry(open_tracks, frame)
        taken = _pair(open_tracks, frame)
        for track, position in taken:
            track.see(Sighting(frame, position), kept_views)
        seen = {position for _, position in taken}
        for position, scored in enumerate(frame.regions):
            if position not in seen:
                sighting = Sighting(frame, position)
                fresh = _Following(
                    scored.region.kind,
                    find_centre(scored),
                    scored.region.length_px,
                    sighting,
                    frame.time_s,
                )
                fresh.see(sighting, kept_views)
                open_tracks.append(fresh)
        ended = [track for track in open_tracks if frame.time_s - track.last.frame.time_s > LONGEST_GAP_S]
        open_tracks = [track for track in open_tracks if track not in ended]
        yield from (track.finish() for track in ended)
    yield from (track.finish() for track in open_tracks)


def find_centre(scored: ScoredRegion) -> NDArray[np.float64]:
    """Return the middle of a region's box, float64 (2,), (row, column)."""
    return np.array(find_middle(scored.region.box))


def _carry(tracks: list[_Following], frame: SearchedFrame) -> None:
    """Move every open track to where it would be in this frame; without a motion none can be found again."""
    if frame.motion is None:
        for track in tracks:
            track.place = np.array([np.nan, np.nan])
        return
    for track in tracks:
        if track.unseen == 0 and track.last.position < len(frame.carried):
            track.place = frame.carried[track.last.position]
        else:
            track.place = apply_similarity(frame.motion, track.place[None])[0]
        track.unseen += 1


def _pair(tracks: list[_Following], frame: SearchedFrame) -> list[tuple[_Following, int]]:
    """Pair open tracks with the frame's regions, nearest first, each at most once."""
    pairs = []
    for number, track in enumerate(tracks):
        for position, scored in enumerate(frame.regions):
            region = scored.region
            if region.kind != track.kind:
                continue
            ratio = max(region.length_px, track.length_px) / min(region.length_px, track.length_px)
            if ratio > MOST_LENGTH_RATIO:
                continue
            reach = LEAST_REACH_PX + REACH_PER_LENGTH * max(region.length_px, track.length_px)
            reach += REACH_PER_GAP * max(0, track.unseen - 1)
            distance = float(np.hypot(*(find_centre(scored) - track.place)))
            if distance <= reach:
                pairs.append((distance, number, position))
    pairs.sort()
    used_tracks: set[int] = set()
    used_regions: set[int] = set()
    chosen = []
    for _, number, position in pairs:
        if number not in used_tracks and position not in used_regions:
            used_tracks.add(number)
            used_regions.add(position)
            chosen.append((tracks[number], position))
    return chosen

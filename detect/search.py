"""A whole clip searched: frames, sharp frames, light, regions, scores, tracks, candidates.

Every step is a function of its own file; this one only joins them. The same clip, settings and scorer give the same
candidates, also when the search was interrupted and went on from its checkpoint.
"""

import hashlib
import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, field, replace
from itertools import chain, takewhile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from detect.candidates import Candidate
from detect.cards import AROUND_S, SLOT_S, CardSighting, CardWatcher
from detect.checkpoint import Checkpoint
from detect.clips import ChangeFrames, ClipInfo, Frame, ReadReport, read_ahead, read_frames, read_rgb
from detect.evidence import PictureStore
from detect.following import SearchedFrame, find_centre, follow
from detect.gathering import gather_candidate, rank_views, store_pictures
from detect.light import read_light
from detect.motion import Similarity, carry_points, link_frames, shrink_for_linking
from detect.regions import Kind, ScoredRegion
from detect.scoring import Scorer
from detect.sharpness import (
    WatchedFrame,
    choose_sharp,
    find_usable,
    find_window,
    rank_sharpness,
    watch_frames,
)
from detect.snapshots import cut_picture, shrink_frame

READ_AHEAD_BYTES = 40_000_000
LEAST_AHEAD, MOST_AHEAD = 3, 16
"""How much is decoded ahead of the search, in bytes and frames: at 1080p enough to keep the decoder busy throughout a close look,
at 4K as much as memory allows."""

BYTES_PER_PIXEL = 1.5
"""Of a decoded frame of 8 bits with chroma at half size; more bits take two bytes for one."""

FEEDING_EVERY = 3
"""Chewed leaves are looked for in every so many windows: holes hold still, and tracing all edges takes as long as the network."""


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """What a person may change about a search.

    Attributes
    ----------
    window_s : one frame, the sharpest, is searched closely in each window of this many seconds
    follow_score : regions under this score are not followed
    most_followed : most silhouettes of one frame that are followed, best first; and half as many chewed leaves
    silhouette_score, feeding_score : candidates under these scores are not offered
    kept_views : most views kept of one candidate
    """

    window_s: float = 1.0
    follow_score: float = 0.05
    most_followed: int = 12
    silhouette_score: float = 0.5
    feeding_score: float = 0.3
    kept_views: int = 8

    def digest(self) -> str:
        """Return a sha256 over all settings: two searches with the same digest used the same."""
        return hashlib.sha256(json.dumps(asdict(self), sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True, slots=True, eq=False)
class ClipSearch:
    """What a search found, and how much footage it could use.

    Attributes
    ----------
    candidates : best first, silhouettes and feeding together
    duration_s : of the footage that could be read
    usable_s : of it, sharp enough to show a larva
    frames : decoded
    looked_at : frames searched closely
    problems : what could not be read, in sentences
    times_s, sharpness : of the frames searched closely, in order; sharpness as a rank 0 to 1
    cards : tree cards seen, in order of time; which of them were shown is told by `detect.cards.gather_showings`
    store : holds the candidates' pictures
    """

    candidates: tuple[Candidate, ...]
    duration_s: float
    usable_s: float
    frames: int
    looked_at: int
    problems: tuple[str, ...]
    times_s: tuple[float, ...] = field(repr=False)
    sharpness: tuple[float, ...] = field(repr=False)
    store: PictureStore = field(repr=False)
    cards: tuple[CardSighting, ...] = field(default=(), repr=False)

    def close(self) -> None:
        """Let go of the candidates' pictures, once they are saved elsewhere."""
        self.store.close()


Progress = Callable[[float], None]
"""Called with the clip time in seconds that the search has reached."""


def search_clip(
    info: ClipInfo,
    settings: SearchSettings,
    *,
    scorer: Scorer,
    checkpoint_path: Path | None = None,
    on_progress: Progress | None = None,
    with_cards: bool = True,
    change_frames: ChangeFrames | None = None,
) -> ClipSearch:
    """Search a clip from its first frame to its last that can be read.

    Parameters
    ----------
    checkpoint_path : where progress is kept; a file left there by an interrupted search of the same clip with the same
        settings and scorer is gone on from. The caller deletes it once the result is safe. None keeps no progress.
    with_cards : also look for tree cards
    change_frames : what is done to the frames before they are looked at, such as larvae laid into them to measure with. Not
        together with a checkpoint, which would take the search for one of the clip as it is

    Raises
    ------
    detect.errors.DetectError
        Where the clip cannot be opened or progress cannot be written.
    """
    if change_frames is not None and checkpoint_path is not None:
        raise ValueError(
            "the progress of a search over changed frames is not kept; leave checkpoint_path out"
        )
    report = ReadReport()
    identity = f"{info.sha256} {settings.digest()} {scorer.name}{'' if with_cards else ' without cards'}"
    checkpoint = None if checkpoint_path is None else Checkpoint(checkpoint_path, identity)
    times_s: list[float] = []
    sharpness: list[float] = []
    cards: dict[tuple[float, int], CardSighting] = {}

    def note_cards(found: Iterable[CardSighting]) -> None:
        # A search that goes on looks at its last seconds once more; what was found first stays.
        for card in found:
            cards.setdefault((card.time_s, card.number), card)

    def note(frames: Iterable[SearchedFrame]) -> Iterator[SearchedFrame]:
        for frame in frames:
            times_s.append(frame.time_s)
            sharpness.append(frame.sharpness)
            note_cards(frame.cards)
            if on_progress is not None:
                on_progress(frame.time_s)
            yield frame

    def combine(kind: Kind, scores: Sequence[float]) -> float:
        # Photos are of different places or moments; in a clip a thing can be seen as often as was looked for it so far.
        looks = len(times_s) if kind == "silhouette" else 1 + (len(times_s) - 1) // FEEDING_EVERY
        return scorer.combine(kind, scores, most_views=1 if info.kind == "photos" else looks)

    found_late: list[CardSighting] = []
    searched = _search_frames(
        info,
        settings,
        scorer=scorer,
        checkpoint=checkpoint,
        report=report,
        cards_at_end=found_late if with_cards else None,
        change_frames=change_frames,
    )
    floors = {"silhouette": settings.silhouette_score, "feeding": settings.feeding_score}
    # Tracks become candidates as they end and their pictures go to a file, so that memory does not grow with the clip.
    tracks = follow(note(searched), kept_views=settings.kept_views)
    gathered = (gather_candidate(track, combine) for track in tracks)
    store = PictureStore(None if checkpoint_path is None else checkpoint_path.parent)
    offered = [
        store_pictures(candidate, store)
        for candidate in gathered
        if candidate.score >= floors[candidate.kind]
    ]
    if checkpoint is not None:
        checkpoint.close()
    note_cards(found_late)
    ranks = dict(zip(times_s, rank_sharpness(sharpness), strict=True))
    offered = [rank_views(candidate, ranks) for candidate in offered]
    offered.sort(key=lambda c: (-c.score, c.first_s, c.views[0].box))
    usable = find_usable(sharpness)
    duration_s = report.duration_s
    return ClipSearch(
        candidates=tuple(offered),
        duration_s=duration_s,
        usable_s=duration_s * sum(usable) / max(1, len(usable)),
        frames=report.frames,
        looked_at=len(times_s),
        problems=tuple(report.problems),
        times_s=tuple(times_s),
        sharpness=tuple(ranks[time] for time in times_s),
        store=store,
        cards=tuple(cards[key] for key in sorted(cards)),
    )


def _search_frames(
    info: ClipInfo,
    settings: SearchSettings,
    *,
    scorer: Scorer,
    checkpoint: Checkpoint | None,
    report: ReadReport,
    cards_at_end: list[CardSighting] | None,
    change_frames: ChangeFrames | None,
) -> Iterator[SearchedFrame]:
    """Yield the frames that an interrupted search left behind, then search on from there.

    Parameters
    ----------
    cards_at_end : takes the cards seen after the last searched frame; None to look for no cards
    """
    last: SearchedFrame | None = None
    if checkpoint is not None:
        for last in checkpoint.read():
            yield last
    frames = read_frames(
        info,
        # The last searched frame is decoded once more: the next one's motion is measured against it.
        start_after_s=None if last is None else math.nextafter(last.time_s, -math.inf),
        first_index=0 if last is None else last.index,
        report=report,
    )
    if change_frames is not None:
        frames = change_frames(frames)
    with closing(read_ahead(frames, count_ahead(info))) as ahead:
        looker = _Looker(settings, scorer)
        stream: Iterator[Frame] = iter(ahead)
        if last is not None:
            first = next(stream, None)
            if first is None:
                return
            looker.resume(first, last)
            stream = chain([first], stream)
        watcher = None if cards_at_end is None else _make_watcher(info, last)
        passing = watch_frames(stream)
        watched = choose_sharp(
            passing if watcher is None else watcher.watch(passing),
            window_s=settings.window_s,
            done_s=None if last is None else last.time_s,
        )
        for item in watched:
            frame = looker.look(item)
            if watcher is not None:
                frame = replace(frame, cards=watcher.take())
            if checkpoint is not None:
                checkpoint.add(frame)
            yield frame
        if watcher is not None and cards_at_end is not None:
            cards_at_end.extend(watcher.take())


def _make_watcher(info: ClipInfo, last: SearchedFrame | None) -> CardWatcher:
    """Return what looks for cards; where a search goes on, it has seen what came shortly before the last searched frame."""
    takes_all = info.kind == "photos"
    if last is None or takes_all:
        return CardWatcher(takes_all=takes_all)
    # What is reduced so long before hangs on what was met as long before that.
    before_s = last.time_s - 2 * AROUND_S - 2 * SLOT_S
    watcher = CardWatcher(goes_on=before_s >= 0)
    with closing(read_frames(info, start_after_s=before_s)) as frames:
        for frame in takewhile(lambda one: one.time_s < last.time_s, frames):
            watcher.see(frame)
    return watcher


def count_ahead(info: ClipInfo) -> int:
    """Return how many frames of a clip are decoded ahead of the search."""
    frame_bytes = info.width_px * info.height_px * BYTES_PER_PIXEL * (2 if info.bit_depth > 8 else 1)
    return int(min(MOST_AHEAD, max(LEAST_AHEAD, READ_AHEAD_BYTES // max(1, frame_bytes))))


def choose_followed(scored: Iterable[ScoredRegion], settings: SearchSettings) -> tuple[ScoredRegion, ...]:
    """Return the best-scored regions of each kind that are worth following, best first."""
    worth = [region for region in scored if region.score >= settings.follow_score]
    worth.sort(key=lambda s: (-s.score, s.region.box))
    silhouettes = [s for s in worth if s.region.kind == "silhouette"][: settings.most_followed]
    feeding = [s for s in worth if s.region.kind == "feeding"][: settings.most_followed // 2]
    return tuple(silhouettes + feeding)


class _Looker:
    """Looks closely at one sharp frame after another; its state is the frame before, for the motion between the two."""

    def __init__(self, settings: SearchSettings, scorer: Scorer) -> None:
        self._settings = settings
        self._scorer = scorer
        self._last_small: NDArray[np.uint8] | None = None
        self._last_regions: tuple[ScoredRegion, ...] = ()

    def resume(self, frame: Frame, searched: SearchedFrame) -> None:
        """Take up where a search stopped: `frame` is the one that was `searched` last."""
        self._last_small = shrink_for_linking(read_light(read_rgb(frame)).half)
        self._last_regions = searched.regions

    def look(self, item: WatchedFrame) -> SearchedFrame:
        """Search one frame and measure the motion since the one before."""
        rgb = read_rgb(item.frame)
        lit = read_light(rgb)
        small = shrink_for_linking(lit.half)
        motion, carried = self._carry(small)
        # By the window's number and not by counting looks, so that a search gone on with looks for the same.
        window = find_window(item.frame.time_s, self._settings.window_s)
        regions = self._scorer.find(lit, with_feeding=window % FEEDING_EVERY == 0)
        kept = choose_followed(self._scorer.score(lit, regions), self._settings)
        self._last_small, self._last_regions = small, kept
        pictures = [cut_picture(rgb, scored.region) for scored in kept]
        return SearchedFrame(
            index=item.frame.index,
            time_s=item.frame.time_s,
            sharpness=item.sharpness,
            size_px=(rgb.shape[0], rgb.shape[1]),
            motion=motion,
            carried=carried,
            regions=kept,
            pictures=tuple(jpeg for jpeg, _ in pictures),
            origins_px=tuple(origin for _, origin in pictures),
            frame_jpeg=shrink_frame(lit.half) if kept else b"",
        )

    def _carry(self, small: NDArray[np.uint8]) -> tuple[Similarity | None, NDArray[np.float64]]:
        """Return the motion since the frame before, None where they show different places, and where its regions are now."""
        nowhere: NDArray[np.float64] = np.empty((0, 2))
        if self._last_small is None:
            return None, nowhere
        motion = link_frames(self._last_small, small)
        if motion is None or not self._last_regions:
            return motion, nowhere
        places = np.array([find_centre(scored) for scored in self._last_regions])
        return motion, carry_points(self._last_small, small, points=places, similarity=motion)

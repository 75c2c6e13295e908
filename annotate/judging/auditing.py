"""An audit of a logbook: a sample of what the search passed over is drawn with its frames, and the answers become estimates.

The windows are those of the search itself, of each of which it looked closely at the sharpest frame; that frame is what a
person is shown. A further sample of a visit never takes a window twice. Drawn by chance from what is left, it makes with the
earlier ones one simple random sample of the pool, so that all that was looked at counts alike. (Drawing on only because nothing
was found yet makes the bounds hold a little less often: settle the number beforehand.)

A window says something of the search it was drawn from. Where its clip was searched again it counts no more, even if the new
search passes over it too: the windows that the new search passes over and the old one flagged could never have been drawn, and
where the weights learned from what the audit found, the windows looked at are just those that they know. The clip's pool is then
one that nobody looked at, until a further sample is drawn. Clips with the same history make one part of a visit, since they were
sampled at the same rate; parts are combined as visits are.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from annotate.errors import AnnotateError
from annotate.judging.audit import (
    Audit,
    Missed,
    Window,
    choose_windows,
    combine_parts,
    list_windows,
    share_out,
)
from annotate.logbook.audits import (
    DrawnWindow,
    Footage,
    NewWindow,
    Sample,
    list_footage,
    list_samples,
    save_sample,
)
from annotate.logbook.opening import Logbook

if TYPE_CHECKING:
    from detect.clips import ClipInfo, Frame

USUAL_WINDOWS = 60
"""Plain frames of one sample: about three minutes of looking, and where none holds a larva, at most one moment in twenty does."""

FRAME_QUALITY = 92
"""Of the kept frames; that of the pictures of candidates, so that a plain frame shows no more and no less."""

OnProgress = Callable[[float], None]
Part = frozenset[int]
"""The samples that a clip could be drawn in."""


@dataclass(frozen=True, slots=True)
class _Drawn:
    """All samples, oldest first, and their windows by the id of the clip."""

    samples: Sequence[Sample]
    by_clip: Mapping[int, Sequence[DrawnWindow]]


@dataclass(frozen=True, slots=True)
class VisitAudit:
    """How far the audit of a visit is.

    Attributes
    ----------
    parts : what was looked at and found, of each part of the footage with a history of its own
    open : windows drawn and not answered
    outdated : windows drawn from searches that were made anew; they count no more
    """

    visit_id: int
    parts: tuple[Audit, ...]
    open: int
    outdated: int

    @property
    def missed(self) -> Missed:
        """What may be said of the visit."""
        return combine_parts([self.parts])

    @property
    def undrawn(self) -> int:
        """How many windows that the search passed over were never drawn."""
        return sum(part.pool - part.sampled - part.doubtful for part in self.parts) - self.open


@dataclass(frozen=True, slots=True)
class MissedChance:
    """The chance that the search passed over a moment in which a larva was to be seen.

    Attributes
    ----------
    chance : None where no moment with a larva is known, found or missed
    low, high : 0 to 1 where nothing is known
    found : moments with a confirmed larva among those that the search flagged
    missed : the estimate for those it passed over, with its bounds
    unjudged : candidates still open; until they are judged `found` is too small, and the chance too great
    """

    chance: float | None
    low: float
    high: float
    found: int
    missed: Missed
    unjudged: int


def draw_sample(
    logbook: Logbook,
    visit_id: int,
    *,
    windows: int,
    seed: int,
    at: datetime,
    on_progress: OnProgress | None = None,
) -> int:
    """Draw so many further windows of a visit, keep the sharpest frame of each, and save them; return how many there are.

    The same logbook and seed give the same windows. Where fewer are left, all are drawn. Nothing stands in the logbook before all
    frames are read.

    Parameters
    ----------
    on_progress : called with the share of the reading that is done, 0 to 1

    Raises
    ------
    annotate.errors.AnnotateError
        Where the visit has no searched clip, nothing is left to draw, or a clip is gone or not the one that was searched.
    detect.errors.DetectError
        Where a clip can no longer be read.
    """
    footage = list_footage(logbook, visit_id=visit_id)
    if not footage:
        raise AnnotateError(
            "audit: expected a visit with clips that were searched; found none; search them first: leafshade search CLIP -t CODE"
        )
    drawn_before = _list_drawn(logbook)
    window_s = _choose_window_s(footage, drawn_before) or logbook.settings.search.window_s
    rng = np.random.default_rng(seed)
    chosen, pool = _choose(footage, drawn_before, window_s=window_s, count=windows, rng=rng)
    if not chosen:
        raise AnnotateError(
            f"audit: expected moments of {window_s:g} s that the search passed over and nobody was shown; found none left; "
            "answer those that were drawn: leafshade review"
        )
    opened = [(clip, wanted, _open_unchanged(clip)) for clip, wanted in chosen]
    total_s = sum(wanted[-1].end_s for _, wanted in chosen)
    drawn: list[NewWindow] = []
    done_s = 0.0
    for clip, wanted, info in opened:

        def tell(time_s: float, done_s: float = done_s) -> None:
            if on_progress is not None:
                on_progress(min(1.0, (done_s + time_s) / total_s))

        drawn += _keep_frames(logbook, clip, info, wanted, tell)
        done_s += wanted[-1].end_s
    # Shown in an order of chance: what is answered so far is then a sample by chance of the pool as well.
    shuffled = [drawn[place] for place in rng.permutation(len(drawn))]
    save_sample(logbook, visit_id, window_s=window_s, seed=seed, drawn_at=at, pool=pool, windows=shuffled)
    return len(drawn)


def audit_visits(
    logbook: Logbook, *, tree_id: int | None = None, visit_id: int | None = None
) -> tuple[VisitAudit, ...]:
    """Return how far the audit of each visit with searched clips is, in the order of their first clips; or of one visit.

    Parameters
    ----------
    tree_id : count only windows whose middle was filmed under that tree; the windows of a sample that fall there are a sample by
        chance of that tree's pool
    """
    drawn = _list_drawn(logbook)
    by_visit: dict[int, list[Footage]] = {}
    for clip in list_footage(logbook, visit_id=visit_id, tree_id=tree_id):
        by_visit.setdefault(clip.visit_id, []).append(clip)
    default_s = logbook.settings.search.window_s
    return tuple(
        _audit_visit(visit_id, clips, drawn, default_s=default_s, tree_id=tree_id)
        for visit_id, clips in by_visit.items()
    )


def sum_season(visits: Sequence[VisitAudit]) -> Missed:
    """Return the estimate over all the visits."""
    return combine_parts([visit.parts for visit in visits])


def find_missed_chance(logbook: Logbook, *, visit_id: int | None = None) -> MissedChance:
    """Return the chance that the search passed over a moment with a larva: on one visit, or on all that were audited.

    With F moments in which it flagged what was confirmed as a larva, and M that hold one among those it passed over, it is M /
    (M + F). F is counted, M estimated (`annotate.judging.audit`); as the chance rises with M, its bounds are those of M. It is
    a chance by moments: a larva that was on show for longer, or seen by the search in one of its moments only, counts
    accordingly. By larvae, on drawn ones, the chance is measured by `annotate.logbook.planted`.
    """
    drawn = _list_drawn(logbook)
    audits = [visit for visit in audit_visits(logbook) if visit_id in (None, visit.visit_id)]
    audited = {visit.visit_id for visit in audits if any(part.sampled for part in visit.parts)}
    missed = sum_season([visit for visit in audits if visit.visit_id in audited])
    found = unjudged = 0
    for clip in list_footage(logbook):
        if clip.visit_id in audited:
            window_s = _choose_window_s([clip], drawn) or logbook.settings.search.window_s
            clear = list_windows(clip.clip.duration_s, clip.larvae, window_s=window_s)
            found += len(list_windows(clip.clip.duration_s, (), window_s=window_s)) - len(clear)
            unjudged += clip.unjudged
    if missed.windows is None or not audited:
        return MissedChance(None, 0.0, 1.0, found, missed, unjudged)
    low, high = (number / (number + found) if number + found else 0.0 for number in (missed.low, missed.high))
    known = missed.windows + found
    return MissedChance(
        missed.windows / known if known else None,
        low,
        high if known else 1.0,
        found,
        missed,
        unjudged,
    )


def say_missed_chance(chance: MissedChance) -> str:
    """Return what a recorder reads of the chance."""
    if chance.chance is None:
        return "How often the search passes over a larva is not known yet: no moment with one has been seen."
    sentence = (
        f"Of the moments with a larva, the search passed over about {_say_share(chance.chance)}, between "
        f"{_say_share(chance.low)} and {_say_share(chance.high)}."
    )
    if not chance.unjudged:
        return sentence
    are = "candidate is" if chance.unjudged == 1 else "candidates are"
    return f"{sentence} {chance.unjudged:,} {are} not judged yet; until then this is too much."


def _say_share(share: float) -> str:
    """Return a share in whole per cent, or in tenths where it is small."""
    percent = 100 * share
    return f"{percent:.0f} %" if percent >= 10 or percent == 0 else f"{percent:.1f} %"


def _list_drawn(logbook: Logbook) -> _Drawn:
    samples = list_samples(logbook)
    by_clip: dict[int, list[DrawnWindow]] = {}
    for sample in samples:
        for window in sample.windows:
            by_clip.setdefault(window.clip_id, []).append(window)
    return _Drawn(samples, by_clip)


def _audit_visit(
    visit_id: int, clips: Sequence[Footage], drawn: _Drawn, *, default_s: float, tree_id: int | None
) -> VisitAudit:
    window_s = _choose_window_s(clips, drawn) or default_s
    alike = {sample.id for sample in drawn.samples if sample.window_s == window_s}
    parts: dict[Part, tuple[list[DrawnWindow], int]] = {}
    counting: list[DrawnWindow] = []
    for clip in clips:
        part, windows = _find_part(clip, drawn)
        windows = [window for window in windows if window.sample_id in alike]
        pool = list_windows(clip.clip.duration_s, clip.flagged, window_s=window_s)
        before, size = parts.get(part & alike, ([], 0))
        wanted = [window for window in windows if _is_under(clip, window, tree_id)]
        size += sum(_is_under(clip, window, tree_id) for window in pool)
        parts[part & alike] = [*before, *wanted], size
        counting += windows
    ever = sum(len(drawn.by_clip.get(clip.clip.id, ())) for clip in clips)
    return VisitAudit(
        visit_id=visit_id,
        parts=tuple(_count(windows, pool) for windows, pool in parts.values()),
        open=sum(window.answer == "open" for window in counting),
        outdated=ever - len(counting),
    )


def _find_part(clip: Footage, drawn: _Drawn) -> tuple[Part, list[DrawnWindow]]:
    """Return the samples in which a clip could be drawn as it was searched last, and its windows in them."""
    windows = [window for window in drawn.by_clip.get(clip.clip.id, ()) if window.search_id == clip.search_id]
    could = {
        sample.id
        for sample in drawn.samples
        if sample.visit_id == clip.visit_id and sample.drawn_at >= clip.searched_at
    }
    return frozenset(could | {window.sample_id for window in windows}), windows


def _count(windows: Sequence[DrawnWindow], pool: int) -> Audit:
    answers = [window.answer for window in windows]
    hits = answers.count("larva")
    return Audit(hits, hits + answers.count("none"), pool, answers.count("unsure"))


def _is_under(clip: Footage, window: Window | DrawnWindow, tree_id: int | None) -> bool:
    """Tell whether a window was filmed under a tree; any will do where none is named."""
    middle_s = (window.start_s + window.end_s) / 2
    return tree_id is None or any(
        start_s <= middle_s <= end_s and tree == tree_id for start_s, end_s, tree in clip.stretches
    )


def _choose_window_s(clips: Sequence[Footage], drawn: _Drawn) -> float | None:
    """Return the length of the windows drawn last from these clips as they were searched last: a pool has one length only."""
    ids = frozenset[int]().union(*(_find_part(clip, drawn)[0] for clip in clips))
    return next((sample.window_s for sample in reversed(drawn.samples) if sample.id in ids), None)


def _choose(
    footage: Sequence[Footage], drawn: _Drawn, *, window_s: float, count: int, rng: np.random.Generator
) -> tuple[list[tuple[Footage, list[Window]]], int]:
    """Return the clips with the windows drawn of each, and how many there were to draw from."""
    drawn_s = [{window.start_s for window in _find_part(clip, drawn)[1]} for clip in footage]
    pools = [
        sum(
            window.start_s not in before
            for window in list_windows(clip.clip.duration_s, clip.flagged, window_s=window_s)
        )
        for clip, before in zip(footage, drawn_s, strict=True)
    ]
    shares = share_out(pools, count=count, rng=rng)
    chosen = [
        (
            clip,
            choose_windows(
                clip.clip.duration_s,
                clip.flagged,
                window_s=window_s,
                count=share,
                rng=rng,
                drawn_s=before,
            ),
        )
        for clip, before, share in zip(footage, drawn_s, shares, strict=True)
    ]
    return [(clip, windows) for clip, windows in chosen if windows], sum(pools)


def _open_unchanged(clip: Footage) -> "ClipInfo":
    """Open a clip where it was seen last, and refuse other bytes than those that were searched."""
    from detect.clips import open_clip

    path = Path(clip.clip.path)
    if not path.exists():
        raise AnnotateError(
            f"audit: expected the clip {clip.clip.name} at {path.parent}; found nothing there, and drew nothing; put it back, or "
            "search it again where it lies now: leafshade search CLIP"
        )
    info = open_clip(path)
    if info.sha256 != clip.clip.sha256:
        raise AnnotateError(
            f"audit: expected the clip that was searched at {path}; found another file under its name, and drew nothing; put the "
            "clip back, or search the new one"
        )
    return info


def _keep_frames(
    logbook: Logbook, clip: Footage, info: "ClipInfo", windows: Sequence[Window], tell: OnProgress
) -> Iterator[NewWindow]:
    """Keep the sharpest frame of each window as an evidence picture."""
    from annotate.logbook.pictures import keep_picture
    from detect.clips import read_rgb
    from detect.snapshots import encode_jpeg

    for window, frame in choose_frames(info, windows, tell=tell):
        rgb = read_rgb(frame)
        yield NewWindow(
            clip_id=clip.clip.id,
            search_id=clip.search_id,
            start_s=window.start_s,
            end_s=window.end_s,
            time_s=frame.time_s,
            frame_index=frame.index,
            picture=keep_picture(logbook, encode_jpeg(rgb, quality=FRAME_QUALITY)),
            frame_size_px=(rgb.shape[0], rgb.shape[1]),
        )


def choose_frames(
    info: "ClipInfo", windows: Sequence[Window], *, tell: OnProgress | None = None
) -> Iterator[tuple[Window, "Frame"]]:
    """Yield the sharpest frame of each window, in order; of a window in which none begins, the one that is still on show.

    Parameters
    ----------
    windows : in order of time
    tell : called with the time reached
    """
    from detect.clips import read_frames

    wanted = list(windows)
    held: list[Frame] = []
    last: Frame | None = None
    for frame in read_frames(info):
        while wanted and frame.time_s >= wanted[0].end_s:
            yield wanted.pop(0), _find_sharpest(held, last or frame)
            held = []
        if not wanted:
            return
        if frame.time_s >= wanted[0].start_s:
            held = [_find_sharpest([*held, frame], frame)]
        last = frame
        if tell is not None:
            tell(frame.time_s)
    for window in wanted:
        if last is not None:
            yield window, _find_sharpest(held, last)
            held = []


def _find_sharpest(held: Sequence["Frame"], otherwise: "Frame") -> "Frame":
    from detect.clips import read_luma
    from detect.sharpness import measure_sharpness

    if len(held) < 2:
        return held[0] if held else otherwise
    return max(held, key=lambda frame: measure_sharpness(read_luma(frame)))


def name_answers(audit: VisitAudit) -> Mapping[str, int]:
    """Return how many windows of a visit have which answer, by name."""
    hits, sampled, doubtful = (
        sum(getattr(part, name) for part in audit.parts) for name in ("hits", "sampled", "doubtful")
    )
    return {"larva": hits, "none": sampled - hits, "unsure": doubtful, "open": audit.open}

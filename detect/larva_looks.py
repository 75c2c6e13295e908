"""Looks at larvae whose truth is known: what stood in the frames that a search looked at, and whether single frames show them.

Two readings of a clip with a truth file: over the frames that a search looked at closely, how often, how sharp and how clear each
larva was on show; and over frames at even steps, sharp or not, whether the search would have followed each larva from that frame
alone. A larva is on show in a frame where at least half of it is visible. Nothing is fitted here (`models.detectability`).
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from detect.clips import open_clip, read_frames, read_rgb
from detect.evaluation import sample_frames
from detect.light import read_light
from detect.regions import find_middle
from detect.scoring import Scorer
from detect.search import SearchSettings, choose_followed
from detect.truth_scoring import LEAST_VISIBLE
from models.canopy.truth import Truth
from models.detectability import Look
from models.evaluate import measure_standing, stands_out
from models.metrics import SHORTEST_PX, Mark, Wanted, is_hit


@dataclass(frozen=True, slots=True)
class OnShow:
    """One larva over the frames of a clip that were looked at closely and show it: how many, and its medians.

    Attributes
    ----------
    looks : frames
    length_px, sharpness : as in the truth file
    stands_out : whether what lies about it is clearly brighter than it, in the median of these frames
    """

    looks: int
    length_px: float
    sharpness: float
    stands_out: bool


def watch_larvae(path: Path, truth: Truth, times_s: Collection[float]) -> dict[str, OnShow]:
    """Return the larvae on show in the frames of a clip with these times, by id; reads the clip once more."""
    looked_at = frozenset(times_s)
    frames = {frame.index: frame for frame in truth.frames}
    seen: dict[str, list[tuple[float, float, float]]] = {}
    for frame in read_frames(open_clip(path)):
        if frame.time_s not in looked_at or frame.index not in frames:
            continue
        shown = [mark for mark in frames[frame.index].larvae if mark.visible >= LEAST_VISIBLE]
        if shown:
            rgb = read_rgb(frame)
            for mark in shown:
                figures = mark.length_px, mark.sharpness, measure_standing(rgb, mark)
                seen.setdefault(mark.larva_id, []).append(figures)
    return {larva: _sum_up(figures) for larva, figures in seen.items()}


def _sum_up(figures: list[tuple[float, float, float]]) -> OnShow:
    lengths, sharpness, standing = zip(*figures, strict=True)
    return OnShow(len(figures), median(lengths), median(sharpness), stands_out(standing))


def look_at_frames(path: Path, settings: SearchSettings, *, scorer: Scorer, every_s: float) -> Iterator[Look]:
    """Yield, of a frame every so many seconds, each larva on show and whether a search would follow it from there."""
    for picture in sample_frames(path, every_s=every_s):
        asked = [
            mark
            for mark in picture.truth.larvae
            if mark.visible >= LEAST_VISIBLE and mark.length_px >= SHORTEST_PX
        ]
        if not asked:
            continue
        lit = read_light(picture.read())
        scored = scorer.score(lit, scorer.find(lit, with_feeding=False))
        marks = [Mark(*find_middle(s.region.box), s.score) for s in choose_followed(scored, settings)]
        for larva in asked:
            wanted = Wanted(*find_middle(larva.box), larva.length_px)
            is_found = any(is_hit(mark, wanted) for mark in marks)
            yield Look(f"{path.name} {larva.larva_id}", larva.length_px, larva.sharpness, is_found)

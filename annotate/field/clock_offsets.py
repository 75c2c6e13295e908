"""How far a camera's clock is off: read from what a person writes, and estimated by where the clips were filmed.

An offset is what is added to the time that the camera wrote; a clock an hour slow has +1h. The estimate compares a walked track
with the trees: at the right offset the recorder stands under trees while clips run, and at the tree a card or a person named. One
clip counts as one piece of evidence, however long, for the errors of its positions go together. Nothing is kept here.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from annotate.errors import AnnotateError
from annotate.field.track_stretches import (
    LONGEST_GAP_S,
    RADIUS_TO_DEVIATION,
    FilmedSpan,
    StandingTree,
    WalkedTrack,
    to_metres,
)

Field = NDArray[np.floating[Any]]

MOST_OFFSET_S = 400 * 86400.0
"""A camera that was never set may be years off; more than one is better said as the moment of recording."""

UNITS_S = {"d": 86400.0, "h": 3600.0, "m": 60.0, "min": 60.0, "s": 1.0}
PART = re.compile(r"(\d+(?:\.\d+)?)(min|[dhms])")
CLOCK = re.compile(r"(\d{1,3}):(\d{2})(?::(\d{2}))?")

WIDEST_S = 2 * 3600.0 + 600.0
"""Offsets so far either way are tried: an hour of summer time, one of a neighbouring zone, and minutes of drift."""

FINEST_S = 2.0
CLEAR = 0.95
CLEAR_WITHIN_S = 20.0
"""The estimate is clear where this much of the probability lies so near the best; a stay under a tree takes longer."""

SAMPLES = 12
STILL_M = 4.0
"""Positions under one tree keep within about this of their mean while a clip runs; walking 15 m does not."""

ELSEWHERE = 1e-3
"""A clip may have been filmed elsewhere: no offset is ruled out by one clip alone."""


@dataclass(frozen=True, slots=True)
class KnownPlace:
    """A moment of a clip, by the camera's clock (UNIX time), at which a card or a person names the tree."""

    at_s: float
    tree_id: int


@dataclass(frozen=True, slots=True)
class EstimatedOffset:
    """The best offset, its standard deviation, and the share of the probability that lies near it."""

    offset_s: float
    deviation_s: float
    share: float

    @property
    def is_clear(self) -> bool:
        """Whether it may be used without asking."""
        return self.share >= CLEAR


def read_offset(text: str) -> float:
    """Read an offset such as +1h, -90s, +1h2m5s or -00:03:20; return seconds.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is none.
    """
    plain = text.strip().lower().replace("\u2212", "-")
    sign = -1.0 if plain.startswith("-") else 1.0
    body = plain[1:] if plain.startswith(("+", "-")) else plain
    clock = CLOCK.fullmatch(body)
    parts = PART.findall(body)
    if clock and int(clock[2]) < 60 and int(clock[3] or 0) < 60:
        seconds = int(clock[1]) * 3600.0 + int(clock[2]) * 60.0 + int(clock[3] or 0)
    elif body == "0":
        seconds = 0.0
    elif parts and "".join(number + unit for number, unit in parts) == body:
        seconds = sum(float(number) * UNITS_S[unit] for number, unit in parts)
    else:
        raise AnnotateError(
            f"offset: expected what to add to the camera's clock, such as +1h, -90s or -00:03:20; found {text!r}; correct it"
        )
    if seconds > MOST_OFFSET_S:
        raise AnnotateError(
            f"offset: expected at most {MOST_OFFSET_S / 86400:.0f} days; found {text!r}; give the moment itself with: "
            "leafshade search CLIP --recorded-at 2026-05-17T12:30"
        )
    return sign * seconds


def say_offset(offset_s: float) -> str:
    """Return an offset in words that `read_offset` reads: "+1h2m5s", "0s"."""
    rest = round(abs(offset_s), 1)
    words = ""
    for unit in ("d", "h", "m"):
        whole, rest = divmod(rest, UNITS_S[unit])
        words += f"{whole:.0f}{unit}" if whole else ""
    words += f"{rest:g}s" if rest or not words else ""
    return ("-" if offset_s < 0 else "+" if offset_s > 0 else "") + words


def estimate_offset(
    track: WalkedTrack,
    *,
    trees: Sequence[StandingTree],
    spans: Sequence[FilmedSpan],
    known: Sequence[KnownPlace] = (),
) -> EstimatedOffset | None:
    """Return how far the camera's clock is off by the best agreement, None where nothing speaks for any offset.

    Parameters
    ----------
    spans, known : by the camera's clock as it wrote
    """
    offsets = np.arange(-WIDEST_S, WIDEST_S + FINEST_S, FINEST_S)
    if not trees or not (spans or known):
        return None
    origin = (float(np.mean(track.latitudes_deg)), float(np.mean(track.longitudes_deg)))
    places = to_metres(track.latitudes_deg, track.longitudes_deg, origin)
    stems = to_metres(
        np.array([tree.latitude_deg for tree in trees]),
        np.array([tree.longitude_deg for tree in trees]),
        origin,
    )
    error_m = math.hypot(float(np.median(track.errors_m)), float(np.median([tree.error_m for tree in trees])))
    deviation_m = error_m * RADIUS_TO_DEVIATION
    numbers = {tree.tree_id: number for number, tree in enumerate(trees)}
    score = np.zeros(len(offsets))
    for span in spans:
        score += _score_span(track.times_s, places, stems, span, offsets=offsets, deviation_m=deviation_m)
    for place in known:
        if place.tree_id in numbers:
            seen = _look_up(track.times_s, places, place.at_s + offsets)
            off = ((seen - stems[numbers[place.tree_id]]) ** 2).sum(axis=1)
            score += _settle(np.exp(-0.5 * off / deviation_m**2))
    return _sum_up(offsets, score)


def _score_span(
    times_s: Field,
    places: Field,
    stems: Field,
    span: FilmedSpan,
    *,
    offsets: Field,
    deviation_m: float,
) -> Field:
    """Return the log evidence of one clip at each offset: it was filmed standing, and near a tree."""
    moments = span.start_s + np.linspace(0, span.duration_s, SAMPLES)
    seen = _look_up(times_s, places, (offsets[:, None] + moments).ravel()).reshape(len(offsets), SAMPLES, 2)
    middle = seen.mean(axis=1)
    spread = ((seen - middle[:, None]) ** 2).sum(axis=2).mean(axis=1)
    off = ((middle[:, None] - stems) ** 2).sum(axis=2).min(axis=1)
    return _settle(np.exp(-0.5 * off / deviation_m**2 - 0.5 * spread / STILL_M**2 * 4))


def _settle(likelihood: Field) -> Field:
    """Return the logarithm; where the track does not reach, a clip speaks neither way more than one filmed elsewhere."""
    settled: Field = np.log(np.nan_to_num(likelihood) + ELSEWHERE)
    return settled


def _look_up(times_s: Field, places: Field, moments: Field) -> Field:
    """Return the positions at moments, NaN where the track has none."""
    seen = np.column_stack([np.interp(moments, times_s, places[:, axis]) for axis in (0, 1)])
    after = np.clip(np.searchsorted(times_s, moments), 1, len(times_s) - 1)
    gap = times_s[after] - times_s[after - 1] > LONGEST_GAP_S
    seen[gap | (moments < times_s[0]) | (moments > times_s[-1])] = np.nan
    return seen


def _sum_up(offsets: Field, score: Field) -> EstimatedOffset | None:
    if float(np.ptp(score)) < 1e-9:
        return None
    shares = np.exp(score - score.max())
    shares /= shares.sum()
    best = offsets[int(score.argmax())]
    # The best is a plateau while clips fit into stays; its middle is meant.
    near = np.abs(offsets - best) <= CLEAR_WITHIN_S
    middle = float((offsets[near] * shares[near]).sum() / shares[near].sum())
    near = np.abs(offsets - middle) <= CLEAR_WITHIN_S
    share = float(shares[near].sum())
    deviation = math.sqrt(float(((offsets[near] - middle) ** 2 * shares[near]).sum()) / share)
    return EstimatedOffset(round(middle), deviation, share)

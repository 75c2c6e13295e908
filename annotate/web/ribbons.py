"""The ribbon of a clip's time: sharpness as shades from 0 (nothing looked at) to 9 (the sharpest), for all and for a part.

Times are seconds from the clip's first frame. Pure functions; the drawing happens in `static/ribbon.js`.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

WHOLE_BINS = 180
NEAR_BINS = 72
"""About one shade per 8 px on a phone and 20 on a desk; finer ones cannot be told apart (tried, no source)."""

SPARE_S = 2.0
LEAST_SPAN_S = 6.0
"""The part shown large begins and ends this much outside the candidate, and is at least this long, so that ticks stand apart."""

FARTHEST_LOOK_S = 1.0
"""A moment takes the shade of the nearest frame looked at, if it is this near; two looks are seldom more than two seconds
apart."""

MOST_SHADE = 9

Looks = Sequence[tuple[float, float]]
"""(time_s, sharpness rank 0 to 1) of frames looked at, in order of time."""


@dataclass(frozen=True, slots=True)
class Ribbon:
    """Shades for the whole clip and for the part from `from_s` to `until_s`."""

    duration_s: float
    from_s: float
    until_s: float
    whole: tuple[int, ...]
    near: tuple[int, ...]


def shade_ribbon(looks: Looks, *, first_s: float, last_s: float, duration_s: float) -> Ribbon:
    """Return the ribbon for something seen from `first_s` to `last_s` in a clip of `duration_s`."""
    duration_s = max(duration_s, last_s, 1e-3)
    spare_s = max(SPARE_S, (LEAST_SPAN_S - (last_s - first_s)) / 2)
    from_s = max(0.0, first_s - spare_s)
    until_s = min(duration_s, last_s + spare_s)
    return Ribbon(
        duration_s=duration_s,
        from_s=from_s,
        until_s=until_s,
        whole=_shade(looks, from_s=0.0, until_s=duration_s, bins=WHOLE_BINS),
        near=_shade(looks, from_s=from_s, until_s=until_s, bins=NEAR_BINS),
    )


def _shade(looks: Looks, *, from_s: float, until_s: float, bins: int) -> tuple[int, ...]:
    step_s = (until_s - from_s) / bins
    times_s = [time_s for time_s, _ in looks]
    return tuple(
        _shade_one(looks, times_s, middle_s=from_s + (index + 0.5) * step_s, half_s=step_s / 2)
        for index in range(bins)
    )


def _shade_one(looks: Looks, times_s: Sequence[float], *, middle_s: float, half_s: float) -> int:
    """Shade one moment: the sharpest look within it, else the nearest look around it."""
    start, end = bisect_left(times_s, middle_s - half_s), bisect_left(times_s, middle_s + half_s)
    inside = looks[start:end] or looks[max(0, start - 1) : end + 1]
    near = [
        sharpness for time_s, sharpness in inside if abs(time_s - middle_s) <= max(half_s, FARTHEST_LOOK_S)
    ]
    return 1 + round((MOST_SHADE - 1) * min(1.0, max(0.0, max(near)))) if near else 0

"""How many moments with a larva the search passed over: which moments to look at, and what may be said after looking.

A window is a piece of a clip of a given length in which the search flagged nothing; the pool is all such windows, and some of
them, drawn at random, are shown to a person as plain frames. From the windows that held a larva comes an estimate for the
pool, with an interval that holds the truth at least as often as it says. One visit: `estimate_missed`; a season:
`combine_visits`.

Counted are windows, not larvae; what nobody can see in the plain frames stays missed; footage in a window that also holds
something flagged, and the rest of a clip too short for a window, is in no pool. This file keeps nothing and asks nobody.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from annotate.errors import AnnotateError
from annotate.review_order import say_count
from models.metrics import find_interval

Floats = NDArray[np.float64]

CONFIDENCE = 0.95
"""Share of audits whose interval holds the truth, at the least (common practice, no source)."""

ROUNDING = 1e-9
"""A chance this close to the tail, relative to it, counts as above it, so that rounding never narrows an interval."""

TILTS, FINER_ROUNDS = 16, 2
"""Tilts tried in each round. Each gives a valid limit and the best is taken: more would only narrow it a little."""

LEAST_TILT, MOST_TILT = 1e-3, 20.0
"""Times the greatest weight of a window. Beyond the most, a hit already counts as nearly impossible (e^-20)."""

LEAST_GAIN = -1 + 1e-12
"""Nearest to -1, where a logarithm would be infinite."""

STEEPEST_LOG_SLOPE, SLOPE_HALVINGS = 35.0, 50
"""Slopes lie between e^-35 and e^35; fifty halvings of their logarithms leave 1e-13, and the rest is a straight line."""


@dataclass(frozen=True, slots=True)
class Window:
    """A piece of a clip, in s from its first frame: `start_s` belongs to it, `end_s` to the next."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Audit:
    """One visit's sample: `hits` windows held a larva, of `sampled` looked at, of `pool` that the search passed over."""

    hits: int
    sampled: int
    pool: int


@dataclass(frozen=True, slots=True)
class Missed:
    """Windows with a larva among those that the search passed over, those seen in the sample with them.

    Attributes
    ----------
    hits, sampled, pool : summed over the visits looked at
    windows : the estimate; None where nothing was looked at
    low, high : bounds of the number of windows, both within them; where nothing was looked at, 0 and the pool
    confidence : share of audits whose bounds hold the true number, at the least
    visits : those looked at
    visits_left_out, pool_left_out : visits with a pool of which nothing was looked at, and their windows; in no other
        number, unless they are all there is
    """

    hits: int
    sampled: int
    pool: int
    windows: float | None
    low: int
    high: int
    confidence: float = CONFIDENCE
    visits: int = 1
    visits_left_out: int = 0
    pool_left_out: int = 0


def list_windows(
    duration_s: float, flagged: Sequence[tuple[float, float]], *, window_s: float
) -> list[Window]:
    """Return every whole window of a clip that touches nothing flagged, in order: the clip's share of the pool.

    Parameters
    ----------
    duration_s : length of the clip
    flagged : (start_s, end_s) of what the search flagged, both ends with it, in any order; a moment is (start_s, start_s)
    window_s : length of a window; windows start at whole multiples of it

    Raises
    ------
    annotate.errors.AnnotateError
        Where a length is negative, a window has none, or something flagged ends before it starts.
    """
    if not (math.isfinite(duration_s) and duration_s >= 0):
        raise AnnotateError(
            f"duration: expected a length of 0 s or more; found {duration_s!r}; read it off the clip"
        )
    if not (math.isfinite(window_s) and window_s > 0):
        raise AnnotateError(
            f"window: expected a length over 0 s; found {window_s!r}; choose one of a few seconds"
        )
    for start_s, end_s in flagged:
        if not start_s <= end_s:
            raise AnnotateError(
                f"flagged: expected a start that is not after the end; found {start_s!r} to {end_s!r} s; exchange them"
            )
    whole = math.floor(duration_s / window_s * (1 + ROUNDING))  # 0.3 s holds three windows of 0.1 s
    is_clear = np.ones(whole, dtype=np.bool_)
    edges_s = np.arange(whole + 1) * window_s
    for start_s, end_s in flagged:
        first = max(int(np.searchsorted(edges_s, start_s, side="left")) - 1, 0)
        last = int(np.searchsorted(edges_s, end_s, side="right"))
        is_clear[first:last] = False
    return [Window(float(edges_s[place]), float(edges_s[place + 1])) for place in np.flatnonzero(is_clear)]


def choose_windows(
    duration_s: float,
    flagged: Sequence[tuple[float, float]],
    *,
    window_s: float,
    count: int,
    rng: np.random.Generator,
) -> list[Window]:
    """Return windows to show, in order: `count` of `list_windows`, each as likely as any other, none twice.

    Where they are fewer, all. The same state of `rng` gives the same windows.

    Raises
    ------
    annotate.errors.AnnotateError
        As `list_windows`, and for a negative count.
    """
    _check_whole("windows to choose", count, least=0)
    pool = list_windows(duration_s, flagged, window_s=window_s)
    places = rng.choice(len(pool), size=min(count, len(pool)), replace=False)
    return [pool[place] for place in sorted(places)]


def share_out(pools: Sequence[int], *, count: int, rng: np.random.Generator) -> list[int]:
    """Return how many windows to choose in each clip of a visit, so that every window of the visit is equally likely.

    Parameters
    ----------
    pools : windows passed over in each clip
    count : windows to look at in the whole visit; all where they are fewer
    """
    _check_whole("windows to choose", count, least=0)
    for pool in pools:
        _check_whole("windows of a clip", pool, least=0)
    if not sum(pools):
        return [0] * len(pools)
    drawn = rng.multivariate_hypergeometric(list(pools), min(count, sum(pools)))
    return [int(share) for share in drawn]


def bound_share(hits: int, sampled: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Return the exact two-sided interval of a share after Clopper and Pearson (1934, Biometrika 26:404-413).

    Nothing sampled gives 0 to 1.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there are more hits than were sampled, a count is negative, or the confidence is not between 0 and 1.
    """
    _check_whole("sampled", sampled, least=0)
    _check_whole("hits", hits, least=0, most=sampled)
    return find_interval(hits, sampled, tail=_halve_tail(confidence))


def bound_number(hits: int, sampled: int, pool: int, confidence: float = CONFIDENCE) -> tuple[int, int]:
    """Return the least and the greatest number of windows with a larva in a finite pool, hits with them.

    A number is in the interval where neither so few nor so many hits would have a chance of (1 - confidence) / 2 or less by
    the hypergeometric law (Buonaccorsi 1987, Am. Stat. 41:215-218; from memory). Nothing sampled gives 0 to the pool. The
    interval holds whole numbers only: where nearly all was looked at, the estimate may lie a fraction outside.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the three counts do not fit each other, or the confidence is not between 0 and 1.
    """
    from scipy.stats import hypergeom

    _check_audit(Audit(hits, sampled, pool))
    tail = _halve_tail(confidence) * (1 - ROUNDING)
    least, most = hits, pool - sampled + hits

    def is_low_enough(number: int) -> bool:
        return number <= least or (number <= most and bool(hypergeom.cdf(hits, pool, number, sampled) > tail))

    def is_high_enough(number: int) -> bool:
        return number >= most or bool(hypergeom.sf(hits - 1, pool, number, sampled) > tail)

    low = _find_first(is_high_enough, least, most)
    high = _find_first(lambda number: not is_low_enough(number), low, most + 1) - 1
    return low, high


def estimate_missed(hits: int, sampled: int, pool: int, confidence: float = CONFIDENCE) -> Missed:
    """Return the estimate of one visit, pool x hits / sampled, with the bounds of `bound_number`.

    Raises
    ------
    annotate.errors.AnnotateError
        As `bound_number`.
    """
    low, high = bound_number(hits, sampled, pool, confidence)
    windows = pool * hits / sampled if sampled else (None if pool else 0.0)
    return Missed(hits, sampled, pool, windows, low, high, confidence)


def combine_visits(audits: Sequence[Audit], confidence: float = CONFIDENCE) -> Missed:
    """Return the estimate of a season from visits of which different shares were looked at: the sum of pool x hits / sampled.

    The bounds of one visit are those of `bound_number`. Of several they come from a bound on the chance of the sum itself, at
    the division of the windows over the visits that is hardest to refute (`_bound_sum` gives the formula and its sources).
    They hold the truth at least as often as they say, whatever the numbers, and are therefore wide: in drawn seasons of twelve
    visits 1.4 times as wide as a normal interval from the true deviation where an equal share of each visit was looked at,
    1.8 times where the shares were unlike, and six times where exact intervals of the visits were added up at 1 - 0.05 / 12.

    Visits with nothing to look at count for nothing; those where nothing was looked at are left out, and counted as such.

    Raises
    ------
    annotate.errors.AnnotateError
        As `bound_number`, for any visit.
    """
    tail = _halve_tail(confidence)
    for audit in audits:
        _check_audit(audit)
    seen = [audit for audit in audits if audit.sampled]
    unseen = [audit for audit in audits if audit.pool and not audit.sampled]
    hits, sampled, pool = (
        sum(getattr(audit, name) for audit in seen) for name in ("hits", "sampled", "pool")
    )
    left_out = sum(audit.pool for audit in unseen)
    if not seen:
        windows = None if unseen else 0.0
        return Missed(0, 0, left_out, windows, 0, left_out, confidence, 0, len(unseen), left_out)
    if len(seen) == 1:
        low, high = bound_number(hits, sampled, pool, confidence)
    else:
        low, high = _bound_sum(seen, tail)
    windows = sum(audit.pool * audit.hits / audit.sampled for audit in seen)
    return Missed(hits, sampled, pool, windows, low, high, confidence, len(seen), len(unseen), left_out)


def say_missed(missed: Missed, *, place: str | None = None) -> str:
    """Return what a recorder reads of an estimate.

    Parameters
    ----------
    place : what the moments belong to, such as "tree OT03"; left out, "this visit" or "these visits"
    """
    where = place or ("these visits" if missed.visits + missed.visits_left_out > 1 else "this visit")
    if not missed.pool:
        return f"The search passed over no whole moment of {where}: there is nothing to look through."
    if not missed.sampled:
        return _say_unknown(missed.pool)
    sentence = _say_sample(missed) + _say_rest(missed, where)
    if not missed.visits_left_out:
        return sentence
    moments, visits = (
        say_count(missed.pool_left_out, "moment"),
        say_count(missed.visits_left_out, "visit"),
    )
    return f"{sentence} Not looked at, and not counted: {moments} of {visits}."


def _say_unknown(pool: int) -> str:
    """Return the sentence for moments of which nobody looked at any."""
    if pool == 1:
        return "The only moment that the search passed over was not looked at: whether it holds a larva is not known."
    return f"None of the {pool:,} moments that the search passed over was looked at: how many of them hold a larva is not known."


def _say_sample(missed: Missed) -> str:
    """Return what was seen in the sample, without an end."""
    on_visits = f" on {missed.visits:,} visits" if missed.visits > 1 else ""
    held = f"{missed.hits:,} held a larva" if missed.hits else "none held a larva"
    return (
        f"In {say_count(missed.sampled, 'moment')} looked at{on_visits}, of {missed.pool:,} that the search "
        f"passed over, {held}"
    )


def _say_rest(missed: Missed, where: str) -> str:
    """Return what follows for the pool: nothing more where all was seen, otherwise the estimate and its bounds."""
    if missed.low == missed.high:
        perhaps = "" if missed.sampled == missed.pool else "probably "
        return f"; there are {perhaps}{'no others' if missed.hits else 'none'}."
    if not missed.hits:
        return f": at most {say_count(missed.high, 'moment')} of {where} may."
    about = say_count(round(missed.windows or 0), "moment")
    return f": about {about} of {where} may, between {missed.low:,} and {missed.high:,}."


def _bound_sum(audits: Sequence[Audit], tail: float) -> tuple[int, int]:
    """Return bounds of the number of windows with a larva over visits of which each was looked at in part.

    With weights w = pool / sampled and the hits x, the estimate is S = sum of w x. Let K be the windows with a larva in each
    visit. For any tilt t, the chance that S is as far out as it was found is at most E exp(t S) / exp(t found) (Chernoff
    1952, Ann. Math. Stat. 23:493-507), and the expectation of each visit is at most that of drawing with replacement
    (Hoeffding 1963, J. Am. Stat. Assoc. 58:13-30, theorem 4), either of `sampled` windows of which a share K / pool holds a
    larva, or, what is the same law, of K windows of which a share sampled / pool is looked at. A total is in the interval
    where, for every tilt, some division K of it, possible after what was seen, leaves this bound above the tail. Both sources
    from memory; the tests compute the coverage exactly.
    """
    hits, sampled, pool = (
        np.array([getattr(audit, name) for audit in audits], dtype=np.float64)
        for name in ("hits", "sampled", "pool")
    )
    least, most = hits, pool - sampled + hits

    def reach(tilts: Floats) -> Floats:
        return _reach_total(tilts, hits=hits, sampled=sampled, pool=pool, log_tail=math.log(tail))

    high = min(_find_best(reach, sign=-1, weights=pool / sampled), float(most.sum()))
    low = max(_find_best(reach, sign=1, weights=pool / sampled), float(least.sum()))
    return math.ceil(low - ROUNDING * pool.sum()), math.floor(high + ROUNDING * pool.sum())


def _find_best(reach: Callable[[Floats], Floats], *, sign: int, weights: Floats) -> float:
    """Return the narrowest limit over tilts of one sign: the greatest lower one, or the least upper one."""
    log_tilts = np.linspace(math.log(LEAST_TILT), math.log(MOST_TILT), TILTS)
    limits = reach(sign * np.exp(log_tilts) / weights.max())
    for _ in range(FINER_ROUNDS):
        best = int(np.argmax(sign * limits))
        nearest = log_tilts[max(best - 1, 0)], log_tilts[min(best + 1, TILTS - 1)]
        log_tilts = np.linspace(*nearest, TILTS)
        limits = reach(sign * np.exp(log_tilts) / weights.max())
    return float(limits[np.argmax(sign * limits)])


def _reach_total(tilts: Floats, *, hits: Floats, sampled: Floats, pool: Floats, log_tail: float) -> Floats:
    """Return the total (T,) at which the bound of each tilt meets the tail, at the division hardest to refute.

    Positive tilts give lower limits, negative ones upper ones. The log of the bound is concave in each visit's windows K, so
    that a total is best divided where the slopes are equal: K grows everywhere as the slope falls, and the slope is found by
    halving.

    Parameters
    ----------
    hits, sampled, pool : of each visit (V,)
    """
    fraction = sampled / pool
    tilt = tilts[:, None]
    gain = np.expm1(tilt * pool / sampled)  # (T, V)
    gain = np.maximum(gain, LEAST_GAIN)  # anything above the true gain only loosens the bound
    first_slope = np.log1p(fraction * gain)
    found = (tilt * hits * pool / sampled).sum(axis=1)

    def divide(slope: Floats) -> Floats:
        """Return the windows of each visit (T, V) beyond which the bound rises by less than the slope (T,) a window."""
        curved = pool * (fraction / slope[:, None] - 1 / gain)
        numbers = np.where(slope[:, None] > first_slope, 0.0, np.maximum(sampled, curved))
        divided: Floats = np.clip(numbers, hits, pool - sampled + hits)
        return divided

    def measure(numbers: Floats) -> Floats:
        """Return the log of the bound (T,) for a division (T, V)."""
        few = numbers * first_slope
        many = sampled * np.log1p(gain * numbers / pool)
        measured: Floats = np.where(numbers <= sampled, few, many).sum(axis=1) - found
        return measured

    sign = np.sign(tilts)
    steep, flat = (np.full(tilts.shape, edge) for edge in (STEEPEST_LOG_SLOPE, -STEEPEST_LOG_SLOPE))
    for _ in range(SLOPE_HALVINGS):
        middle = (steep + flat) / 2
        is_met = measure(divide(sign * np.exp(middle))) >= log_tail
        # A lower limit rises from steep slopes to flat, until the bound is met; an upper one the other way, until it is lost.
        flat = np.where(is_met, middle, flat)
        steep = np.where(is_met, steep, middle)
    before, after = (divide(sign * np.exp(edge)) for edge in (steep, flat))
    return _divide_between(before, after, measure, log_tail)


def _divide_between(
    one: Floats, other: Floats, measure: Callable[[Floats], Floats], log_tail: float
) -> Floats:
    """Return the total (T,) between two divisions (T, V) at which the log of the bound meets the tail.

    The two differ in visits whose bound is a straight line there, so that the place between them is exact. Where the tail
    does not lie between, it is the nearer end.
    """
    from_log, to_log = measure(one), measure(other)
    span = to_log - from_log
    share = np.divide(log_tail - from_log, span, out=np.zeros_like(span), where=span != 0)
    share = np.clip(share, 0.0, 1.0)
    total: Floats = one.sum(axis=1) * (1 - share) + other.sum(axis=1) * share
    return total


def _find_first(is_true: Callable[[int], bool], low: int, high: int) -> int:
    """Return the least number, low to high, at which a statement becomes true; once true it stays so, and is so at high."""
    while low < high:
        middle = (low + high) // 2
        if is_true(middle):
            high = middle
        else:
            low = middle + 1
    return low


def _halve_tail(confidence: float) -> float:
    """Return the chance left to each side of an interval."""
    if not 0 < confidence < 1:
        raise AnnotateError(
            f"confidence: expected a share between 0 and 1, without them; found {confidence!r}; 0.95 is usual"
        )
    return (1 - confidence) / 2


def _check_audit(audit: Audit) -> None:
    """Refuse counts that cannot stand beside each other."""
    _check_whole("pool", audit.pool, least=0)
    _check_whole("sampled", audit.sampled, least=0, most=audit.pool)
    _check_whole("hits", audit.hits, least=0, most=audit.sampled)


def _check_whole(what: str, number: int, *, least: int, most: int | None = None) -> None:
    """Refuse a count outside its bounds."""
    if number < least or (most is not None and number > most):
        bounds = f"{least:,} or more" if most is None else f"{least:,} to {most:,}"
        raise AnnotateError(f"{what}: expected {bounds}; found {number:,}; count again")

"""Bounds on a number of windows over visits of which each was looked at in part: close ones, and safe ones.

What was found on each visit, weighted with how many windows one looked at stands for, adds up to the estimate; the bounds are
the totals that this sum does not refute. A total can be divided over the visits in many ways. `bound_closely` takes the most
likely one and half the chance of what was found, and holds the truth about as often as it says; `bound_safely` takes the worst
and a bound on the chance, and holds it at least as often, always. This file asks nothing of where the counts come from.
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

STEPS = 900
"""Places, at the least, on which the chance of the sum is reckoned below what was found; four times as many moved no bound of
sixty drawn seasons (tried)."""

ON_A_STEP = 1e-6
"""A value this close to a step, in steps, lies on it: equal weights put every value exactly on one."""

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


def bound_closely(hits: Counts, sampled: Counts, pool: Counts, *, tail: float) -> tuple[int, int]:
    """Return bounds that hold the truth about as often as they say.

    With weights w = pool / sampled and the hits x, the estimate is S = sum of w x. Each total is divided over the visits as is
    most likely given the hits (the likelihoods are concave, so that the windows are given out one by one to where each adds
    most), and refuted where the chance of an S further out plus half the chance of this very S is at most the tail (the mid-p
    of Lancaster 1961, J. Am. Stat. Assoc. 56:223-234; the division as in a profile likelihood; both from memory). The chance of
    S is that of hypergeometric draws, added up exactly where the weights are equal and to a step of S / `STEPS` else. How often
    these bounds hold is measured in `tests.bench.audit_coverage`.

    Parameters
    ----------
    hits, sampled, pool : int64 (V,) of each visit, `sampled` 1 or more
    tail : chance left to each side
    """
    order = _order_windows(hits, sampled, pool)
    weights = pool / sampled
    found = float(weights @ hits)
    floor = tail * (1 - ROUNDING)

    def find_half_below(more: int) -> float:
        numbers = hits + np.bincount(order[:more], minlength=len(hits))
        return _find_half_below(found, numbers, hits=hits, sampled=sampled, pool=pool)

    total, most = int(hits.sum()), len(order)
    high = find_first(lambda more: more > most or find_half_below(more) <= floor, 0, most + 1) - 1
    if not total:
        return 0, max(high, 0)
    low = find_first(lambda more: more >= most or 1 - find_half_below(more) > floor, 0, most)
    return total + min(low, max(high, 0)), total + max(high, 0)


def _order_windows(hits: Counts, sampled: Counts, pool: Counts) -> Counts:
    """Return the visit (M,) to which each further window with a larva most likely belongs, one by one, beyond the hits."""
    gains, visits = [], []
    for visit, (found, seen, windows) in enumerate(zip(hits, sampled, pool, strict=True)):
        numbers = np.arange(found, windows - seen + found, dtype=np.float64)
        unseen = windows - seen + found - numbers
        gains.append(np.log((numbers + 1) / (numbers + 1 - found)) + np.log(unseen / (windows - numbers)))
        visits.append(np.full(len(numbers), visit, dtype=np.int64))
    ordered: Counts = np.concatenate(visits)[np.argsort(-np.concatenate(gains), kind="stable")]
    return ordered


def _find_half_below(found: float, numbers: Counts, *, hits: Counts, sampled: Counts, pool: Counts) -> float:
    """Return the chance that the weighted hits add up to less than `found`, and half the chance that they add up to just it.

    Parameters
    ----------
    numbers : windows with a larva in each visit (V,)
    """
    weights = pool / sampled
    steps = max(int(hits.sum()), 1)
    steps *= -(-STEPS // steps)
    step = found / steps if found else 1.0
    reach = np.floor(found / weights + ON_A_STEP).astype(np.int64)
    most = np.minimum(np.minimum(sampled, numbers), reach)
    values = np.arange(int(most.max()) + 1)[None, :]
    chances = np.where(values <= most[:, None], _draw(values, numbers, sampled, pool), 0.0)
    spread = _spread(chances, values * weights[:, None] / step, steps + 1 if found else 1)
    below = _add_up(spread)
    return float(below[:-1].sum() + below[-1] / 2)


def _draw(values: Counts, numbers: Counts, sampled: Counts, pool: Counts) -> Floats:
    """Return the hypergeometric chance (V, X) of values (1, X) for each visit."""
    from scipy.special import gammaln

    number, seen, windows = (count[:, None].astype(np.float64) for count in (numbers, sampled, pool))
    is_possible = (values <= seen) & (values <= number) & (windows - number - seen + values >= 0)
    value = np.where(is_possible, values, np.minimum(seen, number))  # any that keeps the logarithms finite

    def log_choose(of: Floats, some: Floats) -> Floats:
        chosen: Floats = gammaln(of + 1) - gammaln(some + 1) - gammaln(of - some + 1)
        return chosen

    with np.errstate(invalid="ignore"):
        logs = (
            log_choose(number, value) + log_choose(windows - number, seen - value) - log_choose(windows, seen)
        )
    return np.where(is_possible, np.exp(np.where(is_possible, logs, 0.0)), 0.0)


def _spread(chances: Floats, places: Floats, length: int) -> Floats:
    """Return chances (V, X) at places on a row of steps (V, length), each shared by the two steps beside it; beyond is lost."""
    low = np.floor(places + ON_A_STEP)
    share = np.clip(places - low, 0.0, 1.0)
    share[share < 2 * ON_A_STEP] = 0.0
    starts = length * np.arange(len(chances))[:, None]
    spread = np.zeros(len(chances) * length)
    for at, part in ((low, 1 - share), (low + 1, share)):
        is_inside = at < length
        where = (starts + at)[is_inside].astype(np.int64)
        spread += np.bincount(where, (chances * part)[is_inside], minlength=len(spread))
    return spread.reshape(len(chances), length)


def _add_up(spread: Floats) -> Floats:
    """Return the chances (L,) of the sum of independent values, each with its own (V, L); sums beyond L are lost."""
    length = spread.shape[1]
    size = 1 << (2 * length - 1).bit_length()
    while len(spread) > 1:
        if len(spread) % 2:
            spread = np.vstack([spread, np.eye(1, length)])
        waves = np.fft.rfft(spread, size, axis=1)
        spread = np.fft.irfft(waves[::2] * waves[1::2], size, axis=1)[:, :length]
    summed: Floats = spread[0]
    return summed


def bound_safely(hits: Counts, sampled: Counts, pool: Counts, *, tail: float) -> tuple[int, int]:
    """Return bounds that hold the truth at least as often as they say, whatever the numbers.

    With weights w = pool / sampled and the hits x, the estimate is S = sum of w x. Let K be the windows with a larva in each
    visit. For any tilt t, the chance that S is as far out as it was found is at most E exp(t S) / exp(t found) (Chernoff
    1952, Ann. Math. Stat. 23:493-507), and the expectation of each visit is at most that of drawing with replacement
    (Hoeffding 1963, J. Am. Stat. Assoc. 58:13-30, theorem 4), either of `sampled` windows of which a share K / pool holds a
    larva, or, what is the same law, of K windows of which a share sampled / pool is looked at. A total is in the interval
    where, for every tilt, some division K of it, possible after what was seen, leaves this bound above the tail. Both sources
    from memory; the tests compute the coverage exactly.
    """
    found, seen, windows = (counts.astype(np.float64) for counts in (hits, sampled, pool))
    least, most = found, windows - seen + found

    def reach(tilts: Floats) -> Floats:
        return _reach_total(tilts, hits=found, sampled=seen, pool=windows, log_tail=math.log(tail))

    high = min(_find_best(reach, sign=-1, weights=windows / seen), float(most.sum()))
    low = max(_find_best(reach, sign=1, weights=windows / seen), float(least.sum()))
    return math.ceil(low - ROUNDING * windows.sum()), math.floor(high + ROUNDING * windows.sum())


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


def find_first(is_true: Callable[[int], bool], low: int, high: int) -> int:
    """Return the least number, low to high, at which a statement becomes true; once true it stays so, and is so at high."""
    while low < high:
        middle = (low + high) // 2
        if is_true(middle):
            high = middle
        else:
            low = middle + 1
    return low

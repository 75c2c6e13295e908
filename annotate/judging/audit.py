"""How many moments with a larva the search passed over: which moments to look at, and what may be said after looking.

A window is a piece of a clip of a given length in which the search flagged nothing; the pool is all such windows, and some of
them, drawn at random, are shown to a person as plain frames. From the windows that held a larva comes an estimate for the
pool, with an interval. That of one visit (`estimate_missed`) is exact and holds the truth at least as often as it says; that of
several (`combine_visits`) about as often as it says, or where asked for at least as often, and is then about half as wide again.
Windows of which a person could not say whether they hold a larva make it wider: both ways are allowed for.

Counted are windows, not larvae; what nobody can see in the plain frames stays missed; footage in a window that also holds
something flagged, and the rest of a clip too short for a window, is in no pool. This file keeps nothing and asks nobody.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from annotate.errors import AnnotateError
from annotate.judging.season_bounds import bound_closely, bound_safely, find_first
from annotate.numbers import say_count
from models.metrics import find_interval

CONFIDENCE = 0.95
"""Share of audits whose interval holds the truth, at the least (common practice, no source)."""

ROUNDING = 1e-9
"""A chance this close to the tail, relative to it, counts as above it, so that rounding never narrows an interval."""


@dataclass(frozen=True, slots=True)
class Window:
    """A piece of a clip, in s from its first frame: `start_s` belongs to it, `end_s` to the next."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Audit:
    """One visit's sample: `hits` windows held a larva, of `sampled` looked at, of `pool` that the search passed over.

    `doubtful` ones were looked at too, could not be told, and stand in neither `hits` nor `sampled`.
    """

    hits: int
    sampled: int
    pool: int
    doubtful: int = 0


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
    doubtful : windows looked at that could not be told; the bounds hold with all of them as hits, and with none
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
    doubtful: int = 0


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
    drawn_s: Collection[float] = (),
) -> list[Window]:
    """Return windows to show, in order: `count` of `list_windows`, each as likely as any other, none twice.

    Where they are fewer, all. The same state of `rng` gives the same windows.

    Parameters
    ----------
    drawn_s : starts of windows that were drawn before and are not to be drawn again

    Raises
    ------
    annotate.errors.AnnotateError
        As `list_windows`, and for a negative count.
    """
    _check_whole("windows to choose", count, least=0)
    windows = list_windows(duration_s, flagged, window_s=window_s)
    pool = [window for window in windows if window.start_s not in drawn_s]
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

    low = find_first(is_high_enough, least, most)
    high = find_first(lambda number: not is_low_enough(number), low, most + 1) - 1
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


def combine_visits(
    audits: Sequence[Audit], confidence: float = CONFIDENCE, *, is_safe: bool = False
) -> Missed:
    """Return the estimate of a season from visits of which different shares were looked at: the sum of pool x hits / sampled.

    The bounds of one visit are those of `bound_number`. Of several they are `annotate.judging.season_bounds.bound_closely`'s,
    which in drawn seasons hold the truth in 94 to 98 of 100, and more often where next to nothing is found
    (`tests.bench.audit_coverage` has the settings). The lower bound is reckoned with the doubtful windows as windows without a
    larva, the upper one with them as windows with one; the estimate leaves them out.

    Visits with nothing to look at count for nothing; those where nothing was looked at, or nothing that could be told, are left
    out, and counted as such.

    Parameters
    ----------
    is_safe : use `annotate.judging.season_bounds.bound_safely`, which holds the truth at least as often as it says, whatever the
        numbers, and far more often in ordinary seasons: in those of twelve visits it is 1.4 to 1.8 times as wide as a normal
        interval from the true deviation

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
    left_out = sum(audit.pool for audit in unseen)
    if not seen:
        windows = None if unseen else 0.0
        return Missed(0, 0, left_out, windows, 0, left_out, confidence, 0, len(unseen), left_out)
    low, high = _bound_visits(seen, tail=tail, is_safe=is_safe)
    return Missed(
        hits=sum(audit.hits for audit in seen),
        sampled=sum(audit.sampled for audit in seen),
        pool=sum(audit.pool for audit in seen),
        windows=sum(audit.pool * audit.hits / audit.sampled for audit in seen),
        low=low,
        high=high,
        confidence=confidence,
        visits=len(seen),
        visits_left_out=len(unseen),
        pool_left_out=left_out,
        doubtful=sum(audit.doubtful for audit in seen),
    )


def combine_parts(visits: Sequence[Sequence[Audit]], confidence: float = CONFIDENCE) -> Missed:
    """Return the estimate over visits of which each falls into parts that were looked at apart, such as clips searched since.

    As `combine_visits` over all the parts; `visits` and `visits_left_out` count the visits. A visit looked at in part is not left
    out; the windows of its other parts are in `pool_left_out`.
    """
    missed = combine_visits([part for parts in visits for part in parts], confidence)
    seen = sum(any(part.sampled for part in parts) for parts in visits)
    unseen = sum(
        any(part.pool for part in parts) and not any(part.sampled for part in parts) for parts in visits
    )
    return replace(missed, visits=seen or missed.visits, visits_left_out=unseen)


def _bound_visits(audits: Sequence[Audit], *, tail: float, is_safe: bool) -> tuple[int, int]:
    """Return the bounds: the lower one with no doubtful window as a hit, the upper one with all of them."""
    hits, sampled, doubtful, pool = (
        np.array([getattr(audit, name) for audit in audits], dtype=np.int64)
        for name in ("hits", "sampled", "doubtful", "pool")
    )
    most_hits, looked_at = hits + doubtful, sampled + doubtful
    if len(audits) == 1:
        low, _ = bound_number(int(hits[0]), int(looked_at[0]), int(pool[0]), 1 - 2 * tail)
        _, high = bound_number(int(most_hits[0]), int(looked_at[0]), int(pool[0]), 1 - 2 * tail)
        return low, high
    bound = bound_safely if is_safe else bound_closely
    low, high = bound(hits, looked_at, pool, tail=tail)
    return (low, bound(most_hits, looked_at, pool, tail=tail)[1]) if doubtful.any() else (low, high)


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
    sentence = _say_sample(missed) + _say_rest(missed, where) + _say_doubtful(missed.doubtful)
    if not missed.pool_left_out:
        return sentence
    moments = say_count(missed.pool_left_out, "moment")
    of_visits = f" of {say_count(missed.visits_left_out, 'visit')}" if missed.visits_left_out else ""
    return f"{sentence} Not looked at, and not counted: {moments}{of_visits}."


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


def _say_doubtful(doubtful: int) -> str:
    """Return what is said of windows that could not be told, or nothing where there are none."""
    if not doubtful:
        return ""
    were, them = ("was", "it") if doubtful == 1 else ("were", "them")
    return (
        f" {doubtful:,} more {were} too unclear to tell: the bounds allow for a larva in {them} and for none."
    )


def _say_rest(missed: Missed, where: str) -> str:
    """Return what follows for the pool: nothing more where all was seen, otherwise the estimate and its bounds."""
    if missed.low == missed.high and not missed.doubtful:
        perhaps = "" if missed.sampled == missed.pool else "probably "
        return f"; there are {perhaps}{'no others' if missed.hits else 'none'}."
    if not missed.hits:
        return f": at most {say_count(missed.high, 'moment')} of {where} may."
    about = say_count(round(missed.windows or 0), "moment")
    return f": about {about} of {where} may, between {missed.low:,} and {missed.high:,}."


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
    _check_whole("doubtful", audit.doubtful, least=0, most=audit.pool - audit.sampled)


def _check_whole(what: str, number: int, *, least: int, most: int | None = None) -> None:
    """Refuse a count outside its bounds."""
    if number < least or (most is not None and number > most):
        bounds = f"{least:,} or more" if most is None else f"{least:,} to {most:,}"
        raise AnnotateError(f"{what}: expected {bounds}; found {number:,}; count again")

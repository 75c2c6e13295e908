"""From a body's length to its stage as probabilities, never as a certainty: a taxon's profile, the length's error, the season.

Within an instar a larva grows by equal ratios in equal times, so that all lengths between its ends are as likely by ratio, with
ends that differ between individuals. Bayes' rule over that and the length's error (`annotate.lengths.sizes.weigh_lengths`), the
instars being as likely as each other before; the season is a weak prior that can be left out. Of each answer `NEVER_SURE` is
spread over all instars, for what the profile does not know: no instar ever gets more than `MOST_SURE`. It tells larvae only:
eggs, pupae and what is no larva at all have lengths too.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from annotate.lengths.sizes import BodySize, weigh_lengths
from annotate.lengths.taxon_profiles import Instar, TaxonProfile

Floats = NDArray[np.float64]

NEVER_SURE = 0.04
MOST_SURE = 0.95
"""Share of each answer that the profile's own doubt gets, and the most that one instar ever gets: own choice."""

LEAST_TOLD = 0.5
"""Under this, the likeliest instar is less likely than all others together: it cannot be told."""

LEAST_SHOWN = 0.1
"""Instars less likely than this are not named in a sentence."""

SEASON_FLOOR, SEASON_DAYS = 0.1, 21.0
"""Out of its season an instar is as likely as this at least, and how many days out it takes to get there: springs differ by
three weeks (common practice, no source), and calendars from memory deserve no more."""

GRID_STEPS = 400
GRID_REACH = 2.5
"""Steps by which lengths are summed, by ratio, and how far beyond the profile's ends as a factor."""


@dataclass(frozen=True, slots=True)
class StageGuess:
    """How likely each instar is.

    Attributes
    ----------
    chances : (stage, chance) in order of age; they add to one
    stage : the likeliest, empty where it cannot be told
    rests_on : in words
    """

    chances: tuple[tuple[str, float], ...]
    stage: str
    rests_on: str


def guess_stage(
    profiles: Sequence[TaxonProfile], size: BodySize, *, day: date | None = None
) -> StageGuess | None:
    """Return how likely each instar is for a body of that size; None without a profile.

    Parameters
    ----------
    profiles : of the animal; of several, as for a genus, each counts as much
    day : local date it was seen on; None leaves the season out
    """
    if not profiles:
        return None
    names = sorted({one.name for profile in profiles for one in profile.instars})
    total: Floats = np.zeros(len(names))
    for profile in profiles:
        chances = _weigh_instars(profile, size, day=day)
        for instar, chance in zip(profile.instars, chances, strict=True):
            total[names.index(instar.name)] += chance / len(profiles)
    total = _temper(total)
    best = int(total.argmax())
    taxa = " and ".join(profile.taxon for profile in profiles)
    return StageGuess(
        tuple((name, float(chance)) for name, chance in zip(names, total, strict=True)),
        names[best] if total[best] >= LEAST_TOLD else "",
        f"lengths of {taxa}" + ("" if day is None else ", season"),
    )


def _weigh_instars(profile: TaxonProfile, size: BodySize, *, day: date | None) -> Floats:
    """Return the chance of each of a profile's instars; all alike where the length fits none of them at all."""
    ends = [end for instar in profile.instars for end in instar.length_mm]
    lengths_mm: Floats = np.geomspace(
        min(ends) / GRID_REACH, max(ends) * GRID_REACH, GRID_STEPS, dtype=np.float64
    )
    seen = weigh_lengths(size, lengths_mm)
    weights = np.array(
        [
            float(seen @ spread_lengths(instar, lengths_mm))
            * (1.0 if day is None else weigh_season(instar, day))
            for instar in profile.instars
        ]
    )
    total = weights.sum()
    # So far off that the numbers vanish: nothing can be said.
    return weights / total if total > LEAST_WEIGHT else np.full(len(weights), 1 / len(weights))


LEAST_WEIGHT = 1e-12


def spread_lengths(instar: Instar, lengths_mm: Floats) -> Floats:
    """Return the density (N,) of an instar's lengths on a grid even by ratio, adding to one: flat between ends that are soft."""
    from scipy.special import ndtr

    low, high = np.log(instar.length_mm)
    at = np.log(lengths_mm)
    density = ndtr((at - low) / instar.spread) * ndtr((high - at) / instar.spread)
    return np.asarray(density / density.sum())


def weigh_season(instar: Instar, day: date) -> float:
    """Return the weight of an instar on a day, 1 in its season and `SEASON_FLOOR` far from it; 1 where none is known."""
    if instar.season is None:
        return 1.0
    days = count_days_off(instar.season, day)
    return SEASON_FLOOR + (1 - SEASON_FLOOR) * float(np.exp(-0.5 * (2 * days / SEASON_DAYS) ** 2))


def count_days_off(season: tuple[tuple[int, int], tuple[int, int]], day: date) -> int:
    """Return how many days before or after its season a day lies, 0 in it; a season may cross the new year."""
    starts = [_place(season[0], day.year + shift) for shift in (-1, 0, 1)]
    crosses = season[1] < season[0]
    ends = [_place(season[1], start.year + crosses) for start in starts]
    return min(
        0 if start <= day <= end else min(abs((start - day).days), abs((day - end).days))
        for start, end in zip(starts, ends, strict=True)
    )


def _place(month_day: tuple[int, int], year: int) -> date:
    """Return that day of a year; 29 February is the day before 1 March."""
    month, day = month_day
    if (month, day) == (2, 29):
        return date(year, 3, 1) - timedelta(days=1)
    return date(year, month, day)


def _temper(chances: Floats) -> Floats:
    """Spread the doubt over all, and hold the likeliest to `MOST_SURE`; what it loses goes to its neighbours in age."""
    tempered = (1 - NEVER_SURE) * chances + NEVER_SURE / len(chances)
    best = int(tempered.argmax())
    over = tempered[best] - MOST_SURE
    if over > 0 and len(tempered) > 1:
        tempered[best] -= over
        beside = [at for at in (best - 1, best + 1) if 0 <= at < len(tempered)]
        tempered[beside] += over / len(beside)
    return np.asarray(tempered)


def say_guess(guess: StageGuess | None) -> str:
    """Return "probably L4 (0.7) or L5 (0.3)", or that the stage cannot be told."""
    if guess is None:
        return "stage cannot be told: no profile of this animal"
    named = sorted((one for one in guess.chances if one[1] >= LEAST_SHOWN), key=lambda one: -one[1])
    words = " or ".join(f"{stage} ({chance:.1f})" for stage, chance in named)
    if not guess.stage:
        return f"stage cannot be told from this: {words}"
    return f"probably {words}"

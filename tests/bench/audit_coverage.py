"""How often the bounds of an audit hold the truth: drawn visits and seasons, close bounds beside safe ones.

`python -m tests.bench.audit_coverage [SEASONS]` prints for each setting the share of so many drawn seasons (500 where not said)
whose bounds hold the true number of windows with a larva, how often the truth lay below or above, and how wide they were. In
each season the numbers of larvae, of windows and of windows looked at are drawn anew; the draw of the sample is the
hypergeometric one that an audit makes.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from annotate.judging.audit import Audit, combine_visits

SEED = 1117
SEASONS = 500
Counts = NDArray[np.int64]
Rates = Callable[[np.random.Generator, Counts], NDArray[np.float64]]
Samples = Callable[[np.random.Generator, Counts], Counts]


@dataclass(frozen=True, slots=True)
class Setting:
    """A kind of season: visits, windows of each, how many are looked at, and what share of the windows holds a larva."""

    name: str
    visits: int
    pools: tuple[int, int]
    samples: Samples
    rates: Rates


def look_at(low: int, high: int) -> Samples:
    """As many windows of each visit as a person felt like."""
    return lambda rng, pools: np.minimum(rng.integers(low, high + 1, size=len(pools)), pools)


def look_at_share(share: float) -> Samples:
    """The same share of each visit."""
    return lambda rng, pools: np.maximum((pools * share).astype(np.int64), 1)


def spread(most: float) -> Rates:
    """Every visit has a share of its own, up to the most."""
    return lambda rng, pools: rng.uniform(0, most, size=len(pools))


def fix(share: float) -> Rates:
    """Every visit has the same share."""
    return lambda rng, pools: np.full(len(pools), share)


def gather(share: float) -> Rates:
    """All larvae are on the visit with the most windows, which the others say nothing of."""

    def choose(rng: np.random.Generator, pools: Counts) -> NDArray[np.float64]:
        return np.where(np.arange(len(pools)) == np.argmax(pools), share, 0.0)

    return choose


SETTINGS = (
    Setting("1 visit, 1 % hold one", 1, (1200, 1200), look_at(40, 40), fix(0.01)),
    Setting("1 visit, 5 % hold one", 1, (1200, 1200), look_at(60, 60), fix(0.05)),
    Setting("1 visit, 20 % hold one, half seen", 1, (200, 200), look_at_share(0.5), fix(0.2)),
    Setting("2 visits, up to 5 %", 2, (100, 1000), look_at(20, 60), spread(0.05)),
    Setting("2 visits, up to 30 %", 2, (100, 1000), look_at(20, 60), spread(0.3)),
    Setting("3 visits, up to 3 %", 3, (200, 1200), look_at(20, 80), spread(0.03)),
    Setting("4 visits, up to 50 %", 4, (200, 1200), look_at(20, 80), spread(0.5)),
    Setting("6 visits, half seen, up to 5 %", 6, (60, 300), look_at_share(0.5), spread(0.05)),
    Setting("12 visits, up to 6 %", 12, (150, 1500), look_at(15, 90), spread(0.06)),
    Setting("12 visits, a twentieth seen, up to 6 %", 12, (150, 1500), look_at_share(0.05), spread(0.06)),
    Setting("12 visits, up to 2 %", 12, (150, 1500), look_at(15, 90), spread(0.02)),
    Setting("12 visits, up to 0.5 % (often no hit)", 12, (150, 1500), look_at(15, 90), spread(0.005)),
    Setting("12 visits, all on the largest, 10 %", 12, (150, 1500), look_at(15, 90), gather(0.1)),
    Setting("12 visits, all on the largest, 2 %", 12, (150, 1500), look_at(15, 90), gather(0.02)),
    Setting("30 small visits, up to 3 %", 30, (40, 200), look_at(10, 40), spread(0.03)),
    Setting("12 visits, no larva at all", 12, (150, 1500), look_at(15, 90), fix(0.0)),
)


@dataclass(frozen=True, slots=True)
class Coverage:
    """Shares of seasons: held, truth below the bounds, above them; no hit at all; and the mean width over that of the safe."""

    held: float
    below: float
    above: float
    without_hit: float
    width: float


def measure(setting: Setting, *, seasons: int, seed: int = SEED, is_safe: bool = False) -> Coverage:
    """Draw seasons of one kind and count."""
    rng = np.random.default_rng(seed)
    below = above = none = 0
    width = 0.0
    for _ in range(seasons):
        pools = rng.integers(setting.pools[0], setting.pools[1] + 1, size=setting.visits)
        samples = setting.samples(rng, pools)
        numbers = rng.binomial(pools, setting.rates(rng, pools))
        hits = rng.hypergeometric(numbers, pools - numbers, samples)
        audits = [Audit(*map(int, counts)) for counts in zip(hits, samples, pools, strict=True)]
        missed = combine_visits(audits, is_safe=is_safe)
        below += int(numbers.sum()) < missed.low
        above += int(numbers.sum()) > missed.high
        none += not hits.any()
        width += missed.high - missed.low
    return Coverage(
        1 - (below + above) / seasons, below / seasons, above / seasons, none / seasons, width / seasons
    )


def main() -> None:
    """Print a line for each setting."""
    seasons = int(sys.argv[1]) if len(sys.argv) > 1 else SEASONS
    print(f"{seasons} seasons a setting, seed {SEED}; shares in %, widths in windows")
    print(
        f"{'setting':42} {'held':>6} {'below':>6} {'above':>6} {'no hit':>6} {'width':>7}   safe: held, width"
    )
    for setting in SETTINGS:
        close = measure(setting, seasons=seasons)
        safe = measure(setting, seasons=seasons, is_safe=True)
        shares = (close.held, close.below, close.above, close.without_hit)
        cells = " ".join(f"{100 * share:6.1f}" for share in shares)
        print(
            f"{setting.name:42} {cells} {close.width:7.1f}   {100 * safe.held:10.1f} {safe.width:7.1f}",
            flush=True,
        )


if __name__ == "__main__":
    main()

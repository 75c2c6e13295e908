"""How many stretches a track of positions gets right, asks about or gets wrong in silence: `python -m tests.bench.walks [WALKS]`.

Walks past twelve trees 15 m apart, in a line and in rows, positions wrong by 5 m (68 %) in errors that last half a minute to
five. A stay counts as right where the stretch at its middle names its tree and asks nothing.
"""

import sys
import time

import numpy as np

from annotate.field.track_stretches import TrackStretch, plan_track_stretches
from tests.drawn_walks import DrawnWalk, draw_walk, place_trees

LAYOUTS = {"a line": (1, 12), "3 rows": (3, 4)}
LASTS_S = (30.0, 100.0, 300.0)
WALKS = 500


def judge(walk: DrawnWalk) -> tuple[int, int, int]:
    """Return how many stays of a walk are right, asked about, and wrong without a word."""
    planned = plan_track_stretches(walk.track, trees=walk.trees, spans=walk.spans)
    right = asked = wrong = 0
    for tree, first, last in walk.stays:
        found = _find(walk, planned, (first + last) / 2)
        if found is None or found.doubt:
            asked += 1
        elif found.tree_id == tree:
            right += 1
        else:
            wrong += 1
    return right, asked, wrong


def _find(
    walk: DrawnWalk, planned: "dict[int, tuple[TrackStretch, ...]]", moment_s: float
) -> TrackStretch | None:  # type: ignore[type-arg]
    for span in walk.spans:
        for one in planned.get(span.clip_id, ()):
            if span.start_s + one.start_s <= moment_s <= span.start_s + one.end_s:
                return one
    return None


def main() -> None:
    """Draw walks of each kind in turn and print the counts."""
    walks = int(sys.argv[1]) if len(sys.argv) > 1 else WALKS
    kinds = [(name, lasts_s) for name in LAYOUTS for lasts_s in LASTS_S]
    sums = {kind: np.zeros(3, int) for kind in kinds}
    began = time.perf_counter()
    for seed in range(walks):
        name, lasts_s = kinds[seed % len(kinds)]
        rng = np.random.default_rng(seed)
        walk = draw_walk(
            rng, stems_m=place_trees(*LAYOUTS[name]), lasts_s=lasts_s, one_clip=seed // len(kinds) % 2 == 1
        )
        sums[name, lasts_s] += judge(walk)
    for (name, lasts_s), counts in sums.items():
        _tell(f"{name}, errors last {lasts_s:.0f} s", counts)
    _tell("all", sum(sums.values(), np.zeros(3, int)))
    print(f"{walks} walks in {time.perf_counter() - began:.0f} s")


def _tell(what: str, counts: np.ndarray) -> None:
    right, asked, wrong = counts
    share = 100 / max(counts.sum(), 1)
    print(
        f"{what}: right {right} ({right * share:.1f} %), asked {asked} ({asked * share:.1f} %), silently wrong {wrong}"
    )


if __name__ == "__main__":
    main()

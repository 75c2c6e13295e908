"""How many larvae a look finds in pictures drawn in quite another way: `python -m tests.bench.plain_leaves PICTURES WEIGHTS`."""

import sys
from collections import Counter
from pathlib import Path

import numpy as np

from detect.default_scorer import settle_threads
from detect.light import read_light
from detect.network_scoring import NetworkScorer, load_network_scorer
from detect.regions import find_middle
from detect.search import SearchSettings
from models.cards import DEFAULT_WEIGHTS
from tests.plain_leaves import PlainPicture, draw_plain_picture

PICTURES = 40
LEAST_REACH_PX = 6.0
SECOND_PASS = 0.2
BOUNDS_PX = (16.0, 32.0)
NAMES = ("under 16 px", "16 to 32 px", "32 px and more")


def name_length(length_px: float) -> str:
    """Return the class of a length."""
    return NAMES[int(np.searchsorted(BOUNDS_PX, length_px, side="right"))]


def look(scorer: NetworkScorer, picture: PlainPicture) -> tuple[dict[int, float], list[float]]:
    """Return the best score of each larva that one look finds, and the scores of what is none."""
    lit = read_light(picture.rgb)
    found: dict[int, float] = {}
    false = []
    for scored in scorer.score(lit, scorer.find(lit, with_feeding=False)):
        row, column = find_middle(scored.region.box)
        shown = [
            number
            for number, larva in enumerate(picture.larvae)
            if np.hypot(larva.middle_xy[0] - column, larva.middle_xy[1] - row)
            <= max(LEAST_REACH_PX, larva.length_px / 2)
        ]
        if not shown:
            false.append(scored.score)
        for number in shown:
            found[number] = max(scored.score, found.get(number, 0.0))
    return found, false


def main() -> None:
    """Look at the pictures once and print what is found at the default threshold and at that of a second pass."""
    pictures = int(sys.argv[1]) if len(sys.argv) > 1 else PICTURES
    settle_threads()
    scorer = load_network_scorer(Path(sys.argv[2]) if len(sys.argv) > 2 else DEFAULT_WEIGHTS)
    thresholds = (SearchSettings().silhouette_score, SECOND_PASS)
    drawn: Counter[str] = Counter()
    found: dict[float, Counter[str]] = {threshold: Counter() for threshold in thresholds}
    false: Counter[float] = Counter()
    for seed in range(pictures):
        picture = draw_plain_picture(seed)
        seen, others = look(scorer, picture)
        drawn.update(name_length(larva.length_px) for larva in picture.larvae)
        for threshold in thresholds:
            found[threshold].update(
                name_length(picture.larvae[n].length_px) for n, score in seen.items() if score >= threshold
            )
            false[threshold] += sum(score >= threshold for score in others)
    for threshold in thresholds:
        counts = ", ".join(f"{name} {found[threshold][name]} of {drawn[name]}" for name in NAMES)
        print(f"from {threshold}: {counts}; false {false[threshold]} in {pictures} pictures")


if __name__ == "__main__":
    main()

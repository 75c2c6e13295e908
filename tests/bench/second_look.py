"""How score and second look make one, fitted on clips whose truth is known: `python -m tests.bench.second_look CLIPS`.

The numbers are those of `annotate.judging.promise`; clips are those that tracks are calibrated on (DEVELOPERS.md), never those of
`tests.bench.judging`. Prints them with the area under the curve of the score alone and of both, the latter cross-validated in
seven parts of the clips.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from annotate.judging.promise import LEAST_DOUBT
from annotate.logbook.looks import read_looks
from annotate.logbook.opening import create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, find_tree, write_trees
from annotate.logbook.promises import read_judged
from annotate.searching import SearchOrder, search_into_logbook
from detect.clips import open_clip
from detect.default_scorer import load_scorer, settle_threads
from models.calibration import fit_logistic
from tests.bench.judging import lower_scores, name_larva

PARTS = 7


def measure_area(values: NDArray[np.float64], is_true: NDArray[np.bool_]) -> float:
    """Return the area under the receiver's curve: the chance that a true one stands over a false one (Hanley and McNeil 1982)."""
    others = np.sort(values[~is_true])
    below = np.searchsorted(others, values[is_true], "left") + np.searchsorted(
        others, values[is_true], "right"
    )
    return float(below.mean() / 2 / len(others))


def main() -> None:
    """Search the clips once into a logbook that is thrown away, fit, and print."""
    settle_threads()
    scorer = load_scorer()
    folder = Path(sys.argv[1])
    with tempfile.TemporaryDirectory() as place:
        book = create_logbook(Path(place) / "book", recorder="Simulated")
        with open_logbook(book) as logbook:
            lower_scores(logbook)
            write_trees(logbook, [TreeEntry("OTTERHOLT", "OT01", {})])
            order = SearchOrder(find_tree(logbook, "OT01"), again=False, recorded_at=None)
            for path in sorted(folder.glob("*.mp4")):
                search_into_logbook(logbook, open_clip(path), order=order, scorer=scorer)
            judged, looks = read_judged(logbook), read_looks(logbook)
            is_true = np.array([bool(name_larva(logbook, number, folder)) for number in judged.ids.tolist()])
    assert looks.log_odds is not None
    scores = np.clip(judged.scores, LEAST_DOUBT, 1 - LEAST_DOUBT)
    by_score = np.log(scores / (1 - scores))
    both = np.column_stack([by_score, looks.log_odds[np.searchsorted(looks.ids, judged.ids)]])
    predicted = np.zeros(len(is_true))
    part = np.searchsorted(np.unique(judged.clip_ids), judged.clip_ids) % PARTS
    for number in range(PARTS):
        weights = fit_logistic(both[part != number], is_true[part != number])
        predicted[part == number] = both[part == number] @ weights[:-1] + weights[-1]
    score, second, offset = fit_logistic(both, is_true)
    print(f"{len(is_true)} candidates, {is_true.sum()} of larvae; {looks.scorer}")
    print(
        f"second-look score={score:.2f} second={second:.2f} offset={offset:.2f} "
        f"area_by_score={measure_area(by_score, is_true):.3f} area_by_both={measure_area(predicted, is_true):.3f}"
    )


if __name__ == "__main__":
    main()

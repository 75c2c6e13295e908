"""What training at home brings: a season simulated on drawn clips of plants, light and cameras that nothing learned from.

Run as `python -m tests.bench.home_training FOLDER [--clips 60] [--minutes 40] [--workers 2] [--device cpu]`. Each clip is a tree
and a date of its own. All are searched into a logbook at a low threshold and judged by their truth, as by a person without
mistakes; then the logbook is trained. Further clips of the kind, in no logbook, are searched with old and new weights:
tracks ranked (average precision), larvae found at 1 and 5 false candidates a minute, and how far the calibration of tracks, which
the new weights have from the old, is off. FOLDER keeps the clips and the logbook; run again, what is there is used.
"""

import argparse
import json
import shutil
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from annotate.learning.home_training import TrainingOrder, train_at_home
from annotate.learning.training_set import gather_set, sum_labels
from annotate.learning.weights_kept import SHIPPED, find_weights_path
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, find_tree, write_trees
from annotate.logbook.verdicts import give_verdict
from annotate.searching import SearchOrder, search_into_logbook
from detect.clips import open_clip
from detect.default_scorer import load_scorer, settle_threads
from detect.evaluation import count_outcomes, find_threshold, search_with_truth
from detect.search import SearchSettings
from detect.truth_scoring import find_shown_larva
from models.canopy.held_out import HELD_OUT, draw_held_out, find_missing
from models.canopy.truth import find_truth_path, read_truth
from models.metrics import measure_average_precision, measure_calibration_error

FIRST_SEED, FIRST_TEST_SEED = 760_000, 770_000
CLIP = replace(HELD_OUT, frame_rate_hz=2.0, duration_s=8.0)
"""Little more than the frames that a search looks at closely, and a fifteenth of the time to draw."""

LOW_SCORE = 0.05
"""Threshold of the season's search: false candidates are needed too, and at the default there are next to none."""


def main() -> None:
    """Draw, search, judge, train and compare, and print each step with its time."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.home_training", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--clips", type=int, default=60)
    parser.add_argument("--tests", type=int, default=20)
    parser.add_argument("--minutes", type=float, default=40.0)
    parser.add_argument("--steps", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--device", default="cpu")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    clips = draw(given.folder, FIRST_SEED, given.clips, given.workers)
    tests = draw(given.folder, FIRST_TEST_SEED, given.tests, given.workers)
    book = given.folder / "Otterholt"
    if not book.exists():
        fill(given.folder / "half-made", clips).rename(book)
    with open_logbook(book) as logbook:
        began = time.monotonic()
        found = gather_set(logbook)
        print("train", sum_labels(found.train), "held out", sum_labels(found.held_out), flush=True)
        order = TrainingOrder(
            minutes=given.minutes, steps=given.steps, workers=given.workers, device=given.device
        )
        outcome = train_at_home(logbook, found, order, on_progress=Told())
        print(f"trained in {(time.monotonic() - began) / 60:.1f} min, {outcome.steps} steps of each half")
        for sentence in outcome.reasons:
            print(sentence)
        print(f"{outcome.name} took over: {outcome.took_over}")
        print(json.dumps(outcome.card.numbers, indent=1, default=str), flush=True)
        paths = {name: find_weights_path(logbook, name) for name in (SHIPPED, outcome.name)}
    for name, path in paths.items():
        print(name, search_all(tests, path, given.workers), flush=True)


def draw(folder: Path, first_seed: int, count: int, workers: int) -> list[Path]:
    """Draw the clips that are missing."""
    paths = [folder / f"held-out-{first_seed + number}.mp4" for number in range(count)]
    began = time.monotonic()
    for path in draw_held_out(find_missing(paths), workers=workers, settings=CLIP):
        print(f"{time.monotonic() - began:.0f} s: {path.name}", flush=True)
    return paths


class Told:
    """Prints each thing that is done, once, with the time."""

    def __init__(self) -> None:
        self._what, self._began = "", time.monotonic()

    def __call__(self, what: str, done: int, of: int) -> None:
        """Print where something new begins."""
        if what != self._what:
            print(f"{time.monotonic() - self._began:.0f} s: {what} ({of})", flush=True)
            self._what = what


def fill(folder: Path, clips: list[Path]) -> Path:
    """Make a logbook of searched clips, each a tree and date of its own, judge its candidates by the truth, and return it."""
    shutil.rmtree(folder, ignore_errors=True)
    create_logbook(folder, zone="Europe/London", recorder="Maren")
    settings = folder / "settings.toml"
    text = settings.read_text(encoding="utf-8")
    lines = [
        f"silhouette_score = {LOW_SCORE}" if line.lstrip("# ").startswith("silhouette_score =") else line
        for line in text.splitlines()
    ]
    settings.write_text("\n".join(lines) + "\n", encoding="utf-8")
    settle_threads()
    scorer = load_scorer()
    with open_logbook(folder) as logbook:
        codes = [f"OT{number + 1:03d}" for number in range(len(clips))]
        write_trees(
            logbook, [TreeEntry("OTTERHOLT", code, {"host_taxon": "Populus tremula"}) for code in codes]
        )
        judged = {"confirm": 0, "dismiss": 0}
        for number, (code, path) in enumerate(zip(codes, clips, strict=True)):
            at = datetime(2026, 5, 1, 11, tzinfo=UTC) + timedelta(days=number % 40)
            order = SearchOrder(find_tree(logbook, code), False, at)
            outcome = search_into_logbook(logbook, open_clip(path), order=order, scorer=scorer)
            for answer in judge(logbook, outcome, path):
                judged[answer] += 1
        print("judged", judged, flush=True)
    return folder


def judge(logbook: Logbook, outcome, path: Path) -> list[str]:
    """Give the verdicts that a person who makes no mistake would give of one clip's silhouettes."""
    from sqlalchemy import select

    from annotate.logbook.tables import CandidateRow

    frames = {frame.index: frame for frame in read_truth(find_truth_path(path)).frames}
    with logbook.reading() as session:
        ids = session.scalars(
            select(CandidateRow.id).where(CandidateRow.clip_id == outcome.clip.id).order_by(CandidateRow.id)
        ).all()
    answers = []
    for candidate_id, candidate in zip(ids, outcome.found.candidates, strict=True):
        if candidate.kind != "silhouette":
            continue
        answer = "dismiss" if find_shown_larva(candidate, frames) is None else "confirm"
        give_verdict(logbook, candidate_id, answer=answer, reviewer="Maren", at=datetime.now(UTC))
        answers.append(answer)
    return answers


def search_one(path: Path, *, weights: Path):
    """Search one clip whose truth is known, in a process of its own."""
    settle_threads()
    return search_with_truth(path, SearchSettings(), scorer=load_scorer(weights))


def search_all(tests: list[Path], weights: Path, workers: int) -> dict[str, float]:
    """Search the test clips with some weights and sum up what was found."""
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        outcomes = list(pool.map(partial(search_one, weights=weights), tests))
    shown = [pair for outcome in outcomes for pair in outcome.shown]
    scores, is_true = (
        np.array([score for score, _ in shown]),
        np.array([larva is not None for _, larva in shown]),
    )
    figures = {
        "tracks": len(shown),
        "larvae shown": int(is_true.sum()),
        "average_precision": measure_average_precision(scores, is_true),
        "track_calibration_error": measure_calibration_error(scores, is_true),
        "mean_score": float(scores.mean()),
        "share_true": float(is_true.mean()),
    }
    for rate in (1.0, 5.0):
        count = count_outcomes(outcomes, threshold=find_threshold(outcomes, false_per_minute=rate))
        figures[f"found at {rate:g} false a minute"] = count.find_share(6.0)
    return figures


if __name__ == "__main__":
    main()

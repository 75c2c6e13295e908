"""How long it takes to learn the order of judging and to find what looks alike. Run `python -m tests.bench.looks`.

It fills a logbook in a temporary folder with candidates and looks drawn at random, some judged, and asks as the page does. Times
are of whole calls, wall and this process's own CPU, in ms; the last line can be read by a program.
Options: --candidates N --verdicts N --rounds N.
"""

import argparse
import random
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

import numpy as np
from sqlalchemy import insert, update

from annotate.judging.alike import find_alike, find_similar
from annotate.judging.promise import renew_promises
from annotate.logbook.looks import keep_looks
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.promises import next_to_teach
from annotate.logbook.tables import CandidateRow, VerdictRow
from tests.bench import logbook as filled

CANDIDATES, VERDICTS, ROUNDS = 100_000, 5_000, 5
LOOK_SIZE, KINDS_OF_LOOK = 448, 40
SHARE_CONFIRMED = 0.08
CHUNK = 5_000


def main() -> None:
    """Fill a logbook, ask, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--candidates", type=int, default=CANDIDATES)
    parser.add_argument("--verdicts", type=int, default=VERDICTS)
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = create_logbook(Path(folder) / "bench", recorder="Bench")
        with open_logbook(path) as logbook:
            fill(logbook, options.candidates, options.verdicts)
        size_mb = (path / "logbook.db").stat().st_size / 1e6
        print(f"{options.candidates} candidates with looks, {options.verdicts} verdicts, {size_mb:.0f} MB")
        with open_logbook(path) as logbook:
            times = measure(logbook, options.rounds)
    for name, taken in times.items():
        wall, own = (1000 * median(pair[which] for pair in taken) for which in (0, 1))
        print(f"{name:24} median {wall:8.1f} ms   CPU {own:8.1f} ms")
    print(
        "looks-ms "
        + " ".join(
            f"{name.replace(' ', '_')}={1000 * median(t[0] for t in taken):.1f}"
            for name, taken in times.items()
        )
    )


def measure(logbook: Logbook, rounds: int) -> dict[str, list[tuple[float, float]]]:
    """Return, by question, the seconds each round took: wall, and this process's CPU."""
    rng = random.Random(3)
    number = {"id": 1}

    def judge() -> None:
        answer = "confirm" if rng.random() < SHARE_CONFIRMED else "dismiss"
        with logbook.writing() as session:
            judged = {
                "candidate_id": number["id"],
                "answer": answer,
                "reviewer": "Bench",
                "at": datetime.now(UTC),
            }
            session.execute(insert(VerdictRow), [judged])
            session.execute(update(CandidateRow).where(CandidateRow.id == number["id"]).values(answer=answer))

    questions: dict[str, Callable[[], object]] = {
        "renew": lambda: renew_promises(logbook),
        "renew unchanged": lambda: renew_promises(logbook),
        "find similar": lambda: find_similar(logbook, number["id"]),
        "find alike": lambda: find_alike(logbook, number["id"]),
        "next to teach": lambda: next_to_teach(logbook),
    }
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in questions}
    for _ in range(rounds):
        number["id"] += 1_000
        judge()
        for name, ask in questions.items():
            began, own = time.perf_counter(), time.process_time()
            ask()
            times[name].append((time.perf_counter() - began, time.process_time() - own))
    return times


def fill(logbook: Logbook, candidates: int, verdicts: int) -> None:
    """Put candidates, looks of so many kinds and verdicts into a logbook; larvae are of one kind of look."""
    rng = np.random.default_rng(1)
    filled.SHARE_JUDGED = 0.0
    filled.fill(logbook, candidates, rng=random.Random(1))
    middles = rng.normal(0, 1, (KINDS_OF_LOOK, LOOK_SIZE)).astype(np.float32)
    kinds = rng.integers(0, KINDS_OF_LOOK, candidates)
    for first in range(0, candidates, CHUNK):
        some = kinds[first : first + CHUNK]
        vectors = np.maximum(middles[some] + rng.normal(0, 1, (len(some), LOOK_SIZE)), 0)
        keep_looks(
            logbook, "bench", ids=range(first + 1, first + 1 + len(some)), vectors=vectors.astype(np.float16)
        )
    chosen = rng.choice(candidates, min(verdicts, candidates), replace=False)
    said = [
        {
            "candidate_id": int(place) + 1,
            "answer": "confirm" if kinds[place] == 0 else "dismiss",
            "reviewer": "Bench",
            "at": filled.START,
        }
        for place in chosen
    ]
    with logbook.writing() as session:
        session.execute(insert(VerdictRow), said)
        session.execute(
            update(CandidateRow), [{"id": row["candidate_id"], "answer": row["answer"]} for row in said]
        )


if __name__ == "__main__":
    main()

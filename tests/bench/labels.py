"""How long the labelled image set takes with 100,000 pictures. Run `python -m tests.bench.labels`.

It fills a logbook in a temporary folder with judged candidates and their labels (pictures are named, not made), then asks what
`leafshade labels` asks. Times are of the processor for whole calls, in ms, which on a quiet machine are those of the clock; the
median of some rounds. The last line can be read by a program. Options: --labels N --rounds N.
"""

import argparse
import random
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

from annotate.logbook.doubts import list_doubts
from annotate.logbook.label_rows import SeenPicture, bring_to
from annotate.logbook.labels import count_labels, count_repeated, gather_labels, list_labels, read_version
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.verdict_labels import derive_labels
from annotate.logbook.verdicts import give_verdict
from tests.bench.logbook import fill

LABELS = 100_000
ROUNDS = 5
LIMIT_MS = 1000

JUDGE_ALL = (
    """
    INSERT INTO verdict (candidate_id, answer, reviewer, at)
    SELECT id, CASE WHEN id % 2 THEN 'confirm' ELSE 'dismiss' END, 'Bench', '2026-05-02T09:00:00.000000Z'
    FROM candidate WHERE answer NOT IN ('confirm', 'dismiss')
    """,
    """
    UPDATE candidate SET answer = CASE WHEN id % 2 THEN 'confirm' ELSE 'dismiss' END
    WHERE answer NOT IN ('confirm', 'dismiss')
    """,
    # Each view is of a frame and a picture of its own.
    "UPDATE view SET picture = printf('%064x', candidate_id * 10 + rank), frame_index = candidate_id * 10 + rank",
)


def main() -> None:
    """Fill, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--labels", type=int, default=LABELS)
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = create_logbook(Path(folder) / "bench", recorder="Bench")
        with open_logbook(path) as logbook:
            began = time.perf_counter()
            made = fill_labels(logbook, options.labels)
            print(f"{made} labels, filled in {time.perf_counter() - began:.0f} s")
            times = measure(logbook, options.rounds)
    for name, taken_ms in times.items():
        print(f"{name:28} {taken_ms:8.1f} ms")
    shown_ms = sum(times[name] for name in SHOWN)
    print(f"labels-ms shown={shown_ms:.0f} limit={LIMIT_MS}")


def fill_labels(logbook: Logbook, number: int) -> int:
    """Judge so many candidates and enter their labels, as gathering would after it has seen each picture."""
    rng = random.Random(1)
    fill(logbook, number, rng=rng)
    with logbook.writing() as session:
        for statement in JUDGE_ALL:
            session.connection().exec_driver_sql(statement)
    with logbook.writing() as session:
        wanted = derive_labels(session)
        looks = {name: SeenPicture(rng.getrandbits(64), rng.uniform(0, 255)) for name in wanted}
        return bring_to(session, [], wanted, looks, removes=True).new


def measure(logbook: Logbook, rounds: int) -> dict[str, float]:
    """Return by question the median in ms."""
    gather_labels(logbook)
    give_verdict(logbook, 1, answer="unsure", reviewer="Bench", at=datetime.now(UTC))
    began = time.process_time()
    gather_labels(logbook)
    times = {"gather after a verdict": 1000 * (time.process_time() - began)}
    for name, ask in (*SHOWN.items(), ("list every label", list_labels)):
        taken = []
        for _ in range(rounds):
            began = time.process_time()
            ask(logbook)
            taken.append(1000 * (time.process_time() - began))
        times[name] = median(taken)
    return times


SHOWN: dict[str, Callable[[Logbook], object]] = {
    "gather, nothing new": gather_labels,
    "count": count_labels,
    "count repeated": count_repeated,
    "version": read_version,
    "doubts": list_doubts,
}
"""What `leafshade labels` asks where nothing was judged since."""


if __name__ == "__main__":
    main()

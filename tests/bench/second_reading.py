"""How long a second reader waits for the logbook, with 100,000 candidates and 60,000 first verdicts.

Run `python -m tests.bench.second_reading`. It fills a logbook in a temporary folder as
`tests.bench.logbook` does, then asks at three points of the work: when a second reader begins, half-way, and when nothing is
left. Times are wall times of whole calls on an open logbook, in ms; the last line can be read by a program. Options:
--candidates N --verdicts N --rounds N.
"""

import argparse
import random
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median, quantiles

from sqlalchemy import insert, update

from annotate.judging.readers import sum_readers
from annotate.judging.readings import DRAW_TURN
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.second_reading import (
    ReadingPlan,
    count_second,
    list_all_said,
    list_disagreements,
    list_second,
    next_second,
)
from annotate.logbook.tables import CandidateRow, VerdictRow
from annotate.logbook.verdicts import give_verdict
from tests.bench.logbook import CANDIDATES, CHUNK, START, fill

VERDICTS = 60_000
ROUNDS = 30
ANSWERS, SHARES = ("dismiss", "confirm", "unsure"), (90, 8, 2)
SHARE_CHANGED = 0.05
"""Of the second answers so many differ from the first."""

FIRST, SECOND = "Maren", "Tove"
ORDER_STEP = 3242174889
"""That of `annotate.logbook.second_reading.ORDER`."""


def main() -> None:
    """Fill a logbook, ask, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--candidates", type=int, default=CANDIDATES)
    parser.add_argument("--verdicts", type=int, default=VERDICTS)
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    options = parser.parse_args()
    rng = random.Random(3)
    times: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        path = create_logbook(Path(folder) / "bench", recorder=FIRST)
        with open_logbook(path) as logbook:
            # All are verdicts of the first reader at first; then half and all of them are read again, in the order of reading.
            fill(logbook, options.candidates, rng=rng, share_judged=0.0)
            ids = rng.sample(range(1, options.candidates + 1), options.verdicts)
            ids.sort(key=lambda number: number * ORDER_STEP % DRAW_TURN)
            first = dict(zip(ids, rng.choices(ANSWERS, SHARES, k=len(ids)), strict=True))
            say(logbook, first, reviewer=FIRST, blind=False)
        half = options.verdicts // 2
        for name, again in (("begun", ids[:0]), ("half", ids[:half]), ("done", ids[half:])):
            with open_logbook(path) as logbook:
                say(logbook, answer_again(first, again, rng), reviewer=SECOND, blind=True)
            with open_logbook(path) as logbook:
                times |= {
                    f"{question} {name}": taken
                    for question, taken in measure(logbook, options.rounds).items()
                }
    for question, taken in times.items():
        print(
            f"{question:36} median {median(taken):8.2f} ms   95 % within {quantiles(taken, n=20)[-1]:8.2f} ms"
        )
    print(
        "second-reading-ms "
        + " ".join(f"{question.replace(' ', '_')}={median(taken):.2f}" for question, taken in times.items())
    )


def say(logbook: Logbook, answers: dict[int, str], *, reviewer: str, blind: bool) -> None:
    """Put verdicts into the logbook; a second answer that differs makes the candidate unsure (`annotate.judging.readings`)."""
    ids = list(answers)
    for start in range(0, len(ids), CHUNK):
        part = ids[start : start + CHUNK]
        rows = [
            {"candidate_id": n, "answer": answers[n], "reviewer": reviewer, "at": START, "blind": blind}
            for n in part
        ]
        with logbook.writing() as session:
            before = {} if not blind else read_answers(logbook, part)
            session.execute(insert(VerdictRow), rows)
            counting = [
                {"id": n, "answer": answers[n] if before.get(n, answers[n]) == answers[n] else "unsure"}
                for n in part
            ]
            session.execute(update(CandidateRow), counting)


def read_answers(logbook: Logbook, ids: Sequence[int]) -> dict[int, str]:
    """Return the answers that count so far."""
    with logbook.reading() as session:
        return {n: session.get_one(CandidateRow, n).answer for n in ids}


def answer_again(first: dict[int, str], ids: Sequence[int], rng: random.Random) -> dict[int, str]:
    """Return second answers, a few of them different from the first."""
    return {
        n: rng.choice([word for word in ANSWERS if word != first[n]])
        if rng.random() < SHARE_CHANGED
        else first[n]
        for n in ids
    }


def measure(logbook: Logbook, rounds: int) -> dict[str, list[float]]:
    """Return, by question, the ms each round took."""
    seen = [candidate.id for candidate in list_second(logbook, SECOND, limit=3)]

    questions: dict[str, Callable[[], object]] = {
        "next": lambda: next_second(logbook, SECOND),
        "next 12": lambda: list_second(logbook, SECOND, limit=12),
        "next, one in ten dismissed": lambda: next_second(logbook, SECOND, plan=ReadingPlan(10)),
        "next of a tree": lambda: next_second(logbook, SECOND, plan=ReadingPlan(tree_id=7)),
        "next feeding": lambda: next_second(logbook, SECOND, plan=ReadingPlan(kind="feeding")),
        "next, third reader": lambda: next_second(logbook, "Ilse"),
        "count": lambda: count_second(logbook, SECOND),
        "disagreements": lambda: list_disagreements(logbook, reviewer=SECOND),
    }
    if seen:
        questions["give blind"] = lambda: give_verdict(
            logbook, seen[-1], answer="unsure", reviewer="Bench", at=START, blind=True
        )
    times: dict[str, list[float]] = {name: [] for name in questions}
    for _ in range(rounds):
        for name, ask in questions.items():
            times[name].append(clock(ask))
    times["figures of all"] = [clock(lambda: sum_readers(list_all_said(logbook), {})) for _ in range(3)]
    return times


def clock(ask: Callable[[], object]) -> float:
    """Return how many ms a question takes."""
    began = time.perf_counter()
    ask()
    return 1000 * (time.perf_counter() - began)


if __name__ == "__main__":
    main()

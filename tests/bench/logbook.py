"""How long a review waits for the logbook: medians with 100,000 candidates. Run `python -m tests.bench.logbook`.

It fills a logbook in a temporary folder, a third of it judged, then asks what the review page asks. Times are wall times of
whole calls on an open logbook, in ms; the last line can be read by a program. Options: --candidates N --rounds N.
"""

import argparse
import random
import struct
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median, quantiles

from sqlalchemy import insert, update

from annotate.errors import AnnotateError
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, write_trees
from annotate.logbook.review import count_candidates, find_candidate, list_candidates, next_candidate
from annotate.logbook.tables import CandidateRow, ClipRow, SearchRow, VerdictRow, ViewRow
from annotate.logbook.verdicts import changes_since, give_verdict, take_back

CANDIDATES = 100_000
ROUNDS = 200
CLIPS = 200
TREES = 60
VIEWS = 4
OUTLINE_POINTS = 30
SHARE_JUDGED = 1 / 3
SHARE_FEEDING = 0.3
CHUNK = 5_000
START = datetime(2026, 5, 2, 9, 0, tzinfo=UTC)


def main() -> None:
    """Fill a logbook, ask, and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--candidates", type=int, default=CANDIDATES)
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = create_logbook(Path(folder) / "bench", recorder="Bench")
        began = time.perf_counter()
        with open_logbook(path) as logbook:
            fill(logbook, options.candidates, rng=random.Random(1))
        size_mb = (path / "logbook.db").stat().st_size / 1e6
        print(
            f"filled with {options.candidates} candidates in {time.perf_counter() - began:.1f} s, {size_mb:.0f} MB"
        )
        with open_logbook(path) as logbook:
            times = measure(logbook, options.rounds, rng=random.Random(2))
    for name, taken in times.items():
        print(f"{name:34} median {median(taken):7.2f} ms   95 % within {quantiles(taken, n=20)[-1]:7.2f} ms")
    print(
        "logbook-ms "
        + " ".join(f"{name.replace(' ', '_')}={median(taken):.2f}" for name, taken in times.items())
    )


def measure(logbook: Logbook, rounds: int, *, rng: random.Random) -> dict[str, list[float]]:
    """Return, by question, the ms each round took."""
    last = {"id": 1}
    trees = [count.tree_id for count in count_candidates(logbook)]
    now = datetime.now(UTC)

    def judge() -> None:
        candidate = next_candidate(logbook)
        assert candidate is not None
        last["id"] = candidate.id

    def confirm() -> None:
        give_verdict(logbook, last["id"], answer="confirm", reviewer="Bench", at=now)

    def dismiss() -> None:
        give_verdict(logbook, last["id"], answer="dismiss", reviewer="Bench", at=now)

    def undo() -> None:
        with suppress(AnnotateError):
            take_back(logbook, reviewer="Bench", at=now)

    questions: dict[str, Callable[[], object]] = {
        "next best": judge,
        "confirm": confirm,
        "dismiss": dismiss,
        "undo": undo,
        "next by tree": lambda: next_candidate(logbook, order="tree"),
        "next of one tree": lambda: next_candidate(logbook, tree_id=rng.choice(trees)),
        "next feeding": lambda: next_candidate(logbook, kind="feeding"),
        "next after": lambda: next_candidate(logbook, after=last["id"]),
        "find one": lambda: find_candidate(logbook, last["id"]),
        "list 50 best": lambda: list_candidates(logbook),
        "list 50 by tree": lambda: list_candidates(logbook, order="tree"),
        "list 50 from the middle": lambda: list_candidates(logbook, after=rng.randrange(1, CHUNK)),
        "list 50 unsure": lambda: list_candidates(logbook, answer="unsure"),
        "count": lambda: count_candidates(logbook),
        "count feeding": lambda: count_candidates(logbook, kind="feeding"),
        "changes": lambda: changes_since(logbook, 33_000),
    }
    times: dict[str, list[float]] = {name: [] for name in questions}
    for _ in range(rounds):
        for name, ask in questions.items():
            began = time.perf_counter()
            ask()
            times[name].append(1000 * (time.perf_counter() - began))
    return times


def fill(
    logbook: Logbook, candidates: int, *, rng: random.Random, share_judged: float = SHARE_JUDGED
) -> None:
    """Put clips, candidates, views and verdicts into a logbook, as searches and an evening's work would."""
    write_trees(logbook, [TreeEntry("OTTERHOLT", f"OT{number:02}", {}) for number in range(1, TREES + 1)])
    with logbook.writing() as session:
        for clip in range(1, CLIPS + 1):
            session.execute(insert(ClipRow), [describe_clip(clip)])
            session.execute(insert(SearchRow), [describe_search(clip)])
    for first in range(1, candidates + 1, CHUNK):
        ids = range(first, min(first + CHUNK, candidates + 1))
        with logbook.writing() as session:
            session.execute(insert(CandidateRow), [describe_candidate(number, rng) for number in ids])
            session.execute(
                insert(ViewRow), [describe_view(number, rank) for number in ids for rank in range(VIEWS)]
            )
            judged = [number for number in ids if rng.random() < share_judged]
            answers = rng.choices(["dismiss", "confirm", "unsure"], [90, 8, 2], k=len(judged))
            said = [
                {"candidate_id": number, "answer": answer, "reviewer": "Bench", "at": START}
                for number, answer in zip(judged, answers, strict=True)
            ]
            if not said:
                continue
            session.execute(insert(VerdictRow), said)
            session.execute(
                update(CandidateRow), [{"id": row["candidate_id"], "answer": row["answer"]} for row in said]
            )


def describe_clip(clip: int) -> dict[str, object]:
    """Return the values of a clip."""
    return {
        "id": clip,
        "sha256": f"{clip:064x}",
        "path": f"/clips/{clip}.mp4",
        "name": f"{clip}.mp4",
        "kind": "video",
        "width_px": 1920,
        "height_px": 1080,
        "frame_rate_hz": 30.0,
        "duration_s": 600.0,
        "codec": "h264",
        "recorded_at": START + timedelta(hours=clip),
        "zone": "Europe/London",
        "recorded_from": "metadata",
        "added_at": START,
    }


def describe_search(clip: int) -> dict[str, object]:
    """Return the values of the search of a clip, with the same id."""
    return {
        "id": clip,
        "clip_id": clip,
        "started_at": START,
        "finished_at": START,
        "scorer": "bench",
        "settings_sha256": "",
        "searched_s": 600.0,
        "usable_s": 500.0,
        "frames": 18000,
        "looked_at": 1800,
        "problems": "[]",
        "watched": b"",
        "offered": 0,
        "same_as_before": 0,
        "set_aside": 0,
        "current": True,
    }


def describe_candidate(number: int, rng: random.Random) -> dict[str, object]:
    """Return the values of a candidate."""
    clip = 1 + number % CLIPS
    score = rng.betavariate(2, 2)
    return {
        "id": number,
        "search_id": clip,
        "clip_id": clip,
        "tree_id": 1 + number % TREES,
        "kind": "feeding" if rng.random() < SHARE_FEEDING else "silhouette",
        "score": score,
        "promise": score,
        "first_s": 1.0,
        "last_s": 2.0,
        "best_s": 1.5,
        "at": START + timedelta(hours=clip, seconds=1.5),
        "views_seen": 9,
        "length_px": 24.0,
        "missing_percent": 0.0,
        "frame_picture": f"{number:064x}",
        "frame_rows": 1080,
        "frame_cols": 1920,
        "standing": "listed",
        "answer": "open",
    }


def describe_view(number: int, rank: int) -> dict[str, object]:
    """Return the values of a view."""
    return {
        "candidate_id": number,
        "rank": rank,
        "time_s": 1.5 + rank,
        "frame_index": 45 + 30 * rank,
        "row0": 500,
        "col0": 600,
        "row_end": 512,
        "col_end": 624,
        "outline": struct.pack("<2f", 500.0, 600.0) * OUTLINE_POINTS,
        "score": 0.8,
        "length_px": 24.0,
        "width_px": 8.0,
        "sharpness": 0.9,
        "picture": f"{number:060x}{rank:04x}",
        "picture_row": 420,
        "picture_col": 520,
        "picture_rows": 160,
        "picture_cols": 160,
    }


if __name__ == "__main__":
    main()

"""Verdicts given to many at once: all or none, each a verdict of its own, and taken back at once without touching others'."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from annotate.errors import AnnotateError
from annotate.logbook.batches import (
    MOST_AT_ONCE,
    Batch,
    dismiss_alike,
    find_last_batch,
    take_back_batch,
)
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.review import count_candidates, find_candidate
from annotate.logbook.verdicts import give_verdict, list_verdicts, take_back
from tests.annotate.made_records import LATER, film, make_candidate, search

CANDIDATES = 6


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(create_logbook(tmp_path / "book", recorder="Maren")) as opened:
        fill(opened)
        yield opened


def fill(logbook: Logbook, candidates: int = CANDIDATES) -> None:
    """A searched clip; candidates lie apart, with ids from 1."""
    found = [make_candidate(1.0 + n, (100, 50 + 40 * n), score=0.2, shade=n) for n in range(candidates)]
    search(logbook, film(logbook), found)


def dismiss(logbook: Logbook, *ids: int, reviewer: str = "Maren", batch: str = "b1") -> Batch:
    return dismiss_alike(logbook, ids, reviewer=reviewer, at=LATER, batch=batch)


def read_answers(logbook: Logbook) -> str:
    """First letters of the answers that count, in the order of ids."""
    return "".join(find_candidate(logbook, number).answer[0] for number in range(1, CANDIDATES + 1))


def test_a_group_is_dismissed_at_once_and_taken_back_at_once(logbook: Logbook) -> None:
    """Each of the group has a verdict under the group's name; taken back, all are open again and nothing was removed."""
    done = dismiss(logbook, 2, 4, 5)
    assert [verdict.candidate_id for verdict in done.verdicts] == [2, 4, 5] and done.passed_over == ()
    assert read_answers(logbook) == "ododdo" and find_last_batch(logbook, reviewer="maren") == "b1"
    back = take_back_batch(logbook, "b1", reviewer="Maren", at=LATER)
    assert read_answers(logbook) == "oooooo" and len(back.verdicts) == 3
    assert [verdict.batch for verdict in list_verdicts(logbook, 4)] == ["b1", ""]
    assert find_last_batch(logbook, reviewer="Maren") == ""
    assert sum(count.open for count in count_candidates(logbook)) == CANDIDATES


def test_what_was_judged_before_is_left_alone(logbook: Logbook) -> None:
    """A candidate confirmed a moment ago stays confirmed, and the answer says that it was passed over."""
    give_verdict(logbook, 4, answer="confirm", reviewer="Ilse", at=LATER)
    done = dismiss(logbook, 2, 4)
    assert done.passed_over == (4,) and read_answers(logbook) == "odoco" + "o"
    take_back_batch(logbook, "b1", reviewer="Maren", at=LATER)
    assert read_answers(logbook) == "ooocoo"


def test_a_later_word_of_another_person_goes_on_counting(logbook: Logbook) -> None:
    """Confirmed by somebody after the group was dismissed, a candidate stays confirmed when the group is taken back."""
    dismiss(logbook, 1, 2)
    give_verdict(logbook, 2, answer="confirm", reviewer="Ilse", at=LATER)
    take_back_batch(logbook, "b1", reviewer="Maren", at=LATER)
    assert read_answers(logbook) == "ocoooo"
    assert find_candidate(logbook, 2).observation_id is not None


def test_one_of_a_group_taken_back_by_itself_is_not_taken_back_twice(logbook: Logbook) -> None:
    """One taken back before, the rest of the group follows; a second time there is nothing left, and that is said."""
    dismiss(logbook, 1, 2, 3)
    take_back(logbook, reviewer="Maren", at=LATER, candidate_id=2)
    back = take_back_batch(logbook, "b1", reviewer="Maren", at=LATER)
    assert [verdict.candidate_id for verdict in back.verdicts] == [1, 3] and back.passed_over == (2,)
    with pytest.raises(AnnotateError, match="taken back already"):
        take_back_batch(logbook, "b1", reviewer="Maren", at=LATER)
    assert len(list_verdicts(logbook, 2)) == 2


def test_sent_again_a_group_is_not_dismissed_again(logbook: Logbook) -> None:
    """A page that heard no answer sends the same name again: the same is returned, and nothing added."""
    first, again = dismiss(logbook, 3, 1), dismiss(logbook, 3, 1)
    assert first == again and len(list_verdicts(logbook, 1)) == 1


@pytest.mark.parametrize(
    ("ids", "batch", "says"),
    [
        ((), "b1", "found 0"),
        ((1, 1), "b1", "1 of them different"),
        (tuple(range(1, MOST_AT_ONCE + 2)), "b1", f"found {MOST_AT_ONCE + 1}"),
        ((1, 2, 99), "b1", "found 99"),
        ((1, -5), "b1", "found -5"),
        ((1,), " ", "1 to 80 letters"),
        ((1,), "x" * 81, "1 to 80 letters"),
    ],
)
def test_a_wrong_group_is_refused_whole(
    logbook: Logbook, ids: tuple[int, ...], batch: str, says: str
) -> None:
    """Nobody, one twice, too many, one that does not exist, no name: told in one sentence, and nothing is dismissed."""
    with pytest.raises(AnnotateError, match=says):
        dismiss(logbook, *ids, batch=batch)
    assert read_answers(logbook) == "oooooo"


def test_a_group_is_taken_back_only_by_who_gave_it(logbook: Logbook) -> None:
    """Another person, or a name that nobody gave: refused; other capitals are the same person."""
    dismiss(logbook, 1, 2)
    for batch, reviewer in (("b1", "Ilse"), ("b2", "Maren"), ("", "Maren")):
        with pytest.raises(AnnotateError, match="reload the page"):
            take_back_batch(logbook, batch, reviewer=reviewer, at=LATER)
    with pytest.raises(AnnotateError, match="somebody else"):
        dismiss(logbook, 3, reviewer="Ilse")
    assert read_answers(logbook) == "ddoooo"
    take_back_batch(logbook, "b1", reviewer=" MAREN ", at=LATER)
    assert read_answers(logbook) == "oooooo"


def test_two_people_dismiss_the_same_at_once(logbook: Logbook) -> None:
    """Each candidate gets one verdict, from one of them, and the other is told."""
    ids = tuple(range(1, CANDIDATES + 1))
    with ThreadPoolExecutor(2) as pool:
        done = list(
            pool.map(lambda who: dismiss(logbook, *ids, reviewer=who, batch=f"of {who}"), ["Maren", "Ilse"])
        )
    assert sorted(len(one.verdicts) for one in done) == [0, CANDIDATES]
    assert sorted(len(one.passed_over) for one in done) == [0, CANDIDATES]
    assert all(len(list_verdicts(logbook, number)) == 1 for number in ids)


DISMISS_FOR_EVER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from annotate.logbook.batches import dismiss_alike, take_back_batch
from annotate.logbook.opening import open_logbook

with open_logbook(Path(sys.argv[1])) as logbook:
    now = datetime.now(UTC)
    for number in range(10_000):
        dismiss_alike(logbook, [1, 2, 3, 4, 5, 6], reviewer="Maren", at=now, batch=sys.argv[2] + str(number))
        print(number, flush=True)
        take_back_batch(logbook, sys.argv[2] + str(number), reviewer="Maren", at=now)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows knows no SIGKILL")
def test_killed_a_group_is_dismissed_whole_or_not_at_all(logbook: Logbook) -> None:
    """Killed (SIGKILL) at any moment, every group has all its verdicts or none, and what was said to be done is there."""
    for lines in (1, 4):
        with subprocess.Popen(
            [sys.executable, "-c", DISMISS_FOR_EVER, str(logbook.folder), f"round {lines}, "],
            stdout=subprocess.PIPE,
            text=True,
        ) as process:
            assert process.stdout is not None
            said = [process.stdout.readline() for _ in range(lines)]
            time.sleep(0.003 * lines)
            os.kill(process.pid, signal.SIGKILL)
        connection = sqlite3.connect(logbook.folder / "logbook.db")
        sizes = dict(
            connection.execute(
                "SELECT batch, count(*) FROM verdict WHERE batch <> '' GROUP BY batch"
            ).fetchall()
        )
        undone = connection.execute(
            "SELECT v.batch, count(*) FROM verdict u JOIN verdict v ON v.id = u.takes_back_id GROUP BY v.batch"
        ).fetchall()
        connection.close()
        assert set(sizes.values()) == {CANDIDATES} and f"round {lines}, {said[-1].strip()}" in sizes
        assert {count for _, count in undone} <= {CANDIDATES}
        assert len(set(read_answers(logbook))) == 1
        if read_answers(logbook)[0] == "d":
            take_back_batch(logbook, find_last_batch(logbook, reviewer="Maren"), reviewer="Maren", at=LATER)

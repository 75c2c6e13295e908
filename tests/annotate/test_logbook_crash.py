"""Killed at any moment, or used by two at once, a logbook loses nothing that was acknowledged and holds nothing half-done."""

import subprocess
import sys
from pathlib import Path

import pytest

from annotate.logbook.opening import create_logbook, open_logbook
from tests.annotate.made_records import film, make_candidate, search

CANDIDATES = 5
ROUNDS = 12
VERDICTS = 60

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="the scripts fork, which Windows does not know"
)

BEGIN = """
import itertools, os, random, select, signal, sqlite3, sys, time
from datetime import UTC, datetime
from pathlib import Path
from annotate.logbook.opening import open_logbook
from annotate.logbook.records import Details
from annotate.logbook.verdicts import changes_since, give_verdict, take_back

folder = Path(sys.argv[1])
NOW = datetime(2026, 5, 17, 20, tzinfo=UTC)

def check():
    connection = sqlite3.connect(folder / "logbook.db")
    ask = lambda question: connection.execute(question).fetchall()
    assert ask("PRAGMA integrity_check") == [("ok",)] and ask("PRAGMA foreign_key_check") == []
    newest = dict(ask("SELECT candidate_id, answer FROM verdict GROUP BY candidate_id HAVING id = max(id)"))
    assert dict(ask("SELECT id, answer FROM candidate WHERE answer <> 'open'")) == {
        k: v for k, v in newest.items() if v != "open"}
    standing = {row[0] for row in ask("SELECT candidate_id FROM observation WHERE withdrawn_at IS NULL")}
    assert standing == {k for k, v in newest.items() if v == "confirm"}
    assert ask("SELECT count(*) FROM observation o LEFT JOIN verdict v ON v.id = o.verdict_id"
               " AND v.candidate_id = o.candidate_id AND v.answer = 'confirm' WHERE v.id IS NULL") == [(0,)]
    assert ask("SELECT sum(number) FROM candidate_tally WHERE answer = 'confirm'")[0][0] in (len(standing), None)
    verdicts = ask("SELECT id, candidate_id, answer, reviewer FROM verdict ORDER BY id")
    connection.close()
    return verdicts

def judge(name, pipe, numbers):
    with open_logbook(folder) as logbook:
        for number in numbers:
            answer = ("confirm", "dismiss", "unsure")[number % 3]
            if number % 7 == 6:
                verdict = take_back(logbook, reviewer=name, at=NOW)
            else:
                verdict = give_verdict(logbook, 1 + number % 5, answer=answer, reviewer=name, at=NOW,
                                       details=Details(stage="L4", note=str(number)))
            os.write(pipe, f"{verdict.id} {verdict.candidate_id} {verdict.answer} {name}\\n".encode())

def start(name, numbers):
    out, into = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os.close(out)
            judge(name, into, numbers)
            os._exit(0)
        except BaseException as error:
            print(repr(error), file=sys.stderr, flush=True)
            os._exit(1)
    os.close(into)
    return pid, out

def read_all(pipe):
    data = b""
    while more := os.read(pipe, 65536):
        data += more
    os.close(pipe)
    rows = [line.split() for line in data.decode().splitlines()]
    return [(int(i), int(c), a, n) for i, c, a, n in rows]
"""

KILL = (
    BEGIN
    + """
rng = random.Random(int(sys.argv[2]))
acknowledged = []
for _ in range(int(sys.argv[3])):
    pid, pipe = start("Maren", itertools.count(len(acknowledged)))
    select.select([pipe], [], [], 30)
    time.sleep(rng.uniform(0, 0.08))
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    acknowledged += read_all(pipe)
    verdicts = check()
    assert set(acknowledged) <= set(verdicts), set(acknowledged) - set(verdicts)
print(len(acknowledged))
"""
)

TOGETHER = (
    BEGIN
    + """
count = int(sys.argv[2])
workers = {name: start(name, range(count)) for name in ("Maren", "Tove")}
seen = []
with open_logbook(folder) as logbook:
    while len(seen) < 2 * count:
        seen += [verdict.id for verdict in changes_since(logbook, seen[-1] if seen else 0)]
        time.sleep(0.005)
said = []
for pid, pipe in workers.values():
    said += read_all(pipe)
    assert os.waitpid(pid, 0)[1] == 0
assert sorted(said) == check(), "what was acknowledged is not what is there"
assert seen == [row[0] for row in sorted(said)], "a page that asked for changes missed some, or saw some twice"
print(len(said))
"""
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = create_logbook(tmp_path / "book")
    with open_logbook(folder) as logbook:
        search(logbook, film(logbook), [make_candidate(10.0 * n, shade=n) for n in range(CANDIDATES)])
    return folder


def run(script: str, *arguments: object) -> int:
    """Run a script in a process of its own; return the number it printed."""
    done = subprocess.run(
        [sys.executable, "-c", script, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
        cwd=Path(__file__).parents[2],
    )
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


def test_a_kill_in_the_middle_of_a_verdict_loses_nothing(folder: Path) -> None:
    """kill -9 at random moments of a run of verdicts: every acknowledged one is there, none without its observation."""
    assert run(KILL, folder, 11, ROUNDS) >= ROUNDS


def test_two_judge_at_once_and_nothing_is_lost(folder: Path) -> None:
    """Two processes judge the same candidates while a third watches: all is kept, in one order, and seen once."""
    assert run(TOGETHER, folder, VERDICTS) == 2 * VERDICTS

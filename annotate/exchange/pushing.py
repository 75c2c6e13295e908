"""Sends candidates to a label server as tasks with suggestions, each once; stopped at any moment, it goes on where it was.

What is there is asked first and known by the key in each task, so that a task that was made and not noted is found again, one
without its suggestion gets it, and one that somebody removed is noticed and sent again only when asked for.
"""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from annotate.errors import AnnotateError
from annotate.exchange.labelling import write_data, write_key, write_suggestion
from annotate.exchange.server import LabelServer, Project, Task
from annotate.logbook.exchange import (
    OfferedCandidate,
    SentTask,
    list_sent,
    list_unsent,
    load_offered,
    note_sent,
)
from annotate.logbook.opening import Logbook
from annotate.logbook.pictures import read_picture
from annotate.words import Answer

LOCK_NAME = "exchange.lock"

PAUSES_S = (1.0, 3.0, 9.0)
"""Before it is looked whether a task was made after the line broke: what the server was still doing has then been done."""

OnProgress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class PushOrder:
    """What to send.

    Attributes
    ----------
    project : number or title; a title that is not there is made
    answer : only candidates with this answer; "open" for the unjudged
    tree_id : only of this tree; None for all
    limit : most sent; None for all
    with_tree : whether tree, date and time go along
    again : whether tasks that were removed on the server are sent once more
    """

    project: str
    answer: Answer = "open"
    tree_id: int | None = None
    limit: int | None = None
    with_tree: bool = True
    again: bool = False


@dataclass(frozen=True, slots=True)
class PushReport:
    """What was done.

    Attributes
    ----------
    is_new : whether the project was made
    sent : tasks made
    found : tasks that were there and had not been noted
    completed : tasks that had lacked their suggestion
    vanished : candidates whose tasks were removed on the server and were not sent again
    problems : candidates that could not be sent, in words
    """

    project: Project
    is_new: bool
    sent: int
    found: int
    completed: int
    vanished: tuple[int, ...]
    problems: tuple[str, ...]


@dataclass(slots=True)
class _Counts:
    sent: int = 0
    found: int = 0
    completed: int = 0


def push_candidates(
    logbook: Logbook,
    server: LabelServer,
    order: PushOrder,
    *,
    on_progress: OnProgress = lambda done, all_: None,
) -> PushReport:
    """Send what an order asks for.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the server cannot be reached or refuses; what was sent until then is noted, and the same order goes on.
    """
    with hold_exchange(logbook):
        project = server.find_project(order.project)
        is_new = project is None
        if project is None:
            project = server.make_project(order.project)
        there = {} if is_new else index_tasks(server, project)
        counts = _Counts()
        known = list_sent(logbook, server=server.address, project=project.id)
        vanished = _settle_known(logbook, server, project, known=known, there=there, counts=counts)
        unsent = list_unsent(
            logbook, server=server.address, project=project.id, answer=order.answer, tree_id=order.tree_id
        )
        ids = [*(vanished if order.again else ()), *unsent][: order.limit]
        went: set[int] = set()
        problems: list[str] = []
        for done, candidate in enumerate(load_offered(logbook, ids)):
            on_progress(done, len(ids))
            try:
                jpeg = read_picture(logbook, candidate.picture)
            except AnnotateError as error:
                problems.append(f"candidate {candidate.id}: {error}")
                continue
            data = write_data(candidate, jpeg, with_tree=order.with_tree)
            _send(logbook, server, project, candidate=candidate, data=data, there=there, counts=counts)
            went.add(candidate.id)
        return PushReport(
            project,
            is_new,
            counts.sent,
            counts.found,
            counts.completed,
            tuple(one for one in vanished if one not in went),
            tuple(problems),
        )


def index_tasks(server: LabelServer, project: Project) -> dict[str, Task]:
    """Return key -> task of what stands in a project; of two with one key the older."""
    there: dict[str, Task] = {}
    for task in server.list_tasks(project):
        if task.key and (task.key not in there or task.id < there[task.key].id):
            there[task.key] = task
    return there


@contextmanager
def hold_exchange(logbook: Logbook) -> Iterator[None]:
    """Keep a second exchange of the same logbook out, so that nothing is sent or taken twice."""
    from filelock import FileLock, Timeout

    lock = FileLock(logbook.folder / LOCK_NAME)
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise AnnotateError(
            f"logbook {logbook.folder}: expected no other exchange with a label server; found one running; "
            "wait until it has ended"
        ) from error
    except OSError as error:
        raise AnnotateError(
            f"logbook {logbook.folder}: expected a folder that may be written; found '{error.strerror}'; correct the rights"
        ) from error
    try:
        yield
    finally:
        lock.release()


def _settle_known(
    logbook: Logbook,
    server: LabelServer,
    project: Project,
    *,
    known: tuple[SentTask, ...],
    there: dict[str, Task],
    counts: _Counts,
) -> list[int]:
    """Complete what was sent by halves, follow tasks to new numbers, and return the candidates whose tasks are gone."""
    candidates = {one.id: one for one in load_offered(logbook, [sent.candidate_id for sent in known])}
    vanished = []
    for sent in known:
        candidate = candidates[sent.candidate_id]
        task = there.get(write_key(candidate))
        if task is None:
            # A list that changes while it is read may leave one out.
            task = server.find_task(sent.task)
            if task is None or task.key != write_key(candidate):
                vanished.append(sent.candidate_id)
                continue
        if task.id != sent.task:
            note_sent(
                logbook,
                sent.candidate_id,
                server=server.address,
                project=project.id,
                task=task.id,
                at=sent.sent_at,
            )
        if task.lacks_suggestion and not task.annotations:
            _suggest(server, task.id, candidate)
            counts.completed += 1
    return vanished


def _send(
    logbook: Logbook,
    server: LabelServer,
    project: Project,
    *,
    candidate: OfferedCandidate,
    data: dict[str, str],
    there: dict[str, Task],
    counts: _Counts,
) -> None:
    """Make the task of a candidate unless it is there, note it, and give it its suggestion."""
    key = write_key(candidate)
    task = there.get(key)
    number = task.id if task is not None else _make(server, project, data=data, key=key)
    note_sent(
        logbook,
        candidate.id,
        server=server.address,
        project=project.id,
        task=number,
        at=datetime.now(UTC),
    )
    if task is None:
        counts.sent += 1
    else:
        counts.found += 1
    if task is None or task.lacks_suggestion:
        _suggest(server, number, candidate)


def _make(server: LabelServer, project: Project, *, data: dict[str, str], key: str) -> int:
    """Make a task; where the line breaks meanwhile, look whether it is there before making it once more."""
    from annotate.exchange.wire import Interrupted

    for pause_s in PAUSES_S:
        try:
            return server.make_task(project, data)
        except Interrupted:
            time.sleep(pause_s)
            made = index_tasks(server, project).get(key)
            if made is not None:
                return made.id
    return server.make_task(project, data)


def _suggest(server: LabelServer, number: int, candidate: OfferedCandidate) -> None:
    """Give a task its suggestion; where the line breaks meanwhile, the next push sees whether it has one."""
    results = write_suggestion(candidate)
    server.suggest(number, results, score=min(max(candidate.score, 0.0), 1.0), model=candidate.scorer)

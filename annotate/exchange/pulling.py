"""Brings people's answers back from a label server as verdicts, each version once, and says where people differ.

An answer that is newer than all that was said here is taken and counts, as the newest verdict does. One that is older than a
verdict given here, and different, is held back and shown until somebody says that it is to be taken: then both stand, and the one
taken counts. Of what two people judged blind no answer counts while people differ (`annotate.judging.readings`). Skipped tasks
are no answers, and tasks that show nothing of this logbook are passed over.
"""

from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from annotate.errors import AnnotateError
from annotate.exchange.labelling import is_same, read_answer, write_key
from annotate.exchange.pushing import hold_exchange
from annotate.exchange.server import Annotation, LabelServer, Project, Task
from annotate.judging.readings import find_disagreement, name_person
from annotate.logbook.exchange import (
    Heard,
    OfferedCandidate,
    Taking,
    is_settled_here,
    list_all_ids,
    list_sent,
    list_taken,
    load_offered,
    note_sent,
    take_answer,
)
from annotate.logbook.opening import Logbook
from annotate.logbook.outlines import EDGE_PX, Outline, check_outline
from annotate.logbook.verdicts import find_renamed, list_verdicts
from annotate.words import Answer

CLOCKS_APART = timedelta(minutes=15)
"""So far a server's clock may be ahead of this one; later answers are not believed, they would outdate all that is said here."""


@dataclass(frozen=True, slots=True)
class Opinion:
    """Who said what when. `at` is None where nobody said anything yet."""

    answer: Answer
    reviewer: str
    at: datetime | None


@dataclass(frozen=True, slots=True)
class Conflict:
    """Where answers differ.

    Attributes
    ----------
    site, tree : of the candidate, empty where unknown
    said : the opinions, what was said here first, or annotators in the order of their moments
    counts : in words, what became of it and which counts
    """

    candidate_id: int
    site: str
    tree: str
    said: tuple[Opinion, ...]
    counts: str


@dataclass(slots=True)
class PullReport:
    """What was done.

    Attributes
    ----------
    taken, outlines : verdicts added, and outlines with them
    known : versions of answers that were here already, or said nothing new
    agreed : older answers that agree with a later one here
    skipped : tasks that somebody passed over
    held : answers held back
    conflicts : where answers differ, held or not
    vanished : candidates whose tasks were removed on the server
    foreign : tasks that show nothing of this logbook
    problems : what could not be read, in words
    """

    project: Project
    taken: int = 0
    outlines: int = 0
    known: int = 0
    agreed: int = 0
    skipped: int = 0
    held: int = 0
    conflicts: list[Conflict] = field(default_factory=list)
    vanished: tuple[int, ...] = ()
    foreign: int = 0
    problems: list[str] = field(default_factory=list)


def pull_answers(
    logbook: Logbook,
    server: LabelServer,
    *,
    project: str,
    take: AbstractSet[int] = frozenset(),
    take_all: bool = False,
) -> PullReport:
    """Bring back what people answered.

    Parameters
    ----------
    project : number or title
    take : candidates whose answers are taken although they are older than what was said here
    take_all : take all of those

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such project, or the server cannot be reached; what was taken until then stays, and the same goes on.
    """
    with hold_exchange(logbook):
        found = server.find_project(project)
        if found is None:
            raise AnnotateError(
                f"label server {server.address}: expected a project {project!r}; found none; send candidates first with: "
                "leafshade exchange push"
            )
        report = PullReport(found)
        here = _Here(logbook, server, found)
        seen = set()
        for task in server.list_tasks(found):
            candidate = here.find(task)
            if candidate is None:
                report.foreign += 1
                continue
            seen.add(candidate.id)
            report.problems += task.problems
            older = take_all or candidate.id in take
            _take_task(logbook, server, here, task=task, candidate=candidate, older=older, report=report)
        report.vanished = tuple(
            one.candidate_id
            for one in here.sent.values()
            if one.candidate_id not in seen and server.find_task(one.task) is None
        )
        return report


class _Here:
    """The candidates of this logbook by the keys in their tasks: those sent, and the others when one of them is asked for."""

    def __init__(self, logbook: Logbook, server: LabelServer, project: Project) -> None:
        self._logbook, self._server, self._project = logbook, server, project
        noted = list_sent(logbook, server=server.address, project=project.id)
        self.sent = {one.candidate_id: one for one in noted}
        self.taken = list_taken(logbook, server=server.address, project=project.id)
        self._sent_by_key = self._index(list(self.sent))
        self._others_by_key: dict[str, OfferedCandidate] | None = None

    def find(self, task: Task) -> OfferedCandidate | None:
        """Return the candidate that a task shows, None where it is nobody's here; a task that was not noted is noted now."""
        if not task.key or task.key in self._sent_by_key:
            return self._sent_by_key.get(task.key)
        if self._others_by_key is None:
            self._others_by_key = self._index(
                [one for one in list_all_ids(self._logbook) if one not in self.sent]
            )
        candidate = self._others_by_key.get(task.key)
        if candidate is not None:
            self.sent[candidate.id] = note_sent(
                self._logbook,
                candidate.id,
                server=self._server.address,
                project=self._project.id,
                task=task.id,
                at=datetime.now(UTC),
            )
            self._sent_by_key[task.key] = candidate
        return candidate

    def _index(self, ids: list[int]) -> dict[str, OfferedCandidate]:
        return {write_key(one): one for one in load_offered(self._logbook, ids)}


def _take_task(
    logbook: Logbook,
    server: LabelServer,
    here: _Here,
    *,
    task: Task,
    candidate: OfferedCandidate,
    older: bool,
    report: PullReport,
) -> None:
    """Take the answers to one task, oldest first, and note where they differ."""
    newest: dict[int, Opinion] = {}
    held_before, sent = report.held, here.sent[candidate.id]
    for annotation in task.annotations:
        if annotation.was_skipped:
            report.skipped += 1
            continue
        try:
            heard, notes = _hear(server, annotation, candidate)
        except AnnotateError as error:
            report.problems.append(server.hide_in(f"task {task.id}, candidate {candidate.id}: {error}"))
            continue
        newest[annotation.person] = Opinion(heard.answer, heard.reviewer, heard.at)
        if (sent.id, heard.annotation, heard.version) in here.taken:
            report.known += 1
            continue
        told = (f"task {task.id}, candidate {candidate.id}: {note}" for note in notes)
        report.problems += [server.hide_in(one) for one in told]
        taking = take_answer(logbook, sent, heard, at=datetime.now(UTC), take_older=older)
        _count(logbook, report, taking, heard, candidate=candidate)
    differ = len({opinion.answer for opinion in newest.values()}) > 1
    if differ and report.held == held_before and not is_settled_here(logbook, sent):
        said = tuple(newest.values())
        usual = "annotators differ; the newest verdict counts until somebody judges it here"
        words = DISPUTED if _is_disputed(logbook, candidate.id) else usual
        report.conflicts.append(Conflict(candidate.id, candidate.site, candidate.tree, said, words))


DISPUTED = (
    "all are kept; two had judged it blind, so that it counts as unsure until all who judged it say the same"
)


def _is_disputed(logbook: Logbook, candidate_id: int) -> bool:
    """Whether no answer counts, since people differ after blind readings."""
    said = list_verdicts(logbook, candidate_id)
    return find_disagreement(candidate_id, said, find_renamed(logbook)) is not None


def _hear(
    server: LabelServer, annotation: Annotation, candidate: OfferedCandidate
) -> tuple[Heard, Sequence[str]]:
    """Return an answer in our words, and what of it cannot be used."""
    if annotation.at > datetime.now(UTC) + CLOCKS_APART:
        raise AnnotateError(
            f"answer on the label server: expected a moment that has come; found {annotation.at:%Y-%m-%d %H:%M} UTC; "
            "correct the clock of the server or of this computer"
        )
    said = read_answer(annotation.results, candidate)
    outline, notes = _find_new(said.outline, candidate)
    heard = Heard(
        annotation=annotation.id,
        version=annotation.version,
        answer=said.answer,
        reason=said.reason,
        reviewer=server.name_person(annotation.person),
        at=annotation.at,
        outline=outline,
    )
    return heard, (*said.notes, *notes)


def _find_new(drawn: Outline | None, candidate: OfferedCandidate) -> tuple[Outline | None, tuple[str, ...]]:
    """Return an outline in px of the frame where it is none that this candidate ever had, and what is wrong with it."""
    if drawn is None:
        return None, ()
    origin = np.asarray(candidate.origin_px, np.float32)
    edge = np.asarray(candidate.size_px, np.float32) - np.float32(EDGE_PX)
    for had in candidate.outlines:
        # What reached over the picture's edge was cut there when it was sent.
        if is_same(drawn, np.clip(had - origin, -np.float32(EDGE_PX), edge).astype(np.float32)):
            return None, ()
    try:
        return check_outline(drawn + origin, origin_px=candidate.origin_px, size_px=candidate.size_px), ()
    except AnnotateError as error:
        return None, (str(error),)


def _count(
    logbook: Logbook, report: PullReport, taking: Taking, heard: Heard, *, candidate: OfferedCandidate
) -> None:
    """Add what became of an answer to the report, with a conflict where it differs from what was said here."""
    here = Opinion(taking.answer, taking.reviewer, taking.at)
    there = Opinion(heard.answer, heard.reviewer, heard.at)
    words = ""
    if taking.outcome in ("known", "repeated"):
        report.known += 1
    elif taking.outcome == "agrees":
        report.agreed += 1
    elif taking.outcome == "held back":
        report.held += 1
        words = f"held back as the older one; what was said here counts (take it with --take {candidate.id})"
    elif taking.outcome == "left the review":
        report.problems.append(
            f"candidate {candidate.id}: its clip was searched again since it was sent, and it is no longer judged"
        )
    else:
        report.taken += 1
        report.outlines += taking.drew
        renamed = find_renamed(logbook)
        is_other = name_person(taking.reviewer, renamed) != name_person(heard.reviewer, renamed)
        elsewhere = not taking.from_server and is_other
        if elsewhere and taking.answer not in ("open", heard.answer):
            usual = "both are kept; that from the server was taken last and counts"
            words = DISPUTED if _is_disputed(logbook, candidate.id) else usual
    if words:
        report.conflicts.append(Conflict(candidate.id, candidate.site, candidate.tree, (here, there), words))

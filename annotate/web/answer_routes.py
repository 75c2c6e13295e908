"""What the pages send: verdicts, undo, details. And what they ask now and then: the verdicts that others gave."""

from datetime import UTC, datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from annotate.errors import AnnotateError
from annotate.logbook.observations import check_details, find_observation, set_details
from annotate.logbook.records import Details, Verdict
from annotate.logbook.review import find_candidate
from annotate.logbook.verdicts import (
    changes_since,
    find_last_verdict_id,
    give_verdict,
    list_verdicts,
    take_back,
)
from annotate.web.cards import build_verdict, list_beside, tell_disagreement
from annotate.web.choices import read_choice, read_number
from annotate.web.desk import Desk, find_desk
from annotate.web.sense import tell_sense
from annotate.web.sent import Sent, read_id, read_reviewer, read_text, take
from annotate.web.wording import title_candidate
from annotate.words import ANSWERS, read_word

DETAILS = ("stage", "condition", "behaviour", "note")


async def take_verdict(request: Request) -> Response:
    """Add a verdict; the answer says what others said of the same candidate meanwhile."""
    return await take(request, _give)


async def take_undo(request: Request) -> Response:
    """Take back the sender's newest verdict on a candidate."""
    return await take(request, _undo)


async def take_details(request: Request) -> Response:
    """Set stage, condition, behaviour and note of a confirmed candidate's observation."""
    return await take(request, _set_details)


async def list_changes(request: Request) -> Response:
    """Hand out the verdicts added since the one in the address."""
    return await run_in_threadpool(_list_changes, request)


def _give(desk: Desk, sent: Sent) -> dict[str, Any]:
    candidate_id = read_id(sent, "candidate")
    answer = read_word(read_text(sent, "answer"), ANSWERS, what="answer")
    if answer is None:
        raise AnnotateError(f"answer: expected one of {', '.join(ANSWERS)}; found none; send one of these")
    given = give_verdict(
        desk.logbook,
        candidate_id,
        answer=answer,  # type: ignore[arg-type]
        reviewer=read_reviewer(desk, sent),
        at=datetime.now(UTC),
        reason=read_text(sent, "reason"),
    )
    desk.promises.note()
    known = read_id(sent, "known")
    meanwhile = [
        verdict for verdict in list_verdicts(desk.logbook, candidate_id) if known < verdict.id < given.id
    ]
    return {
        "verdict": build_verdict(given),
        "meanwhile": [build_verdict(verdict) for verdict in meanwhile],
        "differ": tell_disagreement(desk.logbook, candidate_id),
    }


def _undo(desk: Desk, sent: Sent) -> dict[str, Any]:
    taken = take_back(
        desk.logbook,
        reviewer=read_reviewer(desk, sent),
        at=datetime.now(UTC),
        candidate_id=read_id(sent, "candidate"),
    )
    desk.promises.note()
    answer: dict[str, Any] = {"verdict": build_verdict(taken), "meanwhile": []}
    from_id = read_id(sent, "from")
    # Of what was drawn into the pictures of another candidate, that one's card has to hear.
    return {**answer, "from": from_id, "beside": list_beside(desk.logbook, from_id)} if from_id else answer


def _set_details(desk: Desk, sent: Sent) -> dict[str, Any]:
    candidate_id = read_id(sent, "candidate")
    words = {name: read_text(sent, name) or None for name in DETAILS}
    if find_candidate(desk.logbook, candidate_id).found_by == "planted":
        # There is no observation to keep them in, and a refusal would tell the reviewer so.
        said = check_details(Details(**words))
        return {"details": {name: getattr(said, name) or "" for name in DETAILS}}
    observation = find_observation(desk.logbook, candidate_id=candidate_id)
    if observation is None:
        raise AnnotateError(
            f"details: expected a confirmed candidate; found candidate {candidate_id}, which never was; confirm it first"
        )
    changed = set_details(
        desk.logbook,
        observation.id,
        stage=words["stage"],
        condition=words["condition"],
        behaviour=words["behaviour"],
        note=words["note"],
        who=read_reviewer(desk, sent),
        at=datetime.now(UTC),
    )
    return {"details": {name: getattr(changed, name) or "" for name in DETAILS}}


def _list_changes(request: Request) -> Response:
    desk = find_desk(request)
    since = read_number(request.query_params.get("since", ""), what="since")
    verdicts = changes_since(desk.logbook, since)
    last = verdicts[-1].id if verdicts else min(since, find_last_verdict_id(desk.logbook))
    answer: dict[str, Any] = {"last": last, "verdicts": [_tell(desk, verdict) for verdict in verdicts]}
    if verdicts:
        choice = read_choice(desk.logbook, request.query_params)
        answer["sense"] = tell_sense(desk.logbook, choice, reviewer=desk.reviewer)
    return JSONResponse(answer)


def _tell(desk: Desk, verdict: Verdict) -> dict[str, Any]:
    """Return a verdict with the name of what it was said of, and the answer that now counts there."""
    candidate = find_candidate(desk.logbook, verdict.candidate_id)
    return {**build_verdict(verdict), "title": title_candidate(candidate), "counts": candidate.answer}

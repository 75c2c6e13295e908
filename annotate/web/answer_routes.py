"""What the pages send: verdicts, undo, details. And what they ask now and then: the verdicts that others gave."""

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from annotate.errors import AnnotateError
from annotate.logbook.observations import find_observation, set_details
from annotate.logbook.records import Verdict
from annotate.logbook.review import find_candidate
from annotate.logbook.verdicts import (
    changes_since,
    find_last_verdict_id,
    give_verdict,
    list_verdicts,
    take_back,
)
from annotate.web.cards import build_verdict
from annotate.web.choices import read_choice, read_number
from annotate.web.desk import Desk, find_desk
from annotate.web.sense import tell_sense
from annotate.web.wording import title_candidate
from annotate.words import ANSWERS, read_word

MOST_BYTES = 65_536
"""A note of 2,000 letters in JSON takes at most a fifth of this."""

JSON_TYPE = "application/json"
DETAILS = ("stage", "condition", "behaviour", "note")

Sent = Mapping[str, Any]


async def take_verdict(request: Request) -> Response:
    """Add a verdict; the answer says what others said of the same candidate meanwhile."""
    return await _take(request, _give)


async def take_undo(request: Request) -> Response:
    """Take back the sender's newest verdict on a candidate."""
    return await _take(request, _undo)


async def take_details(request: Request) -> Response:
    """Set stage, condition, behaviour and note of a confirmed candidate's observation."""
    return await _take(request, _set_details)


async def list_changes(request: Request) -> Response:
    """Hand out the verdicts added since the one in the address."""
    return await run_in_threadpool(_list_changes, request)


async def _take(request: Request, act: Callable[[Desk, Sent], dict[str, Any]]) -> Response:
    """Read what was sent, act once for its key, and answer with the sentence of sense as it now is."""
    sent = await _read_sent(request)
    desk = find_desk(request)
    if _read_text(sent, "logbook") not in ("", desk.mark):
        raise HTTPException(
            409, "this page belongs to another logbook than the one now open here; reload it to judge here"
        )

    def act_once() -> dict[str, Any]:
        return desk.receipts.take_once(_read_text(sent, "key"), lambda: act(desk, sent))

    def answer() -> dict[str, Any]:
        said = act_once()
        choice = read_choice(desk.logbook, request.query_params)
        return {**said, "sense": tell_sense(desk.logbook, choice, reviewer=_read_reviewer(desk, sent))}

    return JSONResponse(await run_in_threadpool(answer))


def _give(desk: Desk, sent: Sent) -> dict[str, Any]:
    candidate_id = _read_id(sent, "candidate")
    answer = read_word(_read_text(sent, "answer"), ANSWERS, what="answer")
    if answer is None:
        raise AnnotateError(f"answer: expected one of {', '.join(ANSWERS)}; found none; send one of these")
    given = give_verdict(
        desk.logbook,
        candidate_id,
        answer=answer,  # type: ignore[arg-type]
        reviewer=_read_reviewer(desk, sent),
        at=datetime.now(UTC),
    )
    known = _read_id(sent, "known")
    meanwhile = [
        verdict for verdict in list_verdicts(desk.logbook, candidate_id) if known < verdict.id < given.id
    ]
    return {"verdict": build_verdict(given), "meanwhile": [build_verdict(verdict) for verdict in meanwhile]}


def _undo(desk: Desk, sent: Sent) -> dict[str, Any]:
    taken = take_back(
        desk.logbook,
        reviewer=_read_reviewer(desk, sent),
        at=datetime.now(UTC),
        candidate_id=_read_id(sent, "candidate"),
    )
    return {"verdict": build_verdict(taken), "meanwhile": []}


def _set_details(desk: Desk, sent: Sent) -> dict[str, Any]:
    candidate_id = _read_id(sent, "candidate")
    observation = find_observation(desk.logbook, candidate_id=candidate_id)
    if observation is None:
        raise AnnotateError(
            f"details: expected a confirmed candidate; found candidate {candidate_id}, which never was; confirm it first"
        )
    words = {name: _read_text(sent, name) or None for name in DETAILS}
    changed = set_details(
        desk.logbook,
        observation.id,
        stage=words["stage"],
        condition=words["condition"],
        behaviour=words["behaviour"],
        note=words["note"],
        who=_read_reviewer(desk, sent),
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


async def _read_sent(request: Request) -> Sent:
    """Return the JSON object that was sent; a form of a foreign page cannot send one."""
    if request.headers.get("content-type", "").partition(";")[0].strip() != JSON_TYPE:
        raise HTTPException(415, f"expected {JSON_TYPE}; use the pages to judge")
    data = bytearray()
    async for chunk in request.stream():
        data += chunk
        if len(data) > MOST_BYTES:
            raise HTTPException(413, f"expected at most {MOST_BYTES} bytes; shorten the note")
    try:
        sent = json.loads(bytes(data))
    except ValueError as error:
        raise HTTPException(400, f"expected JSON, found something else ({error}); reload the page") from error
    if not isinstance(sent, dict):
        raise HTTPException(400, "expected a JSON object; reload the page")
    return sent


def _read_text(sent: Sent, name: str) -> str:
    word = sent.get(name, "")
    if not isinstance(word, str):
        raise AnnotateError(f"{name}: expected text; found {word!r}; reload the page")
    return word


def _read_id(sent: Sent, name: str) -> int:
    number = sent.get(name, 0)
    if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number < 2**63:
        raise AnnotateError(f"{name}: expected a whole number; found {number!r}; reload the page")
    return number


def _read_reviewer(desk: Desk, sent: Sent) -> str:
    return " ".join(_read_text(sent, "reviewer").split()) or desk.reviewer

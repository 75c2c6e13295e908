"""What the pages send, read: JSON objects, acted on once for each key, answered with the sentence of sense as it then is.

Nothing here knows what is sent for; the routes do.
"""

import json
import re
from collections.abc import Callable, Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from annotate.errors import AnnotateError
from annotate.web.choices import Choice, read_choice
from annotate.web.desk import Desk, find_desk
from annotate.web.sense import tell_sense

MOST_BYTES = 65_536
"""A note of 2,000 letters in JSON takes at most a fifth of this, an outline of 1,000 corners a third."""

JSON_TYPE = "application/json"

HALF_LETTER = re.compile("[\ud800-\udfff]")

Sent = Mapping[str, Any]


def _tell_sense(desk: Desk, choice: Choice, reviewer: str) -> str:
    return tell_sense(desk.logbook, choice, reviewer=reviewer)


async def take(
    request: Request,
    act: Callable[[Desk, Sent], dict[str, Any]],
    *,
    tell: Callable[[Desk, Choice, str], str] = _tell_sense,
) -> Response:
    """Read what was sent, act once for its key, and answer with the sentence of sense as it now is.

    Parameters
    ----------
    tell : gives that sentence for a choice and a reviewer
    """
    sent = await read_sent(request)
    desk = find_desk(request)
    if read_text(sent, "logbook") not in ("", desk.mark):
        raise HTTPException(
            409, "this page belongs to another logbook than the one now open here; reload it to judge here"
        )

    def act_once() -> dict[str, Any]:
        return desk.receipts.take_once(read_text(sent, "key"), lambda: act(desk, sent))

    def answer() -> dict[str, Any]:
        said = act_once()
        choice = read_choice(desk.logbook, request.query_params)
        return {**said, "sense": tell(desk, choice, read_reviewer(desk, sent))}

    return JSONResponse(await run_in_threadpool(answer))


async def read_sent(request: Request) -> Sent:
    """Return the JSON object that was sent; a form of a foreign page cannot send one."""
    if request.headers.get("content-type", "").partition(";")[0].strip() != JSON_TYPE:
        raise HTTPException(415, f"expected {JSON_TYPE}; use the pages to judge")
    data = bytearray()
    async for chunk in request.stream():
        data += chunk
        if len(data) > MOST_BYTES:
            raise HTTPException(413, f"expected at most {MOST_BYTES} bytes; shorten the note")
    try:
        sent = _mend(json.loads(bytes(data)))
    except (ValueError, RecursionError) as error:
        raise HTTPException(400, f"expected JSON, found something else ({error}); reload the page") from error
    if not isinstance(sent, dict):
        raise HTTPException(400, "expected a JSON object; reload the page")
    return sent


def _mend(value: Any) -> Any:
    """Return what was sent with the halves of letters replaced, as of an emoji cut in two: no database takes them."""
    if isinstance(value, str):
        return HALF_LETTER.sub("\N{REPLACEMENT CHARACTER}", value)
    if isinstance(value, list):
        return [_mend(one) for one in value]
    if isinstance(value, dict):
        return {_mend(name): _mend(one) for name, one in value.items()}
    return value


def read_text(sent: Sent, name: str) -> str:
    """Return a text of what was sent, empty where there is none."""
    word = sent.get(name, "")
    if not isinstance(word, str):
        raise AnnotateError(f"{name}: expected text; found {word!r}; reload the page")
    return word


def read_id(sent: Sent, name: str) -> int:
    """Return a whole number of what was sent, 0 where there is none."""
    number = sent.get(name, 0)
    if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number < 2**63:
        raise AnnotateError(f"{name}: expected a whole number; found {number!r}; reload the page")
    return number


def read_reviewer(desk: Desk, sent: Sent) -> str:
    """Return who sent it."""
    return " ".join(read_text(sent, "reviewer").split()) or desk.reviewer

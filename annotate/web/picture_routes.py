"""Pictures and steadied loops: only what the logbook keeps as evidence, only by its hash."""

import re

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from annotate.errors import AnnotateError
from annotate.logbook.pictures import read_picture
from annotate.logbook.records import QueuedCandidate
from annotate.logbook.review import find_candidate
from annotate.web.choices import read_number
from annotate.web.desk import find_desk

FOR_GOOD = "private, max-age=31536000, immutable"
"""A name that is a hash never comes to mean other bytes."""

HASH = re.compile(r"[0-9a-f]{64}")


async def send_picture(request: Request) -> Response:
    """Send an evidence picture, verified against its name."""
    data = await run_in_threadpool(read_picture, find_desk(request).logbook, request.path_params["sha256"])
    return Response(data, media_type="image/jpeg", headers={"Cache-Control": FOR_GOOD})


async def send_loop(request: Request) -> Response:
    """Send a steadied loop that has been made."""
    name = request.path_params["name"]
    path = find_desk(request).loops.find_path(name) if HASH.fullmatch(name) else None
    if path is None or not path.is_file():
        raise HTTPException(404, "expected the name of a loop that was made; ask for it on the review page")
    return FileResponse(path, media_type="image/webp", headers={"Cache-Control": FOR_GOOD})


async def ask_for_loop(request: Request) -> Response:
    """Say where the loop of a view stands, and see to it that it is made."""
    return await run_in_threadpool(_ask_for_loop, request)


def _ask_for_loop(request: Request) -> Response:
    number = read_number(request.path_params["candidate"], what="candidate")
    return answer_loop(request, find_candidate(find_desk(request).logbook, number))


def answer_loop(request: Request, candidate: QueuedCandidate) -> Response:
    """Return where the loop of the view in the address stands, and see to it that it is made."""
    rank = read_number(request.path_params["rank"], what="view")
    if rank >= len(candidate.views):
        raise AnnotateError(
            f"view: expected one of {len(candidate.views)} views; found number {rank}; reload the page"
        )
    is_urgent = request.query_params.get("ahead") != "yes"
    state = find_desk(request).loops.ask(candidate, candidate.views[rank], is_urgent=is_urgent)
    answer = {"state": state.state, "sentence": state.sentence}
    if state.state == "ready":
        answer["url"] = f"/loops/{state.name}.webp"
    return JSONResponse(answer)

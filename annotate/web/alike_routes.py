"""What goes by looks on the pages: the offer to dismiss alike ones together, its undo, and the page of more like one candidate.

A group is named by the page that dismisses it, so that what is sent twice counts once, even to a server started anew.
"""

from datetime import UTC, datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from annotate.errors import AnnotateError
from annotate.judging.alike import Similar, find_alike, find_similar, say_standing
from annotate.logbook.batches import MOST_AT_ONCE, Batch, dismiss_alike, take_back_batch
from annotate.logbook.review import find_candidate
from annotate.numbers import say_count
from annotate.web.cards import build_verdict
from annotate.web.choices import read_choice, read_number
from annotate.web.desk import Desk, find_desk
from annotate.web.listing_routes import describe_item
from annotate.web.rendering import render
from annotate.web.sent import Sent, read_reviewer, read_text, take
from annotate.web.wording import title_candidate

LEAST_OFFERED = 4
"""Fewer are judged as fast one by one as by looking them over on a sheet (own choice)."""

SIMILAR_SHOWN = 40
"""As many pictures as are looked over at a glance on one page."""


async def list_alike(request: Request) -> Response:
    """Hand out the open candidates that look like one that was dismissed; none where they are too few to be worth a sheet."""
    return await run_in_threadpool(_list_alike, request)


async def show_similar(request: Request) -> Response:
    """Show what looks most like a candidate, over all footage."""
    return await run_in_threadpool(_show_similar, request)


async def take_group(request: Request) -> Response:
    """Dismiss a group; the answer names those of it that were judged meanwhile and are left as they were."""
    return await take(request, _dismiss)


async def take_back_group(request: Request) -> Response:
    """Take back what is left of a group."""
    return await take(request, _take_back)


ROUTES = (
    Route("/candidates/{candidate}/similar", show_similar),
    Route("/api/alike", list_alike),
    Route("/api/groups", take_group, methods=["POST"]),
    Route("/api/groups/take-back", take_back_group, methods=["POST"]),
)


def _list_alike(request: Request) -> Response:
    desk = find_desk(request)
    candidate_id = read_number(request.query_params.get("candidate", ""), what="candidate")
    found = find_alike(desk.logbook, candidate_id, read=desk.looks.read)
    items = [_describe(item) for item in found] if len(found) >= LEAST_OFFERED else []
    return JSONResponse({"candidate": candidate_id, "items": items, "least": LEAST_OFFERED})


def _dismiss(desk: Desk, sent: Sent) -> dict[str, Any]:
    done = dismiss_alike(
        desk.logbook,
        _read_ids(sent, "candidates"),
        reviewer=read_reviewer(desk, sent),
        at=datetime.now(UTC),
        batch=read_text(sent, "group"),
    )
    desk.promises.note(len(done.verdicts))
    return {"group": _tell(done)}


def _take_back(desk: Desk, sent: Sent) -> dict[str, Any]:
    done = take_back_batch(
        desk.logbook,
        read_text(sent, "group"),
        reviewer=read_reviewer(desk, sent),
        at=datetime.now(UTC),
    )
    desk.promises.note(len(done.verdicts))
    return {"group": _tell(done)}


def _tell(done: Batch) -> dict[str, Any]:
    return {
        "name": done.name,
        "verdicts": [build_verdict(verdict) for verdict in done.verdicts],
        "passed_over": done.passed_over,
    }


def _read_ids(sent: Sent, name: str) -> list[int]:
    ids = sent.get(name)
    if (
        not isinstance(ids, list)
        or len(ids) > MOST_AT_ONCE
        or not all(type(number) is int and 0 < number < 2**63 for number in ids)
    ):
        raise AnnotateError(
            f"{name}: expected a list of up to {MOST_AT_ONCE} ids of candidates; found {str(ids)[:40]!r}; reload the page"
        )
    return ids


def _show_similar(request: Request) -> Response:
    desk = find_desk(request)
    choice = read_choice(desk.logbook, request.query_params)
    candidate = find_candidate(desk.logbook, read_number(request.path_params["candidate"], what="candidate"))
    found, why_empty = _find_similar(desk, candidate.id)
    title = title_candidate(candidate)
    what = say_count(len(found), "candidate")
    values = {
        "page": "",
        "heading": f"More like {title}",
        "sense": f"{what[:1].upper()}{what[1:]} of all footage that look most like this one, most similar first."
        if found
        else "Nothing is compared with this one yet.",
        "wanted": {**describe_item(candidate), "address": choice.address(f"/candidates/{candidate.id}")},
        "title": title,
        "items": [_describe(item) for item in found],
        "why_empty": why_empty,
    }
    return render("similar.html", values)


def _find_similar(desk: Desk, candidate_id: int) -> tuple[tuple[Similar, ...], str]:
    """Return what looks like a candidate, and in words why nothing does."""
    try:
        found = find_similar(desk.logbook, candidate_id, limit=SIMILAR_SHOWN, read=desk.looks.read)
    except AnnotateError as error:
        # A candidate without a look is no fault of whoever asks; how to have it looked at stands in the message.
        words = str(error)
        return (), f"{words[:1].upper()}{words[1:]}."
    return found, "" if found else "There is no other candidate that the network has looked at."


def _describe(item: Similar) -> dict[str, Any]:
    candidate = item.candidate
    return {
        **describe_item(candidate),
        "id": candidate.id,
        "similarity": f"{item.similarity:.2f} alike".replace("-", "\N{MINUS SIGN}"),
        "standing": say_standing(candidate.standing),
    }

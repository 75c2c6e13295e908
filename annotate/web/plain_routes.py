"""The plain frames of an audit among the candidates: one frame filling the page, and whether there is a larva in it.

Nothing that comes over these routes says where or when a frame was taken, nor why it was chosen. A frame whose picture is gone is
passed over, and keeps waiting. What follows from the answers stands in `annotate.judging.auditing`.
"""

from datetime import UTC, datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from annotate.errors import AnnotateError
from annotate.judging.mixing import mix_ahead
from annotate.logbook.audits import (
    WINDOW_ANSWERS,
    DrawnWindow,
    PlainFrame,
    answer_window,
    count_given,
    find_window,
    is_asked,
    next_window,
)
from annotate.logbook.drawn_in import draw_in
from annotate.logbook.opening import Logbook
from annotate.logbook.outlines import LEAST_AREA_PX, MOST_CORNERS, check_outline
from annotate.logbook.pictures import read_picture
from annotate.logbook.records import Details
from annotate.logbook.verdicts import take_back
from annotate.web.cards import address_picture
from annotate.web.choices import Choice, read_choice, read_number
from annotate.web.desk import Desk, find_desk
from annotate.web.rendering import render
from annotate.web.sense import tell_sense
from annotate.web.sent import Sent, read_id, read_reviewer, read_text, take
from annotate.words import STAGES, read_word

PLACES_AHEAD = 1000
"""An evening's answers without loading the page again, and more."""

PLAIN_ANSWERS = (
    ("larva", "confirm", "Larva", "C"),
    ("none", "dismiss", "None", "D"),
    ("unsure", "unsure", "Unsure", "U"),
)
"""(what is kept, its shape, the word, the key)."""

PUT_OFF = "put_off"
"""In the address of the review: the id of the plain frame that was left for later last."""


async def go_to_frame(request: Request) -> Response:
    """Lead to the next plain frame, or back to the review where none is left."""
    return await run_in_threadpool(_go_to_frame, request)


async def show_frame(request: Request) -> Response:
    """Show one plain frame."""
    return await run_in_threadpool(_show_frame, request)


async def tell_asked(request: Request) -> Response:
    """Say whether a plain frame still waits for this person's answer."""
    return await run_in_threadpool(_tell_asked, request)


async def take_answer(request: Request) -> Response:
    """Add what was said of a plain frame, with the larva drawn into it, or take it back."""
    return await take(request, _answer)


ROUTES = (
    Route("/plain", go_to_frame),
    Route("/plain/{window}", show_frame),
    Route("/api/plain/answers", take_answer, methods=["POST"]),
    Route("/api/plain/{window}", tell_asked),
)


def plan_frames(desk: Desk, choice: Choice) -> dict[str, Any]:
    """Return what the review has to know: how many answers were given, and after how many a plain frame comes."""
    given = count_given(desk.logbook, desk.reviewer)
    is_mixed = choice.order != "doubtful" and find_next(desk.logbook, desk.reviewer) is not None
    return {"given": given, "places": mix_ahead(given, PLACES_AHEAD) if is_mixed else ()}


def lead_to_frame(desk: Desk, choice: Choice, request: Request) -> Response | None:
    """Return where the review leads when no candidate is left: to the plain frames that still wait; None where none does."""
    after = read_number(request.query_params.get(PUT_OFF, "0"), what="plain frame")
    frame = None if choice.order == "doubtful" else find_next(desk.logbook, desk.reviewer, after=after)
    return None if frame is None else _lead_to(frame, choice)


def find_next(logbook: Logbook, reviewer: str, *, after: int = 0) -> PlainFrame | None:
    """Return the next plain frame to show a reviewer of which the picture is there; None where there is none."""
    frame = next_window(logbook, reviewer=reviewer, after=after)
    while frame is not None and not _has_picture(logbook, frame.picture):
        frame = next_window(logbook, reviewer=reviewer, after=frame.window_id)
    return frame


def _has_picture(logbook: Logbook, sha256: str) -> bool:
    try:
        read_picture(logbook, sha256)
    except AnnotateError:
        return False
    return True


def _lead_to(frame: PlainFrame, choice: Choice) -> Response:
    return RedirectResponse(choice.address(f"/plain/{frame.window_id}"), status_code=303)


def _go_to_frame(request: Request) -> Response:
    desk = find_desk(request)
    choice = read_choice(desk.logbook, request.query_params)
    frame = find_next(desk.logbook, _read_asking(desk, request))
    return (
        RedirectResponse(choice.address("/"), status_code=303) if frame is None else _lead_to(frame, choice)
    )


def _read_asking(desk: Desk, request: Request) -> str:
    return " ".join(request.query_params.get("reviewer", "").split()) or desk.reviewer


def _show_frame(request: Request) -> Response:
    desk = find_desk(request)
    choice = read_choice(desk.logbook, request.query_params)
    window = find_window(desk.logbook, read_number(request.path_params["window"], what="plain frame"))
    has_picture = _has_picture(desk.logbook, window.picture)
    values = {
        "page": "Review",
        "heading": "Review",
        "sense": tell_sense(desk.logbook, choice, reviewer=desk.reviewer),
        "picture": address_picture(window.picture) if has_picture else None,
        "on": choice.address("/", **{PUT_OFF: window.id}),
        "answers": PLAIN_ANSWERS,
        "stages": STAGES,
        "reviewer": desk.reviewer,
        "state": {
            "frame": {"id": window.id, "size_px": window.frame_size_px} if has_picture else None,
            "limits": {"most_corners": MOST_CORNERS, "least_area_px": LEAST_AREA_PX},
            "query": choice.to_query(),
            "reviewer": desk.reviewer,
            "logbook": desk.mark,
        },
    }
    return render("plain.html", values)


def _tell_asked(request: Request) -> Response:
    desk = find_desk(request)
    choice = read_choice(desk.logbook, request.query_params)
    window_id = read_number(request.path_params["window"], what="plain frame")
    find_window(desk.logbook, window_id)
    reviewer = _read_asking(desk, request)
    return JSONResponse(
        {
            "asked": is_asked(desk.logbook, window_id, reviewer=reviewer),
            "sense": tell_sense(desk.logbook, choice, reviewer=reviewer),
        }
    )


def _answer(desk: Desk, sent: Sent) -> dict[str, Any]:
    window = find_window(desk.logbook, read_id(sent, "window"))
    answer = read_word(read_text(sent, "answer"), WINDOW_ANSWERS, what="answer")
    if answer is None:
        raise AnnotateError(
            f"answer: expected one of {', '.join(WINDOW_ANSWERS)}; found none; send one of these"
        )
    reviewer, at = read_reviewer(desk, sent), datetime.now(UTC)
    if answer == "larva":
        # Whatever may be refused is looked at before anything is kept.
        check_outline(sent.get("outline", ()), origin_px=(0, 0), size_px=window.frame_size_px)
        read_word(read_text(sent, "stage"), STAGES, what="stage")
        read_picture(desk.logbook, window.picture)
    answer_window(desk.logbook, window.id, answer=answer, reviewer=reviewer, at=at)  # type: ignore[arg-type]
    drawn = _draw(desk, window, sent, reviewer=reviewer, at=at) if answer == "larva" else 0
    if answer == "open" and (candidate := read_id(sent, "candidate")):
        take_back(desk.logbook, reviewer=reviewer, at=at, candidate_id=candidate)
        desk.promises.note()
    return {"plain": {"window": window.id, "candidate": drawn}}


def _draw(desk: Desk, window: DrawnWindow, sent: Sent, *, reviewer: str, at: datetime) -> int:
    """Add the larva drawn into a frame; return its id as a candidate, 0 where somebody has drawn it in already."""
    try:
        number = draw_in(
            desk.logbook,
            clip_id=window.clip_id,
            time_s=window.time_s,
            frame_index=window.frame_index,
            outline_px=sent.get("outline", ()),
            picture=window.picture,
            picture_origin_px=(0, 0),
            frame_size_px=window.frame_size_px,
            reviewer=reviewer,
            at=at,
            details=Details(stage=read_text(sent, "stage") or None),
        )
    except AnnotateError as error:
        if error.__cause__ is not None:
            raise  # the machine's, such as a full disk: it is sent again
        # Somebody drew the same larva, or this was sent twice: the answer to the frame is right all the same.
        return 0
    desk.promises.note()
    return number

"""The pages of a second reading: what others judged, shown as it was found, with nothing of what they said.

These routes stand in the place of all others, so that there is no page on which an answer could be seen: only the review, its
pictures and loops, and the verdicts that are sent, each of them blind. Its addresses for sending differ from the usual ones: an
answer kept in a browser from the other kind of review waits there until that one is open again.
"""

from datetime import UTC, datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from annotate.errors import AnnotateError
from annotate.judging.readings import hear_people, name_person
from annotate.logbook.opening import Logbook
from annotate.logbook.records import QueuedCandidate, QueuedView
from annotate.logbook.second_reading import ReadingPlan, count_read, count_second, find_second, list_second
from annotate.logbook.verdicts import find_renamed, give_verdict, list_verdicts, take_back
from annotate.web.cards import Card, describe_candidate
from annotate.web.choices import TREELESS, Choice, list_tree_words, read_choice, read_number
from annotate.web.desk import Desk, find_desk
from annotate.web.guards import SAFE_METHODS
from annotate.web.picture_routes import answer_loop, send_loop, send_picture
from annotate.web.rendering import Pages, render
from annotate.web.review_routes import ANSWER_BUTTONS, KIND_CHOICES, MOST_AHEAD, MOST_WITHOUT
from annotate.web.sense import EmptyPage
from annotate.web.sent import Sent, read_id, read_reviewer, read_text, take
from annotate.web.wording import KIND_WORDS, say_clock, say_size, say_tree
from annotate.words import ANSWERS, read_word

SECOND_PAGES: Pages = (("Review", "/"),)

SHOWN_FACTS = frozenset({"What", "Tree", "Date", "Time", "Seen", "Clip"})
"""Score and "drawn by hand" are left out: what was drawn in has no score, and somebody took it for a larva. So are sizes, which
follow outlines that others corrected."""

OWN_WORDS = {
    "confirm": "You confirmed this",
    "dismiss": "You dismissed this",
    "unsure": "You were unsure of this",
}

ONLY_REVIEW = (
    "in a second reading only the review is shown, so that nothing tells what others said; "
    "for the other pages start leafshade review without --second"
)
OTHER_REVIEW = "this belongs to the usual review, and a second reading is open here; start leafshade review without --second"
OTHER_READING = (
    "this belongs to a second reading, and the usual review is open here; start leafshade review --second"
)


async def show_second(request: Request) -> Response:
    """Show the next candidate to read again, or the one in the address."""
    return await run_in_threadpool(_show_second, request)


async def list_second_ahead(request: Request) -> Response:
    """Hand out the cards of the next candidates to read again, without those named in `except`."""
    return await run_in_threadpool(_list_ahead, request)


async def ask_for_second_loop(request: Request) -> Response:
    """Say where the loop of a view as it was found stands, and see to it that it is made."""
    return await run_in_threadpool(_ask_for_loop, request)


async def take_second_verdict(request: Request) -> Response:
    """Add a blind verdict; the answer says nothing of what others said."""
    return await take(request, _give, tell=tell_second)


async def take_second_undo(request: Request) -> Response:
    """Take back the sender's newest verdict on a candidate, still blind: a slip."""
    return await take(request, _undo, tell=tell_second)


async def refuse_page(request: Request) -> Response:
    """Say that there is no other page; keep what was sent from the usual review in its browser (409 is tried again)."""
    if request.method in SAFE_METHODS:
        raise HTTPException(404, ONLY_REVIEW)
    raise HTTPException(409, OTHER_REVIEW)


async def refuse_reading(request: Request) -> Response:
    """Keep what was sent from a second reading in its browser while the usual review is open."""
    raise HTTPException(409, OTHER_READING)


USUAL_ROUTES = (Route("/api/second/{rest:path}", refuse_reading, methods=["POST"]),)
"""What the usual review answers to the pages of a second reading."""


def list_routes(files: StaticFiles) -> list[Route | Mount]:
    """Return all routes of a second reading.

    Parameters
    ----------
    files : what is served as static files
    """
    return [
        Route("/", show_second),
        Route("/candidates/{candidate}", show_second),
        Route("/candidates/{candidate}/views/{rank}/loop", ask_for_second_loop),
        Route("/pictures/{sha256}.jpg", send_picture),
        Route("/loops/{name}.webp", send_loop),
        Route("/api/second/ahead", list_second_ahead),
        Route("/api/second/verdicts", take_second_verdict, methods=["POST"]),
        Route("/api/second/take-back", take_second_undo, methods=["POST"]),
        Mount("/static", files),
        Route("/{rest:path}", refuse_page, methods=["GET", "POST"]),
    ]


def tell_second(desk: Desk, choice: Choice, reviewer: str) -> str:
    """Return how far the second reading is: "Second reading: 12 of 60 read"."""
    plan = _narrow(desk, choice)
    read, left = (count(desk.logbook, reviewer, plan=plan) for count in (count_read, count_second))
    where = f", tree {choice.tree}" if choice.tree_id else ", no tree given" if choice.tree_id == 0 else ""
    return f"Second reading{where}: {read:,} of {read + left:,} read"


def build_second_card(logbook: Logbook, candidate: QueuedCandidate, *, reviewer: str) -> Card:
    """Return the card of a candidate as it was found, with nothing but what this person said of it."""
    card = describe_candidate(logbook, candidate, beside=())
    for view, shown in zip(candidate.views, card["views"], strict=True):
        shown.pop("score")
        shown["own_outline"] = None
        shown["label"] = _label_view(candidate, view)
    card["facts"] = [(word, value) for word, value in card["facts"] if word in SHOWN_FACTS]
    return {**card, "verdict": _find_own(logbook, candidate.id, reviewer=reviewer)}


def _show_second(request: Request) -> Response:
    desk = find_desk(request)
    choice = read_choice(desk.logbook, request.query_params)
    named = request.path_params.get("candidate")
    found = (
        (find_second(desk.logbook, read_number(named, what="candidate")),)
        if named
        else list_second(desk.logbook, desk.reviewer, plan=_narrow(desk, choice))
    )
    card = build_second_card(desk.logbook, found[0], reviewer=desk.reviewer) if found else None
    values = {
        "page": "Review",
        "heading": "Second reading",
        "sense": tell_second(desk, choice, desk.reviewer),
        "card": card,
        "empty": None if card else _explain_empty(desk, choice),
        "answers": ANSWER_BUTTONS,
        "kinds": KIND_CHOICES,
        "kind": choice.kind or "",
        "tree_words": list_tree_words(desk.logbook),
        "treeless": TREELESS,
        "tree": choice.tree,
        "reviewer": desk.reviewer,
        "state": {
            "card": card,
            "query": choice.to_query(),
            "reviewer": desk.reviewer,
            "logbook": desk.mark,
            "one_in": desk.plan.dismissed_one_in,
        },
    }
    return render("second.html", values)


def _list_ahead(request: Request) -> Response:
    desk = find_desk(request)
    choice = read_choice(desk.logbook, request.query_params)
    limit = min(MOST_AHEAD, read_number(request.query_params.get("limit", "1"), what="limit"))
    named = request.query_params.get("except", "").split(",")
    without = [read_number(word, what="candidate") for word in named if word]
    found = list_second(
        desk.logbook,
        desk.reviewer,
        plan=_narrow(desk, choice),
        limit=limit,
        without=without[-MOST_WITHOUT:],
    )
    cards = [build_second_card(desk.logbook, candidate, reviewer=desk.reviewer) for candidate in found]
    return JSONResponse({"cards": cards})


def _ask_for_loop(request: Request) -> Response:
    number = read_number(request.path_params["candidate"], what="candidate")
    return answer_loop(request, find_second(find_desk(request).logbook, number))


def _give(desk: Desk, sent: Sent) -> dict[str, Any]:
    answer = read_word(read_text(sent, "answer"), ANSWERS, what="answer")
    if answer is None:
        raise AnnotateError(f"answer: expected one of {', '.join(ANSWERS)}; found none; send one of these")
    give_verdict(
        desk.logbook,
        read_id(sent, "candidate"),
        answer=answer,  # type: ignore[arg-type]
        reviewer=read_reviewer(desk, sent),
        at=datetime.now(UTC),
        blind=True,
        # The share by which the page's cards were drawn: the review may have been started anew with another.
        dismissed_one_in=read_id(sent, "one_in") or desk.plan.dismissed_one_in,
    )
    # What is read again comes in an order of its own: what is learned shows in the usual review only.
    desk.promises.note()
    return {}


def _undo(desk: Desk, sent: Sent) -> dict[str, Any]:
    take_back(
        desk.logbook,
        reviewer=read_reviewer(desk, sent),
        at=datetime.now(UTC),
        candidate_id=read_id(sent, "candidate"),
        blind=True,
    )
    desk.promises.note()
    return {}


def _narrow(desk: Desk, choice: Choice) -> ReadingPlan:
    """Return the plan, narrowed to what was chosen on the page: never by answer or score, which would tell of them."""
    return ReadingPlan(
        dismissed_one_in=desk.plan.dismissed_one_in,
        kind=choice.kind or desk.plan.kind,
        tree_id=desk.plan.tree_id if choice.tree_id is None else choice.tree_id,
        visit_id=desk.plan.visit_id,
    )


def _explain_empty(desk: Desk, choice: Choice) -> EmptyPage:
    if count_second(desk.logbook, desk.reviewer, plan=desk.plan):
        return EmptyPage(
            "Nothing of what you chose is left to read again.", "Choose all trees and both kinds.", ""
        )
    return EmptyPage(
        "Nothing is left to read again.",
        "Where you and others differ, it comes back to each of you in the usual review. How well you agree:",
        "leafshade readers",
    )


def _label_view(candidate: QueuedCandidate, view: QueuedView) -> str:
    size = say_size(candidate) if candidate.kind == "feeding" else f"{view.length_px:.0f} px"
    clock = say_clock(view.at, candidate.zone)
    return f"{KIND_WORDS[candidate.kind]}, {size}, {say_tree(candidate)}, {clock}"


def _find_own(logbook: Logbook, candidate_id: int, *, reviewer: str) -> dict[str, Any] | None:
    """Return what this person says of a candidate, which they may always see."""
    renamed = find_renamed(logbook)
    person = name_person(reviewer, renamed)
    for word in hear_people(list_verdicts(logbook, candidate_id), renamed):
        if word.says is not None and name_person(word.reviewer, renamed) == person:
            return {"answer": word.says.answer, "words": OWN_WORDS[word.says.answer]}
    return None

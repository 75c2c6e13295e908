"""The review page, and the cards that it asks for ahead."""

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from annotate.logbook.observations import LONGEST_NOTE
from annotate.logbook.outlines import LEAST_AREA_PX, MOST_CORNERS
from annotate.logbook.verdicts import find_last_verdict_id
from annotate.web.cards import Card, read_ahead, read_card
from annotate.web.choices import TREELESS, Choice, list_tree_words, read_choice, read_number
from annotate.web.desk import Desk, find_desk
from annotate.web.disagreement_routes import ADDRESS as DISAGREEMENTS
from annotate.web.disagreement_routes import CAME_FROM
from annotate.web.plain_routes import lead_to_frame, plan_frames
from annotate.web.rendering import render
from annotate.web.sense import explain_empty, tell_sense
from annotate.words import BEHAVIOURS, CONDITIONS, REASONS, STAGES

CARDS_IN_PAGE = 1
"""The page comes with the card it shows; the next ones are fetched while the person looks."""

MOST_AHEAD = 12
MOST_WITHOUT = 500

ANSWER_BUTTONS = (("confirm", "Confirm", "C"), ("dismiss", "Dismiss", "D"), ("unsure", "Unsure", "U"))
DETAIL_FIELDS = (
    ("stage", "Stage", STAGES),
    ("condition", "Condition", CONDITIONS),
    ("behaviour", "Behaviour", BEHAVIOURS),
)
ORDER_CHOICES = (("best", "best first"), ("tree", "tree by tree"), ("doubtful", "suspected mistakes"))
DRAWN_KINDS = (("silhouette", "a larva"), ("feeding", "feeding damage"))
KIND_CHOICES = (("silhouette", "silhouettes"), ("feeding", "feeding damage"))


async def show_review(request: Request) -> Response:
    """Show the next unjudged candidate, or the one in the address."""
    return await run_in_threadpool(_show_review, request)


async def list_ahead(request: Request) -> Response:
    """Hand out the cards of the next unjudged candidates, without those named in `except`."""
    return await run_in_threadpool(_list_ahead, request)


def _show_review(request: Request) -> Response:
    desk = find_desk(request)
    choice = read_choice(desk.logbook, request.query_params)
    # Read before the cards: a verdict given in between is then heard of twice rather than never.
    last_verdict = find_last_verdict_id(desk.logbook)
    named = request.path_params.get("candidate")
    cards = [read_card(desk.logbook, read_number(named, what="candidate"))] if named else []
    cards = cards or read_ahead(desk.logbook, choice, limit=CARDS_IN_PAGE)
    plain = None if cards else lead_to_frame(desk, choice, request)
    if plain is not None:
        return plain
    values = _describe_page(desk, choice, cards[0] if cards else None)
    values["state"] = {
        "limits": {"most_corners": MOST_CORNERS, "least_area_px": LEAST_AREA_PX},
        "card": cards[0] if cards else None,
        "plain": plan_frames(desk, choice),
        "back": _find_back(request),
        "last_verdict": last_verdict,
        "query": choice.to_query(),
        "reviewer": desk.reviewer,
        "logbook": desk.mark,
    }
    return render("review.html", values)


def _find_back(request: Request) -> str:
    """Return where an answer leads back to; empty where it leads on to the next candidate."""
    name, word = CAME_FROM
    is_led_here = "candidate" in request.path_params and request.query_params.get(name) == word
    return DISAGREEMENTS if is_led_here else ""


def _describe_page(desk: Desk, choice: Choice, card: Card | None) -> dict[str, Any]:
    return {
        "page": "Review",
        "heading": "Review",
        "sense": tell_sense(desk.logbook, choice, reviewer=desk.reviewer),
        "card": card,
        "empty": None if card else explain_empty(desk.logbook, choice),
        "answers": ANSWER_BUTTONS,
        "reasons": REASONS,
        "stages": STAGES,
        "drawn_kinds": DRAWN_KINDS,
        "details": DETAIL_FIELDS,
        "note_most": LONGEST_NOTE,
        "orders": ORDER_CHOICES,
        "order": choice.order,
        "kinds": KIND_CHOICES,
        "kind": choice.kind or "",
        "tree_words": list_tree_words(desk.logbook),
        "treeless": TREELESS,
        "tree": choice.tree,
        "reviewer": desk.reviewer,
    }


def _list_ahead(request: Request) -> Response:
    desk = find_desk(request)
    choice = read_choice(desk.logbook, request.query_params)
    limit = min(MOST_AHEAD, read_number(request.query_params.get("limit", "1"), what="limit"))
    named = request.query_params.get("except", "").split(",")
    without = [read_number(word, what="candidate") for word in named if word]
    turn = read_number(request.query_params.get("turn", "0"), what="turn")
    cards = read_ahead(desk.logbook, choice, limit=limit, without=without[-MOST_WITHOUT:], turn=turn)
    return JSONResponse({"cards": cards})

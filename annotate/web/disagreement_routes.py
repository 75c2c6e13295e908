"""The page of disagreements: candidates of which two people, after blind readings, say different things, for both to look at
again. It asks the logbook only; the answers are given in the review.
"""

from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from annotate.errors import AnnotateError
from annotate.judging.readings import Disagreement, name_person
from annotate.logbook.opening import Logbook
from annotate.logbook.review import find_candidate
from annotate.logbook.second_reading import list_disagreements
from annotate.logbook.verdicts import find_last_verdict_id, find_renamed
from annotate.numbers import say_count
from annotate.web.cards import address_picture
from annotate.web.desk import Desk, find_desk
from annotate.web.rendering import PAGES, Pages, render
from annotate.web.wording import label_view, list_sides, say_date, title_candidate

ADDRESS = "/disagreements"

CAME_FROM = ("from", "disagreements")
"""Behind the address of a candidate: whoever answers it goes back to the list, not on to what nobody has judged yet."""

PAGE_SIZE = 60
"""Pictures on a page, as in the list of all."""

RULE = (
    "Where a second person, judging blind, says something else than the first, the candidate counts as unsure, and makes no "
    "record, until everyone who judged it says the same."
)


async def show_disagreements(request: Request) -> Response:
    """Show each open disagreement with its picture: who says what, and for whom it waits."""
    return await run_in_threadpool(_show_disagreements, request)


ROUTES = (Route(ADDRESS, show_disagreements),)


def make_pages(logbook: Logbook) -> Callable[[], Pages]:
    """Return what lists where the navigation leads: the usual pages, and that of disagreements where there are some.

    Their number is counted anew only after a verdict: each page asks for it, and a count reads all that is unsure.
    """
    counted: tuple[int, Pages] = (0, PAGES)

    def list_pages() -> Pages:
        nonlocal counted
        try:
            newest = find_last_verdict_id(logbook)
            if newest != counted[0]:
                counted = (newest, _lead_to(len(list_disagreements(logbook))))
        except AnnotateError:
            # A page that tells of a mistake has a navigation too.
            return PAGES
        return counted[1]

    return list_pages


def _lead_to(disagreements: int) -> Pages:
    return (*PAGES, (f"Disagreements ({disagreements:,})", ADDRESS)) if disagreements else PAGES


def _show_disagreements(request: Request) -> Response:
    desk = find_desk(request)
    everything = list_disagreements(desk.logbook)
    mine, others = _part(desk, everything)
    shown = [*mine, *others][:PAGE_SIZE]
    values = {
        "page": f"Disagreements ({len(everything):,})",
        "heading": "Disagreements",
        "sense": _tell(len(everything), len(mine), reviewer=desk.reviewer),
        "rule": RULE,
        "items": [_describe(desk.logbook, disagreement) for disagreement in shown],
        "more": len(everything) - len(shown),
    }
    return render("disagreements.html", values)


def _part(desk: Desk, everything: tuple[Disagreement, ...]) -> tuple[list[Disagreement], list[Disagreement]]:
    """Return those that wait for who judges here, and the rest."""
    renamed = find_renamed(desk.logbook)
    person = name_person(desk.reviewer, renamed)
    mine: list[Disagreement] = []
    others: list[Disagreement] = []
    for disagreement in everything:
        waits = any(name_person(name, renamed) == person for name in disagreement.waits_for)
        (mine if waits else others).append(disagreement)
    return mine, others


def _tell(everything: int, mine: int, *, reviewer: str) -> str:
    if not everything:
        return "No open disagreements."
    waiting = f"{mine:,} wait" if mine > 1 else "1 waits" if mine else "none waits"
    return f"{say_count(everything, 'open disagreement')}, {waiting} for {reviewer}."


def _describe(logbook: Logbook, disagreement: Disagreement) -> dict[str, Any]:
    candidate = find_candidate(logbook, disagreement.candidate_id)
    view = candidate.views[0]
    answers = [word.says.answer if word.says else "open" for word in disagreement.words]
    names = list(disagreement.waits_for)
    return {
        "address": f"/candidates/{candidate.id}?{urlencode([CAME_FROM])}",
        "picture": address_picture(view.picture),
        "label": label_view(candidate, view),
        "title": title_candidate(candidate),
        "date": say_date(candidate.at, candidate.zone),
        "sides": [(*side, answer) for side, answer in zip(list_sides(disagreement), answers, strict=True)],
        "waits": f"waits for {_join(names)}" if names else "everyone looked again; they still differ",
    }


def _join(names: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))

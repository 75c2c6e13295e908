"""The list of all candidates, judged or not, with filters: pictures first, best first."""

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from annotate.logbook.doubts import list_doubts
from annotate.logbook.opening import Logbook
from annotate.logbook.records import QueuedCandidate
from annotate.logbook.review import add_counts, count_candidates, find_candidate, list_candidates
from annotate.numbers import say_count
from annotate.web.cards import address_picture
from annotate.web.choices import TREELESS, Choice, list_tree_words, read_choice, read_number
from annotate.web.desk import find_desk
from annotate.web.rendering import render
from annotate.web.review_routes import KIND_CHOICES, ORDER_CHOICES
from annotate.web.wording import (
    ANSWER_WORDS,
    KIND_WORDS,
    label_view,
    say_clock,
    say_date,
    say_score,
    say_size,
)

PAGE_SIZE = 60
ANSWER_CHOICES = (
    ("open", "not judged"),
    ("confirm", "confirmed"),
    ("dismiss", "dismissed"),
    ("unsure", "unsure"),
)


async def show_all(request: Request) -> Response:
    """Show candidates as a sheet of pictures."""
    return await run_in_threadpool(_show_all, request)


def _show_all(request: Request) -> Response:
    logbook = find_desk(request).logbook
    choice = read_choice(logbook, request.query_params)
    after = request.query_params.get("after", "")
    found = (
        _list_doubtful(logbook, after)
        if choice.order == "doubtful"
        else list_candidates(
            logbook,
            order=choice.walk,
            answer=choice.answer,
            kind=choice.kind,
            tree_id=choice.tree_id,
            least_score=choice.least_score,
            after=read_number(after, what="after") if after else None,
            limit=PAGE_SIZE,
        )
    )
    values: dict[str, Any] = {
        "page": "All",
        "heading": "All candidates",
        "sense": _tell_sense(logbook, choice),
        "items": [describe_item(candidate) for candidate in found],
        "choice": choice,
        "orders": ORDER_CHOICES,
        "kinds": KIND_CHOICES,
        "answers": ANSWER_CHOICES,
        "tree_words": list_tree_words(logbook),
        "treeless": TREELESS,
        "first_page": choice.address("/all") if after else "",
        "next_page": "" if len(found) < PAGE_SIZE else choice.address("/all", after=found[-1].id),
        "why_empty": _explain_empty(choice, after=after),
    }
    return render("all.html", values)


def _list_doubtful(logbook: Logbook, after: str) -> tuple[QueuedCandidate, ...]:
    """Return the labels that the network doubts; there are few, and they stand on one page."""
    doubts = () if after else list_doubts(logbook, limit=PAGE_SIZE - 1)
    return tuple(find_candidate(logbook, doubt.candidate_id) for doubt in doubts)


def describe_item(candidate: QueuedCandidate) -> dict[str, Any]:
    """Return what a sheet of pictures shows of a candidate."""
    best = candidate.views[0]
    return {
        "address": f"/candidates/{candidate.id}",
        "picture": address_picture(best.picture),
        "label": label_view(candidate, best),
        "what": KIND_WORDS[candidate.kind],
        "size": say_size(candidate),
        "score": say_score(candidate, candidate.score),
        "tree": candidate.tree,
        "date": say_date(candidate.at, candidate.zone),
        "clock": say_clock(candidate.at, candidate.zone),
        "answer": candidate.answer,
    }


def _tell_sense(logbook: Logbook, choice: Choice) -> str:
    counts = count_candidates(logbook, kind=choice.kind)
    here = counts if choice.tree_id is None else [one for one in counts if one.tree_id == choice.tree_id]
    count = add_counts(here)
    what = say_count(count.all, *_name_kind(choice.kind))
    where = "" if choice.tree_id is None else f" on {choice.tree}" if choice.tree_id else " without a tree"
    sentence = f"{what[:1].upper()}{what[1:]}{where}: "
    sentence += f"{count.confirmed:,} confirmed, {count.dismissed:,} dismissed, {count.unsure:,} unsure, {count.open:,} to judge."
    limits = [f"only those {ANSWER_WORDS[choice.answer]}"] if choice.answer else []
    limits += [f"scored {choice.least_score:g} or more"] if choice.least_score else []
    return f"{sentence} Shown: {', '.join(limits)}." if limits else sentence


def _name_kind(kind: str | None) -> tuple[str, str]:
    return {
        "silhouette": ("silhouette", "silhouettes"),
        "feeding": ("place with feeding", "places with feeding"),
    }.get(kind or "", ("candidate", "candidates"))


def _explain_empty(choice: Choice, *, after: str) -> str:
    if after:
        return "There are no more."
    if choice.to_query():
        return "Nothing fits what is chosen above; choose less."
    return "No search has found anything yet. Search a clip: leafshade search CLIP --tree CODE"

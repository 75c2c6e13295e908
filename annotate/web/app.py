"""The web app of a review: routes as data, one guard before them, errors as sentences. `build_app` makes it.

It opens no port and prints nothing; see `annotate.web.serving`.
"""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Receive, Scope, Send

from annotate.errors import AnnotateError
from annotate.judging.promise import PromiseKeeper
from annotate.logbook.opening import Logbook
from annotate.logbook.second_reading import EVERYTHING, ReadingPlan
from annotate.logbook.verdicts import find_last_verdict_id
from annotate.web.alike_routes import ROUTES as ALIKE_ROUTES
from annotate.web.answer_routes import list_changes, take_details, take_undo, take_verdict
from annotate.web.clip_routes import ROUTES as CLIP_ROUTES
from annotate.web.desk import Desk, Receipts, make_mark
from annotate.web.disagreement_routes import ROUTES as DISAGREEMENT_ROUTES
from annotate.web.disagreement_routes import make_pages
from annotate.web.eye_routes import ROUTES as EYE_ROUTES
from annotate.web.guards import Door, Guard
from annotate.web.listing_routes import show_all
from annotate.web.loops import LoopMaker
from annotate.web.outline_routes import take_drawn, take_outline, take_place
from annotate.web.picture_routes import ask_for_loop, send_loop, send_picture
from annotate.web.plain_routes import ROUTES as PLAIN_ROUTES
from annotate.web.reach_routes import show_reach
from annotate.web.record_routes import (
    show_observations,
    show_pictures,
    show_tree,
    show_trees,
    show_visits,
)
from annotate.web.register_routes import show_register, show_site, show_tree_form, take_site, take_tree
from annotate.web.rendering import STATIC_FOLDER, Pages, choose_pages, render
from annotate.web.review_routes import list_ahead, show_review
from annotate.web.second_routes import SECOND_PAGES, USUAL_ROUTES, list_routes
from annotate.web.sheet_routes import ROUTES as SHEET_ROUTES
from annotate.web.visit_routes import ROUTES as VISIT_ROUTES

BROKEN = "Something went wrong in the program itself. What was sent is kept in the browser; the terminal says more."


def build_app(
    logbook: Logbook, *, reviewer: str, door: Door | None = None, second: ReadingPlan | None = None
) -> Starlette:
    """Return the app for an open logbook.

    Parameters
    ----------
    reviewer : who judges, where the page says nothing else
    door : how the pages may be reached; None for this computer only
    second : for a second reading, what is read again: then no page but the review is there, and it tells of nobody's answers
    """

    @asynccontextmanager
    async def live(app: Starlette) -> AsyncIterator[None]:
        with LoopMaker(logbook) as loops, PromiseKeeper(logbook) as promises:
            app.state.desk = Desk(
                logbook=logbook,
                mark=make_mark(logbook),
                reviewer=reviewer,
                loops=loops,
                receipts=Receipts(),
                promises=promises,
                plan=second or EVERYTHING,
            )
            # What was searched since the last evening has not been held against the verdicts yet.
            promises.note(find_last_verdict_id(logbook))
            yield

    files = _Files(directory=STATIC_FOLDER)
    usual = [
        Route("/", show_review),
        Route("/candidates/{candidate}", show_review),
        Route("/candidates/{candidate}/pictures", show_pictures),
        Route("/candidates/{candidate}/views/{rank}/loop", ask_for_loop),
        *ALIKE_ROUTES,
        *PLAIN_ROUTES,
        Route("/all", show_all),
        Route("/observations", show_observations),
        *EYE_ROUTES,
        *DISAGREEMENT_ROUTES,
        Route("/trees", show_trees),
        Route("/trees/{site}/{code}", show_tree),
        Route("/visits", show_visits),
        *VISIT_ROUTES,
        *CLIP_ROUTES,
        *SHEET_ROUTES,
        Route("/reach", show_reach),
        Route("/register", show_register),
        Route("/register/{site}", show_site),
        Route("/register/{site}/new-tree", show_tree_form),
        Route("/register/{site}/trees/{code}", show_tree_form),
        Route("/api/register/trees", take_tree, methods=["POST"]),
        Route("/api/register/sites", take_site, methods=["POST"]),
        Route("/pictures/{sha256}.jpg", send_picture),
        Route("/loops/{name}.webp", send_loop),
        Route("/api/ahead", list_ahead),
        Route("/api/changes", list_changes),
        Route("/api/verdicts", take_verdict, methods=["POST"]),
        Route("/api/take-back", take_undo, methods=["POST"]),
        Route("/api/details", take_details, methods=["POST"]),
        Route("/api/outlines", take_outline, methods=["POST"]),
        Route("/api/drawn-in", take_drawn, methods=["POST"]),
        Route("/api/surroundings", take_place, methods=["POST"]),
        *USUAL_ROUTES,
        Mount("/static", files),
    ]
    find_pages = (lambda: SECOND_PAGES) if second else make_pages(logbook)
    return Starlette(
        routes=usual if second is None else list_routes(files),
        middleware=[Middleware(Guard, door=door or Door()), Middleware(_Signpost, find_pages=find_pages)],
        exception_handlers={
            AnnotateError: _answer_error,
            HTTPException: _answer_refusal,
            Exception: _answer_mistake,
        },
        lifespan=live,
    )


class _Signpost:
    """Middleware that tells each request where its page leads."""

    def __init__(self, app: ASGIApp, find_pages: Callable[[], Pages]) -> None:
        self._app = app
        self._find_pages = find_pages

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        choose_pages.set(self._find_pages)
        await self._app(scope, receive, send)


class _Files(StaticFiles):
    """Static files that a browser asks about anew each time, so that an updated program never meets an old script."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        """Return the file, to be kept but asked about."""
        response = await super().get_response(path, scope)
        response.headers["Cache-Control"] = "no-cache"
        return response


def _answer_error(request: Request, error: Exception) -> Response:
    """Answer with an error's sentence. One that rests on another is the machine's (a full disk), and may pass by itself."""
    status = 503 if error.__cause__ is not None else 404 if request.method == "GET" else 422
    return _say(request, str(error), status=status)


def _answer_refusal(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    detail = str(getattr(error, "detail", error))
    sentence = (
        "There is no such page; choose one above" if status == 404 and detail == "Not Found" else detail
    )
    return _say(request, sentence, status=status)


def _answer_mistake(request: Request, error: Exception) -> Response:
    return _say(request, f"{BROKEN} ({type(error).__name__})", status=500)


def _say(request: Request, sentence: str, *, status: int) -> Response:
    sentence = sentence[:1].upper() + sentence[1:].rstrip(".") + "."
    if request.url.path.startswith(
        ("/api/", "/static/", "/pictures/", "/loops/")
    ) or request.url.path.endswith("/loop"):
        return JSONResponse({"sentence": sentence}, status_code=status)
    return render(
        "error.html", {"page": "", "heading": "Not shown", "sense": "", "sentence": sentence}, status=status
    )

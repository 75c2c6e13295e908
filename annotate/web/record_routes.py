"""The pages of records: observations, trees, visits. They only show.

What writes stands elsewhere: the review, the form for the field (`annotate.web.eye_routes`), the page of one visit
(`annotate.web.visit_routes`).
"""

from collections.abc import Sequence

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from annotate.field.site_plan import draw_plan
from annotate.logbook.clips import list_clips
from annotate.logbook.effort import list_effort
from annotate.logbook.observations import list_observations
from annotate.logbook.opening import Logbook
from annotate.logbook.places import find_tree, list_sites, list_trees
from annotate.logbook.records import Observation, Site, Tree
from annotate.logbook.review import count_candidates, find_candidate
from annotate.logbook.visits import list_visits
from annotate.numbers import say_count
from annotate.web.cards import build_card
from annotate.web.choices import list_tree_words, read_number, write_tree
from annotate.web.desk import find_desk
from annotate.web.missed import tell_missed
from annotate.web.record_rows import Row, describe_observation, describe_tree, describe_visit
from annotate.web.rendering import render
from annotate.web.wording import say_date

PAGE_SIZE = 200
"""Rows of one page of observations; a season of a team has a few hundred."""


async def show_observations(request: Request) -> Response:
    """Show the observations, newest first, of one tree where named."""
    return await run_in_threadpool(_show_observations, request)


async def show_pictures(request: Request) -> Response:
    """Hand out the pictures of one candidate as a piece of a page, for a row that is opened."""
    return await run_in_threadpool(_show_pictures, request)


async def show_trees(request: Request) -> Response:
    """Show the trees: a plan of each site, and a table."""
    return await run_in_threadpool(_show_trees, request)


async def show_tree(request: Request) -> Response:
    """Show one tree with its observations."""
    return await run_in_threadpool(_show_tree, request)


async def show_visits(request: Request) -> Response:
    """Show the visits, newest first."""
    return await run_in_threadpool(_show_visits, request)


def _show_observations(request: Request) -> Response:
    logbook = find_desk(request).logbook
    word = request.query_params.get("tree", "").strip()
    tree = find_tree(logbook, word) if word else None
    found = _list_newest(logbook, tree)
    start = read_number(request.query_params.get("from", "0"), what="from")
    rows = [describe_observation(one) for one in found[start : start + PAGE_SIZE]]
    older = start + PAGE_SIZE
    values = {
        "page": "Observations",
        "heading": "Observations",
        "sense": _tell_observations(found, tree),
        "rows": rows,
        "tree": word,
        "tree_words": list_tree_words(logbook),
        "older": older if older < len(found) else None,
        "start": start,
    }
    return render("observations.html", values)


def _show_pictures(request: Request) -> Response:
    logbook = find_desk(request).logbook
    candidate = find_candidate(logbook, read_number(request.path_params["candidate"], what="candidate"))
    return render("pictures.html", {"card": build_card(logbook, candidate)})


def _show_trees(request: Request) -> Response:
    logbook = find_desk(request).logbook
    trees = list_trees(logbook)
    rows = _describe_trees(logbook, trees)
    sites = [_describe_site(site, trees, rows) for site in list_sites(logbook)]
    values = {
        "page": "Trees",
        "heading": "Trees",
        "sense": _tell_trees(rows),
        "sites": [site for site in sites if site["rows"]],
    }
    return render("trees.html", values)


def _show_tree(request: Request) -> Response:
    logbook = find_desk(request).logbook
    tree = find_tree(logbook, f"{request.path_params['site']}/{request.path_params['code']}")
    row = _describe_trees(logbook, (tree,))[0]
    found = _list_newest(logbook, tree)
    values = {
        "page": "Trees",
        "heading": f"Tree {tree.code}",
        "sense": _tell_observations(found, tree),
        "tree": row,
        "tree_word": write_tree(tree, list_trees(logbook)),
        "rows": [describe_observation(one) for one in found[:PAGE_SIZE]],
        "missed": tell_missed(logbook, tree=tree),
    }
    return render("tree.html", values)


def _show_visits(request: Request) -> Response:
    logbook = find_desk(request).logbook
    summaries = sorted(list_visits(logbook), key=lambda one: (one.visit.date, one.visit.site), reverse=True)
    clips = list_clips(logbook)
    observations = list_observations(logbook)
    effort = list_effort(logbook)
    rows = [
        describe_visit(
            summary,
            clips=[clip for clip in clips if clip.visit_id == summary.visit.id],
            observations=[one for one in observations if one.visit_id == summary.visit.id],
            effort=effort.get(summary.visit.id, ()),
        )
        for summary in summaries
    ]
    return render(
        "visits.html", {"page": "Visits", "heading": "Visits", "sense": _tell_visits(rows), "rows": rows}
    )


def _list_newest(logbook: Logbook, tree: Tree | None) -> list[Observation]:
    site, code = (tree.site, tree.code) if tree else ("", "")
    return list(reversed(list_observations(logbook, site=site, tree=code)))


def _describe_trees(logbook: Logbook, trees: Sequence[Tree]) -> list[Row]:
    counts = {count.tree_id: count for count in count_candidates(logbook)}
    observations = list_observations(logbook)
    visits = {one.visit.id: one.visit for one in list_visits(logbook)}
    # Looked over by eye is looked over, too.
    seen_on = [
        (one.tree_id, visits[visit_id])
        for visit_id, trees_there in list_effort(logbook).items()
        for one in trees_there
        if not one.is_empty
    ]
    return [
        describe_tree(
            tree,
            count=counts.get(tree.id),
            observations=[one for one in observations if (one.site, one.tree) == (tree.site, tree.code)],
            visits=[visit for tree_id, visit in seen_on if tree_id == tree.id],
        )
        for tree in trees
    ]


def _describe_site(site: Site, trees: Sequence[Tree], rows: Sequence[Row]) -> Row:
    return {
        "name": f"{site.name} ({site.code})" if site.name else site.code,
        "plan": draw_plan([tree for tree in trees if tree.site == site.code]),
        "rows": [row for row in rows if row["site"] == site.code],
    }


def _tell_observations(found: Sequence[Observation], tree: Tree | None) -> str:
    where = f"Tree {tree.code}: " if tree else ""
    if not found:
        return f"{where}no observations yet."
    larvae = sum(one.count for one in found)
    none = sum(1 for one in found if not one.count)
    last = say_date(found[0].at, found[0].zone)
    searches = f", {say_count(none, 'search', 'searches')} that found none" if none else ""
    text = f"{where}{say_count(len(found) - none, 'observation')} of {say_count(larvae, 'animal')}{searches}, the last on {last}."
    silent = sum(1 for one in found if one.count and not one.stage)
    return f"{text} {silent:,} still without a stage." if silent else text


def _tell_trees(rows: Sequence[Row]) -> str:
    if not rows:
        return "No trees yet."
    left = sum(row["open"] for row in rows)
    unseen = sum(not row["is_searched"] for row in rows)
    text = f"{say_count(len(rows), 'tree')}, {say_count(left, 'candidate')} left to judge."
    return f"{text} {unseen:,} not searched yet." if unseen else text


def _tell_visits(rows: Sequence[Row]) -> str:
    if not rows:
        return "No visits yet."
    return f"{say_count(len(rows), 'visit')}, the last on {rows[0]['date']}."

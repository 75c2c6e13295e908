"""The register's pages: sites and trees added and changed, with their history, and the plan of a site on one day or all.

A form sends only what was changed, so that two people who change different things of a tree do not undo each other. What is wrong
with a field is answered beside it and nothing is saved. Reading what was filled in stands in `annotate.field.trees`.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from annotate.errors import AnnotateError
from annotate.field.site_plan import draw_plan
from annotate.field.trees import READ_COLUMNS, Problem, read_code, read_form, sort_by_walk, tell_strays
from annotate.logbook.changes import list_record_changes
from annotate.logbook.observations import list_observations
from annotate.logbook.opening import Logbook
from annotate.logbook.places import (
    add_site,
    add_tree,
    change_site,
    change_tree,
    find_tree,
    list_sites,
    list_trees,
)
from annotate.logbook.records import Observation, RecordChange, Site, Tree
from annotate.logbook.visits import VisitSummary, list_visits
from annotate.numbers import say_count
from annotate.web.desk import Desk, find_desk
from annotate.web.rendering import render
from annotate.web.sent import Sent, read_reviewer, read_text, take
from annotate.web.wording import say_clock_with_zone, say_date, write_out
from annotate.zones import find_local_date

Row = dict[str, Any]

TREE_FIELDS = (
    ("code", "Code", "as on its card", "text"),
    ("host_taxon", "Host", "what plant it is", "text"),
    ("walk_order", "Place in the walk", "1 is walked to first", "numeric"),
    ("height_m", "Height in m", "", "decimal"),
    ("expected_taxon", "Animal looked for here", "where it is not the logbook's", "text"),
)
PLACE_FIELDS = (
    ("latitude_deg", "Latitude in degrees", "WGS 84, such as 51.0843", "decimal"),
    ("longitude_deg", "Longitude in degrees", "west is negative", "decimal"),
    ("accuracy_m", "Right within, in m", "", "decimal"),
)
OTHER_PLACE_FIELDS = (
    ("grid_ref", "British grid reference", "such as TQ336805", "text"),
    ("easting", "Easting in m", "", "decimal"),
    ("northing", "Northing in m", "", "decimal"),
    ("epsg", "EPSG code", "of easting and northing, such as 27700", "numeric"),
)
LONG_FIELDS = (
    ("cautions", "Cautions", "what a visitor must know: dead wood, fences, a bull"),
    ("notes", "Notes", ""),
)
SITE_FIELDS = (
    ("name", "Name", "", "text"),
    ("zone", "Local time zone", "such as Europe/London", "text"),
)
FIELD_WORDS = {
    name: label for name, label, *_ in (*TREE_FIELDS, *PLACE_FIELDS, *LONG_FIELDS, *SITE_FIELDS)
} | {"marker": "Marker"}

LONGEST_NAME = 200


async def show_register(request: Request) -> Response:
    """Show all sites, and the form for a new one."""
    return await run_in_threadpool(_show_register, request)


async def show_site(request: Request) -> Response:
    """Show one site: its plan, its trees in walking order, its form."""
    return await run_in_threadpool(_show_site, request)


async def show_tree_form(request: Request) -> Response:
    """Show the form of one tree with its history, or an empty one for a new tree."""
    return await run_in_threadpool(_show_tree_form, request)


async def take_tree(request: Request) -> Response:
    """Add or change a tree."""
    return await take(request, _save_tree)


async def take_site(request: Request) -> Response:
    """Add or change a site."""
    return await take(request, _save_site)


def _show_register(request: Request) -> Response:
    logbook = find_desk(request).logbook
    trees = list_trees(logbook)
    sites = [
        {**_describe_site(site), "trees": say_count(sum(tree.site == site.code for tree in trees), "tree")}
        for site in list_sites(logbook)
    ]
    values = {
        **_list_common(request, "Sites and trees"),
        "sense": f"{say_count(len(sites), 'site')}, {say_count(len(trees), 'tree')}. Choose a site to change it or its trees.",
        "sites": sites,
        "fields": SITE_FIELDS,
        "values": {"zone": logbook.settings.place.zone},
    }
    return render("register.html", values)


def _show_site(request: Request) -> Response:
    logbook = find_desk(request).logbook
    site = _find_site(logbook, request.path_params["site"])
    trees = sort_by_walk(list_trees(logbook, site=site.code))
    observations = [one for one in list_observations(logbook, site=site.code) if one.count]
    visits = list_visits(logbook, site=site.code)
    day = _read_day(request.query_params.get("on", ""), visits)
    rows = [
        _describe_tree(tree, site=site, observations=observations, visits=visits, day=day) for tree in trees
    ]
    days = sorted({visit.visit.date for visit in visits}, reverse=True)
    values = {
        **_list_common(request, site.name or site.code),
        "sense": _tell_site(trees),
        "site": _describe_site(site),
        "plan": draw_plan(trees),
        "rows": rows,
        "day": day.isoformat() if day else "",
        "days": [(one.isoformat(), write_out(one)) for one in days],
        "fields": SITE_FIELDS,
        "values": {name: getattr(site, name) for name, *_ in SITE_FIELDS},
        "history": _describe_history(list_record_changes(logbook, "site", site.id), zone=site.zone),
    }
    return render("register_site.html", values)


def _show_tree_form(request: Request) -> Response:
    logbook = find_desk(request).logbook
    site = _find_site(logbook, request.path_params["site"])
    code = request.path_params.get("code", "")
    tree = find_tree(logbook, f"{site.code}/{code}") if code else None
    changes = list_record_changes(logbook, "tree", tree.id) if tree else ()
    values = {
        **_list_common(request, f"Tree {tree.code}" if tree else "A new tree"),
        "sense": _tell_tree(tree, site),
        "site": _describe_site(site),
        "tree": tree,
        "marker": tree.marker if tree else None,
        "fields": TREE_FIELDS,
        "place_fields": PLACE_FIELDS,
        "other_place_fields": OTHER_PLACE_FIELDS,
        "long_fields": LONG_FIELDS,
        "values": _list_values(tree),
        "history": _describe_history(changes, zone=site.zone),
    }
    return render("register_tree.html", values)


def _save_tree(desk: Desk, sent: Sent) -> dict[str, Any]:
    """Save what was changed of a tree, or answer what is wrong with it."""
    site = _find_site(desk.logbook, read_text(sent, "site"))
    was = read_text(sent, "was")
    tree = find_tree(desk.logbook, f"{site.code}/{was}") if was else None
    cells = {name: read_text(sent, name).strip() for name in READ_COLUMNS if name in sent}
    if tree is not None:
        # Half a position is no position: the other half is that which stands.
        for name, other in (("latitude_deg", "longitude_deg"), ("longitude_deg", "latitude_deg")):
            if name in cells and other not in cells:
                cells[other] = _write(getattr(tree, other))
        cells.setdefault("code", tree.code)
    cells["site"] = site.code
    entry, problems, notes = read_form(cells)
    if problems:
        return _refuse(problems)
    try:
        if tree is None:
            saved = add_tree(desk.logbook, entry)
        else:
            saved = change_tree(desk.logbook, tree.id, entry=entry, who=read_reviewer(desk, sent))
    except AnnotateError as error:
        # A full disk is another matter than a code that is taken.
        if error.__cause__ is not None:
            raise
        return _refuse([Problem("code", str(error))])
    strays = tell_strays(list_trees(desk.logbook, site=site.code), among=[(saved.site, saved.code)])
    return {"saved": True, "address": address_tree(saved), "notes": [*notes, *strays]}


def _save_site(desk: Desk, sent: Sent) -> dict[str, Any]:
    """Save what was changed of a site, or add one."""
    was = read_text(sent, "was")
    values = {name: read_text(sent, name).strip() for name, *_ in SITE_FIELDS if name in sent}
    problems = [
        Problem(name, f"expected at most {LONGEST_NAME} letters on one line; found {len(value)}; shorten it")
        for name, value in values.items()
        if len(value) > LONGEST_NAME or not value.isprintable()
    ]
    if problems:
        return _refuse(problems)
    if was:
        try:
            saved = change_site(desk.logbook, was, values=values, who=read_reviewer(desk, sent))
        except AnnotateError as error:
            if error.__cause__ is not None:
                raise
            return _refuse([Problem("zone", str(error))])
        return {"saved": True, "address": address_site(saved.code), "notes": []}
    try:
        code = read_code("site", read_text(sent, "code").strip())
    except AnnotateError as error:
        return _refuse([Problem("code", str(error))])
    try:
        saved = add_site(desk.logbook, code, name=values.get("name", ""), zone=values.get("zone", ""))
    except AnnotateError as error:
        if error.__cause__ is not None:
            raise
        return _refuse([Problem("zone" if "zone" in str(error)[:8] else "code", str(error))])
    return {"saved": True, "address": address_site(saved.code), "notes": []}


def address_site(code: str) -> str:
    """Return the address of a site's page."""
    return f"/register/{quote(code, safe='')}"


def address_tree(tree: Tree) -> str:
    """Return the address of a tree's form."""
    return f"{address_site(tree.site)}/trees/{quote(tree.code, safe='')}"


def _refuse(problems: Sequence[Problem]) -> dict[str, Any]:
    return {
        "saved": False,
        "problems": [{"field": one.column, "sentence": one.sentence} for one in problems],
    }


def _find_site(logbook: Logbook, code: str) -> Site:
    sites = list_sites(logbook)
    found = next((site for site in sites if site.code.casefold() == code.casefold()), None)
    if found is None:
        known = ", ".join(site.code for site in sites[:8]) or "none yet"
        raise AnnotateError(
            f"site {code[:40]!r}: expected the code of a site; found none of that code (there are: {known}); choose one of them"
        )
    return found


def _read_day(typed: str, visits: Sequence[VisitSummary]) -> date | None:
    """Return the day that is asked for; None for all days."""
    if not typed:
        return None
    found = next((one.visit.date for one in visits if one.visit.date.isoformat() == typed), None)
    if found is None:
        raise AnnotateError(
            f"on: expected the day of a visit to this site; found {typed[:40]!r}; choose one from the list"
        )
    return found


def _describe_tree(
    tree: Tree,
    *,
    site: Site,
    observations: Sequence[Observation],
    visits: Sequence[VisitSummary],
    day: date | None,
) -> Row:
    """Return a tree as a row of the table and a spot of the plan: what was found when, on one day or all."""
    found: dict[date, int] = {}
    for one in observations:
        if one.tree == tree.code:
            on = find_local_date(one.at, site.zone)
            found[on] = found.get(on, 0) + one.count
    days = {visit.visit.date for visit in visits if tree.code in visit.trees}
    seen = {on: count for on, count in found.items() if day in (None, on)}
    return {
        "code": tree.code,
        "address": address_tree(tree),
        "confirmed": sum(seen.values()),
        "is_searched": bool(seen) or (day in days if day else bool(days)),
        "step": tree.walk_order,
        "marker": tree.marker,
        "host": tree.host_taxon,
        "position": _say_position(tree),
        "cautions": tree.cautions,
        "found": [f"{write_out(on)}: {seen[on]}" for on in sorted(seen)],
    }


def _describe_site(site: Site) -> Row:
    return {
        "code": site.code,
        "name": site.name,
        "title": f"{site.name} ({site.code})" if site.name and site.name != site.code else site.code,
        "address": address_site(site.code),
    }


def _describe_history(changes: Sequence[RecordChange], *, zone: str) -> list[Row]:
    return [
        {
            "when": f"{say_date(change.at, zone)}, {say_clock_with_zone(change.at, zone)}",
            "who": change.who,
            "what": FIELD_WORDS.get(change.field, "Code" if change.field == "code" else change.field),
            "old": change.old or "",
            "new": change.new or "",
        }
        for change in reversed(changes)
    ]


def _list_common(request: Request, heading: str) -> Row:
    desk = find_desk(request)
    return {"page": "Trees", "heading": heading, "mark": desk.mark, "reviewer": desk.reviewer}


def _list_values(tree: Tree | None) -> Mapping[str, str]:
    return {} if tree is None else {name: _write(getattr(tree, name, "")) for name in READ_COLUMNS}


def _write(value: Any) -> str:
    return "" if value is None else f"{value:.9g}" if isinstance(value, float) else str(value)


def _say_position(tree: Tree) -> str:
    if tree.latitude_deg is None or tree.longitude_deg is None:
        return ""
    within = f", within {tree.accuracy_m:g} m" if tree.accuracy_m is not None else ""
    return f"{tree.latitude_deg:.5f}°, {tree.longitude_deg:.5f}°{within}"


def _tell_site(trees: Sequence[Tree]) -> str:
    if not trees:
        return "No trees yet. Add the first one below."
    without = sum(tree.latitude_deg is None for tree in trees)
    unwalked = sum(tree.walk_order is None for tree in trees)
    parts = [say_count(len(trees), "tree")]
    parts += [f"{without} without a position"] if without else []
    parts += [f"{unwalked} without a place in the walk"] if unwalked else []
    return ", ".join(parts) + "."


def _tell_tree(tree: Tree | None, site: Site) -> str:
    if tree is None:
        return f"A new tree of {site.name or site.code}. Only its code is needed."
    return f"Tree {tree.code} of {site.name or site.code}. What is changed here stays in the history below."

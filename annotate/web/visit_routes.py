"""The page of one visit: its times, people and weather, what was done at each tree, and what was changed of it later."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from annotate.errors import AnnotateError
from annotate.field.leaf_stages import PICKER, say_leaf_stage, write_leaf_stage
from annotate.field.visits import read_date, read_tree_note, read_visit_values
from annotate.field.weather import BEAUFORT, CLOUD, say_weather
from annotate.logbook.changes import list_record_changes
from annotate.logbook.effort import TreeEffort, list_effort
from annotate.logbook.places import find_tree, list_sites
from annotate.logbook.records import Visit
from annotate.logbook.visits import TREE_NOTES, VISIT_VALUES, find_site, find_visit, write_visit
from annotate.numbers import say_count
from annotate.web.choices import read_number
from annotate.web.desk import Desk, find_desk
from annotate.web.missed import tell_missed
from annotate.web.record_rows import Row, describe_change, say_length
from annotate.web.rendering import render
from annotate.web.sent import Sent, read_reviewer, read_text, take
from annotate.web.wording import write_out
from annotate.zones import find_local_date, to_local


async def show_new_visit(request: Request) -> Response:
    """Show the form for a visit that has not been written yet."""
    return await run_in_threadpool(_show_new, request)


async def show_visit(request: Request) -> Response:
    """Show one visit."""
    return await run_in_threadpool(_show_visit, request)


async def take_visit(request: Request) -> Response:
    """Write a visit: a new one, or changes of the one that the site has on that date."""
    return await take(request, _write)


ROUTES = (
    Route("/visits/new", show_new_visit),
    Route("/visits/{visit}", show_visit),
    Route("/api/visits", take_visit, methods=["POST"]),
)


def _show_new(request: Request) -> Response:
    desk = find_desk(request)
    sites = list_sites(desk.logbook)
    now = datetime.now(UTC)
    values = {
        "page": "Visits",
        "heading": "A new visit",
        "sense": "A visit to a site on a date that has one already completes that one.",
        "visit": None,
        "missed": "",
        "said": dict.fromkeys(VISIT_VALUES, ""),
        "weather": "",
        "sites": [site.code for site in sites],
        "today": find_local_date(now, sites[0].zone).isoformat() if sites else "",
        "trees": [],
        "history": [],
        "state": {"logbook": desk.mark, "visit": 0},
        "reviewer": desk.reviewer,
        **_list_choices(),
    }
    return render("visit.html", values)


def _show_visit(request: Request) -> Response:
    desk = find_desk(request)
    visit = find_visit(desk.logbook, read_number(request.path_params["visit"], what="visit"))
    effort = list_effort(desk.logbook).get(visit.id, ())
    values = {
        "page": "Visits",
        "heading": f"{visit.site}, {write_out(visit.date)}",
        "sense": _tell_visit(visit, effort),
        "visit": visit,
        "missed": tell_missed(desk.logbook, visit=visit),
        "said": _write_values(visit),
        "weather": say_weather(
            temperature_c=visit.temperature_c,
            wind_beaufort=visit.wind_beaufort,
            cloud_oktas=visit.cloud_oktas,
            words=visit.weather,
        ),
        "sites": [visit.site],
        "today": visit.date.isoformat(),
        "trees": [_describe_effort(one, site=visit.site) for one in effort],
        "history": [
            describe_change(one, zone=visit.zone)
            for one in list_record_changes(desk.logbook, "visit", visit.id)
        ],
        "state": {"logbook": desk.mark, "visit": visit.id},
        "reviewer": desk.reviewer,
        **_list_choices(),
    }
    return render("visit.html", values)


def _write(desk: Desk, sent: Sent) -> dict[str, Any]:
    site = find_site(desk.logbook, read_text(sent, "site"))
    day = read_date(read_text(sent, "date"))
    typed = {name: read_text(sent, name) for name in VISIT_VALUES if name in sent}
    visit, is_new = write_visit(
        desk.logbook,
        site.code,
        day=day,
        changes=read_visit_values(typed, day=day, zone=site.zone),
        trees=_read_trees(desk, site.code, sent.get("trees", {})),
        who=read_reviewer(desk, sent),
    )
    return {"visit": {"id": visit.id, "address": f"/visits/{visit.id}", "is_new": is_new}}


def _read_trees(desk: Desk, site: str, sent: Any) -> dict[int, dict[str, Any]]:
    """Return what was noted of trees, by tree id."""
    if not isinstance(sent, dict):
        raise AnnotateError(f"trees: expected notes by tree; found {sent!r:.60}; reload the page")
    notes = {}
    for code, said in sent.items():
        if not isinstance(said, dict):
            raise AnnotateError(f"trees: expected notes of {code}; found {said!r:.60}; reload the page")
        tree = find_tree(desk.logbook, f"{site}/{code}")
        notes[tree.id] = {
            name: _read_note(code, name, read_text(said, name)) for name in TREE_NOTES if name in said
        }
    return notes


def _read_note(code: str, name: str, typed: str) -> Any:
    try:
        return read_tree_note(name, typed)
    except AnnotateError as error:
        raise AnnotateError(f"{code}: {error}") from None


def _write_values(visit: Visit) -> Mapping[str, str]:
    """Return a visit's values as its form shows them."""
    times = {
        name: "" if moment is None else f"{to_local(moment, visit.zone):%H:%M}"
        for name, moment in (("started_at", visit.started_at), ("ended_at", visit.ended_at))
    }
    measured = {
        name: "" if getattr(visit, name) is None else f"{getattr(visit, name):g}"
        for name in ("temperature_c", "wind_beaufort", "cloud_oktas")
    }
    words = {name: getattr(visit, name) for name in ("recorders", "weather", "notes")}
    return {**times, **measured, **words}


def _describe_effort(effort: TreeEffort, *, site: str) -> Row:
    said = [f"{effort.found} found"] if effort.found else []
    said += (
        [f"{say_count(effort.none_found, 'search', 'searches')} that found none"] if effort.none_found else []
    )
    return {
        "code": effort.tree,
        "is_told": not effort.is_empty,
        "address": f"/trees/{site}/{effort.tree}",
        "footage": f"{say_length(effort.usable_s)} sharp enough of {say_length(effort.filmed_s)}"
        if effort.filmed_s
        else "",
        "records": ", ".join(said),
        "eye_min": f"{effort.eye_min:g}" if effort.is_noted and effort.eye_min is not None else "",
        "eye_by_records": f"{effort.eye_min:g}" if not effort.is_noted and effort.eye_min is not None else "",
        "leaf_stage_bbch": write_leaf_stage(effort.leaf_stage_bbch),
        "leaf_words": say_leaf_stage(effort.leaf_stage_bbch),
        "note": effort.note,
    }


def _list_choices() -> dict[str, Any]:
    return {
        "winds": [(str(force.number), f"{force.number} {force.name}: {force.on_land}") for force in BEAUFORT],
        "clouds": [(str(oktas), f"{oktas}: {words}") for oktas, words in enumerate(CLOUD)],
        "leaf_stages": [
            (write_leaf_stage(code), f"{write_leaf_stage(code)} {words}") for code, words in PICKER
        ],
    }


def _tell_visit(visit: Visit, effort: Sequence[TreeEffort]) -> str:
    told = [one for one in effort if not one.is_empty]
    usable_s = sum(one.usable_s for one in effort)
    minutes = sum(one.eye_min or 0 for one in effort)
    text = f"{len(told)} of {say_count(len(effort), 'tree')} filmed, searched or noted"
    footage = f"{say_length(usable_s)} of footage sharp enough" if usable_s else ""
    by_eye = f"{minutes:g} min by eye" if minutes else ""
    return f"{', '.join(part for part in (text, footage, by_eye) if part)}."

"""The pages of what is seen by eye: the form for the field, one observation with its history, and what these two send.

The form is filled in under a tree, often with no connection: the browser keeps what was entered and sends it when it can, the
photo after the record. Each entry has a key of its own, by which the logbook takes it once.
"""

from datetime import UTC, datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from annotate.field.field_photos import MOST_BYTES, clean_photo
from annotate.field.seen import check_correction, check_together, read_moment, read_stamp, read_value
from annotate.field.visits import read_date
from annotate.logbook.by_eye import (
    SeenEntry,
    add_seen,
    attach_picture,
    bring_back_seen,
    correct_seen,
    withdraw_seen,
)
from annotate.logbook.observations import list_changes, list_observations, read_observation
from annotate.logbook.opening import Logbook
from annotate.logbook.pictures import keep_picture
from annotate.logbook.places import find_tree, list_sites, list_trees
from annotate.logbook.records import Observation, Tree
from annotate.logbook.visits import find_site
from annotate.numbers import say_count
from annotate.web.choices import read_number, write_tree
from annotate.web.desk import Desk, find_desk
from annotate.web.record_rows import Row, describe_change, describe_observation
from annotate.web.rendering import render
from annotate.web.sent import Sent, read_id, read_reviewer, read_text, take
from annotate.words import BEHAVIOURS, CONDITIONS, STAGES
from annotate.zones import find_local_date, to_local

RECENT = 12
"""Records shown under the form: those of a walk."""

ENTRY_TEXTS = (
    "stage",
    "condition",
    "behaviour",
    "note",
    "count",
    "height_m",
    "aspect",
    "branch",
    "marker",
    "searched_min",
)

COMPASS = ("NW", "N", "NE", "W", "", "E", "SW", "S", "SE")
"""In reading order of a compass seen from above; its middle says nothing."""

USUAL_MINUTES = (2, 5, 10, 15, 20, 30)

CHOICES = {
    "stages": STAGES,
    "conditions": CONDITIONS,
    "behaviours": BEHAVIOURS,
    "compass": COMPASS,
    "usual_minutes": USUAL_MINUTES,
}

ENTRY_KEY_PREFIX = "page-"


async def show_form(request: Request) -> Response:
    """Show the form for the field."""
    return await run_in_threadpool(_show_form, request)


async def show_observation(request: Request) -> Response:
    """Show one observation: what it says, its picture, its history, and the form to correct it."""
    return await run_in_threadpool(_show_observation, request)


async def take_seen(request: Request) -> Response:
    """Write what was seen by eye, once for its key."""
    return await take(
        request, _write, tell=lambda desk, *_: _tell_form(desk.logbook, _list_walk(desk.logbook))
    )


async def take_correction(request: Request) -> Response:
    """Correct an observation."""
    return await take(request, _correct)


async def take_standing(request: Request) -> Response:
    """Withdraw an observation by eye, or bring it back."""
    return await take(request, _stand)


async def take_photo(request: Request) -> Response:
    """Keep the photo of an entry; it comes alone, as bare bytes, after its record."""
    desk = find_desk(request)
    query = request.query_params
    if query.get("logbook", "") not in ("", desk.mark):
        raise HTTPException(409, "this page belongs to another logbook than the one now open here")
    data = bytearray()
    async for chunk in request.stream():
        data += chunk
        if len(data) > MOST_BYTES:
            raise HTTPException(
                413, f"expected a photo of at most {MOST_BYTES // 1_000_000} MB; choose a smaller one"
            )
    who = " ".join(query.get("who", "").split()) or desk.reviewer
    kept = await run_in_threadpool(
        _keep_photo,
        desk,
        bytes(data),
        entry=query.get("entry", ""),
        number=query.get("observation", ""),
        who=who,
    )
    return JSONResponse(kept)


ROUTES = (
    Route("/by-eye", show_form),
    Route("/observations/{observation}", show_observation),
    Route("/api/seen", take_seen, methods=["POST"]),
    Route("/api/seen/correct", take_correction, methods=["POST"]),
    Route("/api/seen/stand", take_standing, methods=["POST"]),
    Route("/api/seen/photos", take_photo, methods=["POST"]),
)


def _show_form(request: Request) -> Response:
    desk = find_desk(request)
    trees = _list_walk(desk.logbook)
    recent = [one for one in reversed(list_observations(desk.logbook)) if one.source != "footage"][:RECENT]
    values = {
        "page": "By eye",
        "heading": "Seen by eye",
        "sense": _tell_form(desk.logbook, trees),
        "trees": trees,
        "recent": [_describe_short(one) for one in recent],
        "reviewer": desk.reviewer,
        "chosen": request.query_params.get("tree", "").strip(),
        "said": dict.fromkeys(ENTRY_TEXTS, ""),
        "state": {"logbook": desk.mark, "reviewer": desk.reviewer},
        **CHOICES,
    }
    return render("eye.html", values)


def _show_observation(request: Request) -> Response:
    desk = find_desk(request)
    number = read_number(request.path_params["observation"], what="observation")
    seen = read_observation(desk.logbook, number)
    local = to_local(seen.at, seen.zone)
    said = {name: _write_value(getattr(seen, name)) for name in ENTRY_TEXTS}
    values = {
        "page": "Observations",
        "heading": f"Observation {seen.id}",
        "sense": _tell_observation(seen),
        "row": describe_observation(seen),
        "seen": seen,
        "said": {**said, "observer": seen.observer, "taxon": seen.taxon},
        "trees": _list_walk(desk.logbook),
        "chosen": _find_word(desk.logbook, seen),
        "when": {"date": f"{local:%Y-%m-%d}", "time": f"{local:%H:%M}"},
        "history": [describe_change(one, zone=seen.zone) for one in list_changes(desk.logbook, seen.id)],
        "reviewer": desk.reviewer,
        "state": {"logbook": desk.mark, "reviewer": desk.reviewer, "observation": seen.id},
        **CHOICES,
    }
    return render("observation.html", values)


def _write_entry(desk: Desk, sent: Sent, *, now: datetime) -> SeenEntry:
    """Return the entry of what the form sent."""
    tree = find_tree(desk.logbook, read_text(sent, "tree"))
    values = {name: read_value(name, read_text(sent, name)) for name in ENTRY_TEXTS}
    values["count"] = 1 if values["count"] is None else values["count"]
    check_together(values)
    key = read_text(sent, "entry") or read_text(sent, "key")
    return SeenEntry(
        tree_id=tree.id,
        at=_read_when(desk.logbook, tree.site, sent, now=now),
        observer=read_value("observer", read_reviewer(desk, sent)),
        entry_key=f"{ENTRY_KEY_PREFIX}{key[:80]}" if key else "",
        **values,
    )


def _write(desk: Desk, sent: Sent) -> dict[str, Any]:
    (done,) = add_seen(desk.logbook, [_write_entry(desk, sent, now=datetime.now(UTC))])
    return {"seen": _describe_short(read_observation(desk.logbook, done.observation_id))}


def _correct(desk: Desk, sent: Sent) -> dict[str, Any]:
    seen = read_observation(desk.logbook, read_id(sent, "observation"))
    now = datetime.now(UTC)
    # Only what the form changed is sent, so that two people who correct different things do not undo each other.
    changes = {
        name: read_value(name, read_text(sent, name))
        for name in (*ENTRY_TEXTS, "observer", "taxon")
        if name in sent
    }
    site = seen.site
    if "tree" in sent:
        tree = find_tree(desk.logbook, read_text(sent, "tree"))
        site, changes["tree_id"] = tree.site, tree.id
    if "date" in sent or "time" in sent:
        changes["at"] = _read_when(desk.logbook, site, sent, now=now)
    check_correction(seen, changes)
    corrected = correct_seen(desk.logbook, seen.id, changes=changes, who=read_reviewer(desk, sent), at=now)
    return {"seen": _describe_short(corrected)}


def _stand(desk: Desk, sent: Sent) -> dict[str, Any]:
    act = bring_back_seen if read_text(sent, "stands") == "yes" else withdraw_seen
    who = read_reviewer(desk, sent)
    seen = act(desk.logbook, read_id(sent, "observation"), who=who, at=datetime.now(UTC))
    return {"seen": _describe_short(seen)}


def _keep_photo(desk: Desk, data: bytes, *, entry: str, number: str, who: str) -> dict[str, Any]:
    now = datetime.now(UTC)
    if number:
        seen = read_observation(desk.logbook, read_number(number, what="observation"))
        picture = keep_picture(desk.logbook, clean_photo(data))
        seen = correct_seen(desk.logbook, seen.id, changes={"evidence": picture}, who=who, at=now)
        return {"seen": _describe_short(seen)}
    picture = keep_picture(desk.logbook, clean_photo(data))
    attached = attach_picture(
        desk.logbook, picture, entry_key=f"{ENTRY_KEY_PREFIX}{entry[:80]}", who=who, at=now
    )
    if attached is None:
        raise HTTPException(409, "the record of this photo has not arrived yet; it is sent again after it")
    return {"seen": _describe_short(attached)}


def _read_when(logbook: Logbook, site: str, sent: Sent, *, now: datetime) -> datetime:
    """Return the moment: a stamp where the form said "now", else date and time of the site's clock."""
    zone = find_site(logbook, site).zone
    stamp = read_text(sent, "at")
    if stamp:
        return read_stamp(stamp, zone=zone, now=now)
    day = read_text(sent, "date")
    return read_moment(
        read_text(sent, "time"), day=read_date(day) if day else find_local_date(now, zone), zone=zone, now=now
    )


def _list_walk(logbook: Logbook) -> list[Row]:
    """Return the trees in walking order: word in an address, code, site, cautions."""
    trees = list_trees(logbook)

    def place(tree: Tree) -> tuple[str, bool, int, str]:
        return tree.site, tree.walk_order is None, tree.walk_order or 0, tree.code

    return [
        {
            "word": write_tree(tree, trees),
            "code": tree.code,
            "site": tree.site,
            "host": tree.host_taxon,
            "caution": tree.cautions,
        }
        for tree in sorted(trees, key=place)
    ]


def _find_word(logbook: Logbook, seen: Observation) -> str:
    trees = list_trees(logbook)
    return next(
        (write_tree(tree, trees) for tree in trees if (tree.site, tree.code) == (seen.site, seen.tree)), ""
    )


def _describe_short(seen: Observation) -> dict[str, Any]:
    """Return a record as it stands under the form."""
    row = describe_observation(seen)
    return {
        "id": seen.id,
        "entry": seen.entry_key.removeprefix(ENTRY_KEY_PREFIX),
        "address": f"/observations/{seen.id}",
        "when": f"{row['date']}, {row['clock']}",
        "tree": seen.tree,
        "what": row["words"],
        "picture": row["picture"],
        "is_withdrawn": seen.withdrawn_at is not None,
    }


def _tell_form(logbook: Logbook, trees: list[Row]) -> str:
    if not trees:
        return "No trees yet."
    now = datetime.now(UTC)
    zones = {site.code: site.zone for site in list_sites(logbook)}
    today = [
        one
        for one in list_observations(logbook)
        if one.source != "footage"
        and find_local_date(one.at, one.zone) == find_local_date(now, zones.get(one.site, one.zone))
    ]
    if not today:
        return f"{say_count(len(trees), 'tree')}, none recorded by eye today. Choose the tree first."
    visited = len({(one.site, one.tree) for one in today})
    return f"Today by eye: {say_count(len(today), 'record')} on {visited} of {say_count(len(trees), 'tree')}."


def _tell_observation(seen: Observation) -> str:
    row = describe_observation(seen)
    standing = " It is withdrawn and counts for nothing." if seen.withdrawn_at else ""
    where = f" on {seen.tree}" if seen.tree else ""
    return f"{row['source'].capitalize()}{where}, {row['date']}.{standing}"


def _write_value(value: object) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)

"""The page of one clip: its pictures along a strip, the stretches drawn beneath, and what was changed of it; and all clips.

Stretches are sent all together, with those that the page showed before; what they mean stands in
`annotate.logbook.drawn_stretches`.
"""

import math
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from annotate.errors import AnnotateError
from annotate.field.clock_offsets import say_offset
from annotate.field.walked import tell_change_of_clocks
from annotate.logbook.changes import list_record_changes
from annotate.logbook.clips import find_clip, list_clips
from annotate.logbook.clocks import read_offsets
from annotate.logbook.drawn_stretches import DrawnStretch, draw_stretches, mark_source, read_drawn
from annotate.logbook.places import find_tree, list_trees
from annotate.logbook.tracks import list_asked
from annotate.numbers import say_count
from annotate.web.choices import read_number
from annotate.web.desk import Desk, find_desk
from annotate.web.record_rows import describe_change, say_length
from annotate.web.rendering import render
from annotate.web.sent import Sent, read_id, read_reviewer, take
from annotate.web.strips import PICTURES, ask_for_strip, find_picture, list_times
from annotate.web.wording import say_clock_with_zone, say_date, say_source

MOST_STRETCHES = 200
LONGEST_DOUBT = 500


async def show_clips(request: Request) -> Response:
    """Show all clips, those with stretches in doubt first told."""
    return await run_in_threadpool(_show_clips, request)


async def show_clip(request: Request) -> Response:
    """Show one clip."""
    return await run_in_threadpool(_show_clip, request)


async def tell_strip(request: Request) -> Response:
    """Say how far the strip of a clip is, and see to it that it is made."""
    return await run_in_threadpool(_tell_strip, request)


async def send_strip_picture(request: Request) -> Response:
    """Send one picture of a strip."""
    return await run_in_threadpool(_send_picture, request)


async def take_stretches(request: Request) -> Response:
    """Let the stretches of a clip be those drawn."""
    return await take(request, _draw)


ROUTES = (
    Route("/clips", show_clips),
    Route("/clips/{clip}", show_clip),
    Route("/api/clips/{clip}/strip", tell_strip),
    Route("/clips/{clip}/strip/{place}.jpg", send_strip_picture),
    Route("/api/stretches", take_stretches, methods=["POST"]),
)


def _show_clips(request: Request) -> Response:
    logbook = find_desk(request).logbook
    asked = list_asked(logbook)
    clips = [
        {
            "address": f"/clips/{clip.id}",
            "name": clip.name,
            "date": say_date(clip.recorded_at, clip.zone),
            "clock": say_clock_with_zone(clip.recorded_at, clip.zone),
            "length": say_length(clip.duration_s),
            "trees": ", ".join(dict.fromkeys(one.tree for one in read_drawn(logbook, clip.id))),
            "doubts": [one.doubt for one in asked if one.clip_id == clip.id],
        }
        for clip in list_clips(logbook)
    ]
    doubtful = sum(bool(clip["doubts"]) for clip in clips)
    sense = f"{say_count(len(clips), 'clip')}. " + (
        f"Of {doubtful}, the tree is in doubt: open them and say which it is."
        if doubtful
        else "No tree is in doubt."
    )
    return render("clips.html", {"page": "Visits", "heading": "Clips", "sense": sense, "clips": clips})


def _show_clip(request: Request) -> Response:
    desk = find_desk(request)
    clip = find_clip(desk.logbook, read_number(request.path_params["clip"], what="clip"))
    stretches = read_drawn(desk.logbook, clip.id)
    doubts = sum(bool(one.doubt) for one in stretches)
    offset_s = read_offsets(desk.logbook)[clip.id]
    state = {
        "logbook": desk.mark,
        "reviewer": desk.reviewer,
        "clip": clip.id,
        "duration_s": clip.duration_s,
        "pictures": PICTURES,
        "times_s": list_times(clip),
        "trees": [f"{tree.site}/{tree.code}" for tree in list_trees(desk.logbook)],
        "stretches": [_describe(one) for one in stretches],
    }
    values = {
        "page": "Visits",
        "heading": clip.name,
        "sense": f"{say_count(len(stretches), 'part')} tied to a tree"
        + (f", {doubts} in doubt: say which tree it is." if doubts else "."),
        "when": f"{say_date(clip.recorded_at, clip.zone)}, {say_clock_with_zone(clip.recorded_at, clip.zone)}",
        "length": say_length(clip.duration_s),
        "source": say_source(clip.recorded_from),
        "clock": f"The camera's clock is corrected by {say_offset(offset_s)}." if offset_s else "",
        "change": tell_change_of_clocks(clip.recorded_at, clip.zone),
        "state": state,
        "history": [
            describe_change(one, zone=clip.zone) for one in list_record_changes(desk.logbook, "clip", clip.id)
        ],
    }
    return render("clip.html", values)


def _tell_strip(request: Request) -> Response:
    logbook = find_desk(request).logbook
    clip = find_clip(logbook, read_number(request.path_params["clip"], what="clip"))
    state = ask_for_strip(logbook, clip)
    return JSONResponse({"ready": state.ready, "done": state.is_done, "sentence": state.sentence})


def _send_picture(request: Request) -> Response:
    logbook = find_desk(request).logbook
    clip = find_clip(logbook, read_number(request.path_params["clip"], what="clip"))
    place = read_number(request.path_params["place"], what="picture")
    path = find_picture(logbook, clip.sha256, place)
    if place >= PICTURES or not path.is_file():
        raise HTTPException(404, "expected a picture of the strip that was made; reload the page")
    return FileResponse(path, media_type="image/jpeg")


def _draw(desk: Desk, sent: Sent) -> dict[str, Any]:
    clip_id = read_id(sent, "clip")
    seen = _read(sent, "seen")
    marked = [mark_source(one) for one in _read(sent, "stretches")]
    trees = [find_tree(desk.logbook, one.tree) for one in marked]
    draw_stretches(
        desk.logbook,
        clip_id,
        drawn=marked,
        seen=seen,
        tree_ids=[tree.id for tree in trees],
        who=read_reviewer(desk, sent),
    )
    return {"stretches": [_describe(one) for one in read_drawn(desk.logbook, clip_id)]}


def _read(sent: Sent, name: str) -> list[DrawnStretch]:
    listed = sent.get(name)
    if not isinstance(listed, list) or len(listed) > MOST_STRETCHES:
        raise AnnotateError(
            f"{name}: expected a list of at most {MOST_STRETCHES} stretches; found something else; reload the page"
        )
    stretches = []
    for one in listed:
        try:
            times = (float(one["start_s"]), float(one["end_s"]))
            tree, source = str(one["tree"]), str(one.get("source", ""))
            doubt = str(one.get("doubt", ""))[:LONGEST_DOUBT]
        except (TypeError, KeyError, ValueError, AttributeError, OverflowError):
            raise AnnotateError(
                f"{name}: expected stretches with tree, start_s and end_s; found {one!r:.60}; reload the page"
            ) from None
        if not all(map(math.isfinite, times)):
            raise AnnotateError(f"{name}: expected times in seconds; found {times}; reload the page")
        stretches.append(DrawnStretch(tree, *times, source, doubt))
    return stretches


def _describe(one: DrawnStretch) -> dict[str, Any]:
    return {
        "tree": one.tree,
        "start_s": one.start_s,
        "end_s": one.end_s,
        "source": one.source,
        "doubt": one.doubt,
    }

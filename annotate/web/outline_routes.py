"""What the pages draw: corrected outlines, larvae that the search missed, and the surroundings to draw them in."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from annotate.errors import AnnotateError
from annotate.judging.planting import find_change
from annotate.judging.surroundings import cut_part, cut_surroundings
from annotate.logbook.drawn_in import draw_in, list_drawn_beside
from annotate.logbook.outlines import correct_outline
from annotate.logbook.pictures import keep_picture, read_picture
from annotate.logbook.records import Details, QueuedCandidate, QueuedView
from annotate.logbook.review import KINDS, find_candidate
from annotate.logbook.searches import measure_picture
from annotate.web.cards import address_picture, build_view, list_beside, read_card
from annotate.web.desk import Desk
from annotate.web.sent import Sent, read_id, read_reviewer, read_text, take
from annotate.web.wording import title_candidate
from annotate.words import read_word
from detect.errors import DetectError


async def take_outline(request: Request) -> Response:
    """Keep a corrected outline of a view, or go back to the search's own; the answer is the view as it now is."""
    return await take(request, _correct)


async def take_drawn(request: Request) -> Response:
    """Add what a person drew into a frame; the answer is its card."""
    return await take(request, _draw)


async def take_place(request: Request) -> Response:
    """Cut the surroundings of a place in the whole frame from the clip; the answer is the picture to draw in."""
    return await take(request, _cut)


def _correct(desk: Desk, sent: Sent) -> dict[str, Any]:
    candidate_id, rank = read_id(sent, "candidate"), read_id(sent, "rank")
    correct_outline(
        desk.logbook,
        candidate_id,
        rank=rank,
        outline=sent.get("outline"),
        reviewer=read_reviewer(desk, sent),
        at=datetime.now(UTC),
    )
    candidate = find_candidate(desk.logbook, candidate_id)
    beside = list_drawn_beside(desk.logbook, candidate.clip_id, without=candidate_id)
    facts = read_card(desk.logbook, candidate_id)["facts"]
    return {
        "outlined": {
            "candidate": candidate_id,
            "view": build_view(candidate, candidate.views[rank], beside=beside),
            "facts": facts,
        }
    }


def _draw(desk: Desk, sent: Sent) -> dict[str, Any]:
    candidate, view = _find_view(desk, sent)
    kind = read_word(read_text(sent, "kind"), KINDS, what="kind") or "silhouette"
    evidence = _choose_evidence(desk, sent, candidate, view)
    number = draw_in(
        desk.logbook,
        clip_id=candidate.clip_id,
        time_s=view.time_s,
        frame_index=view.frame_index,
        outline_px=sent.get("outline", ()),
        picture=evidence.picture,
        picture_origin_px=evidence.origin_px,
        frame_size_px=candidate.frame_size_px,
        reviewer=read_reviewer(desk, sent),
        at=datetime.now(UTC),
        kind=kind,  # type: ignore[arg-type]
        frame_picture=evidence.frame_picture,
        details=Details(stage=read_text(sent, "stage") or None),
    )
    drawn = find_candidate(desk.logbook, number)
    return {
        "drawn": {
            "candidate": number,
            "title": title_candidate(drawn),
            "from": candidate.id,
            "beside": list_beside(desk.logbook, candidate.id),
        }
    }


@dataclass(frozen=True, slots=True)
class _Evidence:
    """The picture drawn in, where its top left pixel lies in the frame, and the whole frame: JPEGs, or sha256s of those kept."""

    picture: bytes | str
    origin_px: tuple[int, int]
    frame_picture: bytes | str


def _choose_evidence(desk: Desk, sent: Sent, candidate: QueuedCandidate, view: QueuedView) -> _Evidence:
    """Return the pictures of what was drawn in: those shown, or where they show a planted larva the same part of the clip itself.

    Raises
    ------
    annotate.errors.AnnotateError
        Where they have to be cut, and the clip is gone or cannot be read.
    """
    picture = read_text(sent, "picture") or view.picture
    origin_px = _read_pair(sent, "origin") or view.picture_origin_px
    if candidate.found_by != "planted":
        return _Evidence(picture, origin_px, read_text(sent, "frame") or candidate.frame_picture)
    # What was drawn beside it is real, and a record of it must not show what was never there.
    size_px = measure_picture(read_picture(desk.logbook, picture))
    try:
        info = desk.loops.open_clip(Path(candidate.clip_path), sha256=candidate.clip_sha256)
        cut = cut_part(info, time_s=view.time_s, origin_px=origin_px, size_px=size_px)
    except DetectError as error:
        raise AnnotateError(
            f"clip {candidate.clip_name}: expected to cut a picture from it; found that it cannot be read ({error}); put a copy "
            "that can be read in its place, then draw it in again"
        ) from error
    return _Evidence(cut.jpeg, cut.origin_px, cut.frame_jpeg)


def _cut(desk: Desk, sent: Sent) -> dict[str, Any]:
    candidate, view = _find_view(desk, sent)
    place = _read_pair(sent, "place")
    if place is None:
        raise AnnotateError("place: expected a row and a column; found none; point into the frame")
    try:
        info = desk.loops.open_clip(Path(candidate.clip_path), sha256=candidate.clip_sha256)
        # A planted larva is shown here too, or its absence would tell what it is; what is kept is cut anew.
        change_frames = find_change(desk.logbook, candidate.id)
        cut = cut_surroundings(info, time_s=view.time_s, middle_px=place, change_frames=change_frames)
    except (AnnotateError, DetectError) as error:
        # A clip that was moved away is no fault of whoever asks: the views can still be drawn in.
        return {"picture": None, "sentence": f"There is no such part of the frame: {error}."}
    name = keep_picture(desk.logbook, cut.jpeg)
    return {
        "picture": {
            "name": name,
            "url": address_picture(name),
            "origin_px": cut.origin_px,
            "size_px": cut.size_px,
            "frame": keep_picture(desk.logbook, cut.frame_jpeg),
        }
    }


def _find_view(desk: Desk, sent: Sent) -> tuple[QueuedCandidate, QueuedView]:
    candidate, rank = find_candidate(desk.logbook, read_id(sent, "candidate")), read_id(sent, "rank")
    if rank >= len(candidate.views):
        raise AnnotateError(
            f"view: expected one of {len(candidate.views)} views; found number {rank}; reload the page"
        )
    return candidate, candidate.views[rank]


def _read_pair(sent: Sent, name: str) -> tuple[int, int] | None:
    """Return (row, column) in whole px, None where nothing was sent."""
    pair = sent.get(name)
    if pair is None:
        return None
    if not (isinstance(pair, list) and len(pair) == 2 and all(type(part) in (int, float) for part in pair)):
        raise AnnotateError(f"{name}: expected a row and a column; found {pair!r}; reload the page")
    row, column = (max(-1, min(10**6, part)) for part in pair)
    return int(row), int(column)

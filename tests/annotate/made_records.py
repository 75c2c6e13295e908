"""Candidates, clips and searches made up for tests of the logbook; the pictures are real JPEGs."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from io import BytesIO
from pathlib import Path

import numpy as np
from PIL import Image

from annotate.learning.weights_kept import keep_weights
from annotate.logbook.clips import add_clip, add_stretch
from annotate.logbook.opening import Logbook
from annotate.logbook.places import TreeEntry, find_tree, write_trees
from annotate.logbook.records import Clip, PastSearch
from annotate.logbook.searches import save_search
from detect.candidates import Candidate, View
from detect.clip_info import ClipInfo
from detect.evidence import HeldJpeg, PictureStore
from detect.search import ClipSearch
from models.cards import DEFAULT_WEIGHTS, load_weights, save_weights

NOON = datetime(2026, 5, 17, 11, 0, tzinfo=UTC)
"""Noon by the clock of Europe/London on 17 May 2026."""

LATER = datetime(2026, 5, 17, 20, 0, tzinfo=UTC)


@lru_cache
def make_jpeg(shade: int, *, rows: int = 24, columns: int = 32) -> bytes:
    """A small picture of one shade of green; each shade has bytes of its own."""
    stream = BytesIO()
    Image.new("RGB", (columns, rows), (shade % 256, 120 + shade // 256, 40)).save(stream, "JPEG")
    return stream.getvalue()


def make_view(
    time_s: float, middle: tuple[int, int] = (500, 700), *, length_px: float = 30.0, shade: int = 1
) -> View:
    """A view of a body lying along the columns."""
    half = round(length_px / 2)
    box = (middle[0] - 5, middle[1] - half, middle[0] + 5, middle[1] + half)
    outline = np.float32([[box[0], box[1]], [box[0], box[3]], [box[2], box[3]], [box[2], box[1]]])
    return View(
        time_s=time_s,
        frame_index=round(time_s * 30),
        box=box,
        outline=outline,
        length_px=length_px,
        width_px=10.0,
        score=0.8,
        sharpness=0.9,
        picture_jpeg=HeldJpeg(make_jpeg(shade)),
        picture_origin_px=(box[0] - 8, box[1] - 4),
    )


def make_candidate(
    time_s: float = 1.0,
    middle: tuple[int, int] = (500, 700),
    *,
    score: float = 0.8,
    kind: str = "silhouette",
    length_px: float = 30.0,
    views: Sequence[View] = (),
    shade: int = 1,
) -> Candidate:
    """A candidate seen at one moment, or in the views given."""
    views = tuple(views) or (make_view(time_s, middle, length_px=length_px, shade=shade),)
    times = [view.time_s for view in views]
    return Candidate(
        kind=kind,  # type: ignore[arg-type]
        score=score,
        first_s=min(times),
        last_s=max(times) + 0.5,
        views=views,
        views_seen=len(views),
        length_px=length_px,
        missing_percent=12.0 if kind == "feeding" else 0.0,
        frame_jpeg=HeldJpeg(make_jpeg(300 + shade)),
        frame_size_px=(1080, 1920),
    )


def make_found(candidates: Sequence[Candidate], *, duration_s: float = 60.0) -> ClipSearch:
    """What a search of a clip would have returned."""
    return ClipSearch(
        candidates=tuple(candidates),
        duration_s=duration_s,
        usable_s=0.75 * duration_s,
        frames=round(30 * duration_s),
        looked_at=3,
        problems=("the last 2 s could not be read",),
        times_s=(0.0, 0.5, 1.0),
        sharpness=(0.0, 1.0, 0.5),
        store=PictureStore(),
    )


def add_trees(logbook: Logbook, *codes: str, site: str = "OTTERHOLT") -> None:
    """Put trees into the logbook."""
    write_trees(logbook, [TreeEntry(site, code, {"host_taxon": "Populus tremula"}) for code in codes])


def film(
    logbook: Logbook,
    *,
    number: int = 1,
    tree: str = "",
    recorded_at: datetime = NOON,
    recorded_from: str = "metadata",
    duration_s: float = 60.0,
) -> Clip:
    """Add a clip, its bytes told apart by `number`, filmed under a tree where named."""
    info = ClipInfo(
        path=Path(f"/clips/walk {number}.mp4"),
        sha256=f"{number:064x}",
        kind="video",
        width_px=1920,
        height_px=1080,
        rotation_deg=0,
        claimed_duration_s=duration_s,
        claimed_frames=0,
        frame_rate_hz=30.0,
        codec="h264",
        bit_depth=8,
        size_bytes=1,
    )
    clip = add_clip(
        logbook,
        info,
        recorded_at=recorded_at,
        zone="Europe/London",
        recorded_from=recorded_from,
        duration_s=duration_s,
    )
    if tree:
        add_stretch(logbook, clip.id, tree_id=find_tree(logbook, tree).id, start_s=0.0, end_s=duration_s)
    return clip


def search(
    logbook: Logbook, clip: Clip, candidates: Sequence[Candidate], *, scorer: str = "made 1"
) -> PastSearch:
    """Save a search of a clip."""
    return save_search(
        logbook,
        clip.id,
        found=make_found(candidates, duration_s=clip.duration_s),
        scorer=scorer,
        settings_sha256="made",
        started_at=LATER,
        finished_at=LATER + timedelta(minutes=1),
    )


def keep_copy(logbook: Logbook, draft: Path) -> str:
    """Keep the shipped weights as if they had been trained at home; return the name they have in the logbook."""
    pair, card = load_weights(DEFAULT_WEIGHTS)
    save_weights(draft, pair, replace(card, name="draft", made_on="2026-11-28", weights_sha256=""))
    return keep_weights(logbook, draft, day=date(2026, 11, 28))

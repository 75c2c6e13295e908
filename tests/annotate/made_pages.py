"""A small logbook made for tests of the pages: a really filmed shaky clip, its candidates cut from real frames, a server.

The leaf at a place and the larva on it are drawn; the clip is encoded and decoded, the pictures are JPEGs of its frames.
"""

import shutil
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import av
import cv2
import numpy as np
import uvicorn
from numpy.typing import NDArray

from annotate.logbook.clips import add_clip, add_stretch
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, add_site, find_tree, write_trees
from annotate.logbook.searches import save_search
from annotate.logbook.second_reading import ReadingPlan
from annotate.web.app import build_app
from annotate.web.guards import Door
from annotate.web.serving import open_port
from detect.candidates import Candidate, View
from detect.clips import open_clip, read_frames, read_rgb
from detect.evidence import HeldJpeg, PictureStore
from detect.search import ClipSearch
from detect.snapshots import encode_jpeg, shrink_frame

Picture = NDArray[np.uint8]

FRAMES = 60
RATE_HZ = 30
SIZE_PX = (360, 480)
MARGIN_PX = 60
PICTURE_SIDE_PX = 120
RECORDED_AT = datetime(2026, 5, 17, 12, 42, 0, tzinfo=UTC)
"""13:42 by the clock of Europe/London on 17 May 2026."""

TREES = (("OT01", 51.20010, -1.1003), ("OT02", 51.20030, -1.1000), ("OT03", 51.20021, -1.0996))

PLACES = ((110, 130), (120, 330), (250, 240), (240, 120), (260, 370))
"""(row, column) of the middle of five leaves with a larva each, in the frame that does not shake."""


@dataclass(frozen=True)
class Filmed:
    """A made clip: its file, and how far each frame is shifted (rows, columns), in px."""

    path: Path
    shifts_px: tuple[tuple[float, float], ...]


def draw_crown(rng: np.random.Generator) -> NDArray[np.float32]:
    """A crown from below, float32 RGB, larger than the frame by a margin on each side, with the leaves of `PLACES`."""
    rows, columns = (side + 2 * MARGIN_PX for side in SIZE_PX)
    crown = np.full((rows, columns, 3), (214, 226, 236), np.float32)
    for _ in range(70):
        middle = (int(rng.integers(0, columns)), int(rng.integers(0, rows)))
        half = int(rng.integers(16, 46))
        tilt = float(rng.uniform(0, 180))
        layer = np.ones_like(crown)
        light = float(rng.choice([1.0, 0.5]))
        cv2.ellipse(
            layer, middle, (half, half // 2), tilt, 0, 360, (0.4 * light, 0.72 * light, 0.2 * light), -1
        )
        crown *= layer
    for row, column in PLACES:
        middle = (column + MARGIN_PX, row + MARGIN_PX)
        cv2.ellipse(crown, middle, (46, 27), 20, 0, 360, (126, 188, 62), -1, cv2.LINE_AA)
        cv2.line(
            crown,
            (middle[0] - 40, middle[1] - 15),
            (middle[0] + 40, middle[1] + 15),
            (98, 158, 48),
            1,
            cv2.LINE_AA,
        )
        cv2.ellipse(crown, (middle[0] + 8, middle[1] + 2), (12, 4), 20, 0, 360, (48, 78, 22), -1, cv2.LINE_AA)
    return cv2.GaussianBlur(crown, (0, 0), 0.7).astype(np.float32)


def film_shaking(path: Path, *, shake_px: float = 9.0, seed: int = 7) -> Filmed:
    """Film the crown with a hand that shakes; encode it as H.264."""
    rng = np.random.default_rng(seed)
    crown = draw_crown(rng)
    rows, columns = SIZE_PX
    shifts = []
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=RATE_HZ, options={"crf": "18", "threads": "1"})
        stream.width, stream.height, stream.pix_fmt = columns, rows, "yuv420p"
        for index in range(FRAMES):
            time_s = index / RATE_HZ
            down = shake_px * np.sin(2 * np.pi * 2.9 * time_s) + 0.4 * shake_px * np.sin(
                2 * np.pi * 6.1 * time_s
            )
            right = shake_px * np.sin(2 * np.pi * 2.1 * time_s + 0.9)
            shifts.append((float(down), float(right)))
            move = np.array([[1.0, 0.0, right - MARGIN_PX], [0.0, 1.0, down - MARGIN_PX]])
            seen = cv2.warpAffine(crown, move, (columns, rows), flags=cv2.INTER_CUBIC)
            seen = np.clip(seen + rng.normal(0, 2.0, seen.shape), 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(seen, format="rgb24")
            frame.pts, frame.time_base = index, Fraction(1, RATE_HZ)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return Filmed(path, tuple(shifts))


def read_pictures(path: Path) -> list[tuple[float, Picture]]:
    """Return (time_s, RGB) of every frame."""
    return [(frame.time_s, read_rgb(frame)) for frame in read_frames(open_clip(path))]


def cut_candidate(
    filmed: Filmed,
    frames: Sequence[tuple[float, Picture]],
    place: tuple[int, int],
    *,
    score: float,
    kind: str = "silhouette",
    indices: Sequence[int] = (30, 12, 45, 21),
) -> Candidate:
    """Return a candidate at one of `PLACES`, its views cut from the frames of these indices."""
    views = tuple(
        _cut_view(filmed, frames, place, index=index, score=score - 0.02 * rank)
        for rank, index in enumerate(indices)
    )
    return Candidate(
        kind=kind,  # type: ignore[arg-type]
        score=score,
        first_s=min(view.time_s for view in views),
        last_s=max(view.time_s for view in views),
        views=views,
        views_seen=19,
        length_px=24.0,
        missing_percent=14.0 if kind == "feeding" else 0.0,
        frame_jpeg=HeldJpeg(shrink_frame(frames[indices[0]][1])),
        frame_size_px=SIZE_PX,
    )


def _cut_view(
    filmed: Filmed,
    frames: Sequence[tuple[float, Picture]],
    place: tuple[int, int],
    *,
    index: int,
    score: float,
) -> View:
    time_s, rgb = frames[index]
    down, right = filmed.shifts_px[index]
    row, column = place[0] + 2 + down, place[1] + 8 + right
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    tilt = np.radians(20)
    long, short = 12 * np.cos(turn), 4 * np.sin(turn)
    outline = np.stack(
        [
            row + long * np.sin(tilt) + short * np.cos(tilt),
            column + long * np.cos(tilt) - short * np.sin(tilt),
        ],
        axis=1,
    ).astype(np.float32)
    top, left = np.floor(outline.min(axis=0)).astype(int)
    bottom, end = np.ceil(outline.max(axis=0)).astype(int) + 1
    half = PICTURE_SIDE_PX // 2
    first_row = int(np.clip(round(row) - half, 0, SIZE_PX[0] - PICTURE_SIDE_PX))
    first_column = int(np.clip(round(column) - half, 0, SIZE_PX[1] - PICTURE_SIDE_PX))
    picture = rgb[first_row : first_row + PICTURE_SIDE_PX, first_column : first_column + PICTURE_SIDE_PX]
    return View(
        time_s=time_s,
        frame_index=index,
        box=(int(top), int(left), int(bottom), int(end)),
        outline=outline,
        length_px=24.0,
        width_px=8.0,
        score=score,
        sharpness=0.5 + 0.01 * (index % 40),
        picture_jpeg=HeldJpeg(encode_jpeg(picture, quality=92)),
        picture_origin_px=(first_row, first_column),
    )


@lru_cache(maxsize=2)
def _film_once(path: Path) -> tuple[Filmed, tuple[tuple[float, Picture], ...]]:
    filmed = film_shaking(path)
    return filmed, tuple(read_pictures(filmed.path))


def fill_logbook(folder: Path, clip_folder: Path, *, has_clip: bool = True) -> Path:
    """Make a logbook of Otterholt Wood with five candidates on OT03 (one of them feeding); return its folder.

    Parameters
    ----------
    clip_folder : where the clip is filmed, once for all logbooks; they are copies of one that is filled there
    has_clip : whether the clip still lies where it was searched; without it no loops are made, which saves most of the time
    """
    shutil.copytree(_fill_once(clip_folder, has_clip=has_clip), folder)
    return folder


@lru_cache(maxsize=4)
def _fill_once(clip_folder: Path, *, has_clip: bool) -> Path:
    filmed, frames = _film_once(clip_folder / "walk 3.mp4")
    made = create_logbook(
        clip_folder / ("with its clip" if has_clip else "without its clip"),
        zone="Europe/London",
        recorder="Maren",
    )
    with open_logbook(made) as logbook:
        add_site(logbook, "OTTERHOLT", name="Otterholt Wood")
        write_trees(logbook, [_enter_tree(*tree) for tree in TREES])
        info = open_clip(filmed.path)
        if not has_clip:
            info = replace(info, path=clip_folder / "moved away" / info.path.name)
        clip = add_clip(
            logbook,
            info,
            recorded_at=RECORDED_AT,
            zone="Europe/London",
            recorded_from="metadata",
            duration_s=FRAMES / RATE_HZ,
        )
        add_stretch(
            logbook, clip.id, tree_id=find_tree(logbook, "OT03").id, start_s=0.0, end_s=FRAMES / RATE_HZ
        )
        scores = (0.91, 0.84, 0.77, 0.62, 0.55)
        candidates = [
            cut_candidate(filmed, frames, place, score=score, kind="feeding" if index == 3 else "silhouette")
            for index, (place, score) in enumerate(zip(PLACES, scores, strict=True))
        ]
        times = tuple(time_s for time_s, _ in frames[::5])
        found = ClipSearch(
            candidates=tuple(candidates),
            duration_s=FRAMES / RATE_HZ,
            usable_s=1.5,
            frames=FRAMES,
            looked_at=len(times),
            problems=(),
            times_s=times,
            sharpness=tuple(0.5 + 0.5 * np.sin(5 * time_s) for time_s in times),
            store=PictureStore(),
        )
        save_search(
            logbook,
            clip.id,
            found=found,
            scorer="made 1",
            settings_sha256="made",
            started_at=RECORDED_AT + timedelta(hours=8),
            finished_at=RECORDED_AT + timedelta(hours=8, minutes=1),
        )
    return made


def _enter_tree(code: str, latitude_deg: float, longitude_deg: float) -> TreeEntry:
    values = {"host_taxon": "Populus tremula", "latitude_deg": latitude_deg, "longitude_deg": longitude_deg}
    return TreeEntry("OTTERHOLT", code, values)


@contextmanager
def serve_pages(
    logbook: Logbook,
    *,
    reviewer: str = "Maren",
    door: Door | None = None,
    second: ReadingPlan | None = None,
) -> Iterator[str]:
    """Serve the pages of an open logbook on a free port in a thread; give their address without the last slash."""
    opening = open_port("127.0.0.1", 0)
    app = build_app(logbook, reviewer=reviewer, door=door, second=second)
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", access_log=False, ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [opening.socket]})
    thread.start()
    try:
        yield opening.address.rstrip("/")
    finally:
        server.should_exit = True
        thread.join()
        opening.socket.close()

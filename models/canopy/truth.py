"""The truth of a drawn clip or frame, as data and as a JSON file beside it.

A truth file is UTF-8 JSON::

    {"format": "leafshade-truth", "version": 1, "clip": "NAME.mp4", "size_px": [rows, columns],
     "frame_rate_hz": 30.0, "tree": "OT03",
     "larvae": [{"id": "A1", "stage": "L4", "length_mm": 24.1, "condition": "healthy", "pose": "on-midrib"}],
     "frames": [{"index": 0, "time_s": 0.0,
                 "larvae": [{"id": "A1", "box": [r0, c0, r1, c1], "outline": [[r, c], ...], "length_px": 31.5,
                             "visible": 0.93, "sharpness": 0.6}],
                 "feeding": [{"id": "F1", "leaf": "K4", "box": [r0, c0, r1, c1], "outline": [[r, c], ...],
                              "missing_percent": 12.5}]}]}

Pixels are (row, column) of the upright frame, the origin at the centre of the top left pixel. A box is first row, first column,
end row, end column, ends excluded, cut to the frame; outlines are closed polygons and may go on past the frame's edge.
`index` counts decoded frames from 0 and `time_s` runs from the first frame. `length_px` is the long side of the smallest
rectangle round the outline. `visible` is the share of the body, 0 to 1, that lies in the frame and behind no nearer leaf or
twig; showing through its own leaf counts as visible. `sharpness` is 1 / (1 + deviation of the blur in px). A larva stands in
every frame in which any of it is visible. Each chewed piece is one feeding mark; marks of one leaf share `leaf`, and
`missing_percent` is what that leaf lost in all. A reader ignores keys it does not know. Still pictures have a `frames` list of
one and a frame rate of 0.
"""

import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.errors import ModelsError
from models.json_places import Place
from models.whole_files import write_whole

FORMAT = "leafshade-truth"
VERSION = 1
Box = tuple[int, int, int, int]
Outline = NDArray[np.float32]


class TruthError(ModelsError):
    """A truth file that cannot be used as it is."""


@dataclass(frozen=True, slots=True)
class LarvaTruth:
    """One drawn larva: what it is, the same in all frames."""

    larva_id: str
    stage: str
    length_mm: float
    condition: str
    pose: str


@dataclass(frozen=True, slots=True, eq=False)
class LarvaMark:
    """One larva in one frame; outline float32 (N, 2) of (row, column)."""

    larva_id: str
    box: Box
    outline: Outline
    length_px: float
    visible: float
    sharpness: float


@dataclass(frozen=True, slots=True, eq=False)
class FeedingMark:
    """One hole or bite in one frame; outline float32 (N, 2) of (row, column)."""

    mark_id: str
    leaf_id: str
    box: Box
    outline: Outline
    missing_percent: float


@dataclass(frozen=True, slots=True)
class FrameTruth:
    """What stands in one frame."""

    index: int
    time_s: float
    larvae: tuple[LarvaMark, ...]
    feeding: tuple[FeedingMark, ...]


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth of one clip; `size_px` is (rows, columns)."""

    clip: str
    size_px: tuple[int, int]
    frame_rate_hz: float
    tree: str
    larvae: tuple[LarvaTruth, ...]
    frames: tuple[FrameTruth, ...]


def write_truth(path: Path, truth: Truth) -> None:
    """Write a truth file: to a temporary name in the same folder, then moved."""
    body = {
        "format": FORMAT,
        "version": VERSION,
        "clip": truth.clip,
        "size_px": list(truth.size_px),
        "frame_rate_hz": truth.frame_rate_hz,
        "tree": truth.tree,
        "larvae": [_dump_larva(larva) for larva in truth.larvae],
        "frames": [_dump_frame(frame) for frame in truth.frames],
    }
    write_whole(path, json.dumps(body, separators=(",", ":")).encode())


def find_truth_path(clip: Path) -> Path:
    """Return where the truth of a clip or picture stands: NAME.truth.json beside it."""
    return clip.with_name(clip.stem + ".truth.json")


def read_truth(path: Path) -> Truth:
    """Read and check a truth file.

    Raises
    ------
    TruthError
        Where the file is missing, is no JSON, or a value is not what the format asks for; the message names the place.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise TruthError(
            f"{path}: cannot be read as a truth file; expected UTF-8 text, found: {error}; check the path"
        ) from error
    try:
        body = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise TruthError(
            f"{path}: is no JSON; expected a truth file, found: {error}; draw the clip again"
        ) from error
    return _parse_truth(_Place(path, "", body))


@dataclass(frozen=True, slots=True, eq=False)
class _Place(Place):
    """A value in a truth file and where it stands, for messages."""

    def fail(self, expected: str) -> TruthError:
        """Return the error that this value is not what was expected."""
        shown = repr(self.value)
        shown = shown if len(shown) <= 60 else shown[:57] + "..."
        return TruthError(
            f"{self.path}: {self.where or 'the whole'} is wrong; expected {expected}, found {shown}; "
            "draw the clip again or correct the file"
        )


LARGEST_PX = 100_000
LONGEST_S = 1e6
MOST_FRAMES = 10**9


def _parse_truth(root: _Place) -> Truth:
    if root.key("format").text() != FORMAT:
        raise root.key("format").fail(f'"{FORMAT}"')
    root.key("version").whole(VERSION, VERSION)
    size = root.key("size_px").items()
    if len(size) != 2:
        raise root.key("size_px").fail("two numbers: rows and columns")
    size_px = (size[0].whole(1, LARGEST_PX), size[1].whole(1, LARGEST_PX))
    larvae = tuple(_parse_larva(place) for place in root.key("larvae").items())
    known = {larva.larva_id for larva in larvae}
    if len(known) != len(larvae):
        raise root.key("larvae").fail("larvae with different ids")
    frames = tuple(_parse_frame(place, size_px, known) for place in root.key("frames").items())
    indices = [frame.index for frame in frames]
    if any(later <= earlier for earlier, later in pairwise(indices)):
        raise root.key("frames").fail("frames in rising order of index")
    return Truth(
        root.key("clip").text(),
        size_px,
        root.key("frame_rate_hz").number(0, 10_000),
        root.key("tree").text(),
        larvae,
        frames,
    )


def _parse_larva(place: _Place) -> LarvaTruth:
    return LarvaTruth(
        place.key("id").text(),
        place.key("stage").text(),
        place.key("length_mm").number(0, 1000),
        place.key("condition").text(),
        place.key("pose").text(),
    )


def _parse_frame(place: _Place, size_px: tuple[int, int], known: set[str]) -> FrameTruth:
    larvae = []
    for item in place.key("larvae").items():
        larva_id = item.key("id")
        if larva_id.text() not in known:
            raise larva_id.fail("the id of a larva listed at the top")
        larvae.append(
            LarvaMark(
                larva_id.text(),
                _parse_box(item.key("box"), size_px),
                _parse_outline(item.key("outline")),
                item.key("length_px").number(0, LARGEST_PX),
                item.key("visible").number(0, 1),
                item.key("sharpness").number(0, 1),
            )
        )
    feeding = tuple(
        FeedingMark(
            item.key("id").text(),
            item.key("leaf").text(),
            _parse_box(item.key("box"), size_px),
            _parse_outline(item.key("outline")),
            item.key("missing_percent").number(0, 100),
        )
        for item in place.key("feeding").items()
    )
    return FrameTruth(
        place.key("index").whole(0, MOST_FRAMES),
        place.key("time_s").number(0, LONGEST_S),
        tuple(larvae),
        feeding,
    )


def _parse_box(place: _Place, size_px: tuple[int, int]) -> Box:
    values = place.items()
    if len(values) != 4:
        raise place.fail("four whole numbers")
    r0, c0 = values[0].whole(0, size_px[0]), values[1].whole(0, size_px[1])
    r1, c1 = values[2].whole(0, size_px[0]), values[3].whole(0, size_px[1])
    if r1 <= r0 or c1 <= c0:
        raise place.fail("first row and column before the end row and column")
    return r0, c0, r1, c1


def _parse_outline(place: _Place) -> Outline:
    points = []
    for item in place.items():
        pair = item.items()
        if len(pair) != 2:
            raise item.fail("a row and a column")
        points.append((pair[0].number(-LARGEST_PX, LARGEST_PX), pair[1].number(-LARGEST_PX, LARGEST_PX)))
    if len(points) < 3:
        raise place.fail("at least three points")
    return np.asarray(points, np.float32)


def _dump_larva(larva: LarvaTruth) -> dict[str, object]:
    return {
        "id": larva.larva_id,
        "stage": larva.stage,
        "length_mm": round(larva.length_mm, 1),
        "condition": larva.condition,
        "pose": larva.pose,
    }


def _dump_frame(frame: FrameTruth) -> dict[str, object]:
    return {
        "index": frame.index,
        "time_s": round(frame.time_s, 6),
        "larvae": [
            {
                "id": mark.larva_id,
                "box": list(mark.box),
                "outline": _dump_outline(mark.outline),
                "length_px": round(mark.length_px, 2),
                "visible": round(mark.visible, 3),
                "sharpness": round(mark.sharpness, 3),
            }
            for mark in frame.larvae
        ],
        "feeding": [
            {
                "id": mark.mark_id,
                "leaf": mark.leaf_id,
                "box": list(mark.box),
                "outline": _dump_outline(mark.outline),
                "missing_percent": round(mark.missing_percent, 2),
            }
            for mark in frame.feeding
        ],
    }


def _dump_outline(outline: Outline) -> list[list[float]]:
    return [[round(float(r), 1), round(float(c), 1)] for r, c in outline]

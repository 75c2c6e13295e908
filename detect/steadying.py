"""A steadied loop: about a second and a half round one view, with the camera's shake and the leaf's sway taken out.

The loop shows exactly the place of the view's own picture, so that it can stand where the picture stood and an outline drawn
on the picture still fits. The clip is read twice: once on small grey pictures, to learn where the place is in each frame, and
once at full resolution, to cut it out there. So memory stays small however large the frames are. Places are (row, column) in
upright full-resolution px; the matrices inside act on (x, y, 1) as OpenCV's do. What lies outside a frame stays black, it is
never made up. Nothing here decides what the place shows.
"""

import io
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.clips import ClipInfo, Frame, read_frames, read_luma, read_rgb, turn_upright
from detect.errors import DetectError
from detect.motion import carry_points, link_frames

SPAN_S = 1.6
"""Long enough to see light play and a larva move against its leaf, short enough to be made in seconds (tried, no source)."""

MOST_FRAMES_PER_S = 20
"""More frames make the loop larger and look no smoother (tried, no source)."""

SAME_MOMENT_S = 1e-3
"""Two times closer than this mean the same frame; frames of any clip are at least 4 ms apart."""

SMALL_STEP_PX = 4
"""The first reading works on a quarter of the size, as `detect.motion` expects."""

LEAST_LIKENESS = 0.8
"""A frame whose place correlates less with the view than this shows something else, is blurred, or was brought to the wrong
place (drawn clips: frames that hold still reach 0.95 to 1.0, frames a few px off 0.6 to 0.8)."""

LEAST_INSIDE = 0.8
"""So much of the picture must lie inside a frame. Places at the edge of a frame leave it with every shake, and would lose their
loop under a stricter rule; under a laxer one a black edge comes and goes."""

GRID_POINTS = 12
"""Along each side; how much lies inside is told by that many points."""

MOST_STRETCH = 0.15
"""Between two moments a second apart a leaf is not seen larger, smaller or more slanted by more than this."""

LONGEST_GAP_S = 0.25
"""The loop ends where the place cannot be told for longer than this."""

LEAST_FRAMES = 5
"""Fewer frames are a flicker, not a loop."""

MATCH_SIDE_PX = 192
"""Places are compared at no more than this side: accurate to a twentieth of a pixel of it, and 10 times faster than at 640."""

MATCH_SMOOTHING_PX = 5
MATCH_STEPS = 40
MATCH_PRECISION = 1e-4
"""For `cv2.findTransformECC` (Evangelidis & Psarakis 2008, doi 10.1109/TPAMI.2008.113): more steps or a finer end change the
loop's residual motion by less than 0.01 px on drawn clips."""

MATCH_SHARE = 0.9
"""The comparison looks at a disc of this share of the picture's shorter side; its corners are other leaves at other depths."""

LOOP_QUALITY = 82
"""Of the WebP; under 75 the grain of the leaf begins to swim (looked at, no source)."""

Matrix = NDArray[np.float64]


class NoLoopError(DetectError):
    """No steadied loop can be made of this place; the message says why."""


@dataclass(frozen=True, slots=True, eq=False)
class LoopPlace:
    """Where and when a loop is wanted.

    Attributes
    ----------
    time_s : of the view, seconds from the clip's first frame
    origin_px : (row, column) of the picture's top left pixel in the frame
    picture : uint8 (H, W, 3) RGB, the surroundings as they were cut for the view; every frame is brought to cover it
    """

    time_s: float
    origin_px: tuple[int, int]
    picture: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class SteadyFrame:
    """One frame of a loop: its time in the clip, uint8 (H, W, 3) RGB, and how like the view it is (-1 to 1)."""

    time_s: float
    rgb: NDArray[np.uint8]
    likeness: float


def steady(info: ClipInfo, place: LoopPlace) -> list[SteadyFrame]:
    """Cut the place out of the frames round its time so that it holds still.

    Returns
    -------
    At least `LEAST_FRAMES` frames in order of time, each the size of the place.

    Raises
    ------
    NoLoopError
        Where the clip is photographs, or the camera did not hold the place long enough.
    detect.errors.ClipError
        Where the clip cannot be read.
    """
    if info.kind == "photos":
        raise NoLoopError("These are photographs, and a loop needs moving footage; look at the other views.")
    glimpses = list(_read_glimpses(info, place.time_s))
    if not glimpses:
        raise NoLoopError("The clip could not be read round this moment; look at the still views.")
    poses = _find_poses(glimpses, place)
    cut = list(_cut_frames(info, place, poses))
    kept = _keep_unbroken(cut, place.time_s)
    if len(kept) < LEAST_FRAMES:
        span_s = kept[-1].time_s - kept[0].time_s if kept else 0.0
        raise NoLoopError(
            f"The camera held this place for only {span_s:.1f} s, too short for a loop; look at the still views."
        )
    return kept


def encode_loop(frames: list[SteadyFrame]) -> bytes:
    """Return the frames as an endless animated WebP that runs as fast as the footage did."""
    from PIL import Image

    steps_s = [after.time_s - before.time_s for before, after in pairwise(frames)]
    steps_s.append(float(np.median(steps_s)))
    pictures = [Image.fromarray(frame.rgb) for frame in frames]
    stream = io.BytesIO()
    pictures[0].save(
        stream,
        format="WEBP",
        save_all=True,
        append_images=pictures[1:],
        duration=[max(1, round(1000 * step_s)) for step_s in steps_s],
        loop=0,
        quality=LOOP_QUALITY,
        method=1,
    )
    return stream.getvalue()


def _read_span(info: ClipInfo, time_s: float) -> Iterator[Frame]:
    """Yield the frames round a time, thinned to `MOST_FRAMES_PER_S`; the frame of the time itself is always among them."""
    start_s = time_s - SPAN_S / 2
    spacing_s = 1 / MOST_FRAMES_PER_S - SAME_MOMENT_S
    last_s = -np.inf
    for frame in read_frames(info, start_after_s=start_s if start_s > 0 else None):
        if frame.time_s > time_s + SPAN_S / 2:
            return
        if abs(frame.time_s - time_s) < SAME_MOMENT_S or frame.time_s - last_s >= spacing_s:
            last_s = frame.time_s
            yield frame


def _read_glimpses(info: ClipInfo, time_s: float) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Yield time and upright quarter-size grey picture of each frame of the span."""
    for frame in _read_span(info, time_s):
        luma = read_luma(frame)
        height, width = luma.shape
        size = (max(1, width // SMALL_STEP_PX), max(1, height // SMALL_STEP_PX))
        small = cv2.resize(luma, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
        yield frame.time_s, turn_upright(small, frame.rotation_deg)


def _find_poses(glimpses: list[tuple[float, NDArray[np.uint8]]], place: LoopPlace) -> dict[float, Matrix]:
    """Return for each frame's time the matrix from the picture's (x, y) to the frame's, as far as the motion can be told."""
    middle = int(np.argmin([abs(time_s - place.time_s) for time_s, _ in glimpses]))
    row, column = place.origin_px
    poses = {glimpses[middle][0]: np.array([[1.0, 0.0, column], [0.0, 1.0, row]])}
    for chain in (glimpses[middle:], glimpses[middle::-1]):
        pose = poses[glimpses[middle][0]]
        for (_, before), (time_s, after) in pairwise(chain):
            stepped = _step_pose(before, after, pose=pose, place=place)
            if stepped is None:
                break
            pose = stepped
            poses[time_s] = pose
    return poses


def _step_pose(
    before: NDArray[np.uint8], after: NDArray[np.uint8], *, pose: Matrix, place: LoopPlace
) -> Matrix | None:
    """Carry a pose from one frame into the next: turn and scale with the camera, place with the leaf's own motion."""
    similarity = link_frames(before, after)
    if similarity is None:
        return None
    rows, columns = place.picture.shape[:2]
    centre = np.array([(columns - 1) / 2, (rows - 1) / 2])
    x, y = pose[:, :2] @ centre + pose[:, 2]
    ((row, column),) = carry_points(before, after, points=np.array([[y, x]]), similarity=similarity)
    turn = similarity[::-1, 1::-1] @ pose[:, :2]  # (row, column) swapped to (x, y)
    return np.column_stack([turn, np.array([column, row]) - turn @ centre])


def _cut_frames(info: ClipInfo, place: LoopPlace, poses: dict[float, Matrix]) -> Iterator[SteadyFrame]:
    """Yield the place cut from each frame whose pose is known, brought to cover the view's own picture exactly."""
    size_px = (place.picture.shape[0], place.picture.shape[1])
    matcher = _Matcher(place.picture)
    for frame in _read_span(info, place.time_s):
        if frame.time_s not in poses:
            continue
        rgb = read_rgb(frame)
        pose = matcher.refine(rgb, poses[frame.time_s])
        if (
            pose is None
            or _measure_inside(pose, size_px, frame_size_px=(rgb.shape[0], rgb.shape[1])) < LEAST_INSIDE
        ):
            continue
        picture = _cut(rgb, pose, size_px)
        likeness = matcher.compare(picture)
        if likeness >= LEAST_LIKENESS:
            yield SteadyFrame(frame.time_s, picture, likeness)


class _Matcher:
    """Brings one place after another to cover the same picture; its state is that picture, made ready once."""

    def __init__(self, picture: NDArray[np.uint8]) -> None:
        self._size_px = picture.shape[:2]
        self._scale = max(1.0, max(self._size_px) / MATCH_SIDE_PX)
        self._template = self._shrink(picture)
        rows, columns = self._template.shape
        self._mask = np.zeros((rows, columns), np.uint8)
        radius = round(MATCH_SHARE * min(rows, columns) / 2)
        cv2.circle(self._mask, (columns // 2, rows // 2), radius, 255, -1)

    def refine(self, rgb: NDArray[np.uint8], pose: Matrix) -> Matrix | None:
        """Return the pose near this one that covers the picture best, None where there is none."""
        seen = self._shrink(_cut(rgb, pose, (self._size_px[0], self._size_px[1])))
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, MATCH_STEPS, MATCH_PRECISION)
        start = np.eye(2, 3, dtype=np.float32)
        start[:, 2], _ = cv2.phaseCorrelate(self._template.astype(np.float32), seen.astype(np.float32))
        try:
            _, found = cv2.findTransformECC(
                self._template, seen, start, cv2.MOTION_AFFINE, criteria, self._mask, MATCH_SMOOTHING_PX
            )
        except cv2.error:  # it does not converge on blank or foreign pictures
            return None
        step = self._widen(found.astype(np.float64))
        if np.abs(step[:, :2] - np.eye(2)).max() > MOST_STRETCH:
            return None
        return np.column_stack([pose[:, :2] @ step[:, :2], pose[:, :2] @ step[:, 2] + pose[:, 2]])

    def compare(self, picture: NDArray[np.uint8]) -> float:
        """Return the correlation of the grey values with the view's, -1 to 1, inside the disc; 0 for a blank picture."""
        inside = self._mask > 0
        one, other = (grey[inside].astype(np.float64) for grey in (self._template, self._shrink(picture)))
        one, other = one - one.mean(), other - other.mean()
        length = float(np.linalg.norm(one) * np.linalg.norm(other))
        return float(one @ other) / length if length > 0 else 0.0

    def _shrink(self, rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
        grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
        rows, columns = grey.shape
        size = (round(columns / self._scale), round(rows / self._scale))
        return cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)

    def _widen(self, small: Matrix) -> Matrix:
        """Turn a matrix between shrunken pictures into one between whole ones; pixel centres stay pixel centres."""
        half = (self._scale - 1) / 2
        shift = self._scale * small[:, 2] + half - small[:, :2] @ np.array([half, half])
        return np.column_stack([small[:, :2], shift])


def _cut(rgb: NDArray[np.uint8], pose: Matrix, size_px: tuple[int, int]) -> NDArray[np.uint8]:
    """Return uint8 (rows, columns, 3) of the frame as seen through a pose; black where the frame ends."""
    rows, columns = size_px
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(rgb, pose, (columns, rows), flags=flags).astype(np.uint8, copy=False)


def _measure_inside(pose: Matrix, size_px: tuple[int, int], *, frame_size_px: tuple[int, int]) -> float:
    """Return the share of a picture, seen through a pose, that lies inside the frame."""
    rows, columns = size_px
    x, y = np.meshgrid(np.linspace(0, columns - 1, GRID_POINTS), np.linspace(0, rows - 1, GRID_POINTS))
    points = np.stack([x.ravel(), y.ravel()], axis=1) @ pose[:, :2].T + pose[:, 2]
    last = np.array([frame_size_px[1] - 1, frame_size_px[0] - 1])
    return float(np.mean(np.all((points >= 0) & (points <= last), axis=1)))


def _keep_unbroken(frames: list[SteadyFrame], time_s: float) -> list[SteadyFrame]:
    """Return the run of frames round a time in which no gap is longer than `LONGEST_GAP_S`."""
    runs: list[list[SteadyFrame]] = [[]]
    for frame in frames:
        if runs[-1] and frame.time_s - runs[-1][-1].time_s > LONGEST_GAP_S:
            runs.append([])
        runs[-1].append(frame)
    holding = [
        run
        for run in runs
        if run and run[0].time_s - SAME_MOMENT_S <= time_s <= run[-1].time_s + SAME_MOMENT_S
    ]
    return holding[0] if holding else []

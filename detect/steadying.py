"""A place followed from frame to frame, and a steadied loop of it with the camera's shake and the leaf's sway taken out.

A loop is about a second and a half round one view. It shows exactly the place of the view's own picture, so that it can stand
where the picture stood and an outline drawn on the picture still fits. The clip is read twice: once on small grey pictures, to
learn about where the place is in each frame, and once at full resolution, of which only the surroundings of the place are kept.
So memory stays small however large the frames are. Places are (row, column) in upright full-resolution px; poses are those of
`detect.place_matching`. What lies outside a frame stays black, it is never made up. Nothing here decides what the place shows.
"""

import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.clips import ChangeFrames, ClipInfo, Frame, read_frames, read_luma, read_rgb, turn_upright
from detect.errors import DetectError
from detect.motion import carry_points, link_frames
from detect.place_matching import Matrix, PlaceMatcher, Step, cut_through, make_still_step

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

SPARE_SHARE = 0.25
"""Round the place so much of its side is kept, since the first reading is right only to within some pixels."""

FOLLOW_STEP_S = 0.2
"""How often a followed place is brought to cover its view; in between, on drawn clips, it stays within a pixel."""

LONGEST_GAP_S = 0.25
"""The loop ends where the place cannot be told for longer than this."""

LEAST_FRAMES = 5
"""Fewer frames are a flicker, not a loop."""

LOOP_QUALITY = 82
"""Of the WebP; under 75 the grain of the leaf begins to swim (looked at, no source)."""


class NoLoopError(DetectError):
    """No steadied loop can be made of this place; the message says why."""


@dataclass(frozen=True, slots=True, eq=False)
class LoopPlace:
    """Where and when a loop is wanted.

    Attributes
    ----------
    time_s : of the view, seconds from the clip's first frame
    origin_px : (row, column) of the picture's top left pixel in the frame
    middle_px : (row, column) in the frame of what must hold still
    picture : uint8 (H, W, 3) RGB, the surroundings as they were cut for the view; every frame is brought to cover it
    """

    time_s: float
    origin_px: tuple[int, int]
    middle_px: tuple[float, float]
    picture: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class SteadyFrame:
    """One frame of a loop: its time in the clip, uint8 (H, W, 3) RGB, and how like the view it is (-1 to 1)."""

    time_s: float
    rgb: NDArray[np.uint8]
    likeness: float


@dataclass(frozen=True, slots=True, eq=False)
class PlaceSight:
    """Where a place is in one frame.

    Attributes
    ----------
    time_s : of the frame in the clip
    pose : from the px of the place's picture to those of the frame
    picture : uint8 (H, W, 3) RGB, the place as well as it could be brought to cover the view
    likeness : how like the view that is, -1 to 1. Under `LEAST_LIKENESS` the frame is blurred or something hides the place, and
        the pose is only about right
    inside : share of the picture that lies inside the frame
    """

    time_s: float
    pose: Matrix
    picture: NDArray[np.uint8]
    likeness: float
    inside: float


@dataclass(frozen=True, slots=True)
class _Span:
    """Which frames are read: so many seconds in all round a time, so many a second at the most, changed or not."""

    time_s: float
    length_s: float
    most_per_s: float
    change_frames: ChangeFrames | None


@dataclass(frozen=True, slots=True, eq=False)
class _Glimpse:
    """A frame as the first reading sees it: its time, and uint8 (H // 4, W // 4), upright."""

    time_s: float
    grey: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class _Surroundings:
    """What is kept of a frame: RGB round the place, where in it the place is about, and how large and where the whole was."""

    time_s: float
    rgb: NDArray[np.uint8]
    pose: Matrix
    corner_px: tuple[int, int]
    frame_size_px: tuple[int, int]


def steady(
    info: ClipInfo, place: LoopPlace, *, change_frames: ChangeFrames | None = None
) -> list[SteadyFrame]:
    """Cut the place out of the frames round its time so that it holds still.

    Parameters
    ----------
    change_frames : what is done to the frames before they are looked at, such as what a search did to them

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
    sights = _follow(info, place, _Span(place.time_s, SPAN_S, MOST_FRAMES_PER_S, change_frames))
    if not sights:
        raise NoLoopError("The clip could not be read round this moment; look at the still views.")
    still = [
        SteadyFrame(sight.time_s, sight.picture, sight.likeness)
        for sight in sights
        if sight.likeness >= LEAST_LIKENESS and sight.inside >= LEAST_INSIDE
    ]
    kept = _keep_unbroken(still, place.time_s)
    if len(kept) < LEAST_FRAMES:
        span_s = kept[-1].time_s - kept[0].time_s if kept else 0.0
        raise NoLoopError(
            f"The camera held this place for only {span_s:.1f} s, too short for a loop; look at the still views."
        )
    return kept


def follow_place(info: ClipInfo, place: LoopPlace, *, span_s: float) -> list[PlaceSight]:
    """Follow a place through every frame round its time, as far as the motion can be told; reads that part of the clip twice.

    To a fraction of a pixel it is brought only every `FOLLOW_STEP_S`, since that takes longest; what is put right there changes
    slowly, and is shared out over the frames between.

    Parameters
    ----------
    span_s : seconds in all, half of them before the view

    Returns
    -------
    Sights in order of time, that of the view among them; none where the clip is photographs or cannot be read there. Round the
    sights are gaps where nothing could be told: see `PlaceSight.likeness`.
    """
    span = _Span(place.time_s, span_s, np.inf, None)
    glimpses = [] if info.kind == "photos" else list(_read_glimpses(info, span))
    if not glimpses:
        return []
    held = list(_cut_surroundings(info, place, _find_poses(glimpses, place), span))
    matcher = _make_matcher(place)
    steps = _find_steps(held, place, matcher)
    times_s = np.array(sorted(steps))
    known = np.array([steps[time_s] for time_s in times_s], dtype=np.float32).reshape(-1, 2, 3)
    if not len(times_s):
        return []
    size_px = (place.picture.shape[0], place.picture.shape[1])
    sights = []
    for one in held:
        step = np.array(
            [[np.interp(one.time_s, times_s, known[:, r, c]) for c in range(3)] for r in range(2)], np.float32
        )
        pose = matcher.apply(one.pose, step)
        picture = cut_through(one.rgb, pose, size_px)
        sights.append(_see_through(one, pose, picture, matcher))
    return sights


def _follow(info: ClipInfo, place: LoopPlace, span: _Span) -> list[PlaceSight]:
    glimpses = list(_read_glimpses(info, span))
    if not glimpses:
        return []
    poses = _find_poses(glimpses, place)
    return _hold_still(list(_cut_surroundings(info, place, poses, span)), place)


def encode_loop(frames: Sequence[SteadyFrame]) -> bytes:
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


def _read_span(info: ClipInfo, span: _Span) -> Iterator[Frame]:
    """Yield the frames of a span, thinned to the most a second; the frame of the time itself is always among them."""
    start_s = span.time_s - span.length_s / 2
    spacing_s = 1 / span.most_per_s - SAME_MOMENT_S
    last_s = -np.inf
    read: Iterable[Frame] = read_frames(info, start_after_s=start_s if start_s > 0 else None)
    for frame in read if span.change_frames is None else span.change_frames(read):
        if frame.time_s > span.time_s + span.length_s / 2:
            return
        if abs(frame.time_s - span.time_s) < SAME_MOMENT_S or frame.time_s - last_s >= spacing_s:
            last_s = frame.time_s
            yield frame


def _read_glimpses(info: ClipInfo, span: _Span) -> Iterator[_Glimpse]:
    for frame in _read_span(info, span):
        luma = read_luma(frame)
        height, width = luma.shape
        size = (max(1, width // SMALL_STEP_PX), max(1, height // SMALL_STEP_PX))
        small = cv2.resize(luma, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
        yield _Glimpse(frame.time_s, turn_upright(small, frame.rotation_deg))


def _find_poses(glimpses: Sequence[_Glimpse], place: LoopPlace) -> dict[float, Matrix]:
    """Return by time about where the place is in each frame, from the view outward as far as the motion can be told."""
    middle = int(np.argmin([abs(glimpse.time_s - place.time_s) for glimpse in glimpses]))
    row, column = place.origin_px
    poses = {glimpses[middle].time_s: np.array([[1.0, 0.0, column], [0.0, 1.0, row]])}
    for chain in (glimpses[middle:], glimpses[middle::-1]):
        pose = poses[glimpses[middle].time_s]
        for before, after in pairwise(chain):
            stepped = _step_pose(before.grey, after.grey, pose=pose, place=place)
            if stepped is None:
                break
            pose = stepped
            poses[after.time_s] = pose
    return poses


def _step_pose(
    before: NDArray[np.uint8], after: NDArray[np.uint8], *, pose: Matrix, place: LoopPlace
) -> Matrix | None:
    """Carry a pose from one frame into the next: turn and scale with the camera, place with the leaf's own motion."""
    similarity = link_frames(before, after)
    if similarity is None:
        return None
    centre = np.array([place.middle_px[1] - place.origin_px[1], place.middle_px[0] - place.origin_px[0]])
    x, y = pose[:, :2] @ centre + pose[:, 2]
    ((row, column),) = carry_points(before, after, points=np.array([[y, x]]), similarity=similarity)
    turn = similarity[::-1, 1::-1] @ pose[:, :2]  # (row, column) swapped to (x, y)
    return np.column_stack([turn, np.array([column, row]) - turn @ centre])


def _cut_surroundings(
    info: ClipInfo, place: LoopPlace, poses: dict[float, Matrix], span: _Span
) -> Iterator[_Surroundings]:
    """Yield what must be kept of each frame whose pose is known."""
    rows, columns = place.picture.shape[:2]
    spare = SPARE_SHARE * max(rows, columns)
    corners = np.array(
        [[-spare, columns + spare, -spare, columns + spare], [-spare, -spare, rows + spare, rows + spare]]
    )
    for frame in _read_span(info, span):
        if frame.time_s not in poses:
            continue
        pose = poses[frame.time_s]
        rgb = read_rgb(frame)
        seen = pose[:, :2] @ corners + pose[:, 2:]
        left, top = np.maximum(0, np.floor(seen.min(axis=1))).astype(int)
        right, bottom = np.ceil(seen.max(axis=1)).astype(int) + 1
        part = rgb[top:bottom, left:right].copy()  # a view would keep the whole frame
        if part.size:
            moved = np.column_stack([pose[:, :2], pose[:, 2] - (left, top)])
            yield _Surroundings(
                frame.time_s, part, moved, (int(top), int(left)), (int(rgb.shape[0]), int(rgb.shape[1]))
            )


def _hold_still(held: Sequence[_Surroundings], place: LoopPlace) -> list[PlaceSight]:
    """Bring every frame, in order of time, to cover the view's picture.

    It goes from the view outward, each frame beginning where its neighbour ended: a leaf sways, it does not jump.
    """
    matcher = _make_matcher(place)
    earlier, later = _part(held, place)
    return [*reversed(_hold_chain(earlier, matcher, place)), *_hold_chain(later, matcher, place)]


def _make_matcher(place: LoopPlace) -> PlaceMatcher:
    origin_row, origin_column = place.origin_px
    middle_px = (place.middle_px[0] - origin_row, place.middle_px[1] - origin_column)
    return PlaceMatcher(place.picture, middle_px=middle_px)


def _part(held: Sequence[_Surroundings], place: LoopPlace) -> tuple[list[_Surroundings], list[_Surroundings]]:
    """Return what comes before the view and what comes from it on, both from the view outward."""
    earlier = [one for one in held if one.time_s < place.time_s - SAME_MOMENT_S]
    return earlier[::-1], [one for one in held if one.time_s >= place.time_s - SAME_MOMENT_S]


def _hold_chain(held: Sequence[_Surroundings], matcher: PlaceMatcher, place: LoopPlace) -> list[PlaceSight]:
    size_px = (place.picture.shape[0], place.picture.shape[1])
    sights = []
    before = make_still_step()
    for one in held:
        step = matcher.find_step(one.rgb, one.pose, before=before)
        pose = matcher.apply(one.pose, step)
        sight = _see_through(one, pose, cut_through(one.rgb, pose, size_px), matcher)
        if sight.likeness >= LEAST_LIKENESS:
            before = step
        sights.append(sight)
    return sights


def _find_steps(held: Sequence[_Surroundings], place: LoopPlace, matcher: PlaceMatcher) -> dict[float, Step]:
    """Return by time the steps that bring the place to cover the view, of a frame every `FOLLOW_STEP_S` where that was found."""
    size_px = (place.picture.shape[0], place.picture.shape[1])
    steps: dict[float, Step] = {}
    for chain in _part(held, place):
        before, last_s = make_still_step(), -np.inf
        for one in chain:
            if abs(one.time_s - last_s) < FOLLOW_STEP_S - SAME_MOMENT_S:
                continue
            last_s = one.time_s
            step = matcher.find_step(one.rgb, one.pose, before=before)
            picture = cut_through(one.rgb, matcher.apply(one.pose, step), size_px)
            if matcher.compare(picture) >= LEAST_LIKENESS:
                steps[one.time_s] = before = step
    return steps


def _see_through(
    one: _Surroundings, pose: Matrix, picture: NDArray[np.uint8], matcher: PlaceMatcher
) -> PlaceSight:
    inside = _measure_inside(pose, one, (picture.shape[0], picture.shape[1]))
    in_frame = np.column_stack([pose[:, :2], pose[:, 2] + one.corner_px[::-1]])
    return PlaceSight(one.time_s, in_frame, picture, matcher.compare(picture), inside)


def _measure_inside(pose: Matrix, held: _Surroundings, size_px: tuple[int, int]) -> float:
    """Return the share of a picture, seen through a pose into what was kept of a frame, that lies inside the whole frame."""
    rows, columns = size_px
    x, y = np.meshgrid(np.linspace(0, columns - 1, GRID_POINTS), np.linspace(0, rows - 1, GRID_POINTS))
    points = np.stack([x.ravel(), y.ravel()], axis=1) @ pose[:, :2].T + pose[:, 2] + held.corner_px[::-1]
    last = np.array([held.frame_size_px[1] - 1, held.frame_size_px[0] - 1])
    return float(np.mean(np.all((points >= 0) & (points <= last), axis=1)))


def _keep_unbroken(frames: Sequence[SteadyFrame], time_s: float) -> list[SteadyFrame]:
    """Return the run of frames round a time in which no gap is longer than `LONGEST_GAP_S`."""
    runs: list[list[SteadyFrame]] = [[]]
    for frame in frames:
        if runs[-1] and frame.time_s - runs[-1][-1].time_s > LONGEST_GAP_S:
            runs.append([])
        runs[-1].append(frame)
    for run in runs:
        if run and run[0].time_s - SAME_MOMENT_S <= time_s <= run[-1].time_s + SAME_MOMENT_S:
            return run
    return []

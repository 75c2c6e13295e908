"""Larvae drawn into the frames of a real clip, so that what a search makes of them can be counted.

A body is laid on a lit leaf of one sharp frame by the rules that training lays them by (`models.laying`), and follows that place
through the frames round it: where the leaf goes, at the brightness of the light under it, as blurred as what lies about it. The
frames are changed as they are read; no clip is ever written. Bodies can be packed and laid into the same clip again. Outlines
of bodies are float32 (N, 2) of (x, y) px of the place they were laid on; poses are those of `detect.place_matching`.
"""

import io
import zipfile
import zlib
from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.clips import ClipInfo, Frame, read_frames, read_rgb
from detect.errors import DetectError
from detect.place_matching import Matrix
from detect.sharpness import choose_sharp, find_window, watch_frames
from detect.steadying import FOLLOW_STEP_S, LEAST_LIKENESS, LoopPlace, PlaceSight, follow_place
from detect.truth_scoring import LEAST_SEEN_S
from models import patches
from models.canopy.clip import find_box, measure_length
from models.canopy.larvae import LarvaSettings
from models.canopy.sheets import fill_softly
from models.canopy.truth import Box, FrameTruth, LarvaMark
from models.laying import OPAQUE, LayingSettings, Look, choose_lit, choose_look, put_shape, shade, shape_larva

PLANTED_LOOK = LayingSettings(body_light=LarvaSettings().body_light)
"""As training lays bodies, but as dark as those of the drawn canopy: a body stops nearly all of the light."""

SPAN_S = 4.0
"""A body is on show for so long at the most: seen in several looks of a search, as a larva is that one walks by."""

LONGEST_BLURRED_S = 2 * FOLLOW_STEP_S
"""A place that is not seen again for longer is lost: something has come before it, or it has left the frame."""

LEAST_LIT = 0.95
"""A body lies on lit leaf with this share of itself and of a rim as wide as its head: a larva is a shade on a lit leaf, and over
shadow or sky a laid one would be seen to float."""

RIM_PER_LENGTH = 0.12
PLACES_TRIED = 6

MOST_OF_SIDE = 0.25
"""A body is no longer than this share of the frame's shorter side: small frames hold small larvae."""

LEAST_BLUR_PX, MOST_BLUR_PX = 0.5, 4.0
"""No camera is sharper than the least; beyond the most, edges are too few to tell by."""

AGAIN_PX = 1.0
EDGES_SHARE = 0.03
LEAST_EDGE = 3.0
"""Blur is told at the steepest places, this share of all, by how much blurring once more by so many px flattens them; gradients
under the least, in codes a px, are grain."""

STEP_VARIANCE = 1 / 3 + 1 / 12
"""Variance, in px squared, that differences over two pixels and the pixels' own width add to the blur."""

GRAIN = 1.0
"""Deviation of the noise laid over a body, in codes: that of training."""

GAMMA = 2.2

APART_LENGTHS = 2.0
"""Bodies keep so many lengths of the longer one apart, middle to middle, so that no find could show either of two."""


@dataclass(frozen=True, slots=True, eq=False)
class PlantedBody:
    """A drawn larva and where it is in the frames that show it.

    Attributes
    ----------
    seed : of the noise over it
    outline_xy : in px of the place it was laid on
    passed, shine : float32 (3,), the share of red, green and blue light that it passes, and what it sends back
    times_s : float64 (T,), of the frames that show it, ascending
    poses : float64 (T, 2, 3), from the place to each frame
    blurs_px : float64 (T,), of its edge
    """

    seed: int
    outline_xy: NDArray[np.float32]
    passed: NDArray[np.float32]
    shine: NDArray[np.float32]
    times_s: NDArray[np.float64]
    poses: NDArray[np.float64]
    blurs_px: NDArray[np.float64]

    def find_outline(self, place: int) -> NDArray[np.float32]:
        """Return its outline (x, y) in the frame with that place in `times_s`."""
        pose = self.poses[place]
        return np.asarray(self.outline_xy @ pose[:, :2].T + pose[:, 2], np.float32)


Marks = dict[int, FrameTruth]
"""By index of the frame, as `detect.truth_scoring` asks for it: what was laid into it."""


def choose_body(
    info: ClipInfo,
    rng: np.random.Generator,
    *,
    seed: int,
    duration_s: float,
    window_s: float,
    find_taken: Callable[[float], Sequence[Box]],
    settings: LayingSettings = PLANTED_LOOK,
) -> PlantedBody | None:
    """Choose a moment, a lit leaf and a body, and follow the place; None where there is no room, or it is not long on show.

    Parameters
    ----------
    seed : kept with the body, for its noise
    duration_s, window_s : of the clip, and of a search's windows: the body is laid on the sharpest frame of one
    find_taken : from a time to boxes in that frame where no body may be laid
    """
    frame = _find_sharp(info, float(rng.uniform(0, duration_s)), window_s)
    if frame is None:
        return None
    rgb = read_rgb(frame)
    longest_px = min(settings.length_px[1], MOST_OF_SIDE * min(rgb.shape[:2]))
    if longest_px <= settings.length_px[0]:
        return None
    length_px = float(np.exp(rng.uniform(*np.log((settings.length_px[0], longest_px)))))
    laid = _lay_on_leaf(rgb, settings, rng, length_px=length_px, taken=find_taken(frame.time_s))
    if laid is None:
        return None
    lit, in_frame = laid
    place = _cut_place(rgb, frame.time_s, lit, length_px=length_px)
    outline = np.asarray(in_frame - np.array(place.origin_px[::-1]), np.float32)
    look = choose_look(settings, rng, tint=OPAQUE)
    sights = _keep_shown(_follow(info, place), place.time_s)
    if not sights or (info.kind == "video" and sights[-1].time_s - sights[0].time_s < LEAST_SEEN_S):
        return None
    return PlantedBody(
        seed=seed,
        outline_xy=outline,
        passed=look.passed,
        shine=look.shine,
        times_s=np.array([sight.time_s for sight in sights]),
        poses=np.stack([sight.pose for sight in sights]),
        blurs_px=_smooth([measure_blur(sight.picture) for sight in sights]),
    )


def plant(
    frames: Iterable[Frame], bodies: Sequence[PlantedBody], marks: Marks
) -> Generator[Frame, None, None]:
    """Yield the frames with the bodies laid in, all as RGB, so that those without differ in nothing else; fills `marks`.

    A body's mark is named by its place in `bodies`.
    """
    shown = [{float(time_s): place for place, time_s in enumerate(body.times_s)} for body in bodies]
    for frame in frames:
        rgb = read_rgb(frame)
        here = [number for number, times in enumerate(shown) if frame.time_s in times]
        if here:
            rgb = rgb.copy()
            laid = [
                _lay(rgb, bodies[number], shown[number][frame.time_s], name=str(number)) for number in here
            ]
            larvae = tuple(mark for mark in laid if mark is not None)
            marks[frame.index] = FrameTruth(frame.index, frame.time_s, larvae, ())
        yield Frame(frame.index, frame.time_s, 0, rgb)


def collide(one: PlantedBody, other: PlantedBody) -> bool:
    """Tell whether two bodies come within two lengths of each other in any frame."""
    reach_px = APART_LENGTHS * max(measure_length(one.find_outline(0)), measure_length(other.find_outline(0)))
    places = {float(time_s): place for place, time_s in enumerate(other.times_s)}
    return any(
        float(np.hypot(*_find_gap(one, place, other, places[float(time_s)]))) < reach_px
        for place, time_s in enumerate(one.times_s)
        if float(time_s) in places
    )


def find_reach(body: PlantedBody, time_s: float) -> Box | None:
    """Return the box in the frame of a time within which no other body may lie; None where this one is not on show."""
    places = np.flatnonzero(body.times_s == time_s)
    if not len(places):
        return None
    outline = body.find_outline(int(places[0]))
    reach_px = APART_LENGTHS * measure_length(outline)
    (left, top), (right, bottom) = outline.min(axis=0) - reach_px, outline.max(axis=0) + reach_px
    return int(top), int(left), int(np.ceil(bottom)), int(np.ceil(right))


def pack_body(body: PlantedBody) -> bytes:
    """Return a body as bytes (NumPy's npz, without objects)."""
    stream = io.BytesIO()
    np.savez_compressed(
        stream,
        **{name: getattr(body, name) for name in PlantedBody.__slots__ if name != "seed"},
        seed=body.seed,
    )
    return stream.getvalue()


def unpack_body(data: bytes) -> PlantedBody:
    """Return the body that was packed.

    Raises
    ------
    detect.errors.DetectError
        Where the bytes are no body.
    """
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as kept:
            values = {name: kept[name] for name in PlantedBody.__slots__}
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error) as error:
        raise DetectError(
            f"planted larva: expected what was kept of it; found {len(data)} bytes that are not ({error}); plant anew"
        ) from error
    return PlantedBody(**{**values, "seed": int(values["seed"])})


def measure_blur(picture: NDArray[np.uint8]) -> float:
    """Return the blur of a picture (H, W, 3), the deviation in px of the spread of its steepest edges.

    Of an edge with deviation s, blurring by t once more flattens the peak of the gradient by R = sqrt((s^2 + t^2) / s^2), so that
    s = t / sqrt(R^2 - 1) (Zhuo and Sim 2011, Pattern Recognit. 44:1852-1858; from memory). The median over the steepest places;
    `MOST_BLUR_PX` where there is no edge to tell by. On drawn edges right to a fifth up to 2 px, and too little beyond.
    """
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    if min(grey.shape) < 3:
        return MOST_BLUR_PX
    steep = _find_steepness(grey)
    flatter = _find_steepness(np.asarray(cv2.GaussianBlur(grey, (0, 0), AGAIN_PX), np.float32))
    is_peak = steep >= cv2.dilate(steep, np.ones((3, 3), np.uint8)) - 1e-6
    is_edge = is_peak & (steep >= max(LEAST_EDGE, float(np.quantile(steep, 1 - EDGES_SHARE))))
    if not is_edge.any():
        return MOST_BLUR_PX
    ratio = np.median(steep[is_edge] / np.maximum(flatter[is_edge], 1e-3))
    seen = AGAIN_PX / np.sqrt(max(float(ratio) ** 2 - 1, 1e-6))
    return float(np.clip(np.sqrt(max(seen**2 - STEP_VARIANCE, 0.0)), LEAST_BLUR_PX, MOST_BLUR_PX))


def _find_steepness(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the size of the gradient (H, W), by differences over two pixels; none at the border."""
    steep = np.zeros_like(grey)
    down = (grey[2:, 1:-1] - grey[:-2, 1:-1]) / 2
    right = (grey[1:-1, 2:] - grey[1:-1, :-2]) / 2
    steep[1:-1, 1:-1] = np.hypot(down, right)
    return steep


def _lay_on_leaf(
    rgb: NDArray[np.uint8],
    settings: LayingSettings,
    rng: np.random.Generator,
    *,
    length_px: float,
    taken: Sequence[Box],
) -> tuple[tuple[float, float], NDArray[np.float32]] | None:
    """Return a spot (row, column) and the outline (x, y) of a body there that lies on lit leaf; None where none is found soon."""
    for _ in range(PLACES_TRIED):
        spot = choose_lit(rgb, settings, rng, length_px=length_px, taken=taken)
        if spot is None:
            return None
        outline = put_shape(shape_larva(rng), rng, place=spot, length_px=length_px)
        if _measure_lit(rgb, outline, settings, rim_px=max(1.0, RIM_PER_LENGTH * length_px)) >= LEAST_LIT:
            return spot, outline
    return None


def _measure_lit(
    rgb: NDArray[np.uint8], outline_xy: NDArray[np.float32], settings: LayingSettings, *, rim_px: float
) -> float:
    """Return the share of a body with its rim that lies on lit leaf; what lies outside the picture is none."""
    mask, (row, column) = fill_softly(outline_xy, pad_px=int(np.ceil(rim_px)) + 1)
    side = 2 * int(np.ceil(rim_px)) + 1
    covered = cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))) > 0.5
    rows, columns = np.nonzero(covered)
    rows, columns = rows + row, columns + column
    is_inside = (rows >= 0) & (columns >= 0) & (rows < rgb.shape[0]) & (columns < rgb.shape[1])
    red, green, blue = rgb[rows[is_inside], columns[is_inside]].astype(np.float32).T
    is_lit = (green >= settings.least_code) & (green >= settings.least_greenness * (red + blue) / 2)
    return float(is_lit.sum()) / max(1, int(covered.sum()))


def _find_sharp(info: ClipInfo, time_s: float, window_s: float) -> Frame | None:
    """Return the sharpest frame of the window that a time lies in; None where none can be read there."""
    window = find_window(time_s, window_s)
    start_s = window * window_s
    frames = read_frames(info, start_after_s=np.nextafter(start_s, -np.inf) if start_s > 0 else None)

    def within() -> Generator[Frame, None, None]:
        for frame in frames:
            if find_window(frame.time_s, window_s) > window:
                return
            yield frame

    chosen = next(choose_sharp(watch_frames(within()), window_s=window_s), None)
    frames.close()
    return None if chosen is None else chosen.frame


def _cut_place(
    rgb: NDArray[np.uint8], time_s: float, lit: tuple[float, float], *, length_px: float
) -> LoopPlace:
    """Return the surroundings of a spot, as much as is kept of a candidate, as a place that can be followed."""
    rows, columns = patches.find_window(lit, length_px, rgb.shape)
    return LoopPlace(time_s, (rows.start, columns.start), lit, rgb[rows, columns].copy())


def _follow(info: ClipInfo, place: LoopPlace) -> list[PlaceSight]:
    if info.kind == "video":
        return follow_place(info, place, span_s=SPAN_S)
    # Photos are of different places or moments: a body stands in one of them.
    row, column = place.origin_px
    still: Matrix = np.array([[1.0, 0.0, column], [0.0, 1.0, row]])
    return [PlaceSight(place.time_s, still, place.picture, 1.0, 1.0)]


def _keep_shown(sights: Sequence[PlaceSight], time_s: float) -> list[PlaceSight]:
    """Return the sights round a time up to where the place is lost for longer than `LONGEST_BLURRED_S`, blurred ones within."""
    good = [sight.time_s for sight in sights if sight.likeness >= LEAST_LIKENESS]
    if not good:
        return []
    first_s = last_s = min(good, key=lambda one: abs(one - time_s))
    for one in sorted(one for one in good if one > last_s):
        if one - last_s > LONGEST_BLURRED_S:
            break
        last_s = one
    for one in sorted((one for one in good if one < first_s), reverse=True):
        if first_s - one > LONGEST_BLURRED_S:
            break
        first_s = one
    return [sight for sight in sights if first_s <= sight.time_s <= last_s]


def _smooth(blurs_px: Sequence[float]) -> NDArray[np.float64]:
    """Return each blur as the median of itself and its neighbours in time."""
    padded = np.pad(np.asarray(blurs_px, np.float64), 1, mode="edge")
    return np.asarray(np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0), np.float64)


def _lay(rgb: NDArray[np.uint8], body: PlantedBody, place: int, *, name: str) -> LarvaMark | None:
    """Lay a body into a frame (H, W, 3), in place; return its mark, None where none of it lies inside."""
    outline = body.find_outline(place)
    box = find_box(outline, rgb.shape[:2])
    if box is None:
        return None
    blur_px = float(body.blurs_px[place])
    spare = int(np.ceil(3 * blur_px)) + 8
    row, column = max(0, box[0] - spare), max(0, box[1] - spare)
    part = rgb[row : box[2] + spare, column : box[3] + spare]
    light = ((part.astype(np.float32) / 255) ** GAMMA).astype(np.float32)
    before = light.copy()
    covered = shade(
        light, outline - np.array([column, row], np.float32), Look(blur_px, body.passed, body.shine)
    )
    codes = np.clip(light, 0, 1) ** (1 / GAMMA) * 255
    noise = np.random.default_rng((body.seed, place)).normal(0, GRAIN, codes.shape)
    is_changed = np.any(light != before, axis=2, keepdims=True)
    part[...] = np.where(is_changed, np.clip(np.round(codes + noise), 0, 255), part).astype(np.uint8)
    area = max(1e-6, float(cv2.contourArea(outline)))
    return LarvaMark(
        name,
        box,
        outline[:, ::-1].copy(),
        measure_length(outline),
        min(1.0, float(covered.sum()) / area),
        1 / (1 + blur_px),
    )


def _find_gap(one: PlantedBody, place: int, other: PlantedBody, other_place: int) -> NDArray[np.float64]:
    """Return how far the middles of two bodies are apart in a frame, (x, y)."""
    gap: NDArray[np.float64] = (
        one.find_outline(place).mean(axis=0) - other.find_outline(other_place).mean(axis=0)
    ).astype(np.float64)
    return gap

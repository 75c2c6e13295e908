"""Tree cards in footage: printed square markers found in the frames of a clip, with their number, their corners, and the scale.

A marker is one of `NUMBERS` squares of 8 x 8 modules (a black frame round 6 x 6 bits: OpenCV's ArUco dictionary 6x6_250, any two
of which differ in at least 11 bits however they are turned). Corners are (row, column) of the upright full-resolution frame, the
marker's own top left first, then clockwise as printed. Two frames a second are reduced; of those one is looked at small every
second and one at half size every two seconds, in passing; from a marker so met on, and for the reduced frames shortly before it,
up to four frames a second are looked at closely. Which tree a number stands for is not known here, nor how large a card was
printed.
"""

import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.clips import Frame, read_luma, turn_upright
from detect.errors import DetectError
from detect.sharpness import WatchedFrame

DICTIONARY = cv2.aruco.DICT_6X6_250
NUMBERS = 250
MODULES = 8
"""Along a side, the black frame of one module included. At 8 px a module 6 x 6 bits were found as often as 5 x 5 (blur of sigma
2, tilt of 45 degrees), and chance reads one of 250 numbers out of any dark square once in 70 million, not once in 30 thousand."""

SLOT_S = 0.25
SLOTS_PER_REDUCED = 2
"""Until a marker is met, of so many slots one frame is reduced: reducing four a second cost a third of all the looking."""

SLOTS_PER_SMALL_LOOK = 4
SLOTS_PER_HALF_LOOK = 8
"""How often is looked. A card at arm's length (20 px a module and more) is met in the small picture; one at the edge of what can
be read, in the half-size one, which costs six times as much. A card held up for two seconds is looked for at least once in each;
with a look at half size every three seconds, 5 of 48 small cards shown for 2 to 3 s were missed."""

AROUND_S = 2.5
"""So long before and after a marker that was met every slot is looked at, in the size it was met in, which tells when the card
came and went; somewhat longer than from one look to the next."""

HALF = 2
SMALL = 4
"""The half-size picture has one pixel for 2 x 2, the small one for 4 x 4 of those. Modules of 8 px have 4 in the first; cards out
of focus close to the lens are sharp again in the second."""

THRESHOLD_WINDOW_PX = 9
THRESHOLD_STEP = 7.0
"""A pixel is dark that is under the mean of the window by this. The window is narrower than the white margin of a card at 8 px a
module: with one of 15 px, a dim card before a bright sky ran together with the sky's edge, and 5 in 7 were missed."""

PASSING_STEP = 10.0
"""The same for a look at half size in passing: canopy has fewer outlines by it, so that the look costs three quarters. Of 120
cards at 8 to 30 px a module, a third of them dim, 117 were met where 118 were with 7; with 14, only 103 were."""

LEAST_PERIMETER_PX = 80.0
"""In the picture looked at. A marker of 8 px a module is 32 px wide in the half-size one, and tilted by 50 degrees its outline
is 105 px long."""

CORRECTED_SHARE = 0.4
"""Of the 5 bits in 36 that could be put right without doubt: 2 are."""

IGNORED_EDGE_SHARE = 0.25
"""Of each module, on each side: blur mixes the edges of modules."""

REFINED_WITHIN_PX = 5
REFINED_STEPS = 20
REFINED_TO_PX = 0.02

LEAST_SIDE_PX = 24
"""A half-size picture smaller than this can hold no readable marker."""

LEAST_SIGHTINGS = 3
"""So many frames must agree before a card is believed to have been shown."""

LONGEST_GAP_S = 2.0
"""A card lost from view for longer was shown anew; turned away in the hand it is back within this (own choice)."""

FULL_FRAME_WIDTH_MM = 36.0
"""The picture's long side that a 35-mm-equivalent focal length goes with."""


@dataclass(frozen=True, slots=True, eq=False)
class CardSighting:
    """A marker seen in one frame.

    Attributes
    ----------
    time_s : in the clip
    number : 0 to `NUMBERS` - 1
    corners : float32 (4, 2), (row, column) px of the upright frame
    """

    time_s: float
    number: int
    corners: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class CardShowing:
    """A card held up once: the same marker in frames that follow each other.

    Attributes
    ----------
    first_s, last_s : when it was first and last seen
    sightings : in order of time
    """

    number: int
    first_s: float
    last_s: float
    sightings: tuple[CardSighting, ...]


@dataclass(frozen=True, slots=True)
class CardScale:
    """What a card of known size tells about the picture at its place.

    Attributes
    ----------
    mm_per_px : at the card's distance, across the line of sight
    tilt_deg : by how much the card leans away from facing the lens, 0 to 90
    side_px : length of the marker's side, were it not tilted
    """

    mm_per_px: float
    tilt_deg: float
    side_px: float


class CardWatcher:
    """Looks for markers in the frames that pass by; its state is the last seconds of frames, reduced.

    Parameters
    ----------
    takes_all : look at every frame in both sizes: for photos, which are moments apart
    goes_on : the first frame is not the clip's first, so that its place in time must not be taken for the start of a slot
    """

    def __init__(self, *, takes_all: bool = False, goes_on: bool = False) -> None:
        self._takes_all = takes_all
        self._slot: int | None = None
        self._goes_on = goes_on
        self._recent: deque[_Reduced] = deque()
        self._small_until_s = self._half_until_s = -math.inf
        self._found: dict[tuple[float, int], CardSighting] = {}

    def watch(self, frames: Iterable[WatchedFrame]) -> Iterator[WatchedFrame]:
        """Pass frames on, having looked for markers in those that are due."""
        for item in frames:
            self.see(item.frame)
            yield item

    def see(self, frame: Frame) -> None:
        """Look for markers in a frame, if it is due."""
        slot = int(frame.time_s / SLOT_S)
        before, self._slot = self._slot, slot
        is_due = slot != before and not (before is None and self._goes_on)
        if self._takes_all:
            reduced = _reduce(frame)
            self._scan_half(reduced)
            self._scan_small(reduced)
        elif is_due:
            slots = range(slot if before is None else before + 1, slot + 1)
            is_close = frame.time_s <= max(self._small_until_s, self._half_until_s)
            if is_close or any(one % SLOTS_PER_REDUCED == 0 for one in slots):
                self._take_slot(_reduce(frame), slots=slots)

    def take(self) -> tuple[CardSighting, ...]:
        """Hand over what was found since this was last asked, in order of time; a marker may come again with a later call."""
        found = tuple(self._found[key] for key in sorted(self._found))
        self._found.clear()
        return found

    def _take_slot(self, reduced: "_Reduced", *, slots: range) -> None:
        """Look at a slot's first frame; slots in which no frame came count as looked at with this one.

        Whether a frame is scanned depends only on what is met within `AROUND_S` of it, so that a search that goes on later in
        the clip sees the same.
        """
        while self._recent and self._recent[0].time_s < reduced.time_s - AROUND_S:
            self._recent.popleft()
        self._recent.append(reduced)
        is_near = any(slot % SLOTS_PER_SMALL_LOOK == 0 for slot in slots) and bool(
            find_markers(reduced.small())
        )
        is_far = not is_near and any(slot % SLOTS_PER_HALF_LOOK == 0 for slot in slots)
        is_far = is_far and bool(find_markers(reduced.half, step=PASSING_STEP))
        if is_near:
            self._small_until_s = reduced.time_s + AROUND_S
        if is_far:
            self._half_until_s = reduced.time_s + AROUND_S
        for recent in self._recent if is_near else (reduced,):
            if recent.time_s <= self._small_until_s:
                self._scan_small(recent)
        for recent in self._recent if is_far else (reduced,):
            if recent.time_s <= self._half_until_s:
                self._scan_half(recent)

    def _scan_small(self, reduced: "_Reduced") -> None:
        if not reduced.is_small_scanned:
            reduced.is_small_scanned = True
            self._keep(reduced, [(n, SMALL * (c + 0.5) - 0.5) for n, c in find_markers(reduced.small())])

    def _scan_half(self, reduced: "_Reduced") -> None:
        if not reduced.is_half_scanned:
            reduced.is_half_scanned = True
            self._keep(reduced, find_markers(reduced.half))

    def _keep(self, reduced: "_Reduced", found: Iterable[tuple[int, NDArray[np.float32]]]) -> None:
        """Keep markers, their corners sharpened in the half-size picture; what was found first stays."""
        for number, corners in found:
            places = reduced.px_each * (_sharpen(reduced.half, corners) + 0.5) - 0.5
            sighting = CardSighting(reduced.time_s, number, places.astype(np.float32))
            self._found.setdefault((reduced.time_s, number), sighting)


@dataclass(slots=True, eq=False)
class _Reduced:
    """A frame's luma at half size, upright, of which one pixel is `px_each` px; and what it was scanned for."""

    time_s: float
    half: NDArray[np.uint8]
    px_each: float
    is_small_scanned: bool = False
    is_half_scanned: bool = False

    def small(self) -> NDArray[np.uint8]:
        """The same at the small size."""
        small = self.half
        # Twice to a half is twice as quick as once to a quarter.
        for _ in range(SMALL.bit_length() - 1):
            small = _halve(small)
        return small


def find_markers(
    picture: NDArray[np.uint8], *, step: float = THRESHOLD_STEP
) -> list[tuple[int, NDArray[np.float32]]]:
    """Return the markers in an upright grey picture, uint8 (h, w): number and corners, float32 (4, 2), (row, column).

    Parameters
    ----------
    step : a pixel is dark that is under the mean round it by this, in grey levels
    """
    longest = max(picture.shape)
    if min(picture.shape) < LEAST_SIDE_PX:
        return []
    found: Any = _make_detector(longest, step).detectMarkers(picture)
    outlines, numbers, _ = found
    # Where there is none, OpenCV gives None for the numbers, whatever its types say.
    return [
        (int(number), np.asarray(outline, np.float32).reshape(4, 2)[:, ::-1].copy())
        for number, outline in zip(numbers.ravel() if len(outlines) else (), outlines, strict=True)
    ]


def gather_showings(
    sightings: Iterable[CardSighting], *, least_sightings: int = LEAST_SIGHTINGS
) -> tuple[CardShowing, ...]:
    """Return the showings of cards in order of their start; markers seen in too few frames are left out.

    Parameters
    ----------
    least_sightings : how many frames must agree; 1 for photos, each of which stands for itself
    """
    ordered = sorted(sightings, key=lambda sighting: (sighting.number, sighting.time_s))
    showings = [
        CardShowing(number, run[0].time_s, run[-1].time_s, tuple(run))
        for number, one_card in groupby(ordered, key=lambda sighting: sighting.number)
        for run in _split_runs(list(one_card))
        if len({sighting.time_s for sighting in run}) >= least_sightings
    ]
    return tuple(sorted(showings, key=lambda showing: (showing.first_s, showing.number)))


def draw_marker(number: int) -> NDArray[np.bool_]:
    """Return the modules of a marker as printed, bool (8, 8), True for black."""
    if not 0 <= number < NUMBERS:
        raise DetectError(
            f"marker: expected a number from 0 to {NUMBERS - 1}; found {number}; there are no more different markers"
        )
    picture = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(DICTIONARY), number, MODULES)
    modules: NDArray[np.bool_] = picture < 128
    return modules


def measure_scale(corners: NDArray[np.float32], side_mm: float) -> CardScale:
    """Return the scale of the picture where a marker of known size was seen.

    A square that leans away is shortened along one direction only; the scale is that of the other one. The four corners give
    the homography from the square to the picture (Hartley & Zisserman 2004, Multiple View Geometry, section 4.1, from memory);
    the singular values of its derivative at the square's centre are the lengths of a side along and across the lean.

    Parameters
    ----------
    corners : float32 (4, 2), (row, column) px, as in a `CardSighting`
    side_mm : length of the black square's side on the card

    Raises
    ------
    detect.errors.DetectError
        Where the side has no length or the corners span no area.
    """
    if not (math.isfinite(side_mm) and side_mm > 0):
        raise DetectError(
            f"card: expected the length of the black square's side in mm; found {side_mm:g}; measure it on the card"
        )
    square = np.array([[0, 0], [0, 1], [1, 1], [1, 0]], np.float32)
    places = np.asarray(corners, np.float32).reshape(4, 2)
    if not np.isfinite(places).all() or abs(cv2.contourArea(places)) < 1:
        raise DetectError(
            "card: expected four corners that span an area; found them in line; use another frame of it"
        )
    matrix = np.asarray(cv2.getPerspectiveTransform(square, places), np.float64)
    _, (longer_px, shorter_px), _ = np.linalg.svd(_differentiate(matrix, at=(0.5, 0.5)))
    tilt = math.acos(min(1.0, float(shorter_px / longer_px)))
    return CardScale(side_mm / float(longer_px), math.degrees(tilt), float(longer_px))


def measure_distance_m(
    scale: CardScale, *, focal_equivalent_mm: float, frame_size_px: tuple[int, int]
) -> float:
    """Return how far from the lens a card was, in metres.

    Parameters
    ----------
    focal_equivalent_mm : focal length that a lens of this angle would have over a picture 36 mm wide
    frame_size_px : (rows, columns); the longer one goes with the 36 mm
    """
    if not (math.isfinite(focal_equivalent_mm) and focal_equivalent_mm > 0):
        raise DetectError(
            f"lens: expected a 35-mm-equivalent focal length in mm; found {focal_equivalent_mm:g}; "
            "look it up in the camera's manual"
        )
    focal_px = focal_equivalent_mm / FULL_FRAME_WIDTH_MM * max(frame_size_px)
    return scale.mm_per_px * focal_px / 1000


def _differentiate(matrix: NDArray[np.float64], *, at: tuple[float, float]) -> NDArray[np.float64]:
    """Return the derivative (2, 2) of a homography (3, 3) at a place."""
    x, y, w = matrix @ np.array([*at, 1.0])
    place = np.array([x, y])[:, None]
    moved: NDArray[np.float64] = matrix[:2, :2] / w - place * matrix[2:, :2] / w**2
    return moved


def _split_runs(sightings: Sequence[CardSighting]) -> Iterator[list[CardSighting]]:
    """Yield the sightings of one card in runs without a long gap."""
    run: list[CardSighting] = []
    for sighting in sightings:
        if run and sighting.time_s - run[-1].time_s > LONGEST_GAP_S:
            yield run
            run = []
        run.append(sighting)
    if run:
        yield run


def _reduce(frame: Frame) -> _Reduced:
    luma = read_luma(frame)
    half = _halve(luma)
    return _Reduced(frame.time_s, turn_upright(half, frame.rotation_deg), luma.shape[1] / half.shape[1])


def _halve(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    rows, columns = (max(1, size // HALF) for size in picture.shape)
    return cv2.resize(picture, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)


def _sharpen(picture: NDArray[np.uint8], corners: NDArray[np.float32]) -> NDArray[np.float32]:
    """Move corners to where the edges meet, to a fraction of a pixel."""
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
    # Beyond half a module the edges of the first bits would draw the corner away.
    within = int(max(1, min(REFINED_WITHIN_PX, sides.min() / MODULES / 2)))
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, REFINED_STEPS, REFINED_TO_PX)
    places = np.ascontiguousarray(corners[:, ::-1], np.float32).reshape(4, 1, 2)
    moved = cv2.cornerSubPix(picture, places, (within, within), (-1, -1), stop)
    return moved.reshape(4, 2)[:, ::-1].astype(np.float32)


@cache
def _make_detector(longest_px: int, step: float) -> cv2.aruco.ArucoDetector:
    """Return the detector for pictures of this length; its least size is a share of the length, ours is in px."""
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMin = settings.adaptiveThreshWinSizeMax = THRESHOLD_WINDOW_PX
    settings.adaptiveThreshConstant = step
    settings.minMarkerPerimeterRate = LEAST_PERIMETER_PX / longest_px
    settings.errorCorrectionRate = CORRECTED_SHARE
    settings.perspectiveRemoveIgnoredMarginPerCell = IGNORED_EDGE_SHARE
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), settings)

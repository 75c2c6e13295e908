"""Steadied loops: what shakes by many pixels holds still, and where nothing can be steadied it is said why."""

from collections.abc import Callable
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from detect.clips import ClipInfo, open_clip, read_frames, read_rgb
from detect.errors import ClipError
from detect.steadying import LoopPlace, NoLoopError, SteadyFrame, encode_loop, steady

Picture = NDArray[np.uint8]

RATE_HZ = 30
FRAMES = 54
SIZE_PX = (240, 320)
SPARE_PX = 80
SIDE_PX = 110
ORIGIN_PX = (60, 100)
MIDDLE_PX = (ORIGIN_PX[0] + SIDE_PX / 2, ORIGIN_PX[1] + SIDE_PX / 2)
MIDDLE = 27


def draw_leaves(rng: np.random.Generator) -> NDArray[np.float32]:
    """Leaves against the sky, float32 RGB, larger than a frame on all sides."""
    rows, columns = (side + 2 * SPARE_PX for side in SIZE_PX)
    crown = np.full((rows, columns, 3), 220, np.float32)
    for _ in range(150):
        middle = (int(rng.integers(0, columns)), int(rng.integers(0, rows)))
        axes = (int(rng.integers(10, 34)), int(rng.integers(6, 16)))
        green = float(rng.uniform(60, 190))
        cv2.ellipse(
            crown, middle, axes, float(rng.uniform(0, 180)), 0, 360, (0.5 * green, green, 0.3 * green), -1
        )
    return cv2.GaussianBlur(crown, (0, 0), 0.8).astype(np.float32)


def shift_with_hand(index: int) -> tuple[float, float]:
    """How far a shaking hand has moved the picture at frame `index`: (right, down), in px."""
    time_s = index / RATE_HZ
    right = 13 * np.sin(2 * np.pi * 2.3 * time_s) + 6 * np.sin(2 * np.pi * 5.3 * time_s + 1)
    down = 11 * np.sin(2 * np.pi * 3.1 * time_s + 0.4)
    return float(right), float(down)


def move_with_hand(index: int) -> NDArray[np.float64]:
    """The matrix (x, y) that the hand gives frame `index`: its shift, and a turn of a degree or so."""
    rows, columns = (side + 2 * SPARE_PX for side in SIZE_PX)
    turn_deg = 1.2 * np.sin(2 * np.pi * 1.7 * index / RATE_HZ)
    move = cv2.getRotationMatrix2D((columns / 2, rows / 2), turn_deg, 1.0)
    right, down = shift_with_hand(index)
    move[:, 2] += (right - SPARE_PX, down - SPARE_PX)
    return move.astype(np.float64)


def make_painter(*, light: float = 0.0, pan_px: float = 0.0) -> Callable[[int], Picture]:
    """What paints the frames: the shaking crown under light that changes by `light`, panned by `pan_px` a frame."""
    rng = np.random.default_rng(11)
    crown = draw_leaves(rng)

    def paint(index: int) -> Picture:
        move = move_with_hand(index)
        move[0, 2] += pan_px * (index - MIDDLE)
        seen = cv2.warpAffine(crown, move, SIZE_PX[::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_WRAP)
        seen *= 1 + light * np.sin(index)
        return np.clip(seen + rng.normal(0, 2, seen.shape), 0, 255).astype(np.uint8)

    return paint


def measure_residual_px(pictures: list[Picture]) -> float:
    """Root mean square motion against the middle picture, by phase correlation (Kuglin and Hines 1975)."""
    greys = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32) for picture in pictures]
    middle = greys[len(greys) // 2]
    window = cv2.createHanningWindow(middle.shape[::-1], cv2.CV_32F)
    shifts = [cv2.phaseCorrelate(middle, grey, window)[0] for grey in greys]
    return float(np.sqrt(np.mean(np.sum(np.square(shifts), axis=1))))


def find_dark_px(rgb: Picture) -> NDArray[np.float64]:
    """The middle (row, column) of what is darker than any leaf, each pixel counting by how much."""
    darkness = np.clip(95.0 - rgb.max(axis=2), 0, None)
    rows, columns = np.indices(darkness.shape)
    return np.array([(rows * darkness).sum(), (columns * darkness).sum()]) / darkness.sum()


def cut(rgb: Picture) -> Picture:
    """The place in a frame that is not steadied."""
    row, column = ORIGIN_PX
    return rgb[row : row + SIDE_PX, column : column + SIDE_PX]


def read_place(info: ClipInfo, index: int = MIDDLE) -> LoopPlace:
    """The place as a view of frame `index`."""
    frame = list(read_frames(info))[index]
    return LoopPlace(frame.time_s, ORIGIN_PX, MIDDLE_PX, cut(read_rgb(frame)))


@pytest.fixture(scope="module")
def shaky(tmp_path_factory: pytest.TempPathFactory) -> ClipInfo:
    """A clip of a crown, filmed by a hand that shakes."""
    from tests.conftest import write_clip

    path = tmp_path_factory.mktemp("shaky") / "shaky.mp4"
    write_clip(path, times_s=FRAMES, size_px=SIZE_PX, paint=make_painter(light=0.08), options={"crf": "18"})
    return open_clip(path)


@pytest.fixture(scope="module")
def loop(shaky: ClipInfo) -> list[SteadyFrame]:
    """The steadied loop of that clip."""
    return steady(shaky, read_place(shaky))


def test_what_shook_by_many_pixels_holds_still(shaky: ClipInfo, loop: list[SteadyFrame]) -> None:
    """The place moves by more than 10 px rms in the clip and by less than half a pixel in the loop, while the light plays."""
    shaken = [cut(read_rgb(frame)) for frame in read_frames(shaky)]
    assert measure_residual_px(shaken) > 10
    assert measure_residual_px([frame.rgb for frame in loop]) < 0.5
    brightness = [frame.rgb.mean() for frame in loop]
    assert np.ptp(brightness) > 5


def test_the_loop_covers_the_view_it_was_made_for(shaky: ClipInfo, loop: list[SteadyFrame]) -> None:
    """At the view's own time the loop shows the view's picture, so that an outline drawn on one fits the other."""
    place = read_place(shaky)
    own = min(loop, key=lambda frame: abs(frame.time_s - place.time_s))
    assert own.time_s == place.time_s
    assert own.rgb.shape == place.picture.shape
    assert measure_residual_px([place.picture, own.rgb]) < 0.1
    assert np.abs(own.rgb.astype(int) - place.picture).mean() < 2


def test_the_loop_lasts_about_a_second_and_a_half(loop: list[SteadyFrame]) -> None:
    """Frames are in order of time, none twice, and span what the clip holds round the view."""
    times = [frame.time_s for frame in loop]
    assert times == sorted(set(times))
    assert 1.2 <= times[-1] - times[0] <= 1.7


def test_the_same_clip_gives_the_same_loop(shaky: ClipInfo, loop: list[SteadyFrame]) -> None:
    """Nothing in it is left to chance."""
    again = steady(shaky, read_place(shaky))
    assert all(np.array_equal(one.rgb, other.rgb) for one, other in zip(loop, again, strict=True))


def test_a_near_leaf_that_sways_on_its_own_holds_still(tmp_path: Path) -> None:
    """Before a crown that moves differently, the leaf in the middle holds still, and the crown behind it does not."""
    from tests.conftest import write_clip

    behind = make_painter()
    leaf = np.zeros((64, 64, 3), np.float32)
    cv2.circle(leaf, (32, 32), 24, (120, 180, 60), -1, cv2.LINE_AA)
    cv2.line(leaf, (12, 20), (52, 44), (90, 150, 45), 2, cv2.LINE_AA)
    cv2.ellipse(leaf, (36, 30), (11, 4), 30, 0, 360, (45, 75, 20), -1, cv2.LINE_AA)
    shape = cv2.circle(np.zeros((64, 64), np.float32), (32, 32), 24, 1.0, -1, cv2.LINE_AA)

    def find_corner(index: int) -> tuple[float, float]:
        right, down = shift_with_hand(index)
        return ORIGIN_PX[1] + 23 + right + 7 * np.sin(index / 4), ORIGIN_PX[0] + 23 + down - 7 * np.sin(
            index / 4
        )

    def paint(index: int) -> Picture:
        x, y = find_corner(index)
        move = np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
        near = cv2.warpAffine(leaf, move, SIZE_PX[::-1])
        cover = cv2.warpAffine(shape, move, SIZE_PX[::-1])[..., None]
        return np.clip(behind(index) * (1 - cover) + near * (cover > 0), 0, 255).astype(np.uint8)

    path = write_clip(
        tmp_path / "sway.mp4", times_s=FRAMES, size_px=SIZE_PX, paint=paint, options={"crf": "18"}
    )
    info = open_clip(path)
    x, y = find_corner(MIDDLE)
    frames = steady(info, replace(read_place(info), middle_px=(y + 32, x + 32)))
    row, column = round(y + 32) - ORIGIN_PX[0], round(x + 32) - ORIGIN_PX[1]
    larvae = [find_dark_px(frame.rgb[row - 16 : row + 16, column - 16 : column + 16]) for frame in frames]
    spread_px = np.sqrt(np.mean(np.sum(np.square(larvae - np.mean(larvae, axis=0)), axis=1)))
    assert len(frames) >= 15
    assert spread_px < 0.5
    assert measure_residual_px([frame.rgb[-40:, -40:] for frame in frames]) > 2


def test_the_first_and_last_moments_have_loops(shaky: ClipInfo) -> None:
    """A view at either end of a clip has a loop of what there is on its one side."""
    for index in (0, FRAMES - 1):
        frames = steady(shaky, read_place(shaky, index))
        assert len(frames) >= 5
        assert 0.5 < frames[-1].time_s - frames[0].time_s < 0.9
        assert measure_residual_px([frame.rgb for frame in frames]) < 0.5


def test_a_lying_clip_is_steadied_upright(tmp_path: Path) -> None:
    """Portrait footage stored lying down gives an upright loop."""
    from tests.conftest import write_clip

    path = write_clip(
        tmp_path / "lying.mp4", times_s=30, size_px=SIZE_PX, paint=make_painter(), rotation_deg=90
    )
    info = open_clip(path)
    assert (info.height_px, info.width_px) == SIZE_PX[::-1]
    frame = list(read_frames(info))[15]
    picture = read_rgb(frame)[100 : 100 + SIDE_PX, 60 : 60 + SIDE_PX]
    frames = steady(info, LoopPlace(frame.time_s, (100, 60), (155.0, 115.0), picture))
    assert measure_residual_px([frame.rgb for frame in frames]) < 0.5


def test_a_place_that_leaves_the_frame_ends_the_loop(tmp_path: Path) -> None:
    """Panned past the place, the loop holds only the moments that show it; nothing is made up."""
    from tests.conftest import write_clip

    path = write_clip(
        tmp_path / "panned.mp4",
        times_s=FRAMES,
        size_px=SIZE_PX,
        paint=make_painter(pan_px=8),
        rate_hz=RATE_HZ,
    )
    info = open_clip(path)
    frames = steady(info, read_place(info))
    assert 0.5 < frames[-1].time_s - frames[0].time_s < 1.2
    assert measure_residual_px([frame.rgb for frame in frames]) < 0.5
    assert all((frame.rgb.max(axis=2) == 0).mean() < 0.2 for frame in frames)


def test_a_cut_to_another_place_is_not_in_the_loop(tmp_path: Path) -> None:
    """Where the film is cut, the loop ends at the cut."""
    from tests.conftest import write_clip

    here, elsewhere = (
        make_painter(),
        np.random.default_rng(5).integers(0, 255, (*SIZE_PX, 3)).astype(np.uint8),
    )
    path = write_clip(
        tmp_path / "cut.mp4",
        times_s=FRAMES,
        size_px=SIZE_PX,
        paint=lambda index: here(index) if index < MIDDLE + 6 else elsewhere,
    )
    info = open_clip(path)
    frames = steady(info, read_place(info))
    assert frames[-1].time_s < (MIDDLE + 6) / RATE_HZ


def test_a_moment_nobody_held_has_no_loop(tmp_path: Path) -> None:
    """Three frames of a place are too few; the message says how long it was held."""
    from tests.conftest import write_clip

    here, noise = make_painter(), np.random.default_rng(6)
    path = write_clip(
        tmp_path / "short.mp4",
        times_s=FRAMES,
        size_px=SIZE_PX,
        paint=lambda index: (
            here(index) if abs(index - MIDDLE) < 3 else noise.integers(0, 255, (*SIZE_PX, 3)).astype(np.uint8)
        ),
    )
    info = open_clip(path)
    with pytest.raises(NoLoopError, match=r"held this place for only 0\.\d s, too short for a loop"):
        steady(info, read_place(info))


def test_a_blank_clip_has_no_loop(tmp_path: Path) -> None:
    """Where there is nothing to hold on to there is no loop and no crash."""
    from tests.conftest import write_clip

    blank = np.full((*SIZE_PX, 3), 200, np.uint8)
    info = open_clip(write_clip(tmp_path / "blank.mp4", times_s=20, size_px=SIZE_PX, paint=lambda _: blank))
    with pytest.raises(NoLoopError, match="too short"):
        steady(info, LoopPlace(0.3, ORIGIN_PX, MIDDLE_PX, cut(blank)))


def test_photos_have_no_loop(shaky: ClipInfo) -> None:
    """Photographs do not move, and the message says so."""
    with pytest.raises(NoLoopError, match="photographs"):
        steady(replace(shaky, kind="photos"), read_place(shaky))


def test_a_clip_that_is_gone_is_an_error_of_the_clip(shaky: ClipInfo, tmp_path: Path) -> None:
    """A missing file is told apart from a place that cannot be steadied."""
    with pytest.raises(ClipError):
        steady(replace(shaky, path=tmp_path / "gone.mp4"), read_place(shaky))


def test_the_film_runs_as_fast_as_the_footage(loop: list[SteadyFrame]) -> None:
    """The animated picture has every frame, its true times, and no end; Pillow reads it back."""
    with Image.open(BytesIO(encode_loop(loop))) as film:
        assert film.format == "WEBP"
        assert film.n_frames == len(loop)
        assert film.info["loop"] == 0
        lengths_ms = []
        for index in range(film.n_frames):
            film.seek(index)
            film.load()
            lengths_ms.append(film.info["duration"])
        shown = np.asarray(film.convert("RGB"))
    assert sum(lengths_ms[:-1]) / 1000 == pytest.approx(loop[-1].time_s - loop[0].time_s, abs=0.02)
    assert np.abs(shown.astype(int) - loop[-1].rgb).mean() < 6

"""Motion is measured on pictures moved by a known amount."""

import cv2
import numpy as np
import pytest

from detect.motion import (
    Path,
    Watcher,
    apply_similarity,
    carry_points,
    link_frames,
    shrink_for_linking,
)


def draw_texture(rng: np.random.Generator, rows: int = 480, columns: int = 640) -> np.ndarray:
    noise = rng.normal(size=(rows, columns)).astype(np.float32)
    smooth = cv2.GaussianBlur(noise, (0, 0), 6)
    return cv2.normalize(smooth, None, 0, 255, cv2.NORM_MINMAX).astype(np.uint8)


@pytest.mark.parametrize(("rows_px", "columns_px"), [(0, 0), (16, -24), (-40, 8)])
def test_watcher_measures_a_known_shift(rows_px: int, columns_px: int) -> None:
    """A picture rolled by a known number of px gives that shift, down and right positive."""
    picture = draw_texture(np.random.default_rng(1))
    watcher = Watcher()
    assert watcher.watch(picture) == Path()
    shift = watcher.watch(np.roll(picture, (rows_px, columns_px), (0, 1)))
    assert shift.unbroken
    assert (shift.rows_px, shift.columns_px) == pytest.approx((rows_px, columns_px), abs=1.5)


def test_watcher_says_when_two_frames_have_nothing_in_common() -> None:
    """A cut breaks the path instead of inventing a shift."""
    rng = np.random.default_rng(2)
    watcher = Watcher()
    watcher.watch(rng.integers(0, 255, (480, 640)).astype(np.uint8))
    assert not watcher.watch(rng.integers(0, 255, (480, 640)).astype(np.uint8)).unbroken


def test_path_turns_like_the_picture() -> None:
    """A shift measured lying down, turned upright, is the shift of the upright picture (numpy's rot90)."""
    rows, columns = 40, 60
    before = np.zeros((rows, columns))
    before[10, 20] = 1
    after = np.roll(before, (3, -5), (0, 1))
    for quarter_turns in range(4):
        start = np.argwhere(np.rot90(before, quarter_turns))[0]
        end = np.argwhere(np.rot90(after, quarter_turns))[0]
        turned = Path(3, -5).turn_upright(90 * quarter_turns)
        assert (turned.rows_px, turned.columns_px) == tuple(end - start)


def test_link_recovers_a_similarity() -> None:
    """A frame turned, scaled and shifted by known amounts gives that similarity on (row, column)."""
    picture = draw_texture(np.random.default_rng(3), 720, 960)
    rgb = np.repeat(picture[..., None], 3, axis=2)
    matrix = cv2.getRotationMatrix2D((480, 360), 2.0, 1.02)
    matrix[:, 2] += (14, -9)
    moved = cv2.warpAffine(rgb, matrix, (960, 720), borderMode=cv2.BORDER_REFLECT)
    small, small_moved = shrink_for_linking(rgb), shrink_for_linking(moved)
    similarity = link_frames(small, small_moved, guess=Path(-9, 14))
    assert similarity is not None
    places = np.array([[200.0, 300.0], [500.0, 700.0], [360.0, 480.0]])
    expected = (places[:, ::-1] @ matrix[:, :2].T + matrix[:, 2])[:, ::-1]
    assert apply_similarity(similarity, places) == pytest.approx(expected, abs=2.0)
    carried = carry_points(small, small_moved, points=places, similarity=similarity)
    assert carried == pytest.approx(expected, abs=2.0)


def test_link_refuses_two_different_places() -> None:
    """Frames that show different places give no motion."""
    first = draw_texture(np.random.default_rng(4))[::2, ::2]
    other = draw_texture(np.random.default_rng(5))[::2, ::2]
    assert link_frames(first, other, guess=Path()) is None


def test_blank_frames_give_no_motion_and_no_crash() -> None:
    """Nothing to see, nothing measured."""
    blank = np.zeros((135, 240), np.uint8)
    assert link_frames(blank, blank, guess=Path()) is None
    assert link_frames(np.zeros((4, 4), np.uint8), np.zeros((4, 4), np.uint8), guess=Path()) is None
    similarity = np.array([[1.0, 0, 5], [0, 1, 7]])
    assert carry_points(blank, blank, points=np.empty((0, 2)), similarity=similarity).shape == (0, 2)
    one = carry_points(blank, blank, points=np.array([[100.0, 200.0]]), similarity=similarity)
    assert one == pytest.approx(np.array([[105.0, 207.0]]))

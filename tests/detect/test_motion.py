"""Motion is measured on pictures moved by a known amount."""

import cv2
import numpy as np
import pytest

from detect.motion import apply_similarity, carry_points, link_frames, measure_shift, shrink_for_linking


def draw_texture(rng: np.random.Generator, rows: int = 480, columns: int = 640) -> np.ndarray:
    noise = rng.normal(size=(rows, columns)).astype(np.float32)
    smooth = cv2.GaussianBlur(noise, (0, 0), 6)
    return cv2.normalize(smooth, None, 0, 255, cv2.NORM_MINMAX).astype(np.uint8)


@pytest.mark.parametrize(("rows_px", "columns_px"), [(0, 0), (16, -24), (-40, 8), (60, 150)])
def test_a_known_shift_is_measured(rows_px: int, columns_px: int) -> None:
    """A picture rolled by a known number of px gives that shift, down and right positive."""
    picture = draw_texture(np.random.default_rng(1))
    shift = measure_shift(picture, np.roll(picture, (rows_px, columns_px), (0, 1)))
    assert shift == pytest.approx((rows_px, columns_px), abs=0.7)


def test_two_frames_with_nothing_in_common_have_no_shift() -> None:
    """A cut is said, not measured."""
    rng = np.random.default_rng(2)
    first, other = (rng.integers(0, 255, (480, 640)).astype(np.uint8) for _ in range(2))
    assert measure_shift(first, other) is None


def test_link_recovers_a_similarity() -> None:
    """A frame turned, scaled and shifted by known amounts gives that similarity on (row, column)."""
    picture = draw_texture(np.random.default_rng(3), 720, 960)
    rgb = np.repeat(picture[..., None], 3, axis=2)
    matrix = cv2.getRotationMatrix2D((480, 360), 2.0, 1.02)
    matrix[:, 2] += (14, -9)
    moved = cv2.warpAffine(rgb, matrix, (960, 720), borderMode=cv2.BORDER_REFLECT)
    small, small_moved = (shrink_for_linking(p[::2, ::2].copy()) for p in (rgb, moved))
    similarity = link_frames(small, small_moved)
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
    assert link_frames(first, other) is None


def test_blank_frames_give_no_motion_and_no_crash() -> None:
    """Nothing to see, nothing measured."""
    blank = np.zeros((135, 240), np.uint8)
    assert link_frames(blank, blank) is None
    assert link_frames(np.zeros((4, 4), np.uint8), np.zeros((4, 4), np.uint8)) is None
    similarity = np.array([[1.0, 0, 5], [0, 1, 7]])
    assert carry_points(blank, blank, points=np.empty((0, 2)), similarity=similarity).shape == (0, 2)
    one = carry_points(blank, blank, points=np.array([[100.0, 200.0]]), similarity=similarity)
    assert one == pytest.approx(np.array([[105.0, 207.0]]))

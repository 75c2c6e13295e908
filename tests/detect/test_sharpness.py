"""Sharpness ranks frames within a clip, and windows are cut on the clip's own times."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from detect.clips import Frame
from detect.sharpness import WatchedFrame, choose_sharp, find_usable, measure_sharpness, rank_sharpness


def watch(time_s: float, sharpness: float) -> WatchedFrame:
    frame = Frame(
        index=round(time_s * 100), time_s=time_s, rotation_deg=0, picture=np.zeros((8, 8, 3), np.uint8)
    )
    return WatchedFrame(frame, sharpness)


def test_sharpness_falls_as_a_published_picture_is_blurred() -> None:
    """Our measure ranks scikit-image's `camera` under blur as the variance of the Laplacian does.

    Source of the figures: variance of the Laplacian (OpenCV) of `skimage.data.camera()` blurred by a Gaussian of sigma 0, 1, 2
    and 4, computed with OpenCV 4.12: 1133.2, 49.9, 7.4, 1.7.
    """
    from skimage.data import camera

    picture = camera()
    blurred = [picture] + [cv2.GaussianBlur(picture, (0, 0), sigma) for sigma in (1, 2, 4)]
    laplacian = [cv2.Laplacian(p, cv2.CV_64F).var() for p in blurred]
    assert laplacian == pytest.approx([1133.2, 49.9, 7.4, 1.7], rel=0.03)
    ours = [measure_sharpness(p) for p in blurred]
    assert ours == sorted(ours, reverse=True)
    assert ours[0] > 1.15 * ours[1] > 1.15**2 * ours[2] > 1.15**3 * ours[3]


@pytest.mark.parametrize("size", [(1, 1), (3, 900), (900, 2)])
def test_tiny_pictures_have_no_sharpness(size: tuple[int, int]) -> None:
    """A picture too small for a difference gives 0, not an error."""
    assert measure_sharpness(np.zeros(size, np.uint8)) == 0.0


def test_blank_is_not_sharp_and_noise_is() -> None:
    """Blank frames measure 0; anything with structure measures more."""
    rng = np.random.default_rng(0)
    assert measure_sharpness(np.full((200, 300), 90, np.uint8)) == 0.0
    assert measure_sharpness(rng.integers(0, 255, (200, 300)).astype(np.uint8)) > 10


def test_each_window_gives_its_sharpest_frame() -> None:
    """Two windows, two frames; of equals the earliest."""
    watched = [watch(0.0, 1), watch(0.1, 5), watch(0.2, 2), watch(0.35, 3), watch(0.5, 9), watch(0.6, 9)]
    assert [item.frame.time_s for item in choose_sharp(watched, window_s=1 / 3)] == [0.1, 0.5]


def test_no_frames_give_no_windows() -> None:
    """Nothing in, nothing out."""
    assert list(choose_sharp([], window_s=0.5)) == []
    assert rank_sharpness([]) == [] and find_usable([]) == []


@given(
    times=st.lists(st.floats(0, 30), min_size=1, max_size=60, unique=True).map(sorted),
    values=st.lists(st.integers(1, 9), min_size=60, max_size=60),
    cut=st.integers(0, 59),
)
def test_going_on_later_chooses_the_same_frames(times: list[float], values: list[int], cut: int) -> None:
    """A search that stopped after any chosen frame and goes on from it chooses the same frames."""
    watched = [watch(t, v) for t, v in zip(times, values, strict=False)]
    whole = [item.frame.time_s for item in choose_sharp(watched, window_s=0.5)]
    at = min(cut, len(whole) - 1)
    rest = [item for item in watched if item.frame.time_s >= whole[at]]
    assert [i.frame.time_s for i in choose_sharp(rest, window_s=0.5, done_s=whole[at])] == whole[at + 1 :]


def test_ranks_run_from_worst_to_best() -> None:
    """Ranks are 0 to 1, equals share one, and a single frame is the best there is."""
    assert rank_sharpness([5.0, 1.0, 3.0]) == [1.0, 0.0, 0.5]
    assert rank_sharpness([2.0, 2.0, 4.0]) == [0.25, 0.25, 1.0]
    assert rank_sharpness([7.0]) == [1.0]


def test_usable_is_told_against_the_clips_own_median() -> None:
    """A window far below the rest is too blurred; a clip of one even sharpness is all usable; a blank one is not."""
    assert find_usable([10, 11, 9, 1]) == [True, True, True, False]
    assert find_usable([3, 3, 3]) == [True, True, True]
    assert find_usable([0, 0]) == [False, False]

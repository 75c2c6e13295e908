"""The road from pictures to tensors: nothing is moved, lost or scaled on the way."""

import numpy as np
import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st

from models.patches import (
    CODE_SPREAD,
    CROP_PX,
    LEAST_KEPT_PX,
    LEVELS,
    MEAN_CODE,
    MOST_KEPT_PX,
    build_pyramid,
    choose_level,
    cut_crops,
    cut_square,
    draw_crop_mask,
    find_corner,
    find_window,
    make_judge_input,
    make_seeker_input,
    pad_to_grid,
    shrink,
)


def make_picture(rows, columns, seed=0):
    return np.random.default_rng(seed).integers(0, 256, (rows, columns, 3), dtype=np.uint8)


def test_the_seekers_input_is_the_picture_scaled():
    """Every element of the half-size picture stands in its place, scaled by the constants, channels first."""
    half = make_picture(16, 24)
    ready = make_seeker_input(torch.from_numpy(half)[None], dtype=torch.float32)
    assert ready.shape == (1, 3, 16, 24)
    assert ready.is_contiguous(memory_format=torch.channels_last)
    expected = (half.astype(np.float32) - MEAN_CODE) / CODE_SPREAD
    assert np.allclose(ready[0].permute(1, 2, 0).numpy(), expected)


@pytest.mark.parametrize("size", [(1, 1), (8, 8), (9, 15), (540, 960)])
def test_padding_lets_the_edge_go_on(size):
    """Any picture becomes one of whole pairs of cells; what was there stays and the edge goes on."""
    half = make_picture(*size)
    padded = pad_to_grid(half)
    assert padded.shape[0] % 8 == 0 and padded.shape[1] % 8 == 0
    assert np.array_equal(padded[: size[0], : size[1]], half)
    assert np.array_equal(padded[-1, : size[1]], half[-1])


def test_a_crop_is_a_plain_cut_of_its_level():
    """The near crop at level 0 and the wide one at level 2 are cuts of the pyramid about the place, untouched."""
    rgb = make_picture(400, 600)
    pyramid = build_pyramid(rgb, half=shrink(rgb))
    assert [level.shape[:2] for level in pyramid] == [(400, 600), (200, 300), (100, 150), (50, 75), (25, 37)]
    assert len(pyramid) == LEVELS
    crops = cut_crops(pyramid, np.array([[201.0, 302.0]]), [0])
    row, column = find_corner((201.0, 302.0), 0)
    assert np.array_equal(crops[0, 0], rgb[row : row + CROP_PX, column : column + CROP_PX])
    assert (row + CROP_PX / 2, column + CROP_PX / 2) == pytest.approx((201.5, 302.5), abs=0.51)
    row, column = find_corner((201.0, 302.0), 2)
    assert np.array_equal(crops[0, 1], pyramid[2][row : row + CROP_PX, column : column + CROP_PX])


def test_a_crop_over_the_edge_repeats_the_edge():
    """At the corner of a picture, and on pictures smaller than a crop, the edge goes on."""
    rgb = np.zeros((60, 60, 3), np.uint8)
    rgb[0, 0] = 200
    crops = cut_crops(build_pyramid(rgb, half=shrink(rgb)), np.array([[0.0, 0.0]]), [0])
    assert (crops[0, 0, :24, :24] == 200).all()
    tiny = np.full((3, 2, 3), 7, np.uint8)
    assert (cut_crops(build_pyramid(tiny, half=shrink(tiny)), np.array([[1.0, 1.0]]), [2]) == 7).all()


def test_no_place_gives_no_crop():
    """Nothing to look at is an empty array of the right shape, never an error."""
    rgb = make_picture(60, 60)
    crops = cut_crops(build_pyramid(rgb, half=shrink(rgb)), np.empty((0, 2)), [])
    assert crops.shape == (0, 2, CROP_PX, CROP_PX, 3)
    assert make_judge_input(torch.from_numpy(crops), dtype=torch.float32).shape == (0, 2, 3, CROP_PX, CROP_PX)


@pytest.mark.parametrize(
    ("length_px", "level"), [(0.5, 0), (6, 0), (26, 0), (27, 1), (52, 1), (53, 2), (400, 2)]
)
def test_longer_bodies_are_cut_from_coarser_levels(length_px, level):
    """A body fills about half of its crop at most, up to the longest."""
    assert choose_level(length_px) == level


@pytest.mark.parametrize("level", [0, 1, 2])
def test_a_mask_lies_where_its_outline_lies(level):
    """A square drawn into a crop's mask covers the same place of the picture: area and middle agree, at each level."""
    side = 8 * 2**level
    outline = (
        np.array([[100, 140], [100, 140 + side], [100 + side, 140 + side], [100 + side, 140]], np.float32)
        - 0.5
    )
    place = (100 - 0.5 + side / 2, 140 - 0.5 + side / 2)
    mask = draw_crop_mask(outline, place, level).astype(float) / 255
    assert mask.sum() == pytest.approx(64, abs=6)
    rows, columns = np.mgrid[:CROP_PX, :CROP_PX] + 0.5
    corner = find_corner(place, level)
    middle = [
        (corner[n] + float((grid * mask).sum() / mask.sum())) * 2**level - 0.5
        for n, grid in enumerate((rows, columns))
    ]
    assert middle == pytest.approx(place, abs=0.3 * 2**level)


@pytest.mark.parametrize(("level", "side"), [(0, 5), (0, 48), (1, 64), (3, 7)])
def test_a_square_is_cut_about_its_place_and_its_edge_goes_on(level, side):
    """Of any side and level, each element is that of the picture there or, beyond it, the nearest one of the edge."""
    picture = make_picture(30, 80)
    for place in ((120.0, 300.0), (15.0, 40.0), (0.0, 0.0), (29.0, 79.0), (-500.0, 3.0)):
        square = cut_square(picture, place, level, side=side)
        row, column = find_corner(place, level, side=side)
        middle = (np.array(place) + 0.5) / 2**level
        assert np.abs(np.array((row, column)) + side / 2 - middle).max() <= 0.5
        expected = [
            [picture[np.clip(r, 0, 29), np.clip(c, 0, 79)] for c in range(column, column + side)]
            for r in range(row, row + side)
        ]
        assert square.dtype == np.uint8 and np.array_equal(square, expected)


def cut_by_hand(start, end, length_px, whole):
    """First and last of the rows (or columns) kept about a box, by the rule in words: in whole px, one direction at a time."""
    side = min(640, max(160, int(6 * length_px)))
    if side >= whole:
        return 0, whole
    first = (start + end - side) // 2
    first = 0 if first < 0 else first
    return (whole - side, whole) if first + side > whole else (first, first + side)


BOX_SIDES = st.tuples(st.integers(0, 2500), st.integers(1, 400))
FRAMES = st.tuples(st.integers(1, 2500), st.integers(1, 2500), st.just(3))


@given(rows=BOX_SIDES, columns=BOX_SIDES, length_px=st.floats(0, 900), size_px=FRAMES)
def test_what_is_kept_of_a_frame_is_as_ever(rows, columns, length_px, size_px):
    """Six lengths, 160 to 640 px, about a box; shifted into the frame; all of a frame that is smaller."""
    boxes = [(start, start + side) for start, side in (rows, columns)]
    window = find_window([(start + end - 1) / 2 for start, end in boxes], length_px, size_px)
    for kept, (start, end), whole in zip(window, boxes, size_px[:2], strict=True):
        inside = range(whole)[kept]
        assert (inside.start, inside.stop) == cut_by_hand(start, end, length_px, whole)


@given(
    middle=st.tuples(st.floats(-3000, 3000), st.floats(-3000, 3000)),
    length_px=st.floats(0, 1e6),
    size_px=FRAMES,
)
def test_a_window_lies_in_its_frame(middle, length_px, size_px):
    """About any place, also one beyond the frame, as much is kept as fits, with the place in its middle where there is room."""
    window = find_window(middle, length_px, size_px)
    for kept, place, whole in zip(window, middle, size_px[:2], strict=True):
        side = kept.stop - kept.start
        inside = range(whole)[kept]
        assert LEAST_KEPT_PX <= side <= MOST_KEPT_PX
        assert kept.start >= 0 and len(inside) == min(side, whole)
        if 0 < kept.start < whole - side:
            assert abs((inside[0] + inside[-1]) / 2 - place) <= 1

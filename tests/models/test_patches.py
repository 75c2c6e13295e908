"""The road from pictures to tensors: nothing is moved, lost or scaled on the way."""

import numpy as np
import pytest
import torch

from models.patches import (
    CODE_SPREAD,
    CROP_PX,
    LEVELS,
    MEAN_CODE,
    build_pyramid,
    choose_level,
    cut_crops,
    draw_crop_mask,
    find_corner,
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

"""What is chewed from drawn leaves, measured by other means."""

import numpy as np
import pytest

from models.canopy.feeding import SUPERSAMPLING, FeedingSettings, chew_blade
from models.canopy.leaves import ASPEN, OAK, SALLOW, grow_leaf

ALWAYS = FeedingSettings(tip_chance=0.0)
TIPS = FeedingSettings(tip_chance=1.0)


def make_disc_blade() -> tuple[np.ndarray, np.ndarray]:
    """Return a round blade of radius 150 elements in a mask of 400 x 400, and its midrib in sprite px."""
    y, x = np.mgrid[0:400, 0:400]
    blade = np.where((y - 200) ** 2 + (x - 200) ** 2 <= 150**2, 255, 0).astype(np.uint8)
    u = np.linspace(25, 175, 40, dtype=np.float32)
    return blade, np.stack([u, np.full_like(u, 100)], axis=1)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("settings", [ALWAYS, TIPS], ids=["bites", "tip"])
def test_missing_area_is_what_counting_gives(seed: int, settings: FeedingSettings) -> None:
    """The missing share is the lost elements over the whole blade's, and nothing grows outside it."""
    whole, midrib = make_disc_blade()
    chewed = chew_blade(whole, midrib, np.random.default_rng(seed), settings=settings)
    assert np.all(whole[chewed.mask > 0] == 255)
    lost = 1 - np.count_nonzero(chewed.mask) / np.count_nonzero(whole)
    assert chewed.missing_percent == pytest.approx(100 * lost, abs=1e-9)
    assert 0 < chewed.missing_percent < 100


@pytest.mark.parametrize("seed", range(6))
def test_marks_cover_the_missing_area(seed: int) -> None:
    """Filled by another rasteriser, the outlines of the marks hold nearly all that is gone and little else."""
    from skimage.draw import polygon2mask

    whole, midrib = make_disc_blade()
    chewed = chew_blade(whole, midrib, np.random.default_rng(seed), settings=ALWAYS)
    gone = (whole > 0) & (chewed.mask == 0)
    filled = np.zeros_like(gone)
    for mark in chewed.marks:
        filled |= polygon2mask(gone.shape, ((mark.outline_xy + 0.5) * SUPERSAMPLING - 0.5)[:, ::-1])
    overlap = np.count_nonzero(filled & gone) / np.count_nonzero(filled | gone)
    assert overlap > 0.9


def test_a_given_hole_is_stamped_with_its_own_shape() -> None:
    """A bitmap of a real hole keeps its shape: a long bar leaves a long bar."""
    from skimage.measure import label, regionprops

    whole, midrib = make_disc_blade()
    bar = np.zeros((40, 120), np.uint8)
    bar[14:26, 10:110] = 255
    settings = FeedingSettings(tip_chance=0.0, bites=(1, 1), size_share=(0.1, 0.1))
    shapes = []
    for seed in range(40):
        chewed = chew_blade(whole, midrib, np.random.default_rng(seed), settings=settings, real_holes=(bar,))
        if len(chewed.marks) == 1 and chewed.marks[0].is_hole:
            gone = (whole > 0) & (chewed.mask == 0)
            shapes.append(regionprops(label(gone))[0])
    ratios = [shape.axis_major_length / shape.axis_minor_length for shape in shapes]
    assert max(ratios) == pytest.approx(100 / 12, rel=0.15)


def test_feeding_at_the_tip_leaves_the_midrib_standing() -> None:
    """The kind that eats in from both sides leaves blade on the midrib where both sides are already gone."""
    whole, midrib = make_disc_blade()
    standing = 0
    for seed in range(12):
        chewed = chew_blade(whole, midrib, np.random.default_rng(seed), settings=TIPS).mask > 0
        widths = chewed.sum(axis=0) / np.maximum(1, (whole > 0).sum(axis=0))
        standing += bool(np.any((widths > 0) & (widths < 0.25) & chewed[200]))
    assert standing >= 8


@pytest.mark.parametrize("shape", [SALLOW, ASPEN, OAK], ids=lambda shape: shape.name)
def test_a_whole_leaf_misses_nothing(shape: object) -> None:
    """A leaf nothing fed on has no marks and misses nothing; one that was fed on has and does."""
    whole = grow_leaf(shape, np.random.default_rng(1), leaf_out=0.8, age_spread=0.1)
    chewed = grow_leaf(shape, np.random.default_rng(1), leaf_out=0.8, age_spread=0.1, feeding=(ALWAYS,))
    assert whole.marks == () and whole.missing_percent == 0
    assert chewed.marks and chewed.missing_percent > 0

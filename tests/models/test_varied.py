"""Settings drawn at random for training keep to what a walk asks for and away from the plants that are held out."""

from dataclasses import replace

import numpy as np
import pytest

from models.canopy.clip import CanopySettings
from models.canopy.leaves import HAZEL, LIME, POPLAR
from models.canopy.picture import CompressionSettings, draw_burst, grow_stock
from models.canopy.varied import choose_shape, vary_canopy
from models.examples import choose_canopy


@pytest.mark.parametrize("seed", range(20))
def test_no_family_has_the_tip_of_a_held_out_one(seed):
    """Leaves drawn at random never have a tip as drawn out as those kept for evaluation."""
    shape = choose_shape(np.random.default_rng(seed))
    assert shape.tip_point[1] < min(family.tip_point[0] for family in (POPLAR, HAZEL, LIME))


@pytest.mark.parametrize("seed", range(20))
def test_every_range_runs_upwards(seed):
    """Whatever is drawn, the lower end of a range lies below its upper end, and shares of the crown's depth add to one."""
    settings = vary_canopy(CanopySettings(), np.random.default_rng(seed))
    assert sum(settings.plant.crown_shares) == pytest.approx(1)
    assert len(settings.plant.crown_shares) == len(settings.plant.depths)
    assert list(settings.plant.depths) == sorted(settings.plant.depths)
    for part in (settings.plant.shapes[0], settings.plant, settings.light, settings.larvae, settings.camera):
        for name in part.__slots__:
            value = getattr(part, name)
            if (
                isinstance(value, tuple)
                and len(value) == 2
                and name not in ("shapes", "depths", "crown_shares")
            ):
                assert value[0] <= value[1], name


def test_what_is_asked_of_a_picture_stays():
    """Size, lens, number and poses of larvae are those of the settings given; plants, light and camera are not."""
    given = CanopySettings(size_px=(96, 128))
    given = replace(
        given, larvae=replace(given.larvae, count=(2, 3)), camera=replace(given.camera, lens_mm=(70, 80))
    )
    varied = vary_canopy(given, np.random.default_rng(1))
    assert varied.size_px == (96, 128)
    assert varied.camera.lens_mm == (70, 80)
    assert varied.larvae.count == (2, 3)
    assert varied.larvae.pose_shares == given.larvae.pose_shares
    assert varied.plant != given.plant
    assert varied.light != given.light
    assert varied.camera != given.camera


def test_a_stock_is_varied_only_where_asked():
    """Without the share, settings are those that they always were for the seed; with it, the same seed gives the same again."""
    plain = choose_canopy(np.random.default_rng(5), larvae=(1, 2))
    assert plain.plant == CanopySettings().plant
    first, second = (
        choose_canopy(np.random.default_rng(5), larvae=(1, 2), varied_share=1.0) for _ in range(2)
    )
    assert first == second
    assert first.plant != plain.plant


def test_a_picture_comes_of_it():
    """A stock of a family nobody named gives a lit picture with a larva's truth."""
    settings = vary_canopy(CanopySettings(size_px=(160, 160)), np.random.default_rng(2))
    settings = replace(settings, larvae=replace(settings.larvae, count=(6, 6)))
    rng = np.random.default_rng(3)
    stock = grow_stock(settings, rng)
    untouched = CompressionSettings(jpeg_chance=0.0, video_chance=0.0)
    drawn = [draw_burst(settings, rng, stock=stock, compression=untouched, count=1)[0] for _ in range(3)]
    assert all(picture.rgb.std() > 3 for picture in drawn)
    assert any(picture.larvae for picture in drawn)

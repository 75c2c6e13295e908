"""The light of the drawn canopy against the published leaf model, and what leaves and bodies do to its colour."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.canopy.larvae import BODY_COLOUR
from models.canopy.leaves import ASPEN, OAK, SALLOW, LeafSprite, grow_leaf
from models.canopy.light import (
    BAND_TRANSMITTANCES,
    BLUE,
    GREEN,
    LEAF_AGES,
    RED,
    LightSettings,
    choose_light,
    find_transmittance,
)
from models.canopy.sheets import open_sheet

PROSPECT_D_BANDS = {0.0: (0.116, 0.321, 0.055), 0.5: (0.032, 0.177, 0.008), 1.0: (0.008, 0.102, 0.002)}
"""Red 640-680, green 530-570 and blue 450-490 nm of young, middle and mature leaves: PROSPECT-D, Feret et al. 2017."""

PROSPECT_D_LEAVES = ((1.2, 15, 4, 0.003), (1.5, 30, 8, 0.005), (1.7, 50, 10, 0.007))
"""Structure N, chlorophyll and carotenoids in ug/cm2, dry matter in g/cm2 of those leaves; water .01 cm, no brown pigment."""


def pass_middle(*sprites: LeafSprite) -> np.ndarray:
    """Return what passes the middles of blades stacked on one another, (8, 8, 4)."""
    sheet = open_sheet((200, 200))
    for sprite in sprites:
        x, y = sprite.midrib_xy[20] + np.float32([0, 14])
        sheet.put_sprite(sprite, np.asarray([[0.5, 0, 100 - 0.5 * x], [0, 0.5, 100 - 0.5 * y]]))
    return sheet.through[96:104, 96:104]


def shift_to_green(bands: np.ndarray) -> float:
    """Return log(green / sqrt(red x blue))."""
    red, green, blue = np.log(bands[:3] + 1e-9)
    return float(green - (red + blue) / 2)


@pytest.mark.parametrize("age", PROSPECT_D_BANDS)
def test_published_leaves_let_through_what_the_table_says(age: float) -> None:
    """At the three published ages the transmittance is the published one."""
    assert find_transmittance(age) == pytest.approx(PROSPECT_D_BANDS[age], abs=1e-6)


@pytest.mark.filterwarnings("ignore")
def test_band_means_agree_with_the_leaf_model_itself() -> None:
    """The constants are what the reference implementation of PROSPECT gives, and that package is the published model."""
    prosail = pytest.importorskip("prosail")
    _, _, reference = prosail.run_prospect(2.1, 40, 10, 0.1, 0.015, 0.009, prospect_version="5")
    assert reference[550 - 400] == pytest.approx(0.0773, abs=5e-4)
    assert reference[670 - 400] == pytest.approx(0.0044, abs=2e-4)
    for ours, (structure, chlorophyll, carotenoids, matter) in zip(
        BAND_TRANSMITTANCES, PROSPECT_D_LEAVES, strict=True
    ):
        _, _, through = prosail.run_prospect(
            structure, chlorophyll, carotenoids, 0.0, 0.01, matter, ant=0.0, prospect_version="D"
        )
        means = [
            through[low - 400 : high - 400 + 1].mean() for low, high in ((640, 680), (530, 570), (450, 490))
        ]
        assert ours == pytest.approx(means, abs=6e-4)


@given(st.floats(0, 1), st.floats(0, 1))
def test_older_leaves_let_less_light_through(first: float, second: float) -> None:
    """Transmittance falls with age in every band and stays between the published ends."""
    young, old = sorted((first, second))
    assert np.all(find_transmittance(old) <= find_transmittance(young) + 1e-6)
    assert np.all(find_transmittance(old) >= np.float32(BAND_TRANSMITTANCES[-1]) - 1e-6)
    assert np.all(find_transmittance(young) <= np.float32(BAND_TRANSMITTANCES[0]) + 1e-6)
    assert LEAF_AGES == (0.0, 0.5, 1.0)


@pytest.mark.parametrize("shape", [SALLOW, ASPEN, OAK], ids=lambda shape: shape.name)
def test_a_leaf_on_a_leaf_is_darker_and_greener(shape: object) -> None:
    """Two blades multiply: less light in every band, and the colour moves on towards green."""
    rng = np.random.default_rng(5)
    one, two = (grow_leaf(shape, rng, leaf_out=0.6, age_spread=0.05) for _ in range(2))
    assert pass_middle(one, two) == pytest.approx(pass_middle(one) * pass_middle(two), rel=0.01)
    alone, stacked = (pile.mean(axis=(0, 1)) for pile in (pass_middle(one), pass_middle(one, two)))
    assert np.all(stacked[:3] < 0.6 * alone[:3])
    assert shift_to_green(stacked) > shift_to_green(alone) + 0.5


def test_a_body_on_a_leaf_is_darker_and_no_greener() -> None:
    """An opaque body takes all colours alike, so the colour of what little passes stays the leaf's."""
    leaf = grow_leaf(SALLOW, np.random.default_rng(6), leaf_out=0.6, age_spread=0.05)
    sheet = open_sheet((200, 200))
    x, y = leaf.midrib_xy[20] + np.float32([0, 14])
    sheet.put_sprite(leaf, np.asarray([[0.5, 0, 100 - 0.5 * x], [0, 0.5, 100 - 0.5 * y]]))
    before = sheet.through[96:104, 96:104].mean(axis=(0, 1))
    sheet.put_body(
        np.ones((8, 8), np.float32), (96, 96), light=np.full(3, 0.03, np.float32), shine=BODY_COLOUR
    )
    after = sheet.through[96:104, 96:104].mean(axis=(0, 1))
    assert np.all(after[:3] < 0.04 * before[:3])
    assert shift_to_green(after) == pytest.approx(shift_to_green(before), abs=0.01)


@given(st.integers(0, 2**32 - 1))
def test_no_light_is_stronger_than_a_lit_white_diffuser(seed: int) -> None:
    """What falls on the crown never exceeds 1, and what comes from below is weaker."""
    light = choose_light(LightSettings(), np.random.default_rng(seed))
    assert light.incident.min() > 0 and light.incident.max() <= 1
    assert np.all(light.ambient < light.incident)
    assert light.sky.min() >= 0 and light.sky[BLUE] >= light.sky[RED] and light.sky[GREEN] > 0

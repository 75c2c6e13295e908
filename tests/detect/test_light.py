"""Sky, leaf and dark are told apart, and a leaf's shadow from an opaque body by its colour."""

import numpy as np
import pytest

from detect.light import LINEAR_OF_CODE, find_mean_light, measure_green_shift, read_light

# Band means of transmittance, blue 450-490, green 530-570, red 640-680 nm, of leaves computed with PROSPECT-D
# (Feret et al. 2017, doi:10.1016/j.rse.2017.03.004) through the package `prosail`.
YOUNG = np.array([0.116, 0.321, 0.055])
MIDDLE = np.array([0.032, 0.177, 0.008])
MATURE = np.array([0.008, 0.102, 0.002])
LEAVES = {"young": YOUNG, "middle": MIDDLE, "mature": MATURE}


def encode(linear: np.ndarray) -> np.ndarray:
    """Linear light to 8-bit sRGB by the forward formula of IEC 61966-2-1, independent of the module's own table."""
    linear = np.clip(linear, 0, 1)
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(255 * code).astype(np.uint8)


def test_linear_table_inverts_the_standards_curve() -> None:
    """Every 8-bit code comes back from the table through the standard's forward curve (IEC 61966-2-1)."""
    assert (encode(LINEAR_OF_CODE.astype(float)) == np.arange(256)).all()


@pytest.mark.parametrize("leaf", LEAVES.values(), ids=LEAVES)
def test_a_leaf_on_a_leaf_shifts_towards_green_and_a_body_does_not(leaf: np.ndarray) -> None:
    """Transmittances multiply: a second leaf raises the green ratio, an opaque body takes all colours alike."""
    exposure = 0.8 / leaf[1]
    around = encode(exposure * leaf)[None].repeat(50, axis=0)
    shadow = encode(exposure * leaf * leaf)[None].repeat(50, axis=0)
    body = encode(exposure * leaf * 0.15)[None].repeat(50, axis=0)
    assert measure_green_shift(shadow, around) > measure_green_shift(body, around) + 0.25
    assert abs(measure_green_shift(around, around)) < 1e-6


def test_mean_light_is_taken_in_linear_light() -> None:
    """Half black and half white is half the light, not half the code."""
    samples = np.array([[0, 0, 0], [255, 255, 255]], np.uint8)
    assert find_mean_light(samples) == pytest.approx([0.5, 0.5, 0.5], abs=1e-6)


def test_sky_leaf_and_dark_are_told_apart() -> None:
    """White sky, a green-lit leaf and a black twig each come out as what they are, at half size."""
    rgb = np.full((80, 120, 3), 250, np.uint8)
    rgb[20:60, 20:80] = (90, 170, 40)
    rgb[36:44, 20:80] = (10, 12, 9)
    lit = read_light(rgb)
    assert lit.half.shape == (40, 60, 3)
    assert (lit.leaf[12:17, 12:38] == 255).all() and (lit.dark[19:21, 12:38] == 255).all()
    assert (lit.sky[:8] == 255).all()
    assert not (lit.leaf & lit.sky).any() and not (lit.leaf & lit.dark).any()
    assert lit.leaf_level == pytest.approx(170, abs=2)


@pytest.mark.parametrize("value", [0, 255, 128])
def test_blank_frames_hold_no_leaf(value: int) -> None:
    """Black, white and grey frames have no leaf and raise nothing."""
    lit = read_light(np.full((64, 64, 3), value, np.uint8))
    assert not lit.leaf.any() and lit.leaf_level == 0


def test_the_smallest_frame_is_read() -> None:
    """A frame of one px does not crash."""
    assert read_light(np.zeros((1, 1, 3), np.uint8)).half.shape == (1, 1, 3)

"""Slug-like bodies of known size are outlined where they were drawn; blank and noisy frames give nothing or little."""

import cv2
import numpy as np
import pytest

from detect.light import read_light
from detect.regions import Region
from detect.silhouettes import Feature, find_silhouettes, measure_extent, measure_spread

LEAF = (100, 175, 50)
BODY = (22, 30, 18)


def draw_leaf(rows: int = 400, columns: int = 600) -> np.ndarray:
    return np.full((rows, columns, 3), LEAF, np.uint8)


def draw_body(rgb: np.ndarray, middle: tuple[int, int], length_px: float, angle_deg: float) -> None:
    """A body as an ellipse of 4 to 1, drawn eight times larger and reduced so that its edge is soft by one px."""
    row, column = middle
    big = cv2.resize(rgb, None, fx=4, fy=4, interpolation=cv2.INTER_NEAREST)
    centre = (column * 4 + 2, row * 4 + 2)
    cv2.ellipse(big, centre, (round(2 * length_px), round(length_px / 2)), angle_deg, 0, 360, BODY, -1)
    rgb[:] = cv2.resize(big, rgb.shape[1::-1], interpolation=cv2.INTER_AREA)


def find_near(regions: list[Region], middle: tuple[int, int], within_px: float) -> list[Region]:
    near = []
    for region in regions:
        top, left, bottom, right = region.box
        if np.hypot((top + bottom) / 2 - middle[0], (left + right) / 2 - middle[1]) <= within_px:
            near.append(region)
    return near


@pytest.mark.parametrize("length_px", [8, 12, 20, 40, 72])
@pytest.mark.parametrize("angle_deg", [0, 33, 90, 140])
def test_a_body_of_known_length_is_outlined(length_px: int, angle_deg: float) -> None:
    """One body, any angle: one region on its place, its length right within 2.5 px or 15 %."""
    rgb = draw_leaf()
    draw_body(rgb, (200, 300), length_px, angle_deg)
    (region,) = find_silhouettes(read_light(rgb))
    assert find_near([region], (200, 300), 3)
    assert region.kind == "silhouette"
    assert abs(region.length_px - length_px) <= max(2.5, 0.15 * length_px)


def test_two_bodies_are_two_regions_and_two_that_touch_are_at_least_one() -> None:
    """Apart they are told apart; touching they are not lost."""
    rgb = draw_leaf()
    draw_body(rgb, (100, 150), 30, 0)
    draw_body(rgb, (300, 450), 30, 60)
    assert len(find_silhouettes(read_light(rgb))) == 2
    rgb = draw_leaf()
    draw_body(rgb, (200, 290), 30, 0)
    draw_body(rgb, (200, 318), 30, 90)
    assert len(find_near(find_silhouettes(read_light(rgb)), (200, 304), 30)) >= 1


def test_a_body_at_the_frames_edge_is_found() -> None:
    """Half in the picture is still in the picture, and the box stays inside the frame."""
    rgb = draw_leaf()
    draw_body(rgb, (200, 2), 30, 90)
    (region,) = find_silhouettes(read_light(rgb))
    assert region.box[1] == 0 and region.box[2] <= 400


def test_a_twig_across_the_frame_is_not_offered() -> None:
    """What is far longer than any body is not a body."""
    rgb = draw_leaf()
    cv2.line(rgb, (0, 50), (599, 360), BODY, 9)
    assert not [r for r in find_silhouettes(read_light(rgb)) if r.length_px > 30]


@pytest.mark.parametrize("value", [0, 128, 255])
def test_blank_frames_give_nothing(value: int) -> None:
    """Black, grey and white hold no body."""
    assert find_silhouettes(read_light(np.full((300, 300, 3), value, np.uint8))) == []


def test_noise_and_tiny_frames_do_not_crash() -> None:
    """Noise is bounded work; a frame of a few px is no error."""
    rng = np.random.default_rng(0)
    noise = rng.integers(0, 255, (300, 400, 3)).astype(np.uint8)
    assert len(find_silhouettes(read_light(noise))) <= 20
    for side in (1, 2, 5, 17):
        assert isinstance(find_silhouettes(read_light(noise[:side, :side].copy())), list)


def test_a_leafs_shadow_is_greener_than_a_body() -> None:
    """The feature that tells them apart points the right way on drawn patches."""
    rgb = draw_leaf()
    draw_body(rgb, (100, 150), 30, 0)
    shadow = rgb.copy()
    cv2.ellipse(shadow, (450, 300), (15, 5), 0, 0, 360, (34, 100, 12), -1)
    regions = find_silhouettes(read_light(shadow))
    (body,) = find_near(regions, (100, 150), 4)
    (shade,) = find_near(regions, (300, 450), 4)
    assert shade.features[Feature.GREEN_SHIFT] > body.features[Feature.GREEN_SHIFT] + 0.3


def make_ellipse(a: float, b: float) -> np.ndarray:
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    return np.stack([a * np.cos(angle), b * np.sin(angle)], axis=1).astype(np.float32)


@pytest.mark.parametrize(
    ("outline", "expected"),
    [
        (make_ellipse(50, 50), 0.159155),
        (make_ellipse(80, 20), 0.338204),
        (np.float32([[0, 0], [0, 90], [30, 90], [30, 0]]), 0.277778),
    ],
    ids=["disc", "ellipse 4:1", "rectangle 3:1"],
)
def test_spread_has_the_known_values(outline: np.ndarray, expected: float) -> None:
    """First Hu moment: 1 / (2 pi) for a disc, .338204 for an ellipse of 4:1, .277778 for a rectangle of 3:1 (analytic)."""
    assert measure_spread(outline) == pytest.approx(expected, abs=2e-4)


def test_extent_counts_whole_pixels() -> None:
    """A bar of 20 x 4 px has that extent, turned or not; a line has no area and no error."""
    bar = np.float32([[0, 0], [0, 19], [3, 19], [3, 0]])
    assert measure_extent(bar) == pytest.approx((20, 4))
    assert measure_spread(np.float32([[0, 0], [0, 9], [0, 4]])) == 0.0

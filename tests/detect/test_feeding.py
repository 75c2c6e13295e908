"""Bites and holes drawn into leaves are found where they are; whole leaves, teeth, overlaps and gaps are not called feeding."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from detect.feeding import MOST_REGIONS, FeedingFeature, find_feeding, score_feeding
from detect.light import HALF_STEP_PX, read_light
from detect.regions import Region

PHOTOS = Path(__file__).parents[2].parent / "shared" / "photos" / "canopy-photos"
LIKELY = 0.5
SCALE = 2
FINE = 4


class Scene:
    """Masks of sky and leaf, (300, 400), drawn eight times finer than an element and reduced."""

    def __init__(self, rows: int = 300, columns: int = 400) -> None:
        self.tissue = np.zeros((rows * FINE, columns * FINE), np.uint8)
        self.bark = np.zeros_like(self.tissue)

    def leaf(
        self,
        row: float,
        column: float,
        *,
        length: float = 90,
        width: float = 55,
        angle_deg: float = 0.0,
        teeth: float = 0.0,
        bites: tuple[tuple[float, float, float], ...] = (),
    ) -> float:
        """Draw an elliptic leaf; bites are (along, across, radius) from its middle in elements. Return the share gone."""
        t = np.linspace(0, 2 * np.pi, 1000, endpoint=False)
        swell = 1 + teeth * np.abs((t * 18 / (2 * np.pi)) % 1 * 2 - 1)
        along, across = length / 2 * np.cos(t) * swell, width / 2 * np.sin(t) * swell
        turn = np.deg2rad(angle_deg)
        basis = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        blade = np.zeros_like(self.tissue)
        places = basis @ np.stack([across, along]) + np.array([[column], [row]])
        cv2.fillPoly(blade, [np.round(places.T * FINE).astype(np.int32)], 1)
        whole = int(blade.sum())
        for bite_along, bite_across, radius in bites:
            x, y = basis @ np.array([bite_across, bite_along]) + np.array([column, row])
            cv2.circle(blade, (round(x * FINE), round(y * FINE)), round(radius * FINE), 0, -1)
        self.tissue |= blade
        return 100 * (1 - int(blade.sum()) / whole)

    def twig(self, start: tuple[int, int], end: tuple[int, int], width: int = 2) -> None:
        points = [(column * FINE, row * FINE) for row, column in (start, end)]
        cv2.line(self.bark, points[0], points[1], 1, width * FINE)

    def masks(self, quarter_turns: int = 0) -> tuple[np.ndarray, np.ndarray]:
        """Sky and leaf, uint8 0 or 255, turned by quarters."""
        size = (self.tissue.shape[1] // FINE, self.tissue.shape[0] // FINE)
        covered = cv2.resize((self.tissue | self.bark).astype(np.float32), size, interpolation=cv2.INTER_AREA)
        leaf = cv2.resize(self.tissue.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        sky = np.where(covered < 0.5, 255, 0).astype(np.uint8)
        green = np.where((leaf >= 0.5) & (sky == 0), 255, 0).astype(np.uint8)
        return np.rot90(sky, quarter_turns).copy(), np.rot90(green, quarter_turns).copy()


def find(scene: Scene) -> list[Region]:
    sky, leaf = scene.masks()
    return find_feeding(sky, leaf, scale=SCALE)


def keep_likely(regions: list[Region]) -> list[Region]:
    return [region for region in regions if score_feeding(region) >= LIKELY]


def lies_near(region: Region, row: float, column: float, within: float) -> bool:
    """Whether a region's middle lies within some elements of a place, given in elements."""
    top, left, bottom, right = region.box
    away = np.hypot((top + bottom) / 2 / SCALE - row, (left + right) / 2 / SCALE - column)
    return bool(away <= within)


@pytest.mark.parametrize("angle_deg", [0, 40, 115, 250])
@pytest.mark.parametrize("radius", [5, 8])
def test_a_bite_is_found_where_it_is_at_any_angle(angle_deg: float, radius: float) -> None:
    """One round bite into the edge of one leaf: one likely region on its place, its length that of the bite's mouth."""
    scene = Scene()
    scene.leaf(150, 200, angle_deg=angle_deg, bites=((10, 25, radius),))
    (region,) = keep_likely(find(scene))
    turn = np.deg2rad(angle_deg)
    column = 200 + 25 * np.cos(turn) - 10 * np.sin(turn)
    row = 150 + 25 * np.sin(turn) + 10 * np.cos(turn)
    assert lies_near(region, row, column, 4)
    assert region.kind == "feeding"
    assert region.features[FeedingFeature.HOLE] == 0
    assert region.length_px == pytest.approx(2 * radius * SCALE, rel=0.3)


@pytest.mark.parametrize("radius", [3, 6, 10])
def test_a_hole_is_found_where_it_is(radius: float) -> None:
    """A round hole within one leaf: one likely region, round it, its diameter right within 2 elements."""
    scene = Scene()
    scene.leaf(150, 200, bites=((12, -6, radius),))
    (region,) = keep_likely(find(scene))
    assert lies_near(region, 162, 194, 1.5)
    assert region.features[FeedingFeature.HOLE] == 1
    assert region.features[FeedingFeature.FILL] > 0.9
    assert abs(region.length_px - 2 * radius * SCALE) <= 2 * SCALE


def test_feeding_on_both_sides_of_the_midrib_is_one_leaf_with_its_share_missing() -> None:
    """Bites from both sides that leave the midrib: one region for the leaf, two parts, missing area right within 4 points."""
    scene = Scene()
    gone = scene.leaf(150, 200, bites=((8, 20, 13), (8, -20, 13)))
    (region,) = keep_likely(find(scene))
    assert region.features[FeedingFeature.PARTS] == pytest.approx(1)
    assert region.features[FeedingFeature.FREE] == 1
    assert region.missing_percent == pytest.approx(gone, abs=4)


def test_a_leaf_that_hangs_on_a_twig_stands_free_all_the_same() -> None:
    """Twig and stalk are cut off before the leaf is measured."""
    scene = Scene()
    gone = scene.leaf(150, 200, bites=((0, 26, 10), (20, -22, 7)))
    scene.twig((90, 20), (100, 390))
    scene.twig((97, 205), (107, 200))
    (region,) = keep_likely(find(scene))
    assert region.features[FeedingFeature.FREE] == 1
    assert region.missing_percent == pytest.approx(gone, abs=4)


@pytest.mark.parametrize("teeth", [0.0, 0.08])
@pytest.mark.parametrize("angle_deg", [0, 30, 77])
def test_a_whole_leaf_is_not_chewed(teeth: float, angle_deg: float) -> None:
    """Smooth or toothed, a leaf with nothing missing gives no likely region."""
    scene = Scene()
    scene.leaf(150, 200, angle_deg=angle_deg, teeth=teeth)
    scene.leaf(60, 70, angle_deg=angle_deg + 20, teeth=teeth, length=60, width=30)
    assert keep_likely(find(scene)) == []


@pytest.mark.parametrize("apart", [20, 30, 40, 48])
@pytest.mark.parametrize("angle_deg", [35, 60, 90])
def test_two_leaves_that_overlap_are_not_chewed(apart: float, angle_deg: float) -> None:
    """The wedges between two overlapping leaves give no likely region, whatever their angle."""
    scene = Scene()
    scene.leaf(150, 180)
    scene.leaf(150, 180 + apart, angle_deg=angle_deg)
    assert keep_likely(find(scene)) == []


def test_a_gap_that_three_leaves_enclose_is_not_a_hole() -> None:
    """Sky between three leaves has inward-curved sides and pointed corners: no likely region."""
    scene = Scene()
    for angle_deg in (0, 120, 240):
        turn = np.deg2rad(angle_deg)
        scene.leaf(
            150 + 31 * np.sin(turn), 200 + 31 * np.cos(turn), length=100, width=50, angle_deg=angle_deg
        )
    sky, _ = scene.masks()
    assert sky[150, 200] == 255 and cv2.connectedComponents(sky)[0] == 3
    assert keep_likely(find(scene)) == []


def test_two_chewed_leaves_are_two_regions_and_two_that_touch_are_not_lost() -> None:
    """Apart, each chewed leaf is a region of its own; touching, at least one is left, on one of the bites."""
    apart = Scene()
    apart.leaf(150, 110, bites=((0, -26, 9),))
    apart.leaf(150, 290, bites=((0, 26, 9),))
    regions = keep_likely(find(apart))
    assert len(regions) == 2
    assert any(lies_near(region, 150, 85, 5) for region in regions)
    assert any(lies_near(region, 150, 315, 5) for region in regions)
    touching = Scene()
    touching.leaf(150, 174, bites=((0, -26, 6),))
    touching.leaf(150, 226, bites=((0, 26, 6),))
    regions = keep_likely(find(touching))
    assert 1 <= len(regions) <= 2
    assert all(lies_near(region, 150, 149, 5) or lies_near(region, 150, 251, 5) for region in regions)


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_turning_the_frame_turns_the_regions(quarter_turns: int) -> None:
    """A frame turned by a quarter has the same likely regions with the same shares missing."""
    scene = Scene()
    scene.leaf(150, 200, bites=((8, 25, 9), (-15, -24, 6)))
    scene.leaf(60, 80, length=60, width=40, bites=((0, 0, 5),))
    upright = keep_likely(find(scene))
    sky, leaf = scene.masks(quarter_turns)
    turned = keep_likely(find_feeding(sky, leaf, scale=SCALE))
    assert len(turned) == len(upright) == 2
    for one, other in zip(upright, turned, strict=True):
        assert other.missing_percent == pytest.approx(one.missing_percent, abs=2)
        assert score_feeding(other) == pytest.approx(score_feeding(one), abs=0.2)


def test_regions_are_in_full_resolution_px_inside_the_frame() -> None:
    """Outlines scale with the frame, are float32 (row, column), and lie in their boxes."""
    scene = Scene()
    scene.leaf(150, 200, bites=((8, 25, 9),))
    sky, leaf = scene.masks()
    small, large = find_feeding(sky, leaf, scale=1)[0], find_feeding(sky, leaf, scale=4)[0]
    assert large.outline.dtype == np.float32 and large.outline.shape[1] == 2
    assert np.allclose((large.outline + 0.5) / 4, small.outline + 0.5, atol=1e-3)
    top, left, bottom, right = large.box
    assert 0 <= top < bottom <= 1200 and 0 <= left < right <= 1600
    assert (large.outline >= (top, left)).all() and (large.outline <= (bottom, right)).all()
    assert np.array_equal(large.features, small.features)


@pytest.mark.parametrize("value", [0, 255])
def test_a_frame_of_one_kind_gives_nothing(value: int) -> None:
    """All sky or no sky at all: an empty list; so does a frame without elements."""
    mask = np.full((120, 160), value, np.uint8)
    assert find_feeding(mask, 255 - mask, scale=SCALE) == []
    assert find_feeding(np.zeros((0, 0), np.uint8), np.zeros((0, 0), np.uint8), scale=SCALE) == []


def test_tiny_frames_and_noise_do_no_harm() -> None:
    """Any masks give at most `MOST_REGIONS` regions, the same every time, with chances between 0 and 1."""
    rng = np.random.default_rng(4)
    for rows, columns in ((1, 1), (2, 5), (9, 9), (200, 300)):
        sky = np.where(rng.random((rows, columns)) < 0.4, 255, 0).astype(np.uint8)
        first, again = (find_feeding(sky, 255 - sky, scale=SCALE) for _ in range(2))
        assert len(first) <= MOST_REGIONS
        assert [region.box for region in first] == [region.box for region in again]
        assert all(0 <= score_feeding(region) <= 1 for region in first)
        assert keep_likely(first) == []


@pytest.mark.skipif(not PHOTOS.exists(), reason="the canopy photographs are not at hand")
def test_real_crowns_give_hardly_any_likely_region() -> None:
    """41 photographs of crowns in which no feeding can be made out: measured 1 likely region in all; at most 3 are allowed."""
    count = 0
    paths = sorted(PHOTOS.glob("*.jpg"))
    for path in paths:
        lit = read_light(cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB).astype(np.uint8))
        count += len(keep_likely(find_feeding(lit.sky, lit.leaf, scale=HALF_STEP_PX)))
    assert len(paths) == 41
    assert count <= 3

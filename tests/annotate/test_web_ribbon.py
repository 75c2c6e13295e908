"""The ribbon of a clip's time and the plan of a site: pure geometry behind two drawings."""

import math
from dataclasses import replace

import pytest

from annotate.field.site_plan import PLAN_HEIGHT, PLAN_WIDTH, draw_plan, say_scale
from annotate.logbook.records import Tree
from annotate.web.ribbons import shade_ribbon

TREE = Tree(
    id=1,
    site="OTTERHOLT",
    code="OT01",
    host_taxon="Salix caprea",
    latitude_deg=51.2,
    longitude_deg=-1.1,
    accuracy_m=5.0,
    height_m=None,
    notes="",
    cautions="",
    expected_taxon="",
)


def measure_degrees_m(latitude_deg: float) -> tuple[float, float]:
    """Length of a degree of latitude and of longitude on WGS 84.

    The series of the length-of-a-degree calculator of the National Geospatial-Intelligence Agency (from memory).
    """
    phi = math.radians(latitude_deg)
    north_m = 111132.92 - 559.82 * math.cos(2 * phi) + 1.175 * math.cos(4 * phi)
    east_m = 111412.84 * math.cos(phi) - 93.5 * math.cos(3 * phi) + 0.118 * math.cos(5 * phi)
    return north_m, east_m


def test_a_clip_never_looked_at_is_all_dull() -> None:
    """Without looks every shade is 0, and nothing fails."""
    ribbon = shade_ribbon((), first_s=10.0, last_s=11.0, duration_s=60.0)
    assert set(ribbon.whole) == set(ribbon.near) == {0}


def test_sharp_moments_are_bright_and_unseen_ones_dark() -> None:
    """Looks shade their moment by their sharpness; where nothing was looked at it stays dull."""
    looks = [
        (time_s / 4, 1.0 if time_s < 80 else 0.0) for time_s in range(160)
    ]  # 40 s, sharp in the first 20
    ribbon = shade_ribbon(looks, first_s=19.0, last_s=21.0, duration_s=60.0)
    third = len(ribbon.whole) // 3
    assert set(ribbon.whole[: third - 3]) == {9}
    assert set(ribbon.whole[third + 3 : 2 * third - 3]) == {1}
    assert set(ribbon.whole[2 * third + 3 :]) == {0}
    assert ribbon.near[0] == 9
    assert ribbon.near[-1] == 1


@pytest.mark.parametrize(("first_s", "last_s"), [(0.0, 0.0), (0.0, 60.0), (59.9, 60.0), (30.0, 30.1)])
def test_the_near_part_holds_the_candidate_and_stays_in_the_clip(first_s: float, last_s: float) -> None:
    """Wherever a candidate lies, its views have a place on the ribbon."""
    ribbon = shade_ribbon([(30.0, 0.5)], first_s=first_s, last_s=last_s, duration_s=60.0)
    assert 0 <= ribbon.from_s <= first_s
    assert last_s <= ribbon.until_s <= 60.0
    assert ribbon.until_s - ribbon.from_s >= 3.0


def test_a_clip_of_one_frame_has_a_ribbon() -> None:
    """A photo, with no length at all, divides by nothing."""
    ribbon = shade_ribbon([(0.0, 1.0)], first_s=0.0, last_s=0.0, duration_s=0.0)
    assert ribbon.until_s > ribbon.from_s


def test_a_plan_without_positions_is_empty() -> None:
    """Trees without a position are named, not placed."""
    plan = draw_plan([replace(TREE, latitude_deg=None)])
    assert plan.trees == ()
    assert plan.unplaced == ("OT01",)


@pytest.mark.parametrize(("scale_m", "words"), [(5.0, "5 m"), (500.0, "500 m"), (200_000.0, "200 km")])
def test_a_scale_is_said_in_metres_or_kilometres(scale_m: float, words: str) -> None:
    """Also where one tree is far off by mistake."""
    assert say_scale(scale_m) == words


def test_a_plan_of_one_tree_has_it_in_the_middle() -> None:
    """One tree has no extent, and still a plan and a scale."""
    plan = draw_plan([TREE])
    assert (plan.trees[0].x, plan.trees[0].y) == pytest.approx((PLAN_WIDTH / 2, PLAN_HEIGHT / 2))
    assert 5 <= plan.scale_m <= 20


def test_distances_on_the_plan_agree_with_the_ellipsoid() -> None:
    """Lengths measured on the plan with its scale are those on the ellipsoid of WGS 84, within half a per cent."""
    trees = [
        TREE,
        replace(TREE, code="OT02", latitude_deg=51.2012, longitude_deg=-1.0975),
        replace(TREE, code="OT03", latitude_deg=51.1994, longitude_deg=-1.0990),
    ]
    plan = draw_plan(trees)
    north_m, east_m = measure_degrees_m(51.2)
    per_m = plan.scale_length / plan.scale_m
    for one, other in ((0, 1), (1, 2), (0, 2)):
        up = (trees[one].latitude_deg - trees[other].latitude_deg) * north_m  # type: ignore[operator]
        across = (trees[one].longitude_deg - trees[other].longitude_deg) * east_m  # type: ignore[operator]
        drawn = math.hypot(plan.trees[one].x - plan.trees[other].x, plan.trees[one].y - plan.trees[other].y)
        assert drawn / per_m == pytest.approx(math.hypot(up, across), rel=0.005)


def test_north_is_up_and_east_is_right() -> None:
    """A tree farther north stands higher, one farther east more to the right, and all stand inside the plan."""
    plan = draw_plan([TREE, replace(TREE, code="OT02", latitude_deg=51.201, longitude_deg=-1.099)])
    first, second = plan.trees
    assert second.y < first.y
    assert second.x > first.x
    assert all(0 <= tree.x <= PLAN_WIDTH and 0 <= tree.y <= PLAN_HEIGHT for tree in plan.trees)


def test_names_on_the_plan_cover_no_tree_and_no_name() -> None:
    """Trees that stand close, three of them in a row, keep their names apart."""
    spread = [(0.0, 0.0), (0.00004, 0.0004), (0.0, 0.0008), (0.002, 0.004)]
    trees = [
        replace(TREE, code=f"OT{number:02}", latitude_deg=51.2 + up, longitude_deg=-1.1 + across)
        for number, (up, across) in enumerate(spread)
    ]
    plan = draw_plan(trees)
    width = {"start": (0.0, 46.0), "end": (-46.0, 0.0), "middle": (-23.0, 23.0)}  # of four letters at 14 px
    names = [
        (
            tree.name_x + width[tree.anchor][0],
            tree.name_y - 11,
            tree.name_x + width[tree.anchor][1],
            tree.name_y,
        )
        for tree in plan.trees
    ]
    dots = [(tree.x - 9, tree.y - 9, tree.x + 9, tree.y + 9) for tree in plan.trees]
    for index, (left, top, right, bottom) in enumerate(names):
        assert left >= 0 and right <= PLAN_WIDTH
        for other in dots + names[:index] + names[index + 1 :]:
            assert not (left < other[2] and other[0] < right and top < other[3] and other[1] < bottom)

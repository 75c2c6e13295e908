"""How far a lens reaches: lengths and chances from the curve in use, what it advises, and the plot as a file."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from annotate.commands import base
from annotate.commands import reach as reach_command
from annotate.errors import AnnotateError
from annotate.lengths.clip_coverage import tell_coverage
from annotate.lengths.reach import (
    ReachOrder,
    advise,
    find_covering_px,
    load_curve,
    measure_coverage,
    measure_reach,
    say_coverage,
    say_odds,
    spread_heights,
)
from annotate.lengths.reach_plots import draw_reach
from annotate.lengths.taxon_profiles import choose_profiles, list_profiles
from annotate.logbook.opening import create_logbook, open_logbook
from annotate.logbook.places import TreeEntry, write_trees
from detect.lenses import reckon_plainly
from models.detectability import find_chance, find_clip_chance
from tests.annotate.made_records import film, make_candidate, search

CURVE, WEIGHTS = load_curve()
IRIS = choose_profiles(list_profiles(), "Apatura iris")[0]
COMMANDS = (reach_command,)


def test_chances_are_those_of_the_curve_in_the_card() -> None:
    """Each cell repeats what the kept curve says of its length: in a look and in a clip."""
    reach = measure_reach(ReachOrder(looks=12), CURVE, IRIS)
    assert reach.heights_m[0] == 1
    assert reach.heights_m[-1] == 6
    for row in reach.cells:
        for cell in row:
            assert cell.in_look.value == find_chance(CURVE, cell.length_px, 0.55)
            assert cell.in_clip is not None
            assert cell.in_clip.value == find_clip_chance(CURVE, cell.length_px, 0.55, looks=12)


def test_interval_holds_the_chance_and_is_there_only_where_counted() -> None:
    """Lengths under the shortest that was counted have no interval and say so."""
    for row in measure_reach(ReachOrder(), CURVE, IRIS).cells:
        for cell in row:
            look = cell.in_look
            if cell.length_px < 6:
                assert look.low is None
                assert not look.is_measured
            else:
                assert look.low is not None
                assert look.high is not None
                assert look.low <= look.value <= look.high


def test_longer_and_nearer_is_never_worse() -> None:
    """Chances fall with height and rise with the focal length."""
    near, far = (measure_reach(ReachOrder(focal), CURVE, IRIS) for focal in (77.0, 26.0))
    for zoomed, wide in zip(near.cells, far.cells, strict=True):
        values = [cell.in_look.value for cell in wide]
        assert values == sorted(values, reverse=True)
        assert all(a.in_look.value >= b.in_look.value for a, b in zip(zoomed, wide, strict=True))


def test_advice_says_what_zoom_and_nearness_make_of_it() -> None:
    """An L3 at 3 m with 26 mm at 3840 px is 9 px; the advice names a longer lens, its px, and how near to go."""
    lines = advise(ReachOrder(heights_m=(3.0,)), CURVE, IRIS)
    line = next(one for one in lines if "L3" in one)
    assert line.startswith("At 3 m with 26 mm, an L3 of 10 mm is 9 px: noticed 1 time in ")
    assert "Zoom: with " in line
    assert "go closer: within " in line
    within_m = float(line.split("within ")[1].split()[0])
    there = measure_reach(ReachOrder(heights_m=(within_m,)), CURVE, IRIS).cells[2][0]
    assert there.length_px == pytest.approx(find_covering_px(CURVE, 0.55), rel=0.05)


def test_advice_is_honest_where_zoom_gains_little() -> None:
    """What is covered already is told to look longer, not that all is well."""
    lines = advise(ReachOrder(120.0, heights_m=(2.0,)), CURVE, IRIS)
    assert all("gains little" in line for line in lines if "L5" in line)


def test_steadying_lengthens_by_its_factor() -> None:
    """A crop of 1.1 makes everything 1.1 times as long."""
    plain, cropped = (measure_reach(ReachOrder(crop=crop), CURVE, IRIS) for crop in (1.0, 1.1))
    assert cropped.cells[0][0].length_px == pytest.approx(1.1 * plain.cells[0][0].length_px)


def test_card_without_a_chance_of_clips() -> None:
    """Weights with a curve of looks alone give looks alone."""
    reach = measure_reach(ReachOrder(), replace(CURVE, clip=None), IRIS)
    assert all(cell.in_clip is None for row in reach.cells for cell in row)
    assert "whole clip" not in " ".join(advise(ReachOrder(), replace(CURVE, clip=None), IRIS))


def test_covered_heights_of_a_clip_agree_with_the_table() -> None:
    """At the height up to which an instar counts as covered, the table says covered, and above it does not."""
    frame = (2160, 3840)
    lens = reckon_plainly(52, frame_size_px=frame)
    for at, one in enumerate(measure_coverage(lens, CURVE, IRIS, frame_size_px=frame)):
        heights = (one.covered_to_m * 0.97, one.covered_to_m * 1.05)
        below, above = measure_reach(ReachOrder(52.0, frame, heights), CURVE, IRIS).cells[at]
        assert below.covered == "covered"
        assert above.covered != "covered"


def test_coverage_names_the_top_that_was_missed() -> None:
    """Against a tree's height it is said how much of the top was not covered."""
    lens = reckon_plainly(26, frame_size_px=(1080, 1920))
    coverage = measure_coverage(lens, CURVE, IRIS, frame_size_px=(1080, 1920))
    lines = say_coverage(coverage, tree="OT03", height_m=9.5, lens_height_m=1.5)
    assert f"the top {8.0 - coverage[2].poorly_to_m:.1f} m of OT03 were not covered" in lines[2]
    low = say_coverage(coverage[-1:], tree="OT06", height_m=2.0, lens_height_m=1.5)
    assert "that is all of OT06" in low[0]


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.0, "less than 1 time in 100"),
        (0.05, "1 time in 20"),
        (1 / 3, "1 time in 3"),
        (0.62, "6 times in 10"),
    ],
)
def test_odds_as_people_say_them(chance: float, words: str) -> None:
    """Chances read as times."""
    assert say_odds(chance) == words


@pytest.mark.parametrize(
    "heights", [(0.0, 3.0), (3.0, 1.0), (1.0, 1000.0), (float("nan"), 3.0), (1.0, float("inf"))]
)
def test_heights_that_cannot_be(heights: tuple[float, float]) -> None:
    """Heights out of range or turned round are an error."""
    with pytest.raises(AnnotateError, match="height: expected"):
        spread_heights(*heights)


def test_one_height_and_many() -> None:
    """One height is one; a wide range is never more than 61."""
    assert spread_heights(3.0, 3.0) == (3.0,)
    assert len(spread_heights(1.0, 60.0)) <= 61


@pytest.mark.parametrize("name", ["reach.png", "reach.svg"])
def test_plot_is_written_whole(tmp_path: Path, name: str) -> None:
    """A plot is there under its name, nothing else beside it."""
    path = draw_reach(measure_reach(ReachOrder(), CURVE, IRIS), tmp_path / name)
    assert path.read_bytes()[:5] in (b"\x89PNG\r", b"<?xml")
    assert [one.name for one in tmp_path.iterdir()] == [name]


def test_plot_with_another_ending(tmp_path: Path) -> None:
    """A name that is no picture's, and a folder that is not there, are errors."""
    reach = measure_reach(ReachOrder(), CURVE, IRIS)
    with pytest.raises(AnnotateError, match=r"ending in \.png or \.svg"):
        draw_reach(reach, tmp_path / "reach.pdf")
    with pytest.raises(AnnotateError, match="a place to write the plot"):
        draw_reach(reach, tmp_path / "none" / "reach.png")


def run(*arguments: str) -> str:
    """Run the command; its standard output."""
    result = CliRunner().invoke(base.app, ["reach", *arguments], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def test_command_without_a_logbook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`leafshade reach` works anywhere, with the program's weights; as JSON with stable names."""
    monkeypatch.chdir(tmp_path)
    rows = json.loads(run("--focal", "26", "--height", "3", "--json"))
    assert [row["stage"] for row in rows] == ["L1", "L2", "L3", "L4", "L5"]
    assert rows[0]["mm_per_px"] == pytest.approx(1.0817, abs=1e-4)
    said = run("--focal", "26", "--height", "2", "--to", "3")
    for word in (WEIGHTS, "What to do", "never climb", "at the sun", "43.27"):
        assert word in " ".join(said.split())


@pytest.mark.parametrize("text", ["3840", "axb", "0x0", "999999x1"])
def test_command_refuses_other_resolutions(text: str) -> None:
    """A resolution that is none is an error."""
    with pytest.raises(AnnotateError, match="resolution: expected"):
        run("--resolution", text)


def test_clip_without_a_known_lens_asks_for_it(tmp_path: Path) -> None:
    """A clip whose lens nobody knows is asked for; given, the tree's height is taken into account."""
    folder = create_logbook(tmp_path / "Otterholt", zone="Europe/London")
    with open_logbook(folder) as logbook:
        write_trees(logbook, [TreeEntry("OTTERHOLT", "OT03", {"height_m": 9.5})])
        search(logbook, film(logbook, tree="OT03"), [make_candidate()])
        with pytest.raises(AnnotateError, match="give it with: --focal 26"):
            tell_coverage(logbook, "walk 1.mp4")
        with pytest.raises(AnnotateError, match=r"the last ones are: walk 1\.mp4"):
            tell_coverage(logbook, "walk 2.mp4")
        lines = tell_coverage(logbook, "walk 1.mp4", focal_equivalent_mm=26.0)
        assert "26 mm (given)" in lines[0]
        assert "Tree OT03, 9.5 m high:" in lines
    said = run("--clip", "walk 1.mp4", "--focal", "26", "--logbook", str(folder))
    assert said.splitlines() == list(lines)

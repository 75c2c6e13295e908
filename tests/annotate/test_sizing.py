"""Sizes of what stands in a logbook: which scale is taken, why there is none, and what is kept with an observation."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from annotate.commands import base
from annotate.commands import reach as _reach
from annotate.commands import sizes as _sizes
from annotate.errors import AnnotateError
from annotate.lengths.sizing import (
    NO_CARD,
    NO_DISTANCE,
    NO_LENS,
    SizingOrder,
    complete_order,
    keep_sizes,
    say_candidate,
    say_sized,
    size_bodies,
    size_one_candidate,
)
from annotate.logbook.observations import find_observation, list_changes
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.outlines import correct_outline
from annotate.logbook.records import Details
from annotate.logbook.settings import CameraSettings
from annotate.logbook.sizes import KeptLength, find_body, keep_focal_length, keep_lengths, list_bodies
from annotate.logbook.tables import CardSightingRow, ObservationRow
from annotate.logbook.verdicts import give_verdict
from tests.annotate.made_records import add_trees, film, make_candidate, search

NOW = datetime(2026, 5, 18, 20, 0, tzinfo=UTC)
COMMANDS = (_reach, _sizes)


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    """A logbook with two confirmed silhouettes of 30 and 60 px on OT03, a confirmed feeding place, and one not judged."""
    with open_logbook(
        create_logbook(tmp_path / "Otterholt", zone="Europe/London", recorder="Maren")
    ) as opened:
        add_trees(opened, "OT03")
        clip = film(opened, tree="OT03")
        found = [
            make_candidate(1.0, (200, 300), length_px=30.0, shade=1),
            make_candidate(5.0, (700, 900), length_px=60.0, shade=2),
            make_candidate(9.0, (500, 500), kind="feeding", shade=3),
            make_candidate(12.0, (300, 1200), length_px=44.0, shade=4),
        ]
        search(opened, clip, found)
        for candidate in (1, 2, 3):
            give_verdict(
                opened, candidate, answer="confirm", reviewer="Maren", at=NOW, details=Details(stage="L4")
            )
        yield opened


def test_without_a_lens_or_a_distance_it_says_what_is_missing(logbook: Logbook) -> None:
    """No length is made up: the lens, then the distance, is asked for in words."""
    assert {one.why_not for one in size_bodies(logbook, SizingOrder())} == {NO_LENS}
    keep_focal_length(logbook, 1, 77.0)
    assert {one.why_not for one in size_bodies(logbook, SizingOrder())} == {NO_DISTANCE}
    assert {one.why_not for one in size_bodies(logbook, SizingOrder(card_side_mm=60))} == {NO_CARD}
    assert say_candidate(logbook, 1) == ""


def test_feeding_has_no_size(logbook: Logbook) -> None:
    """Only bodies are listed; asked for by itself, feeding has no length."""
    assert [one.candidate_id for one in list_bodies(logbook)] == [1, 2]
    assert size_one_candidate(logbook, 3, SizingOrder(77.0, distance_m=3.0)).size is None


def test_twice_as_long_in_the_picture_is_twice_as_long(logbook: Logbook) -> None:
    """At one distance lengths go as px; at twice the distance all are twice as long."""
    short, long = (one.size for one in size_bodies(logbook, SizingOrder(77.0, distance_m=3.0)))
    assert short is not None
    assert long is not None
    assert long.length_mm == pytest.approx(2 * short.length_mm)
    far = size_bodies(logbook, SizingOrder(77.0, distance_m=6.0))[0].size
    assert far is not None
    assert far.length_mm == pytest.approx(2 * short.length_mm)


def test_a_corrected_outline_gives_the_length(logbook: Logbook) -> None:
    """What a person drew counts, in the list and alone; gone back to, the search's own does."""
    half_as_long = [[198, 290], [198, 305], [202, 305], [202, 290]]
    for outline, factor in ((half_as_long, 0.5), (None, 1)):
        correct_outline(logbook, 1, rank=0, outline=outline, reviewer="Maren", at=NOW)
        lengths = [one.length_px for one in list_bodies(logbook)]
        assert lengths == pytest.approx([30 * factor, 60], rel=0.1)
        assert find_body(logbook, 1).length_px == lengths[0]


def test_what_a_person_drew_is_taken_as_it_is(logbook: Logbook) -> None:
    """A length in mm goes by the px alone, whoever drew the outline; a person's has not the search's own error."""
    order = SizingOrder(77.0, distance_m=3.0)
    before = size_one_candidate(logbook, 1, order)
    as_long = [[198, 290], [198, 308], [202, 308], [202, 290]]
    correct_outline(logbook, 1, rank=0, outline=as_long, reviewer="Maren", at=NOW)
    after = size_one_candidate(logbook, 1, order)
    assert before.size is not None
    assert after.size is not None
    by_px = after.body.length_px / before.body.length_px
    assert after.size.length_mm == pytest.approx(before.size.length_mm * by_px)
    assert after.size.search_share < before.size.search_share


def test_lens_of_the_file_counts_unless_another_is_given(logbook: Logbook) -> None:
    """What a person says counts before the file, and the file before nothing."""
    keep_focal_length(logbook, 1, 52.0)
    keep_focal_length(logbook, 1, None)
    by_file = size_bodies(logbook, SizingOrder(distance_m=3.0))[0].size
    given = size_bodies(logbook, SizingOrder(104.0, distance_m=3.0))[0].size
    assert by_file is not None
    assert given is not None
    assert by_file.length_mm == pytest.approx(2 * given.length_mm)


def test_settings_fill_in_what_nobody_said() -> None:
    """Zero in the settings is not known; a height given keeps the settings' distance out."""
    camera = CameraSettings(focal_equivalent_mm=77.0, crop=1.1, distance_m=3.0)
    assert complete_order(SizingOrder(), CameraSettings()) == SizingOrder()
    filled = complete_order(SizingOrder(), camera)
    assert (filled.focal_equivalent_mm, filled.crop, filled.distance_m) == (77.0, 1.1, 3.0)
    assert complete_order(SizingOrder(height_m=2.0), camera).distance_m is None


def test_card_held_beside_gives_the_scale_nearest_in_time(logbook: Logbook) -> None:
    """Of two cards seen, that nearer in time to each larva counts."""
    square = np.array([[0, 0], [0, 60], [60, 60], [60, 0]], "<f4")
    with logbook.writing() as session:
        for time_s, times in ((1.5, 1), (6.0, 2)):
            session.add(
                CardSightingRow(clip_id=1, marker=3, time_s=time_s, corners=(square * times).tobytes())
            )
    first, second = (one.size for one in size_bodies(logbook, SizingOrder(card_side_mm=60.0)))
    assert first is not None
    assert second is not None
    assert first.seen_mm == pytest.approx(second.seen_mm)


def test_height_in_the_record_counts_from_the_lens(logbook: Logbook) -> None:
    """An observation 4.5 m above the ground is 3 m above a lens held at 1.5 m; one under the lens cannot be measured."""
    with logbook.writing() as session:
        session.get_one(ObservationRow, 1).height_m = 4.5
        session.get_one(ObservationRow, 2).height_m = 1.0
    by_record, below = size_bodies(logbook, SizingOrder(77.0))
    given = size_bodies(logbook, SizingOrder(77.0, height_m=3.0))[0]
    assert by_record.size == given.size
    assert below.size is None
    assert "not above the lens" in below.why_not


def test_kept_lengths_have_a_history_and_never_replace_a_ruler(logbook: Logbook) -> None:
    """Lengths by pixels are kept anew, the older ones in the history; one measured by hand stays, and tells the stage."""
    with logbook.writing() as session:
        row = session.get_one(ObservationRow, 2)
        row.length_mm, row.length_error_mm, row.length_from = 47.0, 1.0, "ruler"
    near = size_bodies(logbook, SizingOrder(77.0, distance_m=3.0))
    assert near[1].size is not None
    assert (near[1].size.length_mm, near[1].size.rests_on) == (47.0, "ruler")
    assert near[1].guess is not None
    assert near[1].guess.stage == "L5"
    assert keep_sizes(logbook, near, who="Maren", at=NOW) == 1
    keep_sizes(logbook, size_bodies(logbook, SizingOrder(77.0, distance_m=6.0)), who="Maren", at=NOW)
    first, second = list_bodies(logbook)
    assert first.length_mm == pytest.approx(2 * near[0].size.length_mm, abs=0.2)  # type: ignore[union-attr]
    assert first.length_from == "pixels: lens of 77 mm, 6 m away"
    assert (second.length_mm, second.length_from) == (47.0, "ruler")
    assert [one.field for one in list_changes(logbook, 1)].count("length_mm") == 2
    observation = find_observation(logbook, candidate_id=1)
    assert observation is not None
    assert observation.stage == "L4"


def test_lengths_are_kept_all_or_none(logbook: Logbook) -> None:
    """One id that does not exist leaves the others as they were."""
    lengths = [KeptLength(1, 24.0, 4.0, "made"), KeptLength(99, 24.0, 4.0, "made")]
    with pytest.raises(AnnotateError, match="found 99"):
        keep_lengths(logbook, lengths, who="Maren", at=NOW)
    assert find_body(logbook, 1).length_mm is None


def test_line_for_a_card(logbook: Logbook) -> None:
    """A candidate nobody judged has a line with length and stage once lens and distance are known."""
    line = say_sized(size_one_candidate(logbook, 4, SizingOrder(77.0, shape="4:3", crop=1.1, distance_m=3.0)))
    assert line.startswith("about ")
    assert "±" in line
    assert "probably L" in line
    with pytest.raises(AnnotateError, match="found 99"):
        size_one_candidate(logbook, 99)


def test_date_can_be_left_out(logbook: Logbook) -> None:
    """The season changes the chances, and the words say that it was used."""
    order = SizingOrder(77.0, distance_m=3.0)
    dated, plain = (
        size_bodies(logbook, replace(order, with_season=season))[0].guess for season in (True, False)
    )
    assert dated is not None
    assert plain is not None
    assert dated.chances != plain.chances
    assert "season" in dated.rests_on
    assert "season" not in plain.rests_on


def run(logbook: Logbook, *arguments: str) -> str:
    """Run a command on the logbook; its standard output."""
    result = CliRunner().invoke(
        base.app, [*arguments, "--logbook", str(logbook.folder)], catch_exceptions=False
    )
    assert result.exit_code == 0, result.output
    return result.stdout


def test_command_lists_sizes_and_keeps_them(logbook: Logbook) -> None:
    """`leafshade sizes` writes stable names as JSON, a table for people, and keeps lengths only when asked."""
    rows = json.loads(run(logbook, "sizes", "--focal", "77", "--distance", "3", "--json"))
    assert [row["length_px"] for row in rows] == [30.0, 60.0]
    assert rows[0]["rests_on"] == "lens of 77 mm, 3 m away"
    assert sum(float(part.split()[1]) for part in rows[0]["stage_chances"].split("; ")) == pytest.approx(
        1, abs=0.03
    )
    assert find_body(logbook, 1).length_mm is None
    said = run(logbook, "sizes", "--focal", "77", "--distance", "3", "--keep")
    assert "2 of 2 could be measured." in said
    assert find_body(logbook, 1).length_mm == rows[0]["length_mm"]


def test_command_refuses_two_distances(logbook: Logbook) -> None:
    """A distance and a height at once are an error."""
    with pytest.raises(AnnotateError, match="found both"):
        run(logbook, "sizes", "--distance", "3", "--height", "3")


def test_command_lists_profiles_and_writes_the_example(logbook: Logbook) -> None:
    """`leafshade taxa` names the sources; --example writes the file it speaks of."""
    assert "field diary" in run(logbook, "taxa")
    run(logbook, "taxa", "--example")
    assert (logbook.folder / "taxa" / "example.txt").is_file()

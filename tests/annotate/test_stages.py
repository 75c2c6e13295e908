"""Lengths in mm with their error, and instars as chances: models against simulation, published tables, and never a certainty."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from annotate.errors import AnnotateError
from annotate.lengths.sizes import (
    BodySize,
    Scale,
    list_shortenings,
    say_size,
    scale_by_card,
    scale_by_distance,
    scale_by_height,
    size_body,
    size_candidate,
    size_measured,
)
from annotate.lengths.stages import MOST_SURE, StageGuess, guess_stage, say_guess, weigh_season
from annotate.lengths.taxon_profiles import Instar, TaxonProfile, choose_profiles, list_profiles
from detect.lenses import fit_lens

MONARCH_MM = ((2, 6), (6, 9), (10, 14), (13, 25), (25, 45))
"""Body lengths by instar (check-values, Instars, seen)."""

FRAME = (1080, 1920)
LENS = fit_lens(77, frame_size_px=FRAME, shape="4:3", crop=1.0)


def make_profile(
    *ends: tuple[float, float], season: tuple[tuple[int, int], tuple[int, int]] | None = None
) -> TaxonProfile:
    instars = tuple(
        Instar(f"L{at + 1}", (float(low), float(high)), 0.05, None, season, "made")
        for at, (low, high) in enumerate(ends)
    )
    return TaxonProfile("Examplia", (), "", instars, Path("made"))


def find_iris() -> tuple[TaxonProfile, ...]:
    return choose_profiles(list_profiles(), "Apatura iris")


def measure(length_mm: float, error_share: float = 0.1) -> BodySize:
    return size_measured(length_mm, length_mm * error_share, rests_on="made")


def test_length_comes_back_within_its_error() -> None:
    """Bodies of 24 mm tilted by the prior and outlined with the stated errors come back without bias, as far off as is said."""
    rng = np.random.default_rng(3)
    scale = scale_by_distance(LENS, distance_m=3, frame_size_px=FRAME)
    tilts = rng.choice(list_shortenings(), 4000)
    said = size_body(30, scale)
    px = 24 / scale.mm_per_px * tilts * np.exp(rng.normal(0, said.seen_share, 4000))
    lengths = np.array([size_body(one, scale).length_mm for one in px])
    assert np.median(lengths) == pytest.approx(24, rel=0.02)
    assert np.std(np.log(lengths)) == pytest.approx(said.error_mm / said.length_mm, rel=0.1)


def test_errors_add_as_squares() -> None:
    """The error of a length is made of the search's, the distance's, the lens's and the tilt's."""
    size = size_body(30, scale_by_distance(LENS, distance_m=3, frame_size_px=FRAME))
    shares = np.array([size.search_share, size.distance_share, size.lens_share, size.tilt_share])
    assert size.error_mm / size.length_mm == pytest.approx(np.sqrt((shares**2).sum()))
    assert all(shares > 0)


def test_tilt_only_ever_lengthens() -> None:
    """A body is at least as long as it looks."""
    size = size_body(30, scale_by_distance(LENS, distance_m=3, frame_size_px=FRAME))
    assert size.length_mm > size.seen_mm


def test_height_is_less_sure_than_distance() -> None:
    """What hangs so high is a little farther away, and how far is not known."""
    by_distance = scale_by_distance(LENS, distance_m=3, frame_size_px=FRAME)
    by_height = scale_by_height(LENS, height_m=3, frame_size_px=FRAME)
    assert by_height.mm_per_px > by_distance.mm_per_px
    assert by_height.distance_share > by_distance.distance_share


def test_card_beside_a_larva_gives_the_scale() -> None:
    """A square of 60 mm seen 120 px long and shortened by tilt to 90 px in one direction gives 0.5 mm per px."""
    corners = np.array([[10, 10], [10, 130], [100, 130], [100, 10]], np.float32)
    assert scale_by_card(corners, side_mm=60).mm_per_px == pytest.approx(0.5)


@pytest.mark.parametrize("corners", [np.zeros((4, 2)), np.full((4, 2), np.nan)])
def test_broken_card_is_refused(corners: np.ndarray) -> None:
    """Corners in one place, or none, are an error that says what to do."""
    with pytest.raises(AnnotateError, match="card: expected"):
        scale_by_card(corners.astype(np.float32), side_mm=60)
    square = np.array([[0, 0], [0, 9], [9, 9], [9, 0]], np.float32)
    with pytest.raises(AnnotateError, match="side in mm"):
        scale_by_card(square, side_mm=0)


def test_a_card_that_leans_is_measured_across_its_lean() -> None:
    """A 140 mm square 1.5 m away leaning by 50 degrees, seen through a pinhole: the scale is that of its distance within 1 %.

    Taken by its longest side, which is nearer to the lens, it was 3 % too small.
    """
    distance_mm, focal_px, lean = 1500.0, 2773.0, np.radians(50)
    across, down = np.array([-70.0, 70, 70, -70]), np.array([-70.0, -70, 70, 70])
    away = distance_mm + down * np.sin(lean)
    corners = focal_px * np.column_stack([down * np.cos(lean), across]) / away[:, None] + 1000
    scale = scale_by_card(corners.astype(np.float32), side_mm=140)
    assert scale.mm_per_px == pytest.approx(distance_mm / focal_px, rel=0.01)


def test_what_has_no_length() -> None:
    """Feeding damage and what has no scale have no length; lengths and distances that cannot be are errors."""
    scale = Scale(1.0, 0.05, 0.01, "made")
    assert size_candidate(30, "feeding", scale) is None
    assert size_candidate(30, "silhouette", None) is None
    with pytest.raises(AnnotateError, match="more than 0 px"):
        size_body(0, scale)
    with pytest.raises(AnnotateError, match=r"distance: expected 0\.05 to 60 m"):
        scale_by_distance(LENS, distance_m=float("nan"), frame_size_px=FRAME)
    with pytest.raises(AnnotateError, match="more than 0 mm"):
        size_measured(-1, 0, rests_on="made")


@pytest.mark.parametrize("at", range(5))
def test_middle_of_each_published_instar_is_told(at: int) -> None:
    """A body measured at the middle of a monarch instar's published range is told as that instar."""
    low, high = MONARCH_MM[at]
    guess = guess_stage([make_profile(*MONARCH_MM)], measure(float(np.sqrt(low * high)), 0.05))
    assert guess is not None
    assert guess.stage == f"L{at + 1}"


def test_overlap_of_published_instars_stays_open() -> None:
    """13.5 mm is in the monarch's third and fourth instar: neither gets more than three quarters."""
    guess = guess_stage([make_profile(*MONARCH_MM)], measure(13.5, 0.05))
    assert guess is not None
    chances = dict(guess.chances)
    assert 0.15 < chances["L3"] < 0.75
    assert 0.15 < chances["L4"] < 0.75


def test_chances_hold_in_a_simulation() -> None:
    """Over drawn bodies of the published instars, chances said are the shares right within 0.08, or else too careful."""
    rng = np.random.default_rng(5)
    profile = make_profile(*MONARCH_MM)
    said, was = [], []
    for _ in range(1500):
        at = int(rng.integers(5))
        length = rng.uniform(*MONARCH_MM[at]) * np.exp(rng.normal(0, 0.12))
        guess = guess_stage([profile], measure(float(length), 0.12))
        assert guess is not None
        best = max(guess.chances, key=lambda one: one[1])
        said.append(best[1])
        was.append(best[0] == f"L{at + 1}")
    said_, was_ = np.array(said), np.array(was)
    assert was_.mean() > 0.75
    for low, high in ((0.4, 0.6), (0.6, 0.8), (0.8, 1.0)):
        inside = (said_ >= low) & (said_ < high)
        assert was_[inside].mean() > said_[inside].mean() - 0.08


@pytest.mark.parametrize("length_mm", [0.5, 3, 24, 45, 500])
@pytest.mark.parametrize("day", [None, date(2026, 5, 17)])
def test_never_certain(length_mm: float, day: date | None) -> None:
    """Whatever the length, chances add to one and none is above the most or at zero."""
    guess = guess_stage(find_iris(), measure(length_mm, 0.03), day=day)
    assert guess is not None
    chances = [chance for _, chance in guess.chances]
    assert sum(chances) == pytest.approx(1)
    assert max(chances) <= MOST_SURE + 1e-9
    assert min(chances) > 0


def test_hopeless_length_cannot_be_told() -> None:
    """A body far longer than any instar says nothing of the stage, in words too."""
    guess = guess_stage(find_iris(), measure(5000, 0.03))
    assert guess is not None
    assert guess.stage == ""
    assert say_guess(guess).startswith("stage cannot be told")
    assert say_guess(None) == "stage cannot be told: no profile of this animal"


def test_full_grown_and_fourth_of_the_field_diary() -> None:
    """50 mm (full-grown 45 to 55) is L5; 22 mm is L4 (about 25 mm) (check-values, Instars)."""
    for length_mm, stage in ((50, "L5"), (22, "L4")):
        guess = guess_stage(find_iris(), measure(length_mm))
        assert guess is not None
        assert guess.stage == stage


def test_season_tips_a_doubtful_one_and_can_be_left_out() -> None:
    """14 mm is L3 in early April and L4 in mid May; without a date it is between."""
    chances = [
        dict(guess.chances)["L4"]
        for day in (date(2026, 4, 1), None, date(2026, 5, 15))
        if (guess := guess_stage(find_iris(), measure(14), day=day)) is not None
    ]
    assert chances == sorted(chances)
    assert chances[2] - chances[0] > 0.2


def test_season_is_a_weak_prior() -> None:
    """A full-grown body in September is still told as L5."""
    guess = guess_stage(find_iris(), measure(47), day=date(2026, 9, 10))
    assert guess is not None
    assert guess.stage == "L5"


def test_season_crosses_the_new_year() -> None:
    """L3, met with from late summer to April, is in season on both sides of the new year and not in June."""
    instar = Instar("L3", (7, 14), 0.1, None, ((8, 20), (4, 25)), "field diary")
    assert weigh_season(instar, date(2026, 12, 31)) == weigh_season(instar, date(2027, 1, 1)) == 1
    assert weigh_season(instar, date(2026, 6, 20)) < 0.2
    assert 0.2 < weigh_season(instar, date(2026, 5, 3)) < 1
    leap = Instar("L3", (7, 14), 0.1, None, ((2, 29), (3, 10)), "made")
    assert weigh_season(leap, date(2027, 2, 28)) == 1


def test_genus_is_told_by_all_its_profiles() -> None:
    """A record of Apatura is told by both species; an animal without a profile by none."""
    both = choose_profiles(list_profiles(), "Apatura")
    assert [one.taxon for one in both] == ["Apatura ilia", "Apatura iris"]
    assert choose_profiles(list_profiles(), "Lasiommata") == ()
    assert guess_stage((), measure(24)) is None


def test_dyars_rule_in_published_head_widths() -> None:
    """Head widths grow by 1.574 (monarch) and 1.3101 with R2 .99927 (Gynaephora): Dyar's rule (check-values)."""
    for widths, ratio in (
        ((0.6, 0.8, 1.5, 2.2, 3.5), 1.574),
        ((0.68, 0.91, 1.22, 1.58, 2.06, 2.69, 3.45), 1.3101),
    ):
        slope, _ = np.polyfit(np.arange(len(widths)), np.log(widths), 1)
        assert np.exp(slope) == pytest.approx(ratio, abs=0.001)
        fit = np.corrcoef(np.arange(len(widths)), np.log(widths))[0, 1] ** 2
    assert fit == pytest.approx(0.99927, abs=0.0003)


def test_interpolated_instars_grow_by_one_ratio() -> None:
    """What the shipped profile says is interpolated grows by 1.9 from moult to moult, as it says."""
    iris = find_iris()[0]
    ends = [instar.length_mm[1] for instar in iris.instars[1:]]
    assert np.diff(np.log(ends)) == pytest.approx(np.log(1.9), abs=0.01)


def test_words() -> None:
    """A line reads as a person would say it."""
    guess = StageGuess((("L3", 0.02), ("L4", 0.68), ("L5", 0.3)), "L4", "")
    assert (
        f"{say_size(measure(24, 0.17))}, {say_guess(guess)}"
        == "about 24 mm ± 4, probably L4 (0.7) or L5 (0.3)"
    )

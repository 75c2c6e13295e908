"""One thing seen many times is one track; things that touch, leave and return keep their own."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from detect.following import LONGEST_GAP_S, SearchedFrame, Track, follow
from detect.gathering import combine_scores, gather_candidate, rank_views
from detect.regions import Kind, Region, ScoredRegion

STEP_S = 1 / 3


def make_region(
    row: float, column: float, *, length: float = 20, score: float = 0.8, kind: Kind = "silhouette"
) -> ScoredRegion:
    half = length / 2
    box = (round(row - 3), round(column - half), round(row + 4), round(column + half + 1))
    outline = np.float32([[box[0], box[1]], [box[0], box[3]], [box[2], box[3]], [box[2], box[1]]])
    return ScoredRegion(Region(kind, box, outline, length, 6.0, 0.0, np.zeros(1, np.float32)), score)


def make_frames(
    seen: list[list[ScoredRegion]], *, shift: tuple[float, float] = (0, 0), linked: bool = True
) -> list[SearchedFrame]:
    """Frames a third of a second apart whose picture moves by `shift` each; regions are carried by the common motion."""
    motion = np.array([[1.0, 0, shift[0]], [0, 1, shift[1]]]) if linked else None
    frames: list[SearchedFrame] = []
    before: list[ScoredRegion] = []
    for number, regions in enumerate(seen):
        centres = [
            ((s.region.box[0] + s.region.box[2] - 1) / 2, (s.region.box[1] + s.region.box[3] - 1) / 2)
            for s in before
        ]
        carried = np.array(centres, dtype=float).reshape(-1, 2) + shift
        frames.append(
            SearchedFrame(
                number * 10,
                number * STEP_S,
                5.0,
                (1080, 1920),
                motion if number else None,
                carried if linked else np.empty((0, 2)),
                tuple(regions),
                tuple(b"picture" for _ in regions),
                tuple((0, 0) for _ in regions),
                b"frame",
            )
        )
        before = regions
    return frames


def run(frames: list[SearchedFrame], kept: int = 8) -> list[Track]:
    return list(follow(frames, kept_views=kept))


def test_nothing_seen_is_no_track() -> None:
    """Empty frames and no frames give nothing."""
    assert run([]) == [] and run(make_frames([[], [], []])) == []


def test_twenty_views_of_one_larva_are_one_candidate() -> None:
    """A larva that the camera sweeps past in twenty frames is one track, with its best eight views, best first."""
    seen = [[make_region(100 + 17 * n, 200 + 31 * n, score=0.5 + 0.02 * n)] for n in range(20)]
    (track,) = run(make_frames(seen, shift=(17, 31)))
    assert len(track.scores) == 20 and len(track.sightings) == 8
    scores = [s.scored.score for s in track.sightings]
    assert scores == sorted(scores, reverse=True) and scores[0] == pytest.approx(0.88)
    candidate = gather_candidate(track, lambda kind, scores: combine_scores(scores, most_views=9))
    assert (
        candidate.views_seen == 20
        and candidate.first_s == 0
        and candidate.last_s == pytest.approx(19 * STEP_S)
    )
    ranks = {n * STEP_S: n / 20 for n in range(20)}
    assert rank_views(candidate, ranks).views[0].sharpness == 19 / 20


def test_two_that_nearly_touch_stay_two() -> None:
    """Two larvae side by side keep their own tracks."""
    seen = [[make_region(100, 200 + 5 * n), make_region(100, 224 + 5 * n)] for n in range(6)]
    tracks = run(make_frames(seen, shift=(0, 5)))
    assert sorted(len(track.scores) for track in tracks) == [6, 6]
    for track in tracks:
        columns = sorted(s.scored.region.box[1] - 5 * round(s.frame.time_s / STEP_S) for s in track.sightings)
        assert columns[0] == columns[-1]


def test_one_that_leaves_and_returns_within_the_gap_is_one() -> None:
    """Blur hides a larva for two seconds; it is the same larva afterwards."""
    gap = int(2.0 / STEP_S)
    seen = (
        [[make_region(100, 100)]]
        + [[] for _ in range(gap - 1)]
        + [[make_region(100 + 4 * gap, 100 - 6 * gap)]]
    )
    (track,) = run(make_frames(seen, shift=(4, -6)))
    assert len(track.scores) == 2


def test_one_that_stays_away_too_long_is_new() -> None:
    """After the longest gap the place is begun anew."""
    gap = int(LONGEST_GAP_S / STEP_S) + 2
    seen = [[make_region(100, 100)]] + [[] for _ in range(gap)] + [[make_region(100, 100)]]
    assert len(run(make_frames(seen))) == 2


def test_a_cut_ends_every_track() -> None:
    """Where no motion links two frames nothing is carried over."""
    assert len(run(make_frames([[make_region(50, 50)], [make_region(50, 50)]], linked=False))) == 2


def test_kinds_and_very_different_lengths_are_not_mixed() -> None:
    """A chewed edge is not a larva, and a 60 px shade is not the 12 px one."""
    seen = [[make_region(100, 100)], [make_region(100, 100, kind="feeding")]]
    assert len(run(make_frames(seen))) == 2
    seen = [[make_region(100, 100, length=12)], [make_region(100, 100, length=60)]]
    assert len(run(make_frames(seen))) == 2


@given(
    st.lists(
        st.lists(st.tuples(st.integers(0, 500), st.integers(0, 500), st.integers(6, 80)), max_size=5),
        max_size=8,
    ),
    st.randoms(use_true_random=False),
)
def test_every_region_ends_in_exactly_one_track(
    cells: list[list[tuple[int, int, int]]], random: object
) -> None:
    """Nothing seen is lost or counted twice, and the order of regions within a frame does not change the tracks."""
    seen = [[make_region(r, c, length=n) for r, c, n in sorted(set(frame))] for frame in cells]
    tracks = run(make_frames(seen), kept=100)
    places = sorted((s.frame.index, s.position) for t in tracks for s in t.sightings)
    assert places == [(10 * n, p) for n, frame in enumerate(seen) for p in range(len(frame))]


def test_more_good_views_make_a_surer_candidate() -> None:
    """The score of all views grows with their number and their scores, and a poor view takes nothing from five good ones."""
    assert (
        combine_scores([0.8], most_views=9)
        < combine_scores([0.8, 0.8], most_views=9)
        < combine_scores([0.8] * 5, most_views=9)
    )
    assert combine_scores([0.9] * 5 + [0.01] * 30, most_views=9) == pytest.approx(0.9)
    assert combine_scores([0.9] * 5, most_views=9) == pytest.approx(0.9)
    assert 0 < combine_scores([0.0], most_views=9) < combine_scores([1.0] * 9, most_views=9) < 1


def test_views_that_could_not_be_are_not_missing() -> None:
    """In a photo one view is all there is, in a clip of two looks two are."""
    assert combine_scores([0.8], most_views=1) == pytest.approx(0.8)
    assert combine_scores([0.8, 0.8], most_views=2) == pytest.approx(0.8)
    assert combine_scores([0.8], most_views=2) < 0.8

"""The network as a scorer: it finds what is plainly there, nothing where nothing is, and the same every time."""

from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from detect.clips import open_clip
from detect.light import read_light
from detect.network_scoring import (
    FINER,
    NetworkFeature,
    NetworkScorer,
    _trace_outline,
    lengthen,
    load_network_scorer,
)
from detect.search import SearchSettings, search_clip
from detect.silhouettes import measure_extent
from detect.truth_scoring import score_candidates
from models.calibration import apply_track_calibration
from models.canopy.truth import find_truth_path, read_truth
from models.cards import DEFAULT_WEIGHTS, Calibration, ModelCard, TrackCalibration, WeightsError
from models.looks import WITH_ODDS, SeenPlace, describe_places
from models.network import LARVA, NetworkConfig, build_pair, find_best_dtype, ready_network, ready_pair, seek
from models.patches import CROP_PX, find_corner, find_window, shrink
from models.second_judge import LOOK_SIZE, load_second
from tests.bench.plain_leaves import SECOND_PASS, look
from tests.plain_leaves import draw_plain_picture

SAMPLE_FOLDER = Path(__file__).parents[2] / "sample_frames"

GAIN = 1.1
DEFAULT_SCORE = SearchSettings().silhouette_score
SMALL = NetworkConfig((4, 8, 8, 8), (1, 1, 1), (4, 8, 8, 12), (1, 1, 1), (4, 8, 8), (1, 1), 12, (8, 4))


@pytest.fixture(scope="module")
def scorer():
    return load_network_scorer()


@pytest.fixture
def untrained():
    """A pair that knows nothing but is sure that everything may be a larva: every road through the scorer is walked."""
    card = ModelCard(
        "untrained",
        "",
        "",
        {},
        "0" * 64,
        Calibration(1.0, 3.0),
        Calibration(1.0, 0.0),
        TrackCalibration(0.0, 1.0, 0.0, 0.0),
        {},
        {},
        (),
        length_gain=GAIN,
    )
    pair = build_pair(SMALL, seed=2)
    pair.seeker.eval()
    pair.judge.eval()
    return NetworkScorer(ready_pair(pair, device=torch.device("cpu"), dtype=torch.float32), card)


def draw_leaf(rows=360, columns=480, seed=0):
    """One mottled leaf that fills the frame, uint8 (rows, columns, 3)."""
    rng = np.random.default_rng(seed)
    mottle = cv2.resize(
        rng.normal(0, 1, (12, 16)).astype(np.float32), (columns, rows), interpolation=cv2.INTER_CUBIC
    )
    codes = np.array([80, 170, 40]) + 10 * mottle[..., None] + rng.normal(0, 2, (rows, columns, 3))
    return np.clip(codes, 0, 255).astype(np.uint8)


def find(scorer, rgb):
    lit = read_light(rgb)
    return scorer.score(lit, scorer.find(lit))


def make_noise(rows, columns):
    return np.random.default_rng(3).integers(0, 256, (rows, columns, 3), dtype=np.uint8)


@pytest.mark.parametrize(
    "picture",
    [
        np.zeros((540, 960, 3), np.uint8),
        np.full((540, 960, 3), 255, np.uint8),
        np.full((540, 960, 3), (60, 140, 40), np.uint8),
        make_noise(540, 960),
        cv2.GaussianBlur(make_noise(540, 960), (0, 0), 3),
        np.zeros((1, 1, 3), np.uint8),
        make_noise(7, 5),
    ],
    ids=["black", "white", "one leaf's green", "noise", "soft noise", "one pixel", "tiny"],
)
def test_where_nothing_is_nothing_is_offered(scorer, picture):
    """Black, white, blank and noisy frames of any size give no silhouette over the default threshold, and no crash."""
    silhouettes = [s for s in find(scorer, picture) if s.region.kind == "silhouette"]
    assert all(s.score < DEFAULT_SCORE for s in silhouettes)


def test_the_same_frame_gives_the_same_regions(untrained):
    """Twice the same frame: equal scores, boxes and outlines, bit for bit."""
    rgb = make_noise(200, 300)
    first, second = find(untrained, rgb), find(untrained, rgb)
    assert len(first) > 3
    for one, other in zip(first, second, strict=True):
        assert one.score == other.score and one.region.box == other.region.box
        assert np.array_equal(one.region.outline, other.region.outline)


def test_regions_are_what_the_search_expects(untrained):
    """Outlines lie in the frame and in their boxes, lengths count what they leave out, scores are chances; at the edge too."""
    rgb = make_noise(150, 210)
    for scored in find(untrained, rgb):
        region = scored.region
        top, left, bottom, right = region.box
        assert 0 <= top < bottom <= 150 and 0 <= left < right <= 210
        assert region.outline.dtype == np.float32 and region.outline.shape[1] == 2
        assert (region.outline.min(axis=0) >= (top, left)).all() and (
            region.outline.max(axis=0) < (bottom, right)
        ).all()
        extent_px, width_px = measure_extent(region.outline)
        assert (region.length_px, region.width_px) == pytest.approx((lengthen(extent_px, GAIN), width_px))
        assert 0 <= scored.score <= 1
        assert len(region.features) == len(NetworkFeature)


def test_two_regions_never_show_one_body(untrained):
    """No two silhouettes of a frame have nearly the same middle."""
    boxes = np.array([s.region.box for s in find(untrained, make_noise(200, 300))], float)
    middles = (boxes[:, :2] + boxes[:, 2:]) / 2
    gaps = np.hypot(*(middles[:, None] - middles[None]).transpose(2, 0, 1))
    assert gaps[~np.eye(len(middles), dtype=bool)].min() > 4


@pytest.mark.parametrize("level", [0, 1, 2])
def test_a_mask_is_traced_where_it_lies(level):
    """The outline of a disc-shaped mask has the disc's middle and diameter in full-resolution px, at every level."""
    place = np.array([200.0, 300.0])
    rows, columns = np.mgrid[:CROP_PX, :CROP_PX] + 0.5
    radius = 8.0
    mask = (radius - np.hypot(rows - 24.0, columns - 24.0)).astype(np.float32)
    outline = _trace_outline(mask, place, level)
    corner = np.asarray(find_corner(place, level))
    middle = (corner + 24.0) * 2**level - 0.5
    assert (outline.min(axis=0) + outline.max(axis=0)) / 2 == pytest.approx(middle, abs=0.3 * 2**level)
    assert np.ptp(outline, axis=0) == pytest.approx(
        [2 * radius * 2**level] * 2, abs=2 * 2**level / FINER + 0.5
    )


def test_an_empty_mask_is_a_small_mark_and_never_an_error():
    """Where the judge draws no body, a small mark at the place stands for it; of two bodies the one in the middle is taken."""
    place = np.array([50.0, 60.0])
    small = _trace_outline(np.full((CROP_PX, CROP_PX), -5, np.float32), place, 0)
    assert small.mean(axis=0) == pytest.approx(place, abs=1)
    two = np.full((CROP_PX, CROP_PX), -5, np.float32)
    two[22:26, 22:26] = 5
    two[2:20, 2:20] = 5
    assert np.ptp(_trace_outline(two, place, 0), axis=0) == pytest.approx([4, 4], abs=1)


def test_weights_that_are_missing_are_said_to_be(tmp_path):
    """Without a weight file the scorer is refused with the file's name."""
    with pytest.raises(WeightsError, match=r"none\.json"):
        load_network_scorer(tmp_path / "none.pt")


def test_the_name_holds_the_weights(scorer):
    """The scorer's name changes with the weights, so that old candidates are known to be of another scorer."""
    from models.cards import load_weights

    card = load_weights(DEFAULT_WEIGHTS)[1]
    assert scorer.name == f"{card.name} {card.weights_sha256[:8]}"


def test_a_plain_larva_scores_over_its_likeness(scorer):
    """A dark slug on a lit leaf is offered in its place, outlined at about its length, and scores over a round clot."""
    rgb = draw_leaf()
    cv2.ellipse(rgb, (240, 180), (17, 3), 25, 0, 360, (22, 26, 18), -1, cv2.LINE_AA)
    cv2.circle(rgb, (100, 100), 6, (22, 26, 18), -1, cv2.LINE_AA)
    rgb = cv2.GaussianBlur(rgb, (0, 0), 0.7)
    silhouettes = [s for s in find(scorer, rgb) if s.region.kind == "silhouette"]

    def best_near(row, column):
        near = [s for s in silhouettes if np.hypot(*(np.mean(s.region.outline, axis=0) - (row, column))) < 10]
        return max(near, key=lambda s: s.score, default=None)

    larva, clot = best_near(180, 240), best_near(100, 100)
    assert larva is not None
    assert larva.score > (clot.score if clot is not None else 0)
    assert larva.region.length_px == pytest.approx(35, rel=0.3)


def test_a_larva_in_a_photo_is_offered(scorer):
    """A photo shows everything once: larvae of the sample's pictures are offered over the default threshold from one view."""
    found = []
    for path in sorted(SAMPLE_FOLDER.glob("*.jpg")):
        result = search_clip(open_clip(path), SearchSettings(), scorer=scorer)
        found += score_candidates(result.candidates, read_truth(find_truth_path(path)), duration_s=0).found
        result.close()
    assert len(found) >= 3


def test_what_could_be_seen_once_is_not_blamed_for_it():
    """One good view says more where no other was possible, and views that a short clip cannot have are not missing."""
    track = TrackCalibration(0.2, 1.2, -0.4, 0.2, once_slope=1.2, once_offset=-0.6)
    once, of_two, of_many = (apply_track_calibration([2.0], track, most_views=n) for n in (1, 2, 50))
    assert once == pytest.approx(1 / (1 + np.exp(-(1.2 * 2 - 0.6))))
    assert once > of_two > of_many
    assert apply_track_calibration([2.0, 2.0], track, most_views=2) > of_two


def test_a_second_look_is_the_second_judges(untrained) -> None:
    """Whatever weights search, places are described by the one second judge, whose name and weights stand in the look's name."""
    rgb = np.random.default_rng(4).integers(0, 256, (200, 200, 3), dtype=np.uint8)
    places = [SeenPlace(rgb, (100.0, 90.0), 20.0)]
    judge, card = load_second()
    ready = ready_network(judge, device=torch.device("cpu"), dtype=find_best_dtype(torch.device("cpu")))
    assert np.array_equal(untrained.describe(places), describe_places(ready, places))
    assert card.weights_sha256[:8] in untrained.look_name and untrained.look_name.endswith(WITH_ODDS)
    assert untrained.describe([]).shape == (0, LOOK_SIZE + 1)


def test_a_second_look_tells_larvae_from_what_looks_like_them(scorer) -> None:
    """On flat leaves that no training drew, of all that the seeker names there, larvae nearly always stand first."""
    shown, others = [], []
    for seed in range(3):
        picture = draw_plain_picture(seed)
        named = seek(scorer.seeker, shrink(picture.rgb), channel=LARVA, most=20, floor=-6.0)
        for (row, column), length_px in zip(named.places_px, named.lengths_px.tolist(), strict=True):
            is_larva = any(
                np.hypot(larva.middle_xy[0] - column, larva.middle_xy[1] - row) <= larva.length_px / 2
                for larva in picture.larvae
            )
            rows, columns = find_window((row, column), length_px, picture.rgb.shape)
            place = SeenPlace(
                picture.rgb[rows, columns], (row - rows.start, column - columns.start), length_px
            )
            (shown if is_larva else others).append(float(scorer.describe([place])[0, -1]))
    assert len(shown) >= 6 and len(others) >= 20
    assert np.mean([one > other for one in shown for other in others]) >= 0.9


def test_larvae_drawn_in_quite_another_way_are_found(scorer):
    """On flat leaves that no training drew, one look finds two thirds of the larvae of 16 px and more, and little else."""
    found = of = false = 0
    for seed in (0, 1, 2, 3):
        picture = draw_plain_picture(seed)
        seen, others = look(scorer, picture)
        long_enough = [n for n, larva in enumerate(picture.larvae) if larva.length_px >= 16]
        of += len(long_enough)
        found += sum(seen.get(number, 0.0) >= SECOND_PASS for number in long_enough)
        false += sum(score >= SECOND_PASS for score in others)
    assert of >= 8
    assert found >= 2 / 3 * of
    assert false <= 1

"""The seeker rounded to 8 bits: what it says stays what the exact one says, on any processor that can."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch

from detect.clips import open_clip, read_frames, read_rgb
from detect.light import read_light
from detect.network_scoring import (
    OFTEN_SAME,
    ROUNDED_SCORE,
    SAME_SCORE,
    NetworkScorer,
    load_network_scorer,
)
from detect.regions import find_middle
from models.cards import DEFAULT_WEIGHTS, load_weights, save_weights
from models.eight_bits import can_use_eight_bits, measure_ranges, round_seeker
from models.network import LARVA, build_pair, look_over, ready_pair

CPU = torch.device("cpu")
SAMPLE = Path(__file__).parents[2] / "sample_frames" / "otterholt-ot03.mp4"
EVERY = 25
"""Of the sample's frames so many are passed over for one that is looked at."""

NEAR_PX = 4.0
"""Two regions this near are of the same place."""

pytestmark = pytest.mark.skipif(
    not can_use_eight_bits(), reason="this processor or torch does not work in 8 bits"
)


@pytest.fixture(scope="module")
def lit_frames():
    return [
        read_light(read_rgb(frame)) for frame in read_frames(open_clip(SAMPLE)) if frame.index % EVERY == 0
    ]


@pytest.fixture(scope="module")
def pair():
    return load_weights(DEFAULT_WEIGHTS)[0]


def test_rounding_changes_what_the_seeker_says_by_little(pair, lit_frames):
    """Wherever a larva may be (log-odds over -4) the rounded seeker's log-odds differ by less than .1 in the root mean square."""
    exact = ready_pair(pair, device=CPU, dtype=torch.float32).seeker
    rounded = round_seeker(pair.seeker, pair.ranges)
    maps = [[look_over(seeker, lit.half)[LARVA] for lit in lit_frames] for seeker in (exact, rounded)]
    said, heard = (torch.cat([part.flatten() for part in some]) for some in maps)
    counted = said > -4
    assert int(counted.sum()) > 100
    assert float((heard - said)[counted].square().mean().sqrt()) < 0.1


def test_rounding_changes_scores_by_less_than_is_promised(lit_frames):
    """Regions found with the rounded seeker and with the exact one: as many of their scores are as near as is promised."""
    usual = load_network_scorer()
    exact = NetworkScorer(usual.pair, usual.card)
    assert usual.seeker is not exact.seeker
    gaps = []
    for lit in lit_frames:
        rounded, sharp = (
            scorer.score(lit, scorer.find(lit, with_feeding=False)) for scorer in (usual, exact)
        )
        for one in rounded:
            middle = find_middle(one.region.box)
            near = [
                abs(other.score - one.score)
                for other in sharp
                if np.hypot(*np.subtract(find_middle(other.region.box), middle)) < NEAR_PX
            ]
            gaps += [min(near)] if near else []
    assert len(gaps) >= 40
    assert np.quantile(gaps, OFTEN_SAME) < ROUNDED_SCORE
    assert np.median(gaps) < SAME_SCORE


def test_rounding_twice_gives_the_same(pair, lit_frames):
    """Two roundings of the same weights agree bit for bit."""
    first, second = (look_over(round_seeker(pair.seeker, pair.ranges), lit_frames[0].half) for _ in range(2))
    assert torch.equal(first, second)


def test_ranges_are_measured_and_kept(tmp_path, lit_frames):
    """Ranges of an untrained seeker: measured on pictures, each from low to high with nought inside, saved and loaded alike."""
    pair = build_pair(replace(load_weights(DEFAULT_WEIGHTS)[0].config), seed=4)
    ranges = measure_ranges(pair.seeker, [lit.half for lit in lit_frames])
    assert ranges.shape[1] == 2 and bool((ranges[:, 0] <= 0).all()) and bool((ranges[:, 1] > 0).all())
    path = tmp_path / "pair.pt"
    save_weights(path, replace(pair, ranges=ranges), load_weights(DEFAULT_WEIGHTS)[1])
    loaded = load_weights(path)[0].ranges
    assert loaded is not None and torch.equal(loaded, ranges)


@pytest.mark.parametrize("ranges", [torch.zeros(0, 2), torch.zeros(3, 2), torch.zeros(24)])
def test_ranges_of_another_seeker_are_refused(pair, ranges):
    """Too few ranges, or such of another form, are no ranges of this seeker: a clear error, no guess."""
    with pytest.raises(ValueError, match="expected ranges of shape"):
        round_seeker(pair.seeker, ranges)


def test_torch_works_as_before(pair, lit_frames):
    """Rounding leaves torch's own choice of engine as it was, and the seeker given untouched."""
    engine = torch.backends.quantized.engine
    before = {name: value.clone() for name, value in pair.seeker.state_dict().items()}
    look_over(round_seeker(pair.seeker, pair.ranges), np.zeros_like(lit_frames[0].half))
    assert torch.backends.quantized.engine == engine
    assert all(torch.equal(value, before[name]) for name, value in pair.seeker.state_dict().items())

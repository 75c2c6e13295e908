"""Calibrating tracks: on clips whose truth is known, with what it writes into the weights' card."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from detect.network_scoring import GAIN_FROM_PX, WHOLE_GAIN_PX, lengthen, load_network_scorer
from detect.track_calibration import (
    LEAST_MEASURED,
    JudgedTrack,
    calibrate_weights,
    fit_length_gain,
    judge_tracks,
)
from models.canopy.truth import find_truth_path
from models.cards import DEFAULT_WEIGHTS, TrackCalibration, find_card_path, load_weights

SAMPLE = Path(__file__).parents[2] / "sample_frames" / "otterholt-ot03.mp4"
PLAIN = TrackCalibration(0.0, 1.0, 0.0, 0.0, counted=2)
SURE, DOUBTFUL = (0.9, 0.8), (0.05, 0.05)


def make_tracks(ratios, *, scores=SURE, outlined_px=20.0):
    """Tracks of larvae so many times as long as their outlines."""
    return [JudgedTrack(scores, True, outlined_px, ratio * outlined_px) for ratio in ratios]


def test_bodies_are_as_much_longer_than_outlines_as_the_middle_larva():
    """The gain is the median over larvae; one outline that went wrong does not move it."""
    ratios = np.append(np.linspace(1.0, 1.2, LEAST_MEASURED), 9.0)
    gain, measured = fit_length_gain(make_tracks(ratios), PLAIN)
    assert gain == pytest.approx(float(np.median(ratios))) and measured == LEAST_MEASURED + 1


def test_outlines_that_nobody_is_shown_or_that_are_short_do_not_count():
    """False tracks, those hardly believed and bodies too short for a whole gain are left out; too few others make no gain."""
    sound = make_tracks([1.1] * LEAST_MEASURED)
    others = [
        *make_tracks([2.0] * 50, scores=DOUBTFUL),
        *make_tracks([2.0] * 50, outlined_px=WHOLE_GAIN_PX - 1),
        *[JudgedTrack(SURE, False, 20.0, 40.0)] * 50,
    ]
    assert fit_length_gain(sound + others, PLAIN) == (pytest.approx(1.1), LEAST_MEASURED)
    assert fit_length_gain(sound[1:] + others, PLAIN) == (1.0, LEAST_MEASURED - 1)
    assert fit_length_gain([], PLAIN) == (1.0, 0)


def test_short_bodies_are_lengthened_less():
    """None of the gain up to 8 px, all of it from 16 px on, and never a jump."""
    assert lengthen(GAIN_FROM_PX, 1.08) == GAIN_FROM_PX and lengthen(5.0, 1.08) == 5.0
    assert lengthen(WHOLE_GAIN_PX, 1.08) == pytest.approx(1.08 * WHOLE_GAIN_PX)
    assert lengthen(40.0, 1.08) == pytest.approx(43.2)
    lengths = np.array([lengthen(length, 1.08) for length in np.linspace(5, 30, 200)])
    assert (np.diff(lengths) > 0).all() and np.diff(lengths).max() < 0.3


def test_weights_are_calibrated_on_clips(tmp_path):
    """The card gets the calibration, its figures and the number of larvae measured; the weights stay what they were."""
    weights = tmp_path / "own.pt"
    shutil.copyfile(DEFAULT_WEIGHTS, weights)
    shutil.copyfile(find_card_path(DEFAULT_WEIGHTS), find_card_path(weights))
    clips = [tmp_path / f"{name}.mp4" for name in "ab"]
    for clip in clips:
        shutil.copyfile(SAMPLE, clip)
        shutil.copyfile(find_truth_path(SAMPLE), find_truth_path(clip))
    tracks = judge_tracks(clips[0], load_network_scorer(weights))
    true = [track for track in tracks if track.is_true]
    assert true and len(true) < len(tracks)
    assert all(0.5 < track.length_px / track.outlined_px < 2 for track in true)
    assert all(track.length_px == 0 for track in tracks if not track.is_true)
    pair, before = load_weights(weights)
    calibrate_weights(weights, clips, workers=2)
    same, after = load_weights(weights)
    kept, given = same.judge.state_dict(), pair.judge.state_dict()
    assert all(np.array_equal(kept[name], given[name]) for name in given)
    assert after.track != before.track and after.larva == before.larva
    assert after.numbers["track_calibration_clips"] == 2
    assert 0 < after.numbers["track_average_precision"] <= 1
    # Two clips hold too few larvae to say how much longer they are than their outlines.
    assert after.numbers["length_gain_larvae"] < LEAST_MEASURED and after.length_gain == 1.0

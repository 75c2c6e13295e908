"""How sure a scorer may be of a whole track, and how long its bodies are: fitted on drawn clips whose truth is known.

Each clip is searched as ever, but with no candidate left out; its silhouette tracks, told true or false by the rule of
`detect.truth_scoring`, are what `models.calibration.fit_track_calibration` learns from. A clip drawn at two frames a second has
little more than the frames that a search would look at closely, and takes a fifteenth of the time. Run
`python -m detect.track_calibration --help`.
"""

import argparse
import logging
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from detect.clips import open_clip
from detect.default_scorer import settle_threads
from detect.gathering import find_log_odds
from detect.network_scoring import WHOLE_GAIN_PX, NetworkScorer, load_network_scorer
from detect.regions import Kind
from detect.search import SearchSettings, search_clip
from detect.truth_scoring import find_lengths, find_shown_larva
from models.calibration import apply_track_calibration, fit_track_calibration
from models.canopy.truth import find_truth_path, read_truth
from models.cards import TrackCalibration, load_weights, save_weights
from models.metrics import measure_average_precision, measure_calibration_error
from models.worker_processes import end_with_parent

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class JudgedTrack:
    """The scores of a track's views, and whether it shows a larva; larvae hidden in every frame count neither way.

    Attributes
    ----------
    outlined_px, length_px : long extent of its outlines and of the larva it shows, px; 0 where it shows none
    """

    scores: tuple[float, ...]
    is_true: bool
    outlined_px: float = 0.0
    length_px: float = 0.0


class _Listener(NetworkScorer):
    """A scorer that writes down what it was asked to combine; the answer is the order in which it was asked."""

    asked: list[tuple[float, ...]]

    def combine(self, kind: Kind, scores: Sequence[float], *, most_views: int) -> float:
        """Remember the scores of a silhouette and answer with their number, as a share."""
        if kind == "feeding":
            return 0.0
        self.asked.append(tuple(scores))
        return len(self.asked) / MOST_TRACKS


MOST_TRACKS = 10_000_000


def judge_tracks(path: Path, scorer: NetworkScorer) -> list[JudgedTrack]:
    """Search a clip that has a truth file beside it and tell of every silhouette track whether it shows a larva."""
    truth = read_truth(find_truth_path(path))
    frames = {frame.index: frame for frame in truth.frames}
    counted = find_lengths(truth)
    # What is asked here is how long the outlines are, whatever was made of them before.
    listener = _Listener(scorer.pair, replace(scorer.card, length_gain=1.0), scorer.seeker)
    listener.asked = []
    settings = replace(SearchSettings(), silhouette_score=0.0, feeding_score=1.0)
    judged = []
    for candidate in search_clip(open_clip(path), settings, scorer=listener).candidates:
        larva = find_shown_larva(candidate, frames)
        if larva is None or larva in counted:
            scores = listener.asked[round(candidate.score * MOST_TRACKS) - 1]
            shown = (0.0, 0.0) if larva is None else (candidate.length_px, counted[larva])
            judged.append(JudgedTrack(scores, larva is not None, *shown))
    return judged


def judge_clip(path: Path, *, weights_path: Path) -> list[JudgedTrack]:
    """Judge the tracks of one clip in a process of its own."""
    settle_threads()
    return judge_tracks(path, load_network_scorer(weights_path))


def calibrate_weights(weights_path: Path, clips: Sequence[Path], *, workers: int = 1) -> None:
    """Fit the track calibration on half of the clips, measure it on the other half, and write it into the weights' card."""
    halves: tuple[list[JudgedTrack], list[JudgedTrack]] = ([], [])
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=end_with_parent) as pool:
        judged = pool.map(partial(judge_clip, weights_path=weights_path), clips)
        for number, (path, tracks) in enumerate(zip(clips, judged, strict=True)):
            halves[number % 2].extend(tracks)
            logger.info("%s: %d tracks so far", path.name, len(halves[0]) + len(halves[1]))
    fitted, tested = halves
    calibration = fit_track_calibration(
        [find_log_odds(track.scores) for track in fitted], np.array([track.is_true for track in fitted])
    )
    scores = np.array([_find_chance(track, calibration) for track in tested])
    is_true = np.array([track.is_true for track in tested])
    gain, measured = fit_length_gain(fitted + tested, calibration)
    pair, card = load_weights(weights_path)
    numbers = {
        **card.numbers,
        "track_calibration_clips": len(clips),
        "track_average_precision": measure_average_precision(scores, is_true),
        "track_calibration_error": measure_calibration_error(scores, is_true),
        "length_gain_larvae": measured,
    }
    save_weights(weights_path, pair, replace(card, track=calibration, length_gain=gain, numbers=numbers))
    logger.info("%s: %s, lengths times %.3f, %s", weights_path, calibration, gain, numbers)


SURE_ENOUGH = 0.3
"""Outlines of tracks under this chance are seldom shown to anybody, and are poor."""

LEAST_MEASURED = 20


def fit_length_gain(tracks: Sequence[JudgedTrack], calibration: TrackCalibration) -> tuple[float, int]:
    """Return how many times as long as their outlines larvae are, in the median, and of how many; 1 where they are too few."""
    ratios = [
        track.length_px / track.outlined_px
        for track in tracks
        if track.is_true
        and track.outlined_px >= WHOLE_GAIN_PX
        and _find_chance(track, calibration) >= SURE_ENOUGH
    ]
    return (float(np.median(ratios)) if len(ratios) >= LEAST_MEASURED else 1.0), len(ratios)


def _find_chance(track: JudgedTrack, calibration: TrackCalibration) -> float:
    """Return the chance that a track shows a larva, in a clip long enough for all its views."""
    return apply_track_calibration(find_log_odds(track.scores), calibration, most_views=calibration.counted)


def main(arguments: Sequence[str] | None = None) -> None:
    """Calibrate weights on a folder of drawn clips, as asked on the command line."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    parser = argparse.ArgumentParser(prog="python -m detect.track_calibration", description=__doc__)
    parser.add_argument("weights", type=Path, help="NAME.pt with its card; the card is written anew")
    parser.add_argument(
        "clips", type=Path, help="folder of clips with truth files, drawn with seeds used nowhere else"
    )
    parser.add_argument("--workers", type=int, default=1, help="processes that search clips")
    given = parser.parse_args(arguments)
    calibrate_weights(given.weights, sorted(given.clips.glob("*.mp4")), workers=given.workers)


if __name__ == "__main__":
    main()

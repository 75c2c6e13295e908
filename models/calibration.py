"""From log-odds that rank to chances that hold: a slope and an offset fitted on examples set aside for it.

Logistic regression of the outcome on the log-odds (Platt 1999, "Probabilistic outputs for support vector machines"), with his
targets drawn in from 0 and 1 so that few examples cannot give a chance of exactly 0 or 1. The examples must come as often as
in real use: a calibration holds for the mix it was fitted on.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from models.cards import Calibration, TrackCalibration
from models.errors import ModelsError

PRECISION = {"maxiter": 2000, "maxfun": 5000, "ftol": 1e-15, "gtol": 1e-9}
RIDGE = 1e-6
"""Keeps the equations solvable where all examples agree."""


def fit_calibration(
    log_odds: NDArray[np.float64],
    is_true: NDArray[np.bool_],
    *,
    named: NDArray[np.float64] | None = None,
) -> Calibration:
    """Return the calibration of log-odds (N,), and of the seeker's `named` (N,) where given, against outcomes (N,).

    Raises
    ------
    ModelsError
        Where the examples hold no true or no false one: no chance can be learned from them.
    """
    columns = [log_odds] if named is None else [log_odds, named]
    weights = fit_logistic(np.stack(columns, axis=1), is_true)
    return Calibration(float(weights[0]), float(weights[-1]), 0.0 if named is None else float(weights[1]))


def fit_logistic(
    features: NDArray[np.float64], is_true: NDArray[np.bool_], *, ridge: float = RIDGE
) -> NDArray[np.float64]:
    """Return weights (F + 1,), the constant last, of the logistic regression of outcomes (N,) on features (N, F)."""
    count, true = len(is_true), int(is_true.sum())
    if true == 0 or true == count:
        raise ModelsError(
            f"a chance cannot be learned from {count} examples of which {true} are true; expected both true and false "
            "ones; draw more pictures to calibrate on"
        )
    from scipy.optimize import (
        minimize,  # fitting is rare; a search only applies what was fitted, and this takes 20 MiB
    )
    from scipy.special import expit

    target = np.where(is_true, (true + 1) / (true + 2), 1 / (count - true + 2))
    columns = np.column_stack([features, np.ones(count)])
    start = np.zeros(columns.shape[1])
    start[-1] = np.log(true / (count - true))
    damping = np.full(len(start), max(ridge, RIDGE))
    damping[-1] = RIDGE

    def measure(weights: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        odds = columns @ weights
        loss = float((np.logaddexp(0, odds) - target * odds).sum() + (damping * weights**2).sum() / 2)
        return loss, columns.T @ (expit(odds) - target) + damping * weights

    found = minimize(measure, start, jac=True, method="L-BFGS-B", options=PRECISION)
    return np.asarray(found.x, np.float64)


def measure_track(log_odds: Sequence[float], *, counted: int, missing: float) -> NDArray[np.float64]:
    """Return what is read of a track, (3,): highest, mean of the best `counted`, log2 of the number of views."""
    best = np.sort(np.asarray(log_odds, np.float64))[::-1]
    filled = np.concatenate([best[:counted], np.full(max(0, counted - len(best)), missing)])
    return np.array([best[0], filled.mean(), np.log2(len(best))])


def fit_track_calibration(tracks: Sequence[Sequence[float]], is_true: NDArray[np.bool_]) -> TrackCalibration:
    """Return the calibration of whole tracks, each the calibrated log-odds of its views, against outcomes (N,)."""
    plain = TrackCalibration(0.0, 0.0, 0.0, 0.0)
    features = [measure_track(track, counted=plain.counted, missing=plain.missing) for track in tracks]
    best, mean, views, offset = (
        float(weight) for weight in fit_logistic(np.array(features), is_true, ridge=TRACK_RIDGE)
    )
    single = np.array([view for track in tracks for view in track])
    is_single_true = np.repeat(is_true, [len(track) for track in tracks])
    once = fit_calibration(single, is_single_true)
    return TrackCalibration(best, mean, views, offset, once_slope=once.slope, once_offset=once.offset)


TRACK_RIDGE = 1.0
"""Clips to calibrate on are few; this keeps the three weights from leaning on one another."""


def apply_track_calibration(
    log_odds: Sequence[float], calibration: TrackCalibration, *, most_views: int
) -> float:
    """Return the chance, 0 to 1, that a track with these calibrated log-odds of its views is what it seems.

    Parameters
    ----------
    most_views : in how many frames it could have been seen: in a short clip, views that cannot be there are not missing
    """
    if most_views <= 1:
        total = calibration.once_slope * max(log_odds) + calibration.once_offset
    else:
        counted = min(calibration.counted, most_views)
        best, mean, views = measure_track(log_odds, counted=counted, missing=calibration.missing)
        total = (
            calibration.best * best + calibration.mean * mean + calibration.views * views + calibration.offset
        )
    return float(1 / (1 + np.exp(-np.clip(total, -50, 50))))


def apply_calibration(
    log_odds: NDArray[np.float64], calibration: Calibration, *, named: NDArray[np.float64] | float = 0.0
) -> NDArray[np.float64]:
    """Return calibrated chances, 0 to 1, of the judge's log-odds and of the seeker's, `named`."""
    total = calibration.slope * log_odds + calibration.named * named + calibration.offset
    return 1 / (1 + np.exp(-np.clip(total, -50, 50)))

"""Whether one pair tells labelled larvae from what was dismissed better than another does: the same pictures shown to both.

Each thing that people judged is scored where its outline says, as the search would: the seeker's word about the place, the
judge's at two sizes, together the chance of a view. What is compared is the pairwise share: of all pairs of a larva and something
dismissed, how many the pair scores the right way round, ties as half. That is the statistic of Mann and Whitney (1947) over the
number of pairs, the area under the curve of hits against false alarms. How sure the difference is comes from drawing whole trees
and dates anew (the paired bootstrap over clusters with percentile limits; Efron and Tibshirani 1993, chapter 13, from memory):
pictures of one tree and day are too much alike to be drawn singly. Importing this file imports torch.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray

from models.calibration import apply_calibration
from models.cards import Calibration
from models.errors import ModelsError
from models.examples import Example, Source, read_source
from models.metrics import HIT_SHARE_OF_LENGTH, LEAST_HIT_PX, measure_average_precision
from models.network import JUDGED_LARVA, LARVA, NetworkPair, find_peaks
from models.patches import CELL_PX, build_pyramid, choose_finer, choose_level, cut_crops, shrink
from models.spots import Spots, list_judged_spots, list_larva_spots
from models.training import PROPOSAL_FLOOR, judge_crops, look_over_all

MOST_LOOKED_THROUGH = 10
"""In a picture that was looked through and held nothing, so many best places are judged, as in searching; the highest counts."""


@dataclass(frozen=True, slots=True)
class JudgedThing:
    """One thing that people judged, in one picture.

    Attributes
    ----------
    group : tree and date, or clip, in which it stands
    is_larva : what was said
    chance : 0 to 1, what a pair says
    """

    group: str
    is_larva: bool
    chance: float


def score_labels(
    pair: NetworkPair, calibration: Calibration, sources: Sequence[Source], *, device: torch.device
) -> list[JudgedThing]:
    """Return every thing judged to be a larva or none in labelled pictures, in their order, with the pair's chance of it.

    What was only judged as feeding is left out.
    """
    examples = [read_source(source) for source in sources]
    maps = look_over_all(pair, [shrink(example.rgb) for example in examples], device=device)
    asked = [_ask(example, some) for example, some in zip(examples, maps, strict=True)]
    if not any(len(one.named) for one in asked):
        return []
    crops = torch.from_numpy(np.concatenate([one.crops for one in asked])).to(device)
    levels = torch.from_numpy(np.concatenate([one.levels for one in asked])).to(device)
    figures = judge_crops(pair, crops, levels)[:, JUDGED_LARVA].reshape(-1, 2).mean(axis=1)
    named = np.concatenate([one.named for one in asked])
    chances = apply_calibration(figures, calibration, named=named)
    things: list[JudgedThing] = []
    start = 0
    for source, one in zip(sources, asked, strict=True):
        some = chances[start : start + len(one.named)]
        start += len(one.named)
        group = _name_group(source)
        if one.is_looked_through:
            things += [JudgedThing(group, False, float(some.max()))] if len(some) else []
        else:
            things += [
                JudgedThing(group, bool(is_larva), float(chance))
                for is_larva, chance in zip(one.is_larva, some, strict=True)
            ]
    return things


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """Places of one picture that are asked about: two crops of each with their levels, the seeker's word, and what it is."""

    crops: NDArray[np.uint8]
    levels: NDArray[np.float32]
    named: NDArray[np.float64]
    is_larva: NDArray[np.bool_]
    is_looked_through: bool


def _ask(example: Example, maps: NDArray[np.float16]) -> _Asked:
    half = shrink(example.rgb)
    values = maps.astype(np.float32)
    judged = list_judged_spots(example)
    if judged is None:
        found = find_peaks(
            torch.from_numpy(values),
            half.shape[:2],
            channel=LARVA,
            most=MOST_LOOKED_THROUGH,
            floor=PROPOSAL_FLOOR,
        )
        places, lengths = found.places_px, found.lengths_px.astype(np.float64)
        named = found.log_odds.astype(np.float64)
        is_larva: NDArray[np.bool_] = np.zeros(len(places), np.bool_)
    else:
        spots = judged[0]
        places = np.stack([spots.rows, spots.columns], axis=1).astype(np.float64)
        lengths = spots.lengths_px.astype(np.float64)
        named = np.array([_read_named(values[LARVA], spots, n) for n in range(len(places))], np.float64)
        is_larva = _tell_larvae(spots, list_larva_spots(example))
    levels = [
        level for length in lengths for level in (choose_level(length), choose_finer(choose_level(length)))
    ]
    crops = cut_crops(build_pyramid(example.rgb, half=half), np.repeat(places, 2, axis=0), levels)
    return _Asked(crops, np.array(levels, np.float32), named, is_larva, judged is None)


def _read_named(log_odds: NDArray[np.float32], spots: Spots, number: int) -> float:
    """Return the highest of the seeker's log-odds (m, n) in cells where a mark would hit the thing, its own cell at least."""
    row, column = float(spots.rows[number]), float(spots.columns[number])
    reach = max(LEAST_HIT_PX, HIT_SHARE_OF_LENGTH * float(spots.lengths_px[number]))
    rows, columns = ((np.arange(side) + 0.5) * CELL_PX - 0.5 for side in log_odds.shape)
    near = (rows[:, None] - row) ** 2 + (columns[None, :] - column) ** 2 <= reach**2
    own = (
        min(int((row + 0.5) // CELL_PX), len(rows) - 1),
        min(int((column + 0.5) // CELL_PX), len(columns) - 1),
    )
    near[own] = True
    return float(log_odds[near].max())


def _tell_larvae(judged: Spots, larvae: Spots) -> NDArray[np.bool_]:
    """Tell of judged spots which are larvae: those that lie where a larva of the truth does."""
    same = (judged.rows[:, None] == larvae.rows[None]) & (judged.columns[:, None] == larvae.columns[None])
    told: NDArray[np.bool_] = same.any(axis=1)
    return told


def _name_group(source: Source) -> str:
    assert source.label is not None
    image = source.label.image
    return f"{image.tree} {image.date}" if image.tree and image.date else image.clip


@dataclass(frozen=True, slots=True)
class Comparison:
    """Old and new weights on the same judged things.

    Attributes
    ----------
    larvae, others, groups : things judged, and the trees and dates they come from
    old, new : pairwise share, 0 to 1
    low, high : limits of the difference new - old
    old_precision, new_precision : average precision, as `models.metrics` measures it
    level, resamples, seed : how the limits were found
    """

    larvae: int
    others: int
    groups: int
    old: float
    new: float
    low: float
    high: float
    old_precision: float
    new_precision: float
    level: float
    resamples: int
    seed: int


LEVEL = 0.95
RESAMPLES = 2000
"""Common practice, no source: the limits then move by a few thousandths from seed to seed."""


def compare_labels(
    old: Sequence[JudgedThing], new: Sequence[JudgedThing], *, seed: int, resamples: int = RESAMPLES
) -> Comparison:
    """Compare what two pairs say of the same things, in the same order.

    Raises
    ------
    ModelsError
        Where the things are not the same, or hold no larva or nothing else.
    """
    if [(one.group, one.is_larva) for one in old] != [(one.group, one.is_larva) for one in new]:
        raise ModelsError(
            f"comparing weights: expected the same judged things for both, found {len(old)} and {len(new)} that differ; "
            "score the same pictures with both"
        )
    is_larva = np.array([one.is_larva for one in old], bool)
    if not is_larva.any() or is_larva.all():
        raise ModelsError(
            f"comparing weights: expected larvae and dismissed things, found {int(is_larva.sum())} larvae of {len(old)}; "
            "judge more candidates"
        )
    names = sorted({one.group for one in old})
    groups = np.array([names.index(one.group) for one in old])
    chances = [np.array([one.chance for one in things]) for things in (old, new)]
    wins = [_count_wins(some, is_larva, groups, len(names)) for some in chances]
    pairs = _count_wins(np.zeros(len(old)), is_larva, groups, len(names)) * 2
    drawn = np.random.default_rng(seed).multinomial(
        len(names), np.full(len(names), 1 / len(names)), size=resamples
    )
    of = np.einsum("rg,gh,rh->r", drawn, pairs, drawn)
    usable = of > 0  # a draw without any larva, or with nothing else, has no share
    shares = [np.einsum("rg,gh,rh->r", drawn, won, drawn)[usable] / of[usable] for won in wins]
    edge = (1 - LEVEL) / 2
    low, high = np.quantile(shares[1] - shares[0], (edge, 1 - edge))
    precisions = [measure_average_precision(some, is_larva) for some in chances]
    return Comparison(
        larvae=int(is_larva.sum()),
        others=int((~is_larva).sum()),
        groups=len(names),
        old=float(wins[0].sum() / pairs.sum()),
        new=float(wins[1].sum() / pairs.sum()),
        low=float(low),
        high=float(high),
        old_precision=precisions[0],
        new_precision=precisions[1],
        level=LEVEL,
        resamples=int(usable.sum()),
        seed=seed,
    )


def _count_wins(
    scores: NDArray[np.float64], is_larva: NDArray[np.bool_], groups: NDArray[np.int64], count: int
) -> NDArray[np.float64]:
    """Return (G, G): how many pairs of a larva in the first group and another thing in the second are the right way round."""
    right = (scores[is_larva][:, None] > scores[~is_larva][None]).astype(np.float64)
    right += 0.5 * (scores[is_larva][:, None] == scores[~is_larva][None])
    member = np.eye(count)[groups]  # (N, G)
    return np.asarray(member[is_larva].T @ right @ member[~is_larva], np.float64)

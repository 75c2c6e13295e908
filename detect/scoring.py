"""From regions to scored regions: the protocol every scorer fulfils, and the first, hand-made one.

A score is the chance, 0 to 1, that a region shows what its kind says, judged from one frame; `combine`
says what the views of one track say together.
"""

import hashlib
from collections.abc import Sequence
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from detect.feeding import find_feeding, score_feeding
from detect.gathering import combine_scores
from detect.light import HALF_STEP_PX, LitFrame
from detect.regions import Kind, Region, ScoredRegion
from detect.silhouettes import Feature, find_silhouettes
from models.looks import SeenPlace


class Scorer(Protocol):
    """Anything that finds and scores the regions of a frame: by hand-made rules or by a network."""

    @property
    def name(self) -> str:
        """What scored, with its version: kept with every candidate."""
        ...

    def find(self, lit: LitFrame, *, with_feeding: bool = True) -> list[Region]:
        """Return the outlined places of a frame that are worth scoring: silhouettes and, where asked for, chewed leaves."""
        ...

    def score(self, lit: LitFrame, regions: Sequence[Region]) -> list[ScoredRegion]:
        """Return the regions in the same order, each with its score; the same input gives the same scores."""
        ...

    def combine(self, kind: Kind, scores: Sequence[float], *, most_views: int) -> float:
        """Return the chance, 0 to 1, that a thing seen with these scores, in order of time, shows what its kind says.

        Parameters
        ----------
        most_views : in how many frames it could have been seen; 1 in a photo
        """
        ...


@runtime_checkable
class Describer(Protocol):
    """A scorer that can also say what a place looks like to it: alike vectors, alike places."""

    @property
    def look_name(self) -> str:
        """What describes, with its version: vectors of one name can be compared with each other only.

        Where it ends in `models.looks.WITH_ODDS`, the last number of a vector is no part of it: it is the log-odds
        that a larva lies there.
        """
        ...

    def describe(self, places: Sequence[SeenPlace]) -> NDArray[np.float16]:
        """Return a vector for each place, (N, D)."""
        ...


BIAS = -6.0
WEIGHTS: dict[Feature, float] = {
    Feature.SOLIDITY: 3.0,
    Feature.DEPTH: 3.0,
    Feature.GREEN_SHIFT: -1.5,
    Feature.LEAF_AROUND: 2.0,
    Feature.DARK_AROUND: -4.0,
    Feature.EDGE: 2.0,
    Feature.ALIKENESS: 1.0,
}
"""Log-odds per unit of each feature."""

USUAL_ELONGATION = 0.28
"""Width over length of a resting body seen from below (drawn larvae; common practice, no source)."""

ELONGATION_SPREAD = 0.16
ELONGATION_WEIGHT = 1.5


class HandMadeScorer:
    """Weighs the features of an outline by hand: dark, crisp, slug-shaped, on lit leaf, no greener than its surroundings."""

    @property
    def name(self) -> str:
        """Name and a digest of the weights, so that a changed weight is a changed scorer."""
        text = repr([(feature.name, weight) for feature, weight in WEIGHTS.items()]) + repr(BIAS)
        return "hand-made " + hashlib.sha256(text.encode()).hexdigest()[:8]

    def find(self, lit: LitFrame, *, with_feeding: bool = True) -> list[Region]:
        """Return dark outlines and, where asked for, chewed edges."""
        found = find_silhouettes(lit)
        return found + find_feeding(lit.sky, lit.leaf, scale=HALF_STEP_PX) if with_feeding else found

    def score(self, lit: LitFrame, regions: Sequence[Region]) -> list[ScoredRegion]:
        """Score each region by the features of its kind; the frame itself is not looked at again."""
        return [
            ScoredRegion(
                region,
                score_silhouette(region.features) if region.kind == "silhouette" else score_feeding(region),
            )
            for region in regions
        ]

    def combine(self, kind: Kind, scores: Sequence[float], *, most_views: int) -> float:
        """Return the mean of the best few views, whatever the kind."""
        return combine_scores(scores, most_views=most_views)


def score_silhouette(features: NDArray[np.float32]) -> float:
    """Return the hand-made chance, 0 to 1, that features (F,) in the order of `Feature` are a body's."""
    log_odds = BIAS + sum(weight * float(features[feature]) for feature, weight in WEIGHTS.items())
    away = (float(features[Feature.ELONGATION]) - USUAL_ELONGATION) / ELONGATION_SPREAD
    log_odds -= ELONGATION_WEIGHT * away**2 / 2
    return float(1 / (1 + np.exp(-log_odds)))

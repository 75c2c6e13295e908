"""A place in one frame that may show an animal or its feeding, before and after it has a score.

Pixels are (row, column) of the upright full-resolution frame, the origin at the centre of the top left pixel. A box is
(first row, first column, end row, end column), ends excluded. This file holds the data and finds nothing itself.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Kind = Literal["silhouette", "feeding"]
Box = tuple[int, int, int, int]
Outline = NDArray[np.float32]


def find_middle(box: Box) -> tuple[float, float]:
    """Return the middle of a box as (row, column) in px."""
    top, left, bottom, right = box
    return (top + bottom - 1) / 2, (left + right - 1) / 2


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """An outlined place in one frame, with what was measured of it and no score yet.

    Attributes
    ----------
    kind : "silhouette" or "feeding"
    box : first row, first column, end row, end column, in px
    outline : float32 (N, 2), closed polygon of (row, column) in px
    length_px, width_px : long and short extent, in px: of the outline, the length of what an outline leaves out with it
    missing_percent : share of the leaf as it was that is gone, 0 to 100; 0 for a silhouette
    features : float32 (F,), what the scorer reads; the names stand with the finder of this kind
    """

    kind: Kind
    box: Box
    outline: Outline
    length_px: float
    width_px: float
    missing_percent: float
    features: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class ScoredRegion:
    """A region with its score: 0 to 1, the chance that it shows what its kind says."""

    region: Region
    score: float

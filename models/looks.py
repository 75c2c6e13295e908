"""What a place in a picture looks like to the trained judge, as a vector: alike vectors, alike places.

The vector is what the judge's last layers are given of the near and the wide crop, so it says what the judge sees and not yet
what it makes of it. Crops are cut by `models.patches`, as for training and searching; a picture that is smaller than the wide
crop goes on at its edges. Vectors of one judge can be compared with each other only. This file ranks and stores nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.patches import build_pyramid, choose_level, cut_crops, make_judge_input, shrink

if TYPE_CHECKING:
    from models.network import Judge

BATCH = 16
"""Places described at once: the last batch is filled up to it, so that a place has the same vector in whatever company."""

HIGHEST = float(np.finfo(np.float16).max)


@dataclass(frozen=True, slots=True, eq=False)
class SeenPlace:
    """A place and the picture it is seen in.

    Attributes
    ----------
    rgb : uint8 (rows, columns, 3), at the resolution it was filmed with
    place_px : (row, column) of its middle in this picture
    length_px : of what lies there
    """

    rgb: NDArray[np.uint8]
    place_px: tuple[float, float]
    length_px: float


def describe_places(judge: "Judge", places: Sequence[SeenPlace]) -> NDArray[np.float16]:
    """Return what each place looks like: (N, D), D being a matter of the judge's shape.

    Parameters
    ----------
    judge : readied by `models.network.ready_pair`
    """
    if not places:
        return np.empty((0, judge.look_size), np.float16)
    parts = [_describe(judge, places[first : first + BATCH]) for first in range(0, len(places), BATCH)]
    return np.concatenate(parts)


def _describe(judge: "Judge", places: Sequence[SeenPlace]) -> NDArray[np.float16]:
    import torch

    weight = judge.mask.weight
    crops = np.concatenate([_cut(place) for place in places])
    whole = np.pad(np.arange(len(crops)), (0, BATCH - len(crops)), mode="edge")
    with torch.inference_mode():
        inputs = make_judge_input(torch.from_numpy(crops[whole]).to(weight.device), dtype=weight.dtype)
        seen = judge.describe(judge.look(inputs), inputs).float().cpu().numpy()[: len(crops)]
    return np.clip(seen, -HIGHEST, HIGHEST).astype(np.float16)


def _cut(place: SeenPlace) -> NDArray[np.uint8]:
    """Return the near and the wide crop about a place, (1, 2, 48, 48, 3)."""
    pyramid = build_pyramid(place.rgb, half=shrink(place.rgb))
    return cut_crops(pyramid, np.array([place.place_px]), [choose_level(place.length_px)])

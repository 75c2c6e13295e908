"""What a place in a picture looks like to the trained judge, as a vector: alike vectors, alike places.

A place is looked at in `POSES`: turned and mirrored, which changes nothing of what it is, and a little beside it, since no finder
hits the middle. The vector is what the judge's last layers are given of the near and the wide crop, so it says what the judge
sees; behind it stand the log-odds of a larva, what the judge makes of it; both are means over the poses. A search looks once, so
that this second look knows more (models/experiments.md). Crops are cut by `models.patches`, as for training and searching; a
picture that is smaller than the wide crop goes on at its edges. Vectors of one judge can be compared with each other only. This
file ranks and stores nothing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.patches import build_pyramid, choose_level, cut_crops, make_judge_input, shrink

if TYPE_CHECKING:
    from models.network import Judge

QUARTER_TURNS = 4
BESIDE_ELEMENTS = 2
"""How far beside its middle a place is looked at, in elements of the near crop (own choice)."""

ALL_TURNS = tuple((turns, mirrored) for turns in range(QUARTER_TURNS) for mirrored in (False, True))
PLAIN_TURNS = tuple((turns, False) for turns in range(QUARTER_TURNS))
POSES = (
    ((0, 0), ALL_TURNS),
    *(((row, column), PLAIN_TURNS) for row, column in ((-1, 0), (1, 0), (0, -1), (0, 1))),
)
"""Steps of `BESIDE_ELEMENTS` beside the middle, (row, column), and how the crops are turned there: quarter turns, mirrored."""

CROPS_A_PLACE = sum(len(turns) for _, turns in POSES)
"""Crops described at once: all of one place, so that it has the same vector in whatever company."""

WITH_ODDS = ", second look"
"""How a describer's name ends whose vectors have the log-odds of a larva behind them."""

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
    """Return what each place looks like, (N, D + 1): D is a matter of the judge's shape, and last stand a larva's log-odds.

    Parameters
    ----------
    judge : readied by `models.network.ready_pair`
    """
    seen = [_describe(judge, place) for place in places]
    return np.stack(seen) if seen else np.empty((0, judge.look_size + 1), np.float16)


def _describe(judge: "Judge", place: SeenPlace) -> NDArray[np.float16]:
    import torch

    from models.network import JUDGED_LARVA

    weight = judge.mask.weight
    level = choose_level(place.length_px)
    crops = torch.from_numpy(np.concatenate(list(_cut_poses(place, level)))).to(weight.device)
    with torch.inference_mode():
        inputs = make_judge_input(crops, dtype=weight.dtype)
        features = judge.look(inputs)
        levels = torch.full((len(crops),), level, dtype=weight.dtype, device=weight.device)
        vector = judge.describe(features, inputs).float().mean(dim=0)
        log_odds = judge.judge(features, inputs, levels)[:, JUDGED_LARVA].float().mean(dim=0)
        seen = torch.cat([vector, log_odds[None]]).cpu().numpy()
    return np.clip(seen, -HIGHEST, HIGHEST).astype(np.float16)


def _cut_poses(place: SeenPlace, level: int) -> Iterator[NDArray[np.uint8]]:
    """Yield the near and the wide crop of each pose, (1, 2, 48, 48, 3)."""
    pyramid = build_pyramid(place.rgb, half=shrink(place.rgb))
    step_px = BESIDE_ELEMENTS * 2**level
    for beside, turned in POSES:
        middle_px = np.array([place.place_px]) + step_px * np.array([beside])
        crops = cut_crops(pyramid, middle_px, [level])
        for turns, mirrored in turned:
            pose = np.rot90(crops, turns, axes=(2, 3))
            yield np.ascontiguousarray(pose[:, :, :, ::-1] if mirrored else pose)

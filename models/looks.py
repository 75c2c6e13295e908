"""What a place in a picture looks like to the second judge, as a vector: alike vectors, alike places.

A place is looked at in `POSES`: turned and mirrored, which changes nothing of what it is, a little beside it, since no finder
hits the middle, and in two sizes. Behind the vector stand the log-odds of a larva, what the second judge makes of it; both are
means over the poses. A search looks once and through a smaller network, so that this second look knows more
(models/experiments.md). Vectors of one judge can be compared with each other only. This file ranks and stores nothing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.patches import Picture, build_pyramid, choose_level, shrink

if TYPE_CHECKING:
    from models.second_judge import SecondJudge

QUARTER_TURNS = 4
BESIDE_ELEMENTS = 2
"""How far beside its middle a place is looked at, in elements of its level (own choice)."""

ALL_TURNS = tuple((turns, mirrored) for turns in range(QUARTER_TURNS) for mirrored in (False, True))
PLAIN_TURNS = tuple((turns, False) for turns in range(QUARTER_TURNS))
POSES = (
    ((0, 0), 0, ALL_TURNS),
    ((0, 0), 1, ALL_TURNS),
    *(((row, column), 0, PLAIN_TURNS) for row, column in ((-1, 0), (1, 0), (0, -1), (0, 1))),
)
"""Steps of `BESIDE_ELEMENTS` beside the middle, (row, column), how many levels finer squares are cut than usual, where there are
such, and how they are turned: quarter turns, mirrored."""

MOST_POSES = sum(len(turns) for _, _, turns in POSES)
"""Described at once: all of one place, so that it has the same vector in whatever company."""

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


def describe_places(judge: "SecondJudge", places: Sequence[SeenPlace]) -> NDArray[np.float16]:
    """Return what each place looks like, (N, D + 1): D is a matter of the judge's shape, and last stand a larva's log-odds.

    Parameters
    ----------
    judge : readied by `models.network.ready_network`
    """
    from models.second_judge import LOOK_SIZE

    seen = [_describe(judge, place) for place in places]
    return np.stack(seen) if seen else np.empty((0, LOOK_SIZE + 1), np.float16)


def _describe(judge: "SecondJudge", place: SeenPlace) -> NDArray[np.float16]:
    import torch

    from models.second_judge import SECOND_LARVA, make_second_input

    weight = judge.gather.weight
    poses = list(_cut_poses(place))
    with torch.inference_mode():
        near, wide = (
            make_second_input(torch.from_numpy(np.stack(squares)).to(weight.device), dtype=weight.dtype)
            for squares in ([pose[which] for pose in poses] for which in (0, 1))
        )
        looks = judge.describe(near, wide)
        levels = torch.tensor([level for _, _, level in poses], dtype=weight.dtype, device=weight.device)
        log_odds = judge.judge(looks, levels)[:, SECOND_LARVA].float().mean(dim=0)
        seen = torch.cat([looks.float().mean(dim=0), log_odds[None]]).cpu().numpy()
    return np.clip(seen, -HIGHEST, HIGHEST).astype(np.float16)


def _cut_poses(place: SeenPlace) -> Iterator[tuple[Picture, Picture, int]]:
    """Yield the near and the wide square of each pose, and their level."""
    from models.second_judge import cut_squares

    pyramid = build_pyramid(place.rgb, half=shrink(place.rgb))
    usual = choose_level(place.length_px)
    for beside, finer, turned in POSES:
        level = usual - finer
        if level < 0:
            continue
        middle = np.array(place.place_px) + BESIDE_ELEMENTS * 2**level * np.array(beside)
        squares = cut_squares(pyramid, middle, level)
        for turns, mirrored in turned:
            near, wide = (_turn(square, turns, mirrored) for square in squares)
            yield near, wide, level


def _turn(square: Picture, turns: int, mirrored: bool) -> Picture:
    turned = np.rot90(square, turns)
    return np.ascontiguousarray(turned[:, ::-1] if mirrored else turned)

"""The second judge: looks long at the few places that a search offers, where there is time for more than the pair can do.

It sees two squares about a place with the first eleven blocks of EfficientNet-Lite0 (`models.efficientnet_lite`), which came from
ImageNet and learned on. It gives the log-odds of a larva and of feeding, and a vector of what the place looks like. Squares are
cut from what is kept of a frame (`models.patches.find_window`), in training as in use. Pixels are (row, column). Importing this
file imports torch.
"""

import copy
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from models.cards import WEIGHTS_FOLDER
from models.efficientnet_lite import UNIT_CODES, ZERO_CODE, EfficientNetLite0
from models.head_cards import HeadCard, HeadKind, load_head
from models.network import pool_all, pool_middle
from models.patches import CROP_PX, Picture, cut_square

NEAR_PX, WIDE_PX = 96, 64
"""Sides of the squares about a place, in elements. The near one shows what the judge's near crop does, twice as large; the wide
one, as much of the leaf as is kept of most frames."""

BLOCKS = 11
"""Blocks of EfficientNet-Lite0 up to its last features at a sixteenth of the size; deeper ones would take in all of a square."""

FEATURES = 112
LOOK_SIZE = 192
HEAD_WIDTH = 64
DROPPED = 0.2
"""Share of the vector that is left out at random in training."""

SECOND = HeadKind(
    "leafshade-second-judge",
    most_bytes=5_000_000,
    advice="install Leafshade again, or copy weights and card from where they came from",
)
SECOND_WEIGHTS = WEIGHTS_FOLDER / "second-judge.pt"

SECOND_LARVA, SECOND_FEEDING = 0, 1
"""Columns of the second judge's figures."""


def cut_squares(
    pyramid: Sequence[Picture], place_px: Sequence[float] | NDArray[np.float64], level: int
) -> tuple[Picture, Picture]:
    """Cut the near (96, 96, 3) and the wide square (64, 64, 3) about a place; beyond the picture its edge goes on.

    Parameters
    ----------
    pyramid : of `models.patches.build_pyramid`
    place_px : (row, column) in full-resolution px
    level : of `models.patches.choose_level`
    """
    wide = cut_square(pyramid[level + 1], place_px, level + 1, side=WIDE_PX)
    if level > 0:
        return cut_square(pyramid[level - 1], place_px, level - 1, side=NEAR_PX), wide
    small = cut_square(pyramid[0], place_px, 0, side=CROP_PX)
    near = cv2.resize(small, (NEAR_PX, NEAR_PX), interpolation=cv2.INTER_LINEAR)
    return near.astype(np.uint8, copy=False), wide


def make_second_input(squares: torch.Tensor, *, dtype: torch.dtype) -> torch.Tensor:
    """Turn squares (B, h, w, 3) of codes 0 to 255 into what the second judge takes: (B, 3, h, w)."""
    return squares.to(dtype, copy=True).sub_(ZERO_CODE).div_(UNIT_CODES).permute(0, 3, 1, 2)


class SecondJudge(nn.Module):
    """Looks at one place in two squares, each with blocks of its own: what is usual in one is not in the other.

    Parameters
    ----------
    backbone : whose first blocks both learn on from; one without knowledge where it is None, to be filled from a file
    """

    def __init__(self, backbone: EfficientNetLite0 | None = None) -> None:
        super().__init__()
        whole = EfficientNetLite0() if backbone is None else backbone
        self.near, self.wide = (
            copy.deepcopy(nn.Sequential(whole.stem, *whole.blocks[:BLOCKS])).requires_grad_(True)
            for _ in range(2)
        )
        self.gather = nn.Linear(4 * FEATURES, LOOK_SIZE)
        self.head = nn.Sequential(
            nn.Dropout(DROPPED), nn.Linear(LOOK_SIZE + 1, HEAD_WIDTH), nn.ReLU(), nn.Linear(HEAD_WIDTH, 2)
        )

    def describe(self, near: torch.Tensor, wide: torch.Tensor) -> torch.Tensor:
        """Return what places look like, (B, 192), of squares (B, 3, 96, 96) and (B, 3, 64, 64)."""
        features = self.near(near), self.wide(wide)
        seen = [pool(some) for some in features for pool in (pool_all, pool_middle)]
        return nn.functional.relu(self.gather(torch.cat(seen, dim=1)))

    def judge(self, looks: torch.Tensor, levels: torch.Tensor) -> torch.Tensor:
        """Return figures (B, 2), log-odds of a larva and of feeding, of what `describe` gave at levels (B,)."""
        figures: torch.Tensor = self.head(torch.cat([looks, levels[:, None].to(looks.dtype)], dim=1))
        return figures

    def forward(self, near: torch.Tensor, wide: torch.Tensor, levels: torch.Tensor) -> torch.Tensor:
        """Return the figures (B, 2) of squares at levels (B,)."""
        return self.judge(self.describe(near, wide), levels)


def load_second(path: Path = SECOND_WEIGHTS) -> tuple[SecondJudge, HeadCard]:
    """Return the second judge with its card.

    Raises
    ------
    models.cards.WeightsError
        Where weights or card are missing or do not fit.
    """
    with torch.random.fork_rng(devices=[]):  # what it begins with is written over
        judge = SecondJudge()
    card = load_head(path, SECOND, judge)
    return judge.eval(), card

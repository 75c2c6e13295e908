"""The second look as a describer: what places look like to the second judge, whatever weights searched."""

from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.looks import MOST_POSES, WITH_ODDS, SeenPlace, describe_places

if TYPE_CHECKING:
    from models.second_judge import SecondJudge


class SecondLook:
    """Describes places; its state is the loaded weights.

    Parameters
    ----------
    judge : readied by `models.network.ready_network`
    name : of its weights, with a digest
    """

    def __init__(self, judge: "SecondJudge", name: str) -> None:
        self._judge = judge
        self._name = name

    @property
    def look_name(self) -> str:
        """The weights' name, and in how many poses they look at most."""
        return f"{self._name}, {MOST_POSES} poses{WITH_ODDS}"

    def describe(self, places: Sequence[SeenPlace]) -> NDArray[np.float16]:
        """Return a vector for each place with the log-odds of a larva behind it, (N, D + 1)."""
        return describe_places(self._judge, places)


@cache
def load_second_look(device_name: str) -> SecondLook:
    """Load the second judge that looks are made by, once in a program.

    Parameters
    ----------
    device_name : "cpu", or "cuda" for a GPU

    Raises
    ------
    models.errors.ModelsError
        Where its weights or their card cannot be used.
    """
    import torch

    from models.network import find_best_dtype, ready_network
    from models.second_judge import load_second

    judge, card = load_second()
    device = torch.device(device_name)
    ready = ready_network(judge, device=device, dtype=find_best_dtype(device))
    return SecondLook(ready, f"{card.name} {card.weights_sha256[:8]}")

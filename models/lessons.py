"""What all lessons share: how a loss is asked for, several of them at once, and the weights of the lesser tasks.

The lessons themselves stand in `seeker_lessons` and `judge_lessons`.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import torch
from torch import nn

UNKNOWN = -1
"""A label that is neither yes nor no."""

LENGTH_SHARE = 0.2
FEEDING_SHARE = 0.3
"""Weights of the lesser tasks beside finding larvae; chosen once, by the first runs."""


class Lesson(Protocol):
    """Anything that can measure how wrong a network is on examples drawn at random."""

    def measure_loss(self, network: nn.Module, rng: np.random.Generator) -> torch.Tensor:
        """Return the loss, a scalar that gradients flow from."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class MixedLesson:
    """Several lessons at once, each with its weight in the loss: so a small book counts for enough beside a large one."""

    parts: tuple[tuple[float, Lesson], ...]

    def measure_loss(self, network: nn.Module, rng: np.random.Generator) -> torch.Tensor:
        """Return the weighted sum of the losses, each on a batch of its own."""
        losses = [weight * lesson.measure_loss(network, rng) for weight, lesson in self.parts]
        return torch.stack(losses).sum()

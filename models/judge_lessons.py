"""How wrong a judge is on crops drawn from its book at random: larvae and chewed places come more often than they are."""

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn import functional

from models.judge_books import JudgeBook
from models.lessons import FEEDING_SHARE, LENGTH_SHARE
from models.network import JUDGED_FEEDING, JUDGED_LARVA, JUDGED_LENGTH, Judge
from models.patches import make_judge_input
from models.variation import DIRECTIONS, turn_batch, vary_light

BATCH_SHARES = (0.3, 0.12)
"""Shares of a batch that are larvae and chewed places; the calibration afterwards brings back how often they really come."""

MASK_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class JudgeLesson:
    """Draws crops from a book, larvae and chewed places more often than they come, and measures how wrong the judge is.

    Attributes
    ----------
    groups : int64 indices of the crops that show a larva, of the other chewed ones, and of the rest
    """

    book: JudgeBook
    batch: int
    groups: tuple[NDArray[np.int64], ...]

    def measure_loss(self, judge: nn.Module, rng: np.random.Generator) -> torch.Tensor:
        """Return the loss on one batch drawn with `rng`."""
        assert isinstance(judge, Judge)
        chosen, bodies = self._choose(rng)
        picks = torch.from_numpy(chosen).to(self.book.crops.device)
        first = int(rng.integers(DIRECTIONS))
        codes = vary_light(turn_batch(self.book.crops[picks], first), rng)
        inputs = make_judge_input(codes, dtype=torch.float32)
        features = judge.look(inputs)
        figures = judge.judge(features, inputs, self.book.levels[picks]).float()
        loss = measure_known(figures[:, JUDGED_LARVA], self.book.larva[picks])
        loss = loss + FEEDING_SHARE * measure_known(figures[:, JUDGED_FEEDING], self.book.feeding[picks])
        if not bodies:
            return loss
        known = self.book.log_lengths[picks[:bodies]]
        lengths = functional.smooth_l1_loss(figures[:bodies, JUDGED_LENGTH], known, beta=0.1)
        masks = turn_batch(self.book.masks[self.book.mask_of[picks[:bodies]]][..., None], first)[..., 0]
        drawn = judge.outline([part[:bodies] for part in features]).float()
        return loss + LENGTH_SHARE * lengths + MASK_SHARE * measure_mask_loss(drawn, masks.float() / 255)

    def _choose(self, rng: np.random.Generator) -> tuple[NDArray[np.int64], int]:
        """Return the crops of a batch, those that show a larva first, and how many do."""
        chosen = []
        for group, share in zip(self.groups[:2], BATCH_SHARES, strict=True):
            chosen.append(rng.choice(group, round(self.batch * share)) if len(group) else group)
        left = self.batch - sum(len(some) for some in chosen)
        rest = self.groups[2] if len(self.groups[2]) else np.concatenate(self.groups)
        return np.concatenate([*chosen, rng.choice(rest, left)]), len(chosen[0])


def make_judge_lesson(book: JudgeBook, *, batch: int) -> JudgeLesson:
    """Return a lesson over a book."""
    larva, feeding = book.larva.cpu().numpy(), book.feeding.cpu().numpy()
    shows = larva == 1
    chewed = (feeding == 1) & ~shows
    groups = tuple(np.flatnonzero(some) for some in (shows, chewed, ~shows & ~chewed))
    return JudgeLesson(book, batch, groups)


def measure_known(log_odds: torch.Tensor, labels: torch.Tensor) -> torch.Tensor:
    """Return the mean cross entropy over the labels that are known."""
    known = labels >= 0
    losses = functional.binary_cross_entropy_with_logits(
        log_odds, labels.clamp(min=0).float(), reduction="none"
    )
    return (losses * known).sum() / known.sum().clamp(min=1)


def measure_mask_loss(log_odds: torch.Tensor, masks: torch.Tensor) -> torch.Tensor:
    """Return cross entropy plus one less the overlap (Dice) of masks (P, 48, 48), so that small bodies count as large ones."""
    entropy = functional.binary_cross_entropy_with_logits(log_odds, masks)
    chance = torch.sigmoid(log_odds)
    shared = (chance * masks).sum(dim=(1, 2))
    both = chance.sum(dim=(1, 2)) + masks.sum(dim=(1, 2))
    return entropy + (1 - (2 * shared + 1) / (both + 1)).mean()

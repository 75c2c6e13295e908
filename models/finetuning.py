"""Fine-tuning a pair on labelled pictures beside drawn ones, so that it learns the new without losing the old.

Three tenths of each loss come from labels, the rest from freshly drawn pictures; the rate is a tenth of the first course's, and
the batch norms keep what they measured there. The same sources, plan and number of threads give the same weights on a CPU,
stopped between or not. How labels become examples stands in `examples` and `lessons`; nothing here knows a logbook or says if
the outcome is better (`label_comparison`). Importing this file imports torch.
"""

import copy
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import nn

from models.errors import ModelsError
from models.examples import Source
from models.judge_books import JudgeBook, bind_pages
from models.judge_lessons import make_judge_lesson
from models.lessons import Lesson, MixedLesson
from models.network import NetworkPair
from models.seeker_lessons import SeekerLesson, make_seeker_book
from models.training import (
    LearningPlan,
    learn,
    look_over_all,
    make_pages,
    prepare_source,
    spread_work,
    time_steps,
)

RATE = 2e-4
"""A tenth of the rate of the first course; tried in models/experiments.md."""

WARM_STEPS = 20
KEEP_EVERY = 5
"""Steps between two checkpoints: a step took 6 seconds on two busy cores, so closing a laptop loses half a minute of work."""

LABEL_SHARE = 0.3
"""What labels weigh in each loss; with half, a few hundred labels were learned by heart (models/experiments.md)."""

SEEKER_BATCHES = (10, 12)
JUDGE_BATCHES = (48, 32)
"""Drawn and labelled squares or crops in one step."""

LABEL_SQUARE_ELEMENTS = 128
"""Side of the squares cut from labelled pictures: they show little more than the thing, and what lies about it is not taught."""


@dataclass(frozen=True, slots=True)
class FinetuningPlan:
    """How long a pair learns on: steps of the seeker and of the judge each, and the seed of everything random."""

    steps: int
    seed: int = 0
    rate: float = RATE

    def make_half(self) -> LearningPlan:
        """Return the plan that each half of the pair learns by."""
        warm = min(WARM_STEPS, max(1, self.steps // 4))
        return LearningPlan(
            self.steps,
            rate=self.rate,
            warm_steps=warm,
            seed=self.seed,
            keep_every=KEEP_EVERY,
            fixed_norms=True,
        )


OnStep = Callable[[str, int], None]
"""Told which half learns ("seeker" or "judge") and how many of its steps are done; 0 while its pictures are prepared."""


def finetune(
    start: NetworkPair,
    drawn: Sequence[Source],
    labelled: Sequence[Source],
    *,
    plan: FinetuningPlan,
    device: torch.device,
    folder: Path | None = None,
    on_step: OnStep | None = None,
) -> NetworkPair:
    """Return a copy of a pair that learned on, first the seeker, then the judge on what that seeker names.

    Parameters
    ----------
    drawn, labelled : what is learned from, at least one of each
    folder : where progress is kept, to go on from after a stop; it must be of the same start, sources and plan
    """
    pair = NetworkPair(
        start.config, copy.deepcopy(start.seeker).to(device), copy.deepcopy(start.judge).to(device)
    )
    tell = on_step or (lambda half, done: None)
    tell("seeker", 0)
    _teach("seeker", pair.seeker, _make_seeker_lesson(drawn, labelled, device), plan, folder, tell)
    tell("judge", 0)
    _teach("judge", pair.judge, _make_judge_lesson(pair, drawn, labelled, device), plan, folder, tell)
    return NetworkPair(pair.config, pair.seeker.cpu(), pair.judge.cpu())


def _teach(
    half: str,
    network: nn.Module,
    lesson: Lesson,
    plan: FinetuningPlan,
    folder: Path | None,
    tell: OnStep,
) -> None:
    def tell_step(step: int, loss: float) -> None:
        if not np.isfinite(loss):
            raise ModelsError(
                f"training, step {step + 1} of the {half}: expected a loss that is a number, found {loss}; "
                "nothing was changed: train again with another --seed, or report the labels it happened with"
            )
        tell(half, step + 1)

    path = None if folder is None else folder / f"{half}.progress"
    learn(network, lesson, plan=plan.make_half(), checkpoint_path=path, on_step=tell_step)


def _make_seeker_lesson(
    drawn: Sequence[Source], labelled: Sequence[Source], device: torch.device
) -> MixedLesson:
    books = [
        make_seeker_book(spread_work(prepare_source, sources, workers=1), device=device)
        for sources in (drawn, labelled)
    ]
    return MixedLesson(
        (
            (1 - LABEL_SHARE, SeekerLesson(books[0], SEEKER_BATCHES[0])),
            (LABEL_SHARE, SeekerLesson(books[1], SEEKER_BATCHES[1], side=LABEL_SQUARE_ELEMENTS)),
        )
    )


def _make_judge_lesson(
    pair: NetworkPair, drawn: Sequence[Source], labelled: Sequence[Source], device: torch.device
) -> MixedLesson:
    books = [_make_judge_book(pair, sources, device) for sources in (drawn, labelled)]
    weights = (1 - LABEL_SHARE, LABEL_SHARE)
    return MixedLesson(
        tuple(
            (weight, make_judge_lesson(book, batch=batch))
            for weight, book, batch in zip(weights, books, JUDGE_BATCHES, strict=True)
        )
    )


def _make_judge_book(pair: NetworkPair, sources: Sequence[Source], device: torch.device) -> JudgeBook:
    halves = [prepare_source(source).half for source in sources]
    maps = look_over_all(pair, halves, device=device)
    return bind_pages(make_pages(sources, maps, is_jittered=True), device=device)


TIMED_STEPS = 3
TIMED_DRAWN = 12
"""Steps that are tried, and drawn pictures they are tried on, before the number of steps is chosen; the first step is slow."""


def time_step(
    start: NetworkPair, drawn: Sequence[Source], labelled: Sequence[Source], *, device: torch.device
) -> float:
    """Return how many seconds one step of the seeker and one of the judge take together, on copies that are thrown away."""
    some = drawn[:TIMED_DRAWN]
    others = labelled[:TIMED_DRAWN]
    pair = NetworkPair(
        start.config, copy.deepcopy(start.seeker).to(device), copy.deepcopy(start.judge).to(device)
    )
    plan = FinetuningPlan(TIMED_STEPS).make_half()
    return time_steps(pair.seeker, _make_seeker_lesson(some, others, device), plan=plan) + time_steps(
        pair.judge, _make_judge_lesson(pair, some, others, device), plan=plan
    )


ROUND_STEPS = 25
FEWEST_STEPS, MOST_STEPS = 50, 400
"""Fewer teach next to nothing; with more, drawn larvae were forgotten (models/experiments.md)."""


def choose_steps(step_s: float, *, minutes: float) -> int:
    """Return how many steps of each half fit into so many minutes: a round number, within sensible bounds."""
    fitting = int(60 * minutes / max(step_s, 1e-6))
    return min(MOST_STEPS, max(FEWEST_STEPS, fitting // ROUND_STEPS * ROUND_STEPS))

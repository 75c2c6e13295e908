"""The generic deep detector that the network pair is compared with: a small dense head on frozen EfficientNet-Lite0 features.

It reads the seeker's picture (half size, codes scaled as in `models.patches`) and gives the seeker's maps, so it learns from
the seeker's lessons and is searched for peaks in the same way. Only the head learns and only the head is kept: `NAME.pt` is
its state dict, loaded with `weights_only=True`, `NAME.json` the card with its sha256. Nothing here is used by a search. Run
`python -m models.generic learn --help`. Importing this file imports torch.
"""

import argparse
import logging
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from models.alternatives import NO_OUTLINE, Finder, Found
from models.cards import WEIGHTS_FOLDER
from models.efficientnet_lite import (
    DEEPEST_STRIDE,
    FEATURE_WIDTHS,
    UNIT_CODES,
    ZERO_CODE,
    EfficientNetLite0,
    load_backbone,
)
from models.examples import list_pictures
from models.head_cards import HeadCard, HeadKind, load_head, save_head
from models.network import FEEDING, LARVA, MAPS, RARE_LOG_ODDS, find_best_dtype, find_peaks, ready_network
from models.patches import CELL_ELEMENTS, CODE_SPREAD, MEAN_CODE, make_seeker_input, pad_to_grid, shrink
from models.seeker_lessons import SeekerLesson, make_seeker_book
from models.training import (
    LearningPlan,
    add_learning_arguments,
    hash_folder,
    learn,
    list_empty,
    list_sources,
    prepare_source,
    spread_work,
)

logger = logging.getLogger(__name__)

NAME = "EfficientNet-Lite0 head"

HEAD_WIDTH, HEAD_LAYERS = 64, 2
"""Channels of the head and its 3 x 3 layers: about as many weights to learn (0.1 million) as the whole seeker has."""

HEAD = HeadKind(
    "leafshade-generic-head",
    most_bytes=1_000_000,
    advice="copy weights and card from where they came from, or learn them with python -m models.generic learn",
)
HEAD_WEIGHTS = WEIGHTS_FOLDER / "generic-head.pt"

MOST_PLACES = 40
FLOOR = -7.0
"""Places offered of one picture at most, and the log-odds under which none is; as for the seeker's own proposals."""


def _make_layer(inputs: int, *, size: int, stride: int = 1, is_bent: bool = True) -> nn.Sequential:
    """Return a convolution to the head's width with its norm and, where bent, a rectifier."""
    padding = size // 2 if stride == 1 else 0
    convolution = nn.Conv2d(inputs, HEAD_WIDTH, size, stride=stride, padding=padding, bias=False)
    norm = nn.BatchNorm2d(HEAD_WIDTH)
    return nn.Sequential(convolution, norm, *([nn.ReLU(inplace=True)] if is_bent else []))


class DenseHead(nn.Module):
    """Brings the features of all strides to one grid and one width, adds them, looks about and answers for every cell."""

    def __init__(self) -> None:
        super().__init__()
        finest, *coarser = FEATURE_WIDTHS
        self.finest = _make_layer(finest, size=2, stride=2, is_bent=False)
        self.laterals = nn.ModuleList(_make_layer(width, size=1, is_bent=False) for width in coarser)
        self.look = nn.Sequential(*(_make_layer(HEAD_WIDTH, size=3) for _ in range(HEAD_LAYERS)))
        self.maps = nn.Conv2d(HEAD_WIDTH, MAPS, 1)
        start = torch.zeros(MAPS)
        start[LARVA] = start[FEEDING] = RARE_LOG_ODDS
        self.maps.bias = nn.Parameter(start)

    def forward(self, features: Sequence[torch.Tensor]) -> torch.Tensor:
        """Turn features at strides 2 to 32, finest first, into maps (B, 3, h / 4, w / 4)."""
        gathered: torch.Tensor = self.laterals[-1](features[-1])
        for lateral, some in zip(reversed(self.laterals[:-1]), reversed(features[1:-1]), strict=True):
            gathered = lateral(some) + nn.functional.interpolate(gathered, scale_factor=2.0, mode="nearest")
        joined = nn.functional.relu(gathered + self.finest(features[0]))
        maps: torch.Tensor = self.maps(self.look(joined))
        return maps


class GenericDetector(nn.Module):
    """A frozen backbone and a head that learns, in the seeker's place."""

    def __init__(self, backbone: EfficientNetLite0, head: DenseHead) -> None:
        super().__init__()
        self.backbone = backbone
        self.head = head

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Turn half-size pictures (B, 3, h, w), as `make_seeker_input` gives them, into maps (B, 3, h / 4, w / 4).

        h and w are multiples of 8, as for the seeker; the edge goes on where the deepest features need more.
        """
        height, width = pictures.shape[2:]
        codes = pictures * (CODE_SPREAD / UNIT_CODES) + (MEAN_CODE - ZERO_CODE) / UNIT_CODES
        more = (0, -width % DEEPEST_STRIDE, 0, -height % DEEPEST_STRIDE)
        padded = nn.functional.pad(codes, more, mode="replicate") if any(more) else codes
        maps: torch.Tensor = self.head(self.backbone(padded))
        return maps[:, :, : height // CELL_ELEMENTS, : width // CELL_ELEMENTS]


def build_detector(*, seed: int) -> GenericDetector:
    """Return ImageNet's backbone with an untrained head; the same seed gives the same head."""
    backbone = load_backbone()
    with torch.random.fork_rng(devices=[]):
        torch.manual_seed(seed)
        return GenericDetector(backbone, DenseHead())


def make_finder(detector: GenericDetector) -> Finder:
    """Return a detector as a finder of larvae in single pictures, on the CPU and as exact as the seeker is there.

    The score is the head's own chance, which nobody calibrated.
    """
    dtype = find_best_dtype(torch.device("cpu"))
    ready = ready_network(detector, device=torch.device("cpu"), dtype=dtype)

    def find(rgb: NDArray[np.uint8]) -> list[Found]:
        half = shrink(rgb)
        with torch.inference_mode():
            codes = torch.from_numpy(pad_to_grid(half))[None]
            maps = ready(make_seeker_input(codes, dtype=dtype))[0].float()
        named = find_peaks(maps, half.shape[:2], channel=LARVA, most=MOST_PLACES, floor=FLOOR)
        scores = 1 / (1 + np.exp(-named.log_odds.astype(np.float64)))
        return [
            Found(float(row), float(column), float(length_px), float(score), NO_OUTLINE)
            for (row, column), length_px, score in zip(named.places_px, named.lengths_px, scores, strict=True)
        ]

    return find


def load_detector(path: Path = HEAD_WEIGHTS) -> GenericDetector:
    """Return the backbone with a trained head, each checked by its sha256.

    Raises
    ------
    WeightsError
        Where the backbone's package is not installed, or the head's weights or card are missing or do not fit.
    """
    detector = build_detector(seed=0)
    load_head(path, HEAD, detector.head)
    return detector.eval()


REPORT_EVERY = 250
"""Steps between two lines of progress; the card keeps the mean loss of the last so many."""


def learn_head(given: argparse.Namespace) -> HeadCard:
    """Teach a head from a folder of examples and save it with its card, as the command line asks."""
    cv2.setNumThreads(1)
    device = torch.device(given.device)
    # Built first: where the package is missing, nothing is prepared in vain.
    detector = build_detector(seed=given.seed).to(device)
    learned = list_empty(given)
    copies = given.copies[0], given.copies[1]
    sources = list_sources(given.examples, learned, seed=given.seed, copies=copies)
    prepared = spread_work(prepare_source, sources, workers=given.workers)
    logger.info("%d examples", len(prepared))
    lesson = SeekerLesson(make_seeker_book(prepared, device=device), given.batch)
    plan = LearningPlan(given.steps, rate=given.rate, seed=given.seed)
    losses = _learn(detector, lesson, plan=plan, folder=given.progress)
    data: dict[str, Any] = {
        name: {"pictures": len(paths), "sha256": hash_folder(paths)}
        for name, paths in (
            ("drawn examples", list_pictures(given.examples)),
            ("real pictures without larvae", learned),
        )
    }
    data |= {"copies": list(copies), "batch": given.batch, "plan": asdict(plan)}
    numbers = {"loss_at_the_end": float(np.mean(losses[-REPORT_EVERY:]))} if losses else {}
    return save_head(given.head, HEAD, detector.head, data=data, numbers=numbers)


def _learn(
    detector: GenericDetector, lesson: SeekerLesson, *, plan: LearningPlan, folder: Path | None
) -> list[float]:
    """Teach the head by a plan, in place, keep progress in a folder where one is given, and return the losses."""
    losses: list[float] = []

    def report(step: int, loss: float) -> None:
        losses.append(loss)
        if (step + 1) % REPORT_EVERY == 0:
            logger.info("step %d, loss %.4f", step + 1, float(np.mean(losses[-REPORT_EVERY:])))

    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
    kept = None if folder is None else folder / "generic-head.progress"
    learn(detector, lesson, plan=plan, checkpoint_path=kept, on_step=report)
    return losses


def make_parser() -> argparse.ArgumentParser:
    """Return the command line of this file: `learn` makes a head from examples."""
    parser = argparse.ArgumentParser(prog="python -m models.generic", description=__doc__)
    doing = parser.add_subparsers(dest="doing", required=True)
    learn_ = doing.add_parser(
        "learn", help="learn from a folder of examples and write the head with its card"
    )
    learn_.add_argument("examples", type=Path)
    learn_.add_argument("head", type=Path, help="where the head's weights go, NAME.pt")
    add_learning_arguments(learn_)
    learn_.add_argument("--steps", type=int, default=6000)
    learn_.add_argument("--batch", type=int, default=64)
    learn_.add_argument("--workers", type=int, default=1, help="processes that prepare pictures")
    return parser


def main(arguments: Sequence[str] | None = None) -> None:
    """Learn a head, as asked on the command line."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    given = make_parser().parse_args(arguments)
    card = learn_head(given)
    logger.info("%s: %s", given.head, card.numbers)


if __name__ == "__main__":
    main()

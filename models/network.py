"""The network pair: a seeker that looks over a whole frame, and a judge that looks twice at the few places it names.

The seeker gives maps with one value per 8 x 8 px: the log-odds that a larva's middle lies there, its length, and the log-odds
that a chewed place's middle lies there. The
judge takes a near and a wide crop about a place and gives log-odds of a larva and of feeding, the body's length and, when
asked, its mask. Both know nothing of time: what several frames say together is combined in `detect`. Importing this file
imports torch.
"""

import copy
from dataclasses import dataclass, replace
from typing import Protocol, TypeVar

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

from models.patches import CELL_ELEMENTS, CELL_PX, make_seeker_input, pad_to_grid

Network = TypeVar("Network", bound=nn.Module)

REFERENCE_PX = 16.0
"""Lengths are learned as log2 of the length in px over this."""

RARE_LOG_ODDS = -4.6
"""Where a map starts before training: one cell in a hundred. Without it the first steps only learn that larvae are rare."""

IMAGE_WEIGHT_AXES = 4
"""Weights of a convolution over pictures: outputs, inputs, rows, columns."""

LARVA, LENGTH, FEEDING = 0, 1, 2
MAPS = 3
"""Channels of the seeker's maps."""

JUDGED_LARVA, JUDGED_FEEDING, JUDGED_LENGTH = 0, 1, 2
"""Columns of the judge's figures."""


@dataclass(frozen=True, slots=True)
class NetworkConfig:
    """The shape of the pair: widths (channels) of its layers.

    Attributes
    ----------
    seeker_widths : of the seeker's layers on grids of 4, 8, 16 and 32 px
    seeker_layers : how many more layers look about on the grids of 8, 16 and 32 px
    near_widths : of the judge's near branch, from full size to an eighth
    near_layers : how many more layers it has from half size to an eighth
    wide_widths : of the judge's wide branch, from half size to an eighth
    wide_layers : how many more layers it has at a quarter and an eighth
    head_width : of the judge's last hidden layer
    mask_widths : of the layers that grow the mask, coarse and fine
    """

    seeker_widths: tuple[int, int, int, int] = (24, 32, 64, 128)
    seeker_layers: tuple[int, int, int] = (1, 3, 3)
    near_widths: tuple[int, int, int, int] = (24, 48, 96, 128)
    near_layers: tuple[int, int, int] = (1, 2, 2)
    wide_widths: tuple[int, int, int] = (24, 48, 96)
    wide_layers: tuple[int, int] = (2, 2)
    head_width: int = 160
    mask_widths: tuple[int, int] = (32, 16)


def _make_block(inputs: int, outputs: int, *, size: int = 3, stride: int = 1) -> nn.Sequential:
    """Return convolution, batch norm (fused away before use) and a rectifier."""
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, size, stride=stride, padding=size // 2, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


class MoreLayers(nn.Module):
    """A block whose outcome is added to what it was given: deep stacks of such learn where plain ones do not."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.block = _make_block(width, width)

    def forward(self, features: torch.Tensor) -> torch.Tensor:
        """Add to features (B, width, h, w)."""
        more: torch.Tensor = features + self.block(features)
        return more


def _make_stage(inputs: int, outputs: int, *, layers: int) -> nn.Sequential:
    """Return a block to half the size and so many more layers there."""
    return nn.Sequential(
        _make_block(inputs, outputs, stride=2), *(MoreLayers(outputs) for _ in range(layers))
    )


class Steps(Protocol):
    """What the walk through a seeker is made of; `models.eight_bits` takes the same steps in other numbers."""

    def enter(self, pictures: torch.Tensor) -> torch.Tensor:
        """Take pictures (B, 3, h, w) in."""
        ...

    def layer(self, layer: nn.Module, features: torch.Tensor) -> torch.Tensor:
        """Apply one layer: a block, or a convolution alone."""
        ...

    def add(self, features: torch.Tensor, more: torch.Tensor, *, rectified: bool) -> torch.Tensor:
        """Add two tensors of one shape, and cut off what is below nought where asked to."""
        ...


class PlainSteps:
    """The steps in torch's own numbers."""

    def enter(self, pictures: torch.Tensor) -> torch.Tensor:
        """Take pictures as they are."""
        return pictures

    def layer(self, layer: nn.Module, features: torch.Tensor) -> torch.Tensor:
        """Apply one layer."""
        outcome: torch.Tensor = layer(features)
        return outcome

    def add(self, features: torch.Tensor, more: torch.Tensor, *, rectified: bool) -> torch.Tensor:
        """Add two tensors."""
        total = features + more
        return nn.functional.relu(total) if rectified else total


class Seeker(nn.Module):
    """Looks over a whole frame for places where a larva's middle may lie.

    What ever coarser grids see of the surroundings is added back to the grid of 8 px, which answers.

    Cutting the picture into cells at once and learning on those (a quarter of the first layers' time) was tried and found
    clearly fewer small bodies: a body lies across cells in every way there is.
    """

    def __init__(self, config: NetworkConfig) -> None:
        super().__init__()
        first, fine, coarse, deep = config.seeker_widths
        some, more, most = config.seeker_layers
        self.pixels = _make_block(3, first, stride=2)
        self.fine = _make_stage(first, fine, layers=some)
        self.coarse = _make_stage(fine, coarse, layers=more)
        self.deep = _make_stage(coarse, deep, layers=most)
        self.from_deep = nn.Conv2d(deep, coarse, 1)
        self.from_coarse = nn.Conv2d(coarse, fine, 1)
        self.join = _make_block(fine, fine)
        self.maps = nn.Conv2d(fine, MAPS, 1)
        start = torch.zeros(MAPS)
        start[LARVA] = start[FEEDING] = RARE_LOG_ODDS
        self.maps.bias = nn.Parameter(start)

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Turn half-size pictures (B, 3, h, w), h and w multiples of 16, into maps (B, 3, h / 4, w / 4).

        The maps are larva log-odds, log2 length over 16 px, feeding log-odds.
        """
        maps: torch.Tensor = self.maps(self.walk(pictures, PlainSteps()))
        return maps

    def walk(self, pictures: torch.Tensor, steps: Steps) -> torch.Tensor:
        """Return what the last layer, `maps`, is given, (B, fine, h / 4, w / 4): one for each cell."""
        fine = _pass_stage(self.fine, steps.layer(self.pixels, steps.enter(pictures)), steps)
        coarse = _pass_stage(self.coarse, fine, steps)
        deep = steps.layer(self.from_deep, _pass_stage(self.deep, coarse, steps))
        coarse = steps.layer(self.from_coarse, _add_coarser(coarse, deep, steps))
        return steps.layer(self.join, _add_coarser(fine, coarse, steps))


def _pass_stage(stage: nn.Sequential, features: torch.Tensor, steps: Steps) -> torch.Tensor:
    first, *others = stage
    features = steps.layer(first, features)
    for more in others:
        assert isinstance(more, MoreLayers)
        features = steps.add(features, steps.layer(more.block, features), rectified=False)
    return features


def _add_coarser(features: torch.Tensor, coarser: torch.Tensor, steps: Steps) -> torch.Tensor:
    """Add features (B, C, h / 2, w / 2) to features (B, C, h, w)."""
    doubled = nn.functional.interpolate(coarser, scale_factor=2.0, mode="nearest")
    return steps.add(features, doubled, rectified=True)


class Judge(nn.Module):
    """Looks at one place twice, near and wide."""

    def __init__(self, config: NetworkConfig) -> None:
        super().__init__()
        a, b, c, d = config.near_widths
        e, f, g = config.wide_widths
        self.near0 = _make_block(3, a)
        self.near1, self.near2, self.near3 = (
            _make_stage(inputs, outputs, layers=layers)
            for inputs, outputs, layers in zip((a, b, c), (b, c, d), config.near_layers, strict=True)
        )
        self.wide = nn.Sequential(
            _make_block(3, e, stride=2),
            _make_stage(e, f, layers=config.wide_layers[0]),
            _make_stage(f, g, layers=config.wide_layers[1]),
        )
        self.look_size = 2 * d + 2 * g
        self.head = nn.Sequential(
            nn.Linear(self.look_size + 1, config.head_width),
            nn.ReLU(inplace=True),
            nn.Linear(config.head_width, 3),
        )
        m, n = config.mask_widths
        self.side3, self.side2 = nn.Conv2d(d, m, 1), nn.Conv2d(c, m, 1)
        self.side1, self.side0 = nn.Conv2d(b, n, 1), nn.Conv2d(a, n, 1)
        self.grow2, self.grow1, self.grow0 = _make_block(m, n), _make_block(n, n), _make_block(n, n)
        self.mask = nn.Conv2d(n, 1, 1)

    def look(self, crops: torch.Tensor) -> list[torch.Tensor]:
        """Return the near branch's features of (B, 2, 3, 48, 48) crops, from full size to an eighth."""
        features = [self.near0(crops[:, 0])]
        for stage in (self.near1, self.near2, self.near3):
            features.append(stage(features[-1]))
        return features

    def judge(self, features: list[torch.Tensor], crops: torch.Tensor, levels: torch.Tensor) -> torch.Tensor:
        """Return figures (B, 3): log-odds of a larva, log-odds of feeding, log2 length over 16 elements of the level.

        `levels` (B,) is the near crop's level: the same outline means another thing at another size.
        """
        seen = self.describe(features, crops)
        figures: torch.Tensor = self.head(torch.cat([seen, levels[:, None].to(seen.dtype)], dim=1))
        return figures

    def describe(self, features: list[torch.Tensor], crops: torch.Tensor) -> torch.Tensor:
        """Return what the head is told of how a place looks, (B, `look_size`): means over each crop and over its middle."""
        near, wide = features[-1], self.wide(crops[:, 1])
        seen = [pool_all(near), pool_middle(near), pool_all(wide), pool_middle(wide)]
        return torch.cat([part.to(near.dtype) for part in seen], dim=1)

    def outline(self, features: list[torch.Tensor]) -> torch.Tensor:
        """Return mask log-odds (B, 48, 48) in the near crop."""
        grown = self.side3(features[3])
        for stage, side, skip in (
            (self.grow2, self.side2, features[2]),
            (self.grow1, self.side1, features[1]),
            (self.grow0, self.side0, features[0]),
        ):
            grown = stage(nn.functional.interpolate(grown, scale_factor=2.0, mode="nearest") + side(skip))
        return torch.squeeze(self.mask(grown), 1)


def pool_all(features: torch.Tensor) -> torch.Tensor:
    """Return the mean (B, C) of features (B, C, h, w)."""
    return features.mean(dim=(2, 3))


def pool_middle(features: torch.Tensor) -> torch.Tensor:
    """Return the mean (B, C) of the middle 2 x 2 of features (B, C, h, w), h and w even: what is asked about lies there."""
    half = features.shape[2] // 2
    return features[:, :, half - 1 : half + 1, half - 1 : half + 1].mean(dim=(2, 3))


@dataclass(frozen=True, slots=True, eq=False)
class NetworkPair:
    """A seeker and a judge of one shape.

    Attributes
    ----------
    ranges : float32 (R, 2), between which values the seeker's numbers lie, for `models.eight_bits`; None where not measured
    """

    config: NetworkConfig
    seeker: Seeker
    judge: Judge
    ranges: torch.Tensor | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Proposals:
    """Places the seeker names in one picture, best first.

    Attributes
    ----------
    places_px : float64 (N, 2), (row, column) of the middle, full-resolution px
    log_odds : float32 (N,), as the seeker sees it, not calibrated
    lengths_px : float32 (N,)
    """

    places_px: NDArray[np.float64]
    log_odds: NDArray[np.float32]
    lengths_px: NDArray[np.float32]


def seek(seeker: nn.Module, half: NDArray[np.uint8], *, channel: int, most: int, floor: float) -> Proposals:
    """Return the places of a half-size picture (h, w, 3) where one of the seeker's maps peaks.

    Parameters
    ----------
    channel : `LARVA` or `FEEDING`
    most : at most this many, best first
    floor : peaks under these log-odds are left out
    """
    return find_peaks(look_over(seeker, half), half.shape[:2], channel=channel, most=most, floor=floor)


def look_over(seeker: nn.Module, half: NDArray[np.uint8]) -> torch.Tensor:
    """Return the seeker's maps (3, m, n) of a half-size picture, float32 on the seeker's device."""
    weight = next(seeker.parameters())
    with torch.inference_mode():
        codes = torch.from_numpy(pad_to_grid(half)).to(weight.device)[None]
        maps: torch.Tensor = seeker(make_seeker_input(codes, dtype=weight.dtype))
    return maps[0].float()


def find_peaks(
    maps: torch.Tensor, half_size: tuple[int, ...], *, channel: int, most: int, floor: float
) -> Proposals:
    """Return where a map (of (3, m, n)) is higher than at its eight neighbours, best first; a plateau counts once."""
    rows, columns = -(-half_size[0] // CELL_ELEMENTS), -(-half_size[1] // CELL_ELEMENTS)
    log_odds, log_lengths = (maps[n, :rows, :columns].cpu().numpy() for n in (channel, LENGTH))
    highest = cv2.dilate(np.ascontiguousarray(log_odds), np.ones((3, 3), np.uint8))
    cells = np.argwhere((log_odds >= highest) & (log_odds >= floor))
    values = log_odds[cells[:, 0], cells[:, 1]]
    order = np.argsort(-values, kind="stable")[:most]
    cells = cells[order]
    lengths = REFERENCE_PX * 2 ** log_lengths[cells[:, 0], cells[:, 1]]
    return Proposals(_refine_peaks(log_odds, cells), values[order], lengths.astype(np.float32))


def _refine_peaks(log_odds: NDArray[np.float32], cells: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the middles in px: the mean of the 3 x 3 cells about each peak, weighted by their chance."""
    padded = np.pad(log_odds.astype(np.float64), 1, constant_values=-np.inf)
    steps = np.arange(-1, 2)
    rows, columns = cells[:, 0, None, None] + steps[:, None] + 1, cells[:, 1, None, None] + steps + 1
    weight = 1 / (1 + np.exp(-padded[rows, columns]))  # (N, 3, 3)
    weight /= weight.sum(axis=(1, 2), keepdims=True)
    shift = np.stack(
        [(weight.sum(axis=2) * steps).sum(axis=1), (weight.sum(axis=1) * steps).sum(axis=1)], axis=1
    )
    places: NDArray[np.float64] = (cells + shift + 0.5) * CELL_PX - 0.5
    return places


def build_pair(config: NetworkConfig, *, seed: int) -> NetworkPair:
    """Return an untrained pair; the same seed gives the same weights, and torch's own generator is left as it was."""
    with torch.random.fork_rng(devices=[]):
        torch.manual_seed(seed)
        return NetworkPair(config, Seeker(config), Judge(config))


def round_weights(pair: NetworkPair) -> NetworkPair:
    """Return a copy whose layers multiply by numbers of 16 bits: half as large a file, log-odds within about a hundredth."""
    seeker, judge = copy.deepcopy(pair.seeker), copy.deepcopy(pair.judge)
    for half in (seeker, judge):
        for weights in half.parameters():
            if weights.ndim > 1:
                weights.data = weights.data.half().float()
    return replace(pair, seeker=seeker, judge=judge)


def ready_pair(pair: NetworkPair, *, device: torch.device, dtype: torch.dtype) -> NetworkPair:
    """Return a copy for use: batch norm fused into the convolutions, channels last, no gradients."""
    return NetworkPair(
        pair.config,
        ready_network(pair.seeker, device=device, dtype=dtype),
        ready_network(pair.judge, device=device, dtype=dtype),
        pair.ranges,
    )


def fuse_seeker(seeker: Seeker) -> Seeker:
    """Return a copy of a trained seeker with batch norm fused into its layers, float32 on the CPU."""
    return ready_network(seeker, device=torch.device("cpu"), dtype=torch.float32)


def ready_network(module: Network, *, device: torch.device, dtype: torch.dtype) -> Network:
    """Return a copy for use: batch norms fused into the layers before them, channels last, no gradients."""
    ready = copy.deepcopy(module).eval().requires_grad_(False)
    for block in ready.modules():
        if not isinstance(block, nn.Sequential) or len(block) < 2:
            continue
        convolution, norm = block[0], block[1]
        if isinstance(convolution, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
            block[0] = fuse_conv_bn_eval(convolution, norm)
            block[1] = nn.Identity()
    ready.to(device=device, dtype=dtype)
    for weight in ready.parameters():
        if weight.ndim == IMAGE_WEIGHT_AXES:
            # Channels last makes plain 3 x 3 layers about twice as fast on a CPU.
            weight.data = weight.data.contiguous(memory_format=torch.channels_last)
    return ready


def find_best_dtype(device: torch.device) -> torch.dtype:
    """Return bfloat16 where the processor multiplies it in hardware (about 1.8 times as fast here), else float32."""
    if device.type == "cuda":
        return torch.float32
    ask = getattr(torch.cpu, "_is_avx512_bf16_supported", None)  # not public in every torch that is allowed
    return torch.bfloat16 if ask is not None and ask() else torch.float32

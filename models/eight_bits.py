"""The seeker in whole numbers of 8 bits: about twice as fast as bfloat16 on processors that multiply them four at a time.

Weights are rounded channel by channel; what flows between layers is rounded to a range measured once, on pictures set aside,
and kept with the weights, so that the same weights give the same answers wherever they run in this way. The last layer stays
in float32. torch's own tools would trace the network for this, and bring along more memory and time to load than the search
has; a seeker is only layers, sums and a doubling of the grid, so its walk is written out here. Importing this file imports torch.
"""

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from models.network import MoreLayers, Seeker, fuse_seeker
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


class _Walk:
    """The way through a seeker with its batch norm fused; what a step does is said by those who walk."""

    def enter(self, pictures: torch.Tensor) -> torch.Tensor:
        raise NotImplementedError

    def layer(self, layer: nn.Module, features: torch.Tensor) -> torch.Tensor:
        raise NotImplementedError

    def add(self, features: torch.Tensor, more: torch.Tensor, *, rectified: bool) -> torch.Tensor:
        raise NotImplementedError

    def walk(self, seeker: Seeker, pictures: torch.Tensor) -> torch.Tensor:
        """Return what the last layer, `maps`, is given, of pictures (B, 3, h, w)."""
        fine = self._stage(seeker.fine, self.layer(seeker.pixels, self.enter(pictures)))
        coarse = self._stage(seeker.coarse, fine)
        deep = self.layer(seeker.from_deep, self._stage(seeker.deep, coarse))
        coarse = self.layer(seeker.from_coarse, self._add_coarser(coarse, deep))
        return self.layer(seeker.join, self._add_coarser(fine, coarse))

    def _stage(self, stage: nn.Sequential, features: torch.Tensor) -> torch.Tensor:
        first, *others = stage
        features = self.layer(first, features)
        for more in others:
            assert isinstance(more, MoreLayers)
            features = self.add(features, self.layer(more.block, features), rectified=False)
        return features

    def _add_coarser(self, features: torch.Tensor, coarser: torch.Tensor) -> torch.Tensor:
        doubled = nn.functional.interpolate(coarser, scale_factor=2.0, mode="nearest")
        return self.add(features, doubled, rectified=True)


class _Watch(_Walk):
    """Walks in float32 and keeps a histogram of every number that will be rounded, in order."""

    def __init__(self) -> None:
        self.histograms: list[nn.Module] = []
        self._next = 0

    def enter(self, pictures: torch.Tensor) -> torch.Tensor:
        self._next = 0
        return self._see(pictures)

    def layer(self, layer: nn.Module, features: torch.Tensor) -> torch.Tensor:
        return self._see(layer(features))

    def add(self, features: torch.Tensor, more: torch.Tensor, *, rectified: bool) -> torch.Tensor:
        total = features + more
        return self._see(nn.functional.relu(total) if rectified else total)

    def _see(self, features: torch.Tensor) -> torch.Tensor:
        from torch.ao.quantization import HistogramObserver

        if self._next == len(self.histograms):
            self.histograms.append(HistogramObserver(dtype=torch.quint8, qscheme=torch.per_tensor_affine))
        self.histograms[self._next](features)
        self._next += 1
        return features


def measure_ranges(seeker: Seeker, halves: Sequence[NDArray[np.uint8]]) -> torch.Tensor:
    """Return between which values each rounding of a trained seeker lies, float32 (R, 2), on half-size pictures (h, w, 3).

    The ranges lose least in the mean square: rare values beyond them are cut off.
    """
    fused, watch = fuse_seeker(seeker), _Watch()
    with torch.inference_mode():
        for half in halves:
            codes = torch.from_numpy(pad_to_grid(half))[None]
            watch.walk(fused, make_seeker_input(codes, dtype=torch.float32))
    ranges = []
    for histogram in watch.histograms:
        scale, zero = (float(value) for value in histogram.calculate_qparams())  # type: ignore[operator]  # torch's stub
        ranges.append((-zero * scale, (STEPS - zero) * scale))
    return torch.tensor(ranges, dtype=torch.float32)


class RoundedSeeker(nn.Module, _Walk):
    """A trained seeker that works in 8 bits, for use; it takes and gives what the seeker does."""

    def __init__(self, seeker: Seeker, ranges: torch.Tensor) -> None:
        super().__init__()
        fused = fuse_seeker(seeker)
        self.maps = fused.maps
        self._seeker = (fused,)  # in a tuple, so that its exact weights are no part of this module
        self._packed = {
            id(layer): _pack(layer)
            for layer in fused.modules()
            if isinstance(layer, nn.Conv2d) and layer is not fused.maps
        }
        self._scales = [_find_scale(low, high) for low, high in ranges.tolist()]
        self._next = 0

    def forward(self, pictures: torch.Tensor) -> torch.Tensor:
        """Turn pictures (B, 3, h, w) into maps, as `models.network.Seeker`."""
        maps: torch.Tensor = self.maps(self.walk(self._seeker[0], pictures).dequantize())
        return maps

    def enter(self, pictures: torch.Tensor) -> torch.Tensor:
        """Round pictures."""
        self._next = 0
        return torch.quantize_per_tensor(pictures, *self._take_scale(), torch.quint8)

    def layer(self, layer: nn.Module, features: torch.Tensor) -> torch.Tensor:
        """Apply one convolution, with its rectifier where it has one."""
        is_rectified = isinstance(layer, nn.Sequential)
        convolve = torch.ops.quantized.conv2d_relu if is_rectified else torch.ops.quantized.conv2d
        packed = self._packed[id(layer[0] if isinstance(layer, nn.Sequential) else layer)]
        convolved: torch.Tensor = convolve(features, packed, *self._take_scale())
        return convolved

    def add(self, features: torch.Tensor, more: torch.Tensor, *, rectified: bool) -> torch.Tensor:
        """Add two rounded tensors."""
        add = torch.ops.quantized.add_relu if rectified else torch.ops.quantized.add
        total: torch.Tensor = add(features, more, *self._take_scale())
        return total

    def _take_scale(self) -> tuple[float, int]:
        """Return scale and nought of the next rounding on the way."""
        self._next += 1
        return self._scales[self._next - 1]


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

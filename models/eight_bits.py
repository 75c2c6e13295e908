"""The seeker in whole numbers of 8 bits: about twice as fast as bfloat16 on processors that multiply them four at a time.

Weights are rounded channel by channel; what flows between layers is rounded to a range measured once, on pictures set aside,
and kept with the weights, so that the same weights give the same answers wherever they run in this way. The last layer stays
in float32. Importing this file imports torch.
"""

import copy
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn
from torch.ao.quantization import (
    HistogramObserver,
    MinMaxObserver,
    QConfig,
    QConfigMapping,
    default_per_channel_weight_observer,
)
from torch.ao.quantization.quantize_fx import convert_fx, prepare_fx
from torch.fx import GraphModule

from models.network import Seeker
from models.patches import CELL_ELEMENTS, GRID_CELLS, make_seeker_input, pad_to_grid

ENGINE = "onednn"


def can_use_eight_bits() -> bool:
    """Tell whether this processor and this build of torch multiply 8-bit numbers without losing any to overflow."""
    ask = getattr(torch.cpu, "_is_vnni_supported", None)  # not public in every torch that is allowed
    return ENGINE in torch.backends.quantized.supported_engines and ask is not None and bool(ask())


def measure_ranges(seeker: Seeker, halves: Sequence[NDArray[np.uint8]]) -> torch.Tensor:
    """Return between which values each rounding of a trained seeker lies, float32 (R, 2), on half-size pictures (h, w, 3).

    The ranges lose least in the mean square: rare values beyond them are cut off.
    """
    watched = _watch(seeker, HistogramObserver)
    with torch.inference_mode():
        for half in halves:
            watched(make_seeker_input(torch.from_numpy(pad_to_grid(half))[None], dtype=torch.float32))
    ranges = []
    for observer in (part for part in watched.children() if isinstance(part, HistogramObserver)):
        scale, zero = (float(value) for value in observer.calculate_qparams())
        ranges.append((-zero * scale, (STEPS - zero) * scale))
    return torch.tensor(ranges, dtype=torch.float32)


STEPS = 255
"""From the lowest to the highest number of 8 bits."""


def round_seeker(seeker: Seeker, ranges: torch.Tensor) -> nn.Module:
    """Return a copy of a trained seeker that works in 8 bits, for use; it takes and gives what the seeker does.

    Raises
    ------
    ValueError
        Where the ranges are not as many as this seeker needs.
    """
    watched = _watch(seeker, MinMaxObserver)
    observers = [part for part in watched.children() if isinstance(part, MinMaxObserver)]
    if ranges.shape != (len(observers), 2):
        raise ValueError(f"expected ranges of shape {(len(observers), 2)}, found {tuple(ranges.shape)}")
    for observer, (low, high) in zip(observers, ranges, strict=True):
        observer.min_val.copy_(low)
        observer.max_val.copy_(high)
    with _quietly():
        rounded: nn.Module = convert_fx(watched)
    return rounded


def _watch(seeker: Seeker, observer: type[HistogramObserver | MinMaxObserver]) -> GraphModule:
    """Return a copy of a seeker with an observer, its child, at every place where numbers will be rounded, in order."""
    side = CELL_ELEMENTS * GRID_CELLS
    config = QConfig(  # type: ignore[no-untyped-call]  # torch leaves it untyped
        activation=observer.with_args(dtype=torch.quint8, qscheme=torch.per_tensor_affine),
        weight=default_per_channel_weight_observer,
    )
    plan = QConfigMapping().set_global(config)
    plan.set_module_name("maps", None)
    with _quietly():
        watched = prepare_fx(
            copy.deepcopy(seeker).float().cpu().eval(), plan, (torch.zeros(1, 3, side, side),)
        )
    return watched


@contextmanager
def _quietly() -> Iterator[None]:
    """Leave out torch's advice that a package of its own is to take over this part of it."""
    engine = torch.backends.quantized.engine
    torch.backends.quantized.engine = ENGINE
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        torch.backends.quantized.engine = engine

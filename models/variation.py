"""Pictures varied as they are taught: light, colours, noise, blur, and the eight ways to turn and mirror them."""

import numpy as np
import torch
from torch import nn

DIRECTIONS = 8
"""Four quarter turns, each mirrored or not."""

GAIN_SPREAD = 0.3
TINT_SPREAD = 0.1
CONTRAST_SPREAD = 0.2
COLOUR_SPREAD = 0.25
MOST_NOISE = 6.0
SOFT_BELOW = -1.0
"""How light is varied: log gain, log gain per colour, log exponent, log strength of colour, deviation of noise (8-bit), and the
normal deviate under which a picture is softened (a sixth of them)."""


def turn_picture(picture: torch.Tensor, turns: int, mirrored: bool) -> torch.Tensor:
    """Turn the last-but-two and last-but-one axes of (..., H, W, C) by quarter turns, after mirroring the columns."""
    rows, columns = picture.ndim - 3, picture.ndim - 2
    flipped = torch.flip(picture, (columns,)) if mirrored else picture
    return torch.rot90(flipped, turns, (rows, columns))


def turn_batch(pictures: torch.Tensor, first: int) -> torch.Tensor:
    """Turn and mirror pictures (B, ..., H, W, C), each the next of the eight ways, beginning with `first`."""
    turned = torch.empty_like(pictures)
    for n in range(min(DIRECTIONS, len(pictures))):
        way = (first + n) % DIRECTIONS
        turned[n::DIRECTIONS] = turn_picture(pictures[n::DIRECTIONS], way % 4, way >= 4)
    return turned


MOVED_SHARE = 0.7
SCALE_SPREAD = 0.15
SHIFT_SPREAD = 0.03
"""Share of the pictures that are turned by any angle, enlarged or reduced (deviation of the log2) and shifted (deviation, in
sides of the picture); the rest stay as they were cut."""


def move_batch(pictures: torch.Tensor, rng: np.random.Generator) -> torch.Tensor:
    """Return square pictures (B, h, h, 3) of codes turned by any angle, scaled and shifted about their middles, float32.

    Beyond a picture its edge goes on. The same `rng` moves pictures of another size alike, relative to their sides.
    """
    batch = len(pictures)
    is_moved = rng.random(batch) < MOVED_SHARE
    angles = np.where(is_moved, rng.uniform(-np.pi, np.pi, batch), 0.0)
    scales = np.exp2(np.where(is_moved, rng.normal(0, SCALE_SPREAD, batch), 0.0))
    shifts = np.where(is_moved[:, None], rng.normal(0, 2 * SHIFT_SPREAD, (batch, 2)), 0.0)
    matrices = np.zeros((batch, 2, 3), np.float32)
    matrices[:, 0, 0] = matrices[:, 1, 1] = scales * np.cos(angles)
    matrices[:, 1, 0] = scales * np.sin(angles)
    matrices[:, 0, 1] = -matrices[:, 1, 0]
    matrices[:, :, 2] = shifts
    channels_first = pictures.permute(0, 3, 1, 2).float()
    grid = nn.functional.affine_grid(
        torch.from_numpy(matrices).to(pictures.device), list(channels_first.shape), align_corners=False
    )
    moved = nn.functional.grid_sample(
        channels_first, grid, mode="bilinear", padding_mode="border", align_corners=False
    )
    return moved.permute(0, 2, 3, 1)


def vary_light(codes: torch.Tensor, rng: np.random.Generator) -> torch.Tensor:
    """Return pictures (B, ..., H, W, 3) of codes 0 to 255 with light, colour, contrast, noise and softness varied, float32."""
    batch = len(codes)
    device = codes.device
    generator = torch.Generator(device).manual_seed(int(rng.integers(2**62)))

    def draw(*size: int) -> torch.Tensor:
        wide = (batch, *([1] * (codes.ndim - 2)), *size)
        return torch.randn(wide, generator=generator, device=device)

    gain = torch.exp(GAIN_SPREAD * draw(1) + TINT_SPREAD * draw(3))
    exponent = torch.exp(CONTRAST_SPREAD * draw(1))
    lit = codes.float() / 255 * gain
    grey = lit.mean(dim=-1, keepdim=True)
    coloured = grey + (lit - grey) * torch.exp(COLOUR_SPREAD * draw(1))
    varied = 255 * coloured.clamp(1e-4, 1) ** exponent
    soft = draw(1) < SOFT_BELOW
    varied = torch.where(soft, _soften(varied), varied)
    noise = torch.randn(varied.shape, generator=generator, device=device)
    return (varied + MOST_NOISE * draw(1).abs().clamp(max=2) / 2 * noise).clamp(0, 255)


def _soften(pictures: torch.Tensor) -> torch.Tensor:
    """Average each pixel with its four neighbours."""
    rows, columns = pictures.ndim - 3, pictures.ndim - 2
    around = sum(torch.roll(pictures, step, axis) for axis in (rows, columns) for step in (-1, 1))
    return (2 * pictures + around) / 6

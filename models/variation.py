"""Pictures varied as they are taught: light, colours, noise, blur, and the eight ways to turn and mirror them."""

import numpy as np
import torch

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

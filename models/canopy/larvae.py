"""Larvae: the tapered, slug-shaped, two-horned body as an outline, its poses and conditions.

An outline is float32 (N, 2) of (x, y) in shares of the body length, the tail at 0 and the head at 1 along a centreline that
may bend. Stages L2 to L5; lengths overlap between neighbouring stages. Where a larva sits stands in `scene`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

STAGE_LENGTHS_MM = (("L2", 4.0, 8.0), ("L3", 8.0, 16.0), ("L4", 15.0, 28.0), ("L5", 26.0, 54.0))
"""Body lengths: full-grown 45 to 55 mm, L4 about 25 mm (field diary); the rest by ratio, from memory."""

CONDITIONS = ("healthy", "sick", "shrunken", "half-eaten")
POSES = ("on-midrib", "leaf-tip", "edge-feeding", "in-profile", "on-twig", "free")


@dataclass(frozen=True, slots=True)
class LarvaSettings:
    """How many larvae a scene holds and how they look.

    Attributes
    ----------
    count : range of larvae
    length_px : range of the length in the frame, drawn evenly by ratio so that every class is filled
    unwell_share : chance of being sick, shrunken or half-eaten
    through_share : chance that a larva lies on the upper side and shows through the leaf
    body_light : share of the light from above that the body lets through
    """

    count: tuple[int, int] = (3, 8)
    length_px: tuple[float, float] = (6.0, 80.0)
    unwell_share: float = 0.15
    through_share: float = 0.55
    body_light: tuple[float, float] = (0.02, 0.14)


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """One larva before it is placed.

    Attributes
    ----------
    outline : float32 (N, 2), closed, (x, y) in shares of the body length, centred on the middle of the body
    width_share : greatest width over length
    """

    stage: str
    condition: str
    outline: NDArray[np.float32]
    width_share: float


def shape_body(rng: np.random.Generator, *, stage: str, condition: str, bend: float, side_view: bool) -> Body:
    """Shape one body: half-width along the centreline, horns at the head, bent by `bend` radians from end to end."""
    width = float(rng.uniform(0.15, 0.23)) * (0.85 if stage in ("L2", "L3") else 1.0)
    if condition == "shrunken":
        width *= float(rng.uniform(0.6, 0.8))
    horn = float(rng.uniform(0.07, 0.11)) if stage == "L5" else float(rng.uniform(0.1, 0.17))
    s = np.linspace(0, 1, 41)
    half = _profile(s, float(rng.uniform(0.42, 0.6)), float(rng.uniform(0.55, 0.85))) * width / 2
    if condition in ("shrunken", "sick"):
        half *= 1 + 0.15 * np.interp(s, np.linspace(0, 1, 7), rng.normal(0, 1, 7))
    lower = half * (0.55 if side_view else 1.0)
    centre, normal = _bend(s, bend)
    if condition == "half-eaten":
        keep = s >= rng.uniform(0.25, 0.5)
        s, half, lower, centre, normal = s[keep], half[keep], lower[keep], centre[keep], normal[keep]
    left = centre + normal * half[:, None]
    right = centre - normal * lower[:, None]
    head = _add_horns(centre[-1], normal[-1], rng, horn=horn, head=float(max(half[-3], 0.03)), side_view=side_view)
    outline = np.concatenate([left, head, right[::-1]])
    outline -= (outline.max(axis=0) + outline.min(axis=0)) / 2
    return Body(stage, condition, outline.astype(np.float32), width)


def choose_stage(length_mm: float, rng: np.random.Generator) -> str:
    """Return a stage whose lengths hold `length_mm`; the nearest where none does."""
    fitting = [name for name, low, high in STAGE_LENGTHS_MM if low <= length_mm <= high]
    if fitting:
        return fitting[int(rng.integers(len(fitting)))]
    middles = [abs(np.log(length_mm / np.sqrt(low * high))) for _, low, high in STAGE_LENGTHS_MM]
    return STAGE_LENGTHS_MM[int(np.argmin(middles))][0]


def _profile(s: NDArray[np.float64], widest: float, head: float) -> NDArray[np.float64]:
    """Half-width over its maximum from tail (pointed) to head (blunt, `head` of the greatest width)."""
    rise = np.sin(np.clip(s / widest, 0, 1) * np.pi / 2) ** 0.9
    fall = 1 - (1 - head) * np.clip((s - widest) / (1 - widest), 0, 1) ** 1.6
    round_head = np.sqrt(np.clip((1 - s) / 0.05, 0, 1))
    return np.where(s < widest, rise, fall) * round_head


def _bend(s: NDArray[np.float64], bend: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lay the centreline on an arc of `bend` radians; return points (N, 2) and normals (N, 2)."""
    heading = bend * (s - 0.5)
    step = np.gradient(s)
    x = np.cumsum(np.cos(heading) * step)
    y = np.cumsum(np.sin(heading) * step)
    return np.stack([x, y], axis=1), np.stack([-np.sin(heading), np.cos(heading)], axis=1)


def _add_horns(
    tip: NDArray[np.float64],
    normal: NDArray[np.float64],
    rng: np.random.Generator,
    *,
    horn: float,
    head: float,
    side_view: bool,
) -> NDArray[np.float64]:
    """Points of the head from its left to its right side: two horns that spread, or lie over each other from the side."""
    ahead = np.asarray([normal[1], -normal[0]])
    spread = float(rng.uniform(0.25, 0.6)) * (0.3 if side_view else 1.0)
    lift = horn * 0.5 if side_view else 0.0
    thick = 0.3 * head
    points = [
        tip + normal * head * 0.8,
        tip + normal * (head * 0.7 + spread * horn + lift) + ahead * horn,
        tip + normal * (head * 0.7 - thick * 0.6),
        tip + ahead * 0.01,
        tip - normal * (head * 0.7 - thick * 0.6),
        tip - normal * (head * 0.7 + spread * horn - lift) + ahead * horn,
        tip - normal * head * 0.8,
    ]
    return np.stack(points)

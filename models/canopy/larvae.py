"""Larvae: the tapered, slug-shaped, two-horned body, its stages, conditions and poses, and how it lies on a leaf.

A body's outline is float32 (N, 2) of (x, y) in shares of the body length, the head towards +x, its middle at 0; on a leaf it
is in px of the sheet. Stages L2 to L5; lengths overlap between neighbouring stages.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_float
from models.canopy.feeding import BLADE_PX
from models.canopy.leaves import LeafBank, LeafSprite, choose_leaf
from models.canopy.sheets import (
    BARK,
    LeafPlace,
    Points,
    Sheet,
    fill_softly,
    map_points,
    place_leaf,
    warp_sprite,
)

SHORTEST_MM, LONGEST_MM = 4.0, 54.0
STAGE_LENGTHS_MM = (("L2", 4.0, 8.0), ("L3", 8.0, 16.0), ("L4", 15.0, 28.0), ("L5", 26.0, 54.0))
"""Body lengths: full-grown 45 to 55 mm, L4 about 25 mm (field diary); the rest by ratio, from memory."""

CONDITIONS = ("healthy", "sick", "shrunken", "half-eaten")
POSES = ("on-midrib", "leaf-tip", "edge-feeding", "in-profile", "on-twig")
POSE_SHARES = (0.36, 0.22, 0.2, 0.12, 0.1)
"""How often each pose is drawn; rest on the midrib or the tip is what larvae do most of the day (common practice)."""

BODY_COLOUR = np.asarray([0.2, 0.26, 0.14], np.float32)
SICK_COLOUR = np.asarray([0.16, 0.13, 0.09], np.float32)
"""Reflectance for the light from below of a green larva and of a dying one; common practice, no source."""

SLENDER_EARLY, SHRUNKEN_WIDTH, FLAT_BELLY = 0.88, (0.6, 0.8), 0.55
WIDEST_AT, HEAD_WIDTH = (0.38, 0.6), (0.5, 0.85)
EARLY_HORN, LATE_HORN = (0.09, 0.16), (0.06, 0.1)
BEND_AT_REST, BEND_FEEDING, TWIST = 0.3, 0.8, 0.3
UNEVEN_UNWELL, EATEN_SHARE = 0.15, (0.25, 0.5)
"""Shape of a body, in shares of its length or greatest width and in radians: width of early stages, of a shrunken one and of
the belly in profile; where it is widest, from the tail, and the head; horns of L2 to L4 and of L5; bends, as deviations; how
uneven the unwell are, and how much of a half-eaten one is gone. From pictures, from memory."""

LEAF_OVER_BODY = 1.2
"""A leaf is at least this many times as long as the larva on it."""


@dataclass(frozen=True, slots=True)
class LarvaSettings:
    """How many larvae a scene holds and how they look.

    Attributes
    ----------
    count : range of larvae put into a scene; those that end up where nobody could see them are not listed
    length_px : range of the length in the frame, drawn evenly by ratio so that every class is filled
    width_share : range of the width over the length
    unwell_share : chance of being sick, shrunken or half-eaten
    through_share : chance that a larva on the midrib or tip lies on the upper side and shows through the leaf
    hidden_share : chance that another leaf lies over a part of it
    lit_share : chance that the light reaches the larva's leaf past the leaves behind it, where larvae are looked for
    body_light : share of the light from above that the body lets through, in all colours alike
    pose_shares : chance of each of `POSES`
    """

    count: tuple[int, int] = (4, 10)
    length_px: tuple[float, float] = (6.0, 80.0)
    width_share: tuple[float, float] = (0.15, 0.24)
    unwell_share: float = 0.15
    through_share: float = 0.55
    hidden_share: float = 0.15
    lit_share: float = 0.75
    body_light: tuple[float, float] = (0.004, 0.03)
    pose_shares: tuple[float, ...] = POSE_SHARES


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """One larva before it is placed: outline float32 (N, 2), closed, (x, y) in shares of the body length."""

    stage: str
    condition: str
    length_mm: float
    outline: Points


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """One larva on its leaf: outline float32 (N, 2) of (x, y) in px of the sheet.

    Attributes
    ----------
    open_share : share of the body that no leaf laid over it later hides, 0 to 1
    host : the leaf it sits on
    """

    body: Body
    pose: str
    outline_xy: Points
    open_share: float
    host: LeafPlace


def shape_body(rng: np.random.Generator, *, settings: LarvaSettings, length_mm: float, pose: str) -> Body:
    """Shape one body: its stage and condition, half-width along the centreline, horns at the head, and how it bends."""
    stage = choose_stage(length_mm, rng)
    unwell = rng.random() < settings.unwell_share
    condition = str(rng.choice(CONDITIONS[1:])) if unwell else CONDITIONS[0]
    side_view = pose == "in-profile"
    width = float(rng.uniform(*settings.width_share)) * (SLENDER_EARLY if stage in ("L2", "L3") else 1.0)
    width *= float(rng.uniform(*SHRUNKEN_WIDTH)) if condition == "shrunken" else 1.0
    horn = float(rng.uniform(*(LATE_HORN if stage == "L5" else EARLY_HORN)))
    s = np.linspace(0, 1, 41, dtype=np.float64)
    half = _shape_side(s, float(rng.uniform(*WIDEST_AT)), float(rng.uniform(*HEAD_WIDTH))) * width / 2
    if condition in ("shrunken", "sick"):
        half *= 1 + UNEVEN_UNWELL * np.interp(s, np.linspace(0, 1, 7), rng.normal(0, 1, 7))
    lower = half * (FLAT_BELLY if side_view else 1.0)
    centre, normal = _bend(
        s,
        float(rng.normal(0, BEND_FEEDING if pose == "edge-feeding" else BEND_AT_REST)),
        float(rng.normal(0, TWIST)),
    )
    if condition == "half-eaten":
        keep = s >= rng.uniform(*EATEN_SHARE)
        half, lower, centre, normal = half[keep], lower[keep], centre[keep], normal[keep]
    left, right = centre + normal * half[:, None], centre - normal * lower[:, None]
    head = _add_horns(
        centre[-1], normal[-1], rng, horn=horn, head=max(float(half[-3]), 0.03), side_view=side_view
    )
    outline = np.concatenate([left, head, right[::-1]])
    outline -= (outline.max(axis=0) + outline.min(axis=0)) / 2
    return Body(stage, condition, length_mm, outline.astype(np.float32))


def choose_stage(length_mm: float, rng: np.random.Generator) -> str:
    """Return a stage whose lengths hold `length_mm`; the nearest where none does."""
    fitting = [name for name, low, high in STAGE_LENGTHS_MM if low <= length_mm <= high]
    if fitting:
        return fitting[int(rng.integers(len(fitting)))]
    distances = [abs(np.log(length_mm / np.sqrt(low * high))) for _, low, high in STAGE_LENGTHS_MM]
    return STAGE_LENGTHS_MM[int(np.argmin(distances))][0]


def _shape_side(s: NDArray[np.float64], widest: float, head: float) -> NDArray[np.float64]:
    """Half-width over its maximum from tail (pointed) to head (blunt, `head` of the greatest width)."""
    rise = np.sin(np.clip(s / widest, 0, 1) * np.pi / 2) ** 0.9
    fall = 1 - (1 - head) * np.clip((s - widest) / (1 - widest), 0, 1) ** 1.6
    round_head = np.sqrt(np.clip((1 - s) / 0.05, 0, 1))
    return np.asarray(np.where(s < widest, rise, fall) * round_head)


def _bend(
    s: NDArray[np.float64], bend: float, twist: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lay the centreline on an arc of `bend` radians with an S of `twist`; return points (N, 2) and normals (N, 2)."""
    heading = bend * (s - 0.5) + twist * np.sin(2 * np.pi * s) / 2
    step = np.gradient(s)
    centre = np.stack([np.cumsum(np.cos(heading) * step), np.cumsum(np.sin(heading) * step)], axis=1)
    return centre, np.stack([-np.sin(heading), np.cos(heading)], axis=1)


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
    foot, thick = 0.72 * head, HORN_THICKNESS * head
    points = []
    for side in (1, -1):
        base = tip + normal * side * foot
        top = base + normal * (side * spread * horn + lift) + ahead * horn
        outer, inner = base + normal * side * 0.1 * head, base - normal * side * 2 * thick
        rod = [outer, top + normal * side * 0.6 * thick, top - normal * side * 0.9 * thick, inner]
        points += rod if side == 1 else rod[::-1]
    points.insert(4, tip + ahead * 0.01)
    return np.stack(points)


HORN_THICKNESS = 0.22
"""Thickness of a horn over the width of the head: stout rods, not bristles (common practice, no source)."""


def choose_length(settings: LarvaSettings, rng: np.random.Generator, *, scale: float) -> float:
    """Return a body length in px, even by ratio over what was asked for and what a living larva can have at this scale."""
    low = max(settings.length_px[0], SHORTEST_MM * scale)
    high = min(settings.length_px[1], LONGEST_MM * scale)
    if low >= high:
        return float(np.clip(low, SHORTEST_MM * scale, LONGEST_MM * scale))
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def settle_larva(
    sheet: Sheet,
    bank: LeafBank,
    settings: LarvaSettings,
    rng: np.random.Generator,
    *,
    spot: tuple[float, float],
    scale: float,
) -> Settled:
    """Hang a leaf at `spot` (x, y), nearest to the eye, with a larva on it, through it or at its edge.

    `scale` is px per mm at the depth of the sheet.
    """
    length_px = choose_length(settings, rng, scale=scale)
    pose = str(rng.choice(POSES, p=settings.pose_shares))
    body = shape_body(rng, settings=settings, length_mm=length_px / scale, pose=pose)
    host = _hang_host(bank, rng, spot=spot, scale=scale, length_px=length_px, chewed=pose == "edge-feeding")
    sprite = bank.leaves[host.sprite]
    outline = _lay_body(body, pose, sprite, host, rng, length_px=length_px)
    mask, corner = fill_softly(outline, pad_px=5)
    light = as_float(rng.uniform(*settings.body_light) * rng.uniform(0.94, 1.06, 3))
    colour = SICK_COLOUR if body.condition == "sick" else BODY_COLOUR
    if rng.random() < settings.lit_share:
        sheet.clear_behind(sprite, host.to_sheet)
    if pose in POSES[:2] and rng.random() < settings.through_share:
        soft = cv2.GaussianBlur(mask, (0, 0), max(0.35, float(rng.uniform(0.1, 0.35)) * scale))
        sheet.put_body(as_float(soft), corner, light=light, shine=colour)
        sheet.put_sprite(sprite, host.to_sheet)
    else:
        sheet.put_sprite(sprite, host.to_sheet)
        if pose == "on-twig":
            _draw_perch(sheet, outline, rng, scale=scale)
        sheet.put_body(mask, corner, light=light, shine=colour * np.float32(rng.uniform(0.6, 1.4)))
    open_share = 1.0
    if rng.random() < settings.hidden_share:
        open_share = _hide_part(sheet, bank, rng, outline=outline, mask=mask, corner=corner, scale=scale)
    return Settled(body, pose, outline, open_share, host)


def _hang_host(
    bank: LeafBank,
    rng: np.random.Generator,
    *,
    spot: tuple[float, float],
    scale: float,
    length_px: float,
    chewed: bool,
) -> LeafPlace:
    """Hang a leaf, grown where it must be to carry the larva, with its middle at `spot`."""
    index = choose_leaf(bank, rng, chewed=chewed or rng.random() < CHEWED_HOSTS)
    angle = float(rng.uniform(0, 2 * np.pi))
    host = place_leaf(bank, rng, index=index, joint=(0.0, 0.0), angle=angle, scale=scale, flatness=0.6)
    sprite = bank.leaves[index]
    grow = max(1.0, LEAF_OVER_BODY * length_px / host.length_px)
    linear = host.to_sheet[:, :2] * grow
    shift = np.asarray(spot) - linear @ sprite.midrib_xy[len(sprite.midrib_xy) // 2]
    return LeafPlace(index, np.column_stack([linear, shift]), host.length_px * grow)


CHEWED_HOSTS = 0.15
"""Chance that the leaf under a larva that is not feeding is chewed."""


def _lay_body(
    body: Body, pose: str, sprite: LeafSprite, host: LeafPlace, rng: np.random.Generator, *, length_px: float
) -> Points:
    """Return the body's outline in sheet px, along the midrib, at the tip, along the edge or by the stalk."""
    rib = map_points(host.to_sheet, sprite.midrib_xy)
    along = rib[-1] - rib[0]
    turn = float(np.arctan2(along[1], along[0]) + rng.normal(0, 0.12))
    if pose == "on-midrib":
        centre = rib[0] + along * rng.uniform(0.35, 0.7) + rng.normal(0, 0.04, 2) * np.hypot(*along)
    elif pose == "leaf-tip":
        centre = rib[-1] - along / np.hypot(*along) * length_px * rng.uniform(0.2, 0.55)
    elif pose == "on-twig":
        centre = rib[0] - along * rng.uniform(0.1, 0.3)
        turn += float(rng.normal(0, 0.8))
    else:
        centre, turn = _find_edge(pose, sprite, host, rng, length_px=length_px)
    if rng.random() < HEAD_TO_BASE:
        turn += np.pi
    extent = float(np.ptp(body.outline[:, 0]))
    shorten = float(np.clip(1 - abs(rng.normal(0, 0.13)), 0.55, 1.0))
    local = body.outline * (length_px / extent) * np.asarray([shorten, 1.0])
    rotation = np.asarray([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return as_float(local @ rotation.T + centre)


HEAD_TO_BASE = 0.35


def _find_edge(
    pose: str, sprite: LeafSprite, host: LeafPlace, rng: np.random.Generator, *, length_px: float
) -> tuple[NDArray[np.float64], float]:
    """Where and how a body lies along the edge: beside a bite, or half beyond the edge as in profile."""
    edge = map_points(host.to_sheet, sprite.edge_xy)
    rib = map_points(host.to_sheet, sprite.midrib_xy)
    pick = int(rng.integers(len(edge)))
    if pose == "edge-feeding" and sprite.marks:
        bitten = map_points(host.to_sheet, sprite.marks[int(rng.integers(len(sprite.marks)))].outline_xy)
        nearest = bitten[int(rng.integers(len(bitten)))]
        pick = int(np.argmin(((edge - nearest) ** 2).sum(axis=1)))
    span = max(2, int(length_px / BLADE_PX * len(edge) / 3))
    ahead = edge[(pick + span) % len(edge)] - edge[(pick - span) % len(edge)]
    inward = rib[len(rib) // 2] - edge[pick]
    inward = inward / max(1e-6, float(np.hypot(*inward)))
    depth = rng.uniform(-0.02, 0.16) if pose == "edge-feeding" else rng.uniform(-0.1, 0.02)
    centre = edge[pick] + inward * depth * length_px
    return np.asarray(centre, np.float64), float(np.arctan2(ahead[1], ahead[0]) + rng.normal(0, 0.2))


def _draw_perch(sheet: Sheet, outline: Points, rng: np.random.Generator, *, scale: float) -> None:
    """Draw the twig that a larva walks on, along its body and beyond."""
    middle = outline.mean(axis=0)
    _, _, axes = np.linalg.svd(outline - middle, full_matrices=False)
    reach = float(np.ptp((outline - middle) @ axes[0])) * rng.uniform(0.9, 2.5)
    thick = max(0.6, float(rng.uniform(1.0, 3.5)) * scale) / 2
    side = axes[1] * thick
    sag = axes[1] * rng.normal(0, 0.08) * reach
    shift = axes[1] * rng.normal(0, 0.6) * thick
    spine = np.stack([middle - axes[0] * reach + sag, middle + shift, middle + axes[0] * reach + sag])
    ring = np.concatenate([spine + side, (spine - side * 0.7)[::-1]]).astype(np.float32)
    mask, corner = fill_softly(ring)
    sheet.put_body(mask, corner, light=np.full(3, 0.01, np.float32), shine=BARK)


def _hide_part(
    sheet: Sheet,
    bank: LeafBank,
    rng: np.random.Generator,
    *,
    outline: Points,
    mask: FloatImage,
    corner: tuple[int, int],
    scale: float,
) -> float:
    """Lay one more leaf over a part of the body; return the share of the body that stays open."""
    pick = outline[int(rng.integers(len(outline)))]
    index = choose_leaf(bank, rng, chewed=False)
    angle = float(rng.uniform(0, 2 * np.pi))
    cover = place_leaf(bank, rng, index=index, joint=(0.0, 0.0), angle=angle, scale=scale)
    sprite = bank.leaves[index]
    edge = map_points(cover.to_sheet, sprite.edge_xy)
    matrix = cover.to_sheet.copy()
    matrix[:, 2] += pick - edge[int(rng.integers(len(edge)))]
    sheet.put_sprite(sprite, matrix)
    local = matrix.copy()
    local[:, 2] -= (corner[1], corner[0])
    found = warp_sprite(sprite, local, (mask.shape[0], mask.shape[1]))
    if found is None:
        return 1.0
    window, piece = found
    hidden = float((mask[window] * (1 - piece[..., 3])).sum())
    return float(np.clip(1 - hidden / max(1e-6, float(mask.sum())), 0, 1))

"""Sheets of leaves and twigs: what passes through them, painted leaf by leaf, or cut from a larger sheet painted before.

A sheet is seen from below. `through` is float32 (rows, columns, 4): the factor left of red, green and blue light, and last
the share of the view left clear. `shine` is float32 (rows, columns, 3): reflectance of opaque things for the light from below,
times the share they cover. Places are (x, y) in px of the sheet. Shadows between sheets stand in `scene`.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_float, as_pixels
from models.canopy.feeding import BLADE_PX
from models.canopy.leaves import LeafBank, LeafSprite, PlantSettings, choose_leaf
from models.canopy.light import draw_soft_noise

Window = tuple[slice, slice]
Matrix = NDArray[np.float64]
Points = NDArray[np.float32]

BARK = np.asarray([0.2, 0.16, 0.12], np.float32)
"""Reflectance of young bark for the light from below; common practice, no source."""

BARK_LIGHT = 0.012
"""Share of light that passes a twig: what the eye sees of it is its shine."""

MOST_TWIGS = 6000
"""Stops a sheet whose crown is nowhere dense."""

BUD_CHANCE = 0.12
"""Chance that a place on a twig bears a bud and no leaf."""


@dataclass(frozen=True, slots=True, eq=False)
class LeafPlace:
    """One leaf in a sheet: which sprite, and the 2 x 3 map from sprite px (x, y) to sheet px (x, y)."""

    sprite: int
    to_sheet: Matrix
    length_px: float


class Sheet:
    """A sheet being painted; it changes while things are laid on it, the newest nearest to the eye."""

    def __init__(self, through: FloatImage, shine: FloatImage) -> None:
        self.through = through
        self.shine = shine

    def put_sprite(self, sprite: LeafSprite, to_sheet: Matrix, *, hides_shine: bool = True) -> None:
        """Multiply one leaf in; what shone before it is hidden where it lies."""
        found = warp_sprite(sprite, to_sheet, (self.through.shape[0], self.through.shape[1]))
        if found is None:
            return
        window, piece = found
        self.through[window] *= piece
        if hides_shine:
            self.shine[window] *= piece[..., 3:4]

    def put_in_front(self, sprite: LeafSprite, to_sheet: Matrix) -> None:
        """Lay one leaf over the sheet that the light reaches past the others: it hides them, and they do not shade it."""
        found = warp_sprite(sprite, to_sheet, (self.through.shape[0], self.through.shape[1]))
        if found is None:
            return
        window, piece = found
        clear = piece[..., 3:4]
        self.through[window] = self.through[window] * clear + (piece - clear)
        self.shine[window] *= clear

    def clear_behind(self, sprite: LeafSprite, to_sheet: Matrix) -> None:
        """Take away what lies where a leaf will be put, so that the light reaches it past the others."""
        found = warp_sprite(sprite, to_sheet, (self.through.shape[0], self.through.shape[1]))
        if found is None:
            return
        window, piece = found
        # The rim, half covered, keeps what is there: taken away, it would leave a pale line round the leaf.
        kept = np.asarray(piece[..., 3:4] > WHOLLY_COVERED, np.float32)
        self.through[window] = 1 - (1 - self.through[window]) * kept
        self.shine[window] *= kept

    def put_body(
        self, mask: FloatImage, corner: tuple[int, int], *, light: FloatImage, shine: FloatImage
    ) -> None:
        """Lay a thing over the sheet: mask (h, w) 0 to 1 at `corner` (row, column); it passes `light` (3,) and shines."""
        cut = cut_window(mask.shape, corner, self.through.shape)
        if cut is None:
            return
        window, inner = cut
        part = mask[inner][..., None]
        self.through[window] *= 1 - part * (1 - np.append(light, np.float32(0)))
        self.shine[window] += part * (shine - self.shine[window])

    def put_shade(self, mask: FloatImage, corner: tuple[int, int], *, light: FloatImage) -> None:
        """Darken what lies there as something above it would, covering nothing: mask (h, w) 0 to 1, `light` (3,)."""
        cut = cut_window(mask.shape, corner, self.through.shape)
        if cut is None:
            return
        window, inner = cut
        clear = self.through[window][..., 3:4]
        factor = 1 - mask[inner][..., None] * (1 - light)
        passed = clear + (self.through[window][..., :3] - clear) * factor
        self.through[window][..., :3] = np.minimum(passed, 1)


@dataclass(frozen=True, slots=True, eq=False)
class PaintedSheet:
    """A sheet, its twigs and branches as a mask uint8 (rows, columns), and its leaves."""

    sheet: Sheet
    bark: NDArray[np.uint8]
    leaves: tuple[LeafPlace, ...]


WHOLLY_COVERED = 0.02
"""A px counts as wholly covered by a leaf where the leaf leaves less of it clear."""


def open_sheet(size: tuple[int, int]) -> Sheet:
    """Return an empty sheet of (rows, columns)."""
    return Sheet(np.ones((*size, 4), np.float32), np.zeros((*size, 3), np.float32))


def cut_window(
    size: tuple[int, ...], corner: tuple[int, int], whole: tuple[int, ...]
) -> tuple[Window, Window] | None:
    """Return where a picture of `size` at `corner` falls in a whole one, and which part of it; None where it misses."""
    r0, c0 = max(0, corner[0]), max(0, corner[1])
    r1, c1 = min(whole[0], corner[0] + size[0]), min(whole[1], corner[1] + size[1])
    if r0 >= r1 or c0 >= c1:
        return None
    inner = (slice(r0 - corner[0], r1 - corner[0]), slice(c0 - corner[1], c1 - corner[1]))
    return (slice(r0, r1), slice(c0, c1)), inner


def warp_sprite(
    sprite: LeafSprite, to_sheet: Matrix, size: tuple[int, int]
) -> tuple[Window, FloatImage] | None:
    """Return where in a (rows, columns) sheet a sprite falls and its factors there; None where it misses the sheet."""
    height, width = sprite.levels[0].shape[:2]
    (a, b, tx), (c, d, ty) = to_sheet.tolist()
    left, right = (
        tx + min(0.0, a * width) + min(0.0, b * height),
        tx + max(0.0, a * width) + max(0.0, b * height),
    )
    top, bottom = (
        ty + min(0.0, c * width) + min(0.0, d * height),
        ty + max(0.0, c * width) + max(0.0, d * height),
    )
    c0, r0 = max(0, int(left) - 1), max(0, int(top) - 1)
    c1, r1 = min(size[1], int(right) + 2), min(size[0], int(bottom) + 2)
    if r0 >= r1 or c0 >= c1:
        return None
    scale = max(1e-6, (a * a + c * c) ** 0.5)
    level = min(len(sprite.levels) - 1, max(0, int(-np.log2(scale) + 0.3)))
    step = 2.0**level
    half = 0.5 * step - 0.5
    matrix = np.asarray(
        [[a * step, b * step, tx + (a + b) * half - c0], [c * step, d * step, ty + (c + d) * half - r0]]
    )
    piece = cv2.warpAffine(
        sprite.levels[level],
        matrix,
        (c1 - c0, r1 - r0),
        flags=cv2.INTER_LINEAR,
        borderValue=(1.0, 1.0, 1.0, 1.0),
    )
    return (slice(r0, r1), slice(c0, c1)), np.asarray(piece, np.float32)


def map_points(matrix: Matrix, points_xy: Points) -> Points:
    """Map (N, 2) points (x, y) by a 2 x 3 matrix."""
    return np.asarray(points_xy @ matrix[:, :2].T + matrix[:, 2], np.float32)


def fill_softly(
    outline_xy: Points, *, pad_px: int = 2, supersampling: int = 4
) -> tuple[FloatImage, tuple[int, int]]:
    """Rasterise a closed outline: mask float32 (h, w) 0 to 1 with smooth edges, and its corner (row, column)."""
    low = np.floor(outline_xy.min(axis=0)).astype(int) - pad_px
    high = np.ceil(outline_xy.max(axis=0)).astype(int) + pad_px + 1
    width, height = (int(v) for v in high - low)
    big = np.zeros((height * supersampling, width * supersampling), np.uint8)
    points = ((outline_xy - low + 0.5) * supersampling - 0.5) * 16
    cv2.fillPoly(big, [np.round(points).astype(np.int32)], 255, shift=4)
    mask = as_float(cv2.resize(big, (width, height), interpolation=cv2.INTER_AREA)) / np.float32(255)
    return as_float(mask), (int(low[1]), int(low[0]))


def paint_sheet(
    plant: PlantSettings,
    bank: LeafBank,
    rng: np.random.Generator,
    *,
    size: tuple[int, int],
    scale: float,
    cover: float,
) -> PaintedSheet:
    """Paint twigs with their leaves where the crown is dense, until `cover` of the sheet is covered.

    `scale` is px per mm at the depth of the sheet.
    """
    sheet = open_sheet(size)
    density = draw_soft_noise(
        rng, (size[0] // 16 + 1, size[1] // 16 + 1), cell_px=max(2.0, CLUMP_MM * scale / 16)
    )
    wanted = cover * size[0] * size[1]
    bark = np.zeros(size, np.uint8)
    leaves: list[LeafPlace] = []
    covered, edge = 0.0, 40.0 * scale
    for _ in range(MOST_TWIGS):
        if covered >= wanted:
            break
        start = rng.uniform((-edge, -edge), (size[1] + edge, size[0] + edge))
        row, column = (
            int(np.clip(v // 16, 0, n - 1)) for v, n in zip(start[::-1], density.shape, strict=True)
        )
        if density[row, column] < rng.normal(*CLUMP_EDGE):
            continue
        twig = _trace_twig(plant, rng, start=start, scale=scale)
        new = _hang_leaves(plant, bank, rng, twig=twig, scale=scale, bark=bark)
        for leaf in new:
            sheet.put_sprite(bank.leaves[leaf.sprite], leaf.to_sheet, hides_shine=False)
        _draw_twig(bark, twig, thick_px=TWIG_MM * scale, thin_px=TWIG_MM * 0.35 * scale)
        leaves.extend(new)
        covered += len(new) * BLADE_FILL * (float(np.mean([leaf.length_px for leaf in new])) ** 2)
    _draw_branch(bark, plant, rng, scale=scale)
    put_bark(sheet, bark, rng)
    return PaintedSheet(sheet, bark, tuple(leaves))


CLUMP_MM = 220.0
CLUMP_EDGE = (0.25, 0.2)
"""Leaves hang in clumps of about this size; mean and deviation of the density, in deviations, at which they begin."""

TWIG_MM = 1.5
BLADE_FILL = 0.4
"""Mean area of a blade over its length squared, tilt counted in."""


def put_bark(sheet: Sheet, bark: NDArray[np.uint8], rng: np.random.Generator) -> None:
    """Lay twigs and branches, a mask 0 to 255, over a sheet."""
    mask = as_float(bark / np.float32(255))
    dim = 1 - (1 - BARK_LIGHT) * mask
    factors = np.asarray(cv2.merge([dim, dim, dim, 1 - mask]), np.float32)
    sheet.through = np.asarray(cv2.multiply(sheet.through, factors), np.float32)
    sheet.shine = shine_bark(mask, rng)


def shine_bark(mask: FloatImage, rng: np.random.Generator) -> FloatImage:
    """Return the shine (rows, columns, 3) of twigs, a mask 0 to 1, on a sheet with nothing else that shines."""
    colour = BARK * np.float32(rng.uniform(0.5, 1.8))
    return as_float(cv2.merge([mask * colour[band] for band in range(3)]))


def _trace_twig(
    plant: PlantSettings, rng: np.random.Generator, *, start: NDArray[np.float64], scale: float
) -> NDArray[np.float64]:
    """Return a crooked twig (N, 2) of (x, y) px, from its thick end."""
    length = float(rng.uniform(*plant.twig_mm)) * scale
    count = 14
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.16, count))
    step = length / count
    points = start + np.cumsum(np.stack([np.cos(heading), np.sin(heading)], axis=1) * step, axis=0)
    return np.asarray(points, np.float64)


def _hang_leaves(
    plant: PlantSettings,
    bank: LeafBank,
    rng: np.random.Generator,
    *,
    twig: NDArray[np.float64],
    scale: float,
    bark: NDArray[np.uint8],
) -> list[LeafPlace]:
    """Hang leaves alternately along a twig, turned and tilted; some places bear a bud instead, drawn into `bark`."""
    length = float(np.hypot(*np.diff(twig, axis=0).T).sum())
    count = max(3, int(length / (float(rng.uniform(*plant.spacing_mm)) * scale)))
    at = np.arange(len(twig)) / (len(twig) - 1)
    spots = np.linspace(0.12, 1.0, count)
    xs, ys = np.interp(spots, at, twig[:, 0]), np.interp(spots, at, twig[:, 1])
    heading = np.arctan2(np.gradient(ys), np.gradient(xs))
    angles = heading + np.where(np.arange(count) % 2, 1, -1) * rng.normal(0.9, 0.3, count)
    angles[-1] = heading[-1] + rng.normal(0, 0.2)
    is_chewed = rng.random() < bank.chewed_share
    places = []
    for x, y, angle in zip(xs.tolist(), ys.tolist(), angles.tolist(), strict=True):
        if rng.random() < BUD_CHANCE:
            _draw_bud(bark, rng, joint=(x, y), angle=angle, scale=scale)
            continue
        index = choose_leaf(bank, rng, chewed=is_chewed and rng.random() < CHEWED_ON_TWIG)
        places.append(place_leaf(bank, rng, index=index, joint=(x, y), angle=angle, scale=scale))
    return places or [place_leaf(bank, rng, index=0, joint=(xs[0], ys[0]), angle=angles[0], scale=scale)]


CHEWED_ON_TWIG = 0.4
"""On a twig where something feeds, this share of the leaves shows it."""


def place_leaf(
    bank: LeafBank,
    rng: np.random.Generator,
    *,
    index: int,
    joint: tuple[float, float],
    angle: float,
    scale: float,
    flatness: float = 0.0,
) -> LeafPlace:
    """Place a leaf by the foot of its stalk, pointing along `angle` (radians), tilted out of the picture plane."""
    sprite = bank.leaves[index]
    size = sprite.length_mm * scale * float(rng.uniform(0.7, 1.05))
    squash = float(np.cos(min(abs(rng.normal(0, 0.6)) * (1 - flatness), 1.3)))
    axis = rng.uniform(0, np.pi)
    cosine, sine = np.cos(axis), np.sin(axis)
    cross = (1 - squash) * cosine * sine
    flatten = np.asarray([[cosine**2 + squash * sine**2, cross], [cross, sine**2 + squash * cosine**2]])
    flip = -1.0 if rng.random() < 0.5 else 1.0
    turn = np.asarray([[np.cos(angle), -np.sin(angle) * flip], [np.sin(angle), np.cos(angle) * flip]])
    linear = flatten @ turn * (size / BLADE_PX)
    shift = np.asarray(joint) - linear @ np.asarray(sprite.base_xy)
    along = float(np.hypot(linear[0, 0], linear[1, 0])) * BLADE_PX
    return LeafPlace(index, np.column_stack([linear, shift]), along)


def _draw_twig(
    bark: NDArray[np.uint8], twig: NDArray[np.float64], *, thick_px: float, thin_px: float
) -> None:
    """Draw a tapered twig into a mask; thinner than a px it gets fainter instead."""
    steps = np.gradient(twig, axis=0)
    normal = np.stack([-steps[:, 1], steps[:, 0]], axis=1) / np.hypot(steps[:, 0], steps[:, 1])[:, None]
    half = np.maximum(0.5, np.linspace(thick_px, thin_px, len(twig))) * 0.5
    strength = int(255 * min(1.0, (thick_px + thin_px) / 2 / THINNEST_PX))
    outline = np.concatenate([twig + normal * half[:, None], (twig - normal * half[:, None])[::-1]])
    cv2.fillPoly(bark, [as_pixels(outline)], strength, cv2.LINE_AA, shift=4)


THINNEST_PX = 1.2
"""What the drawing makes of a strip that is thinner."""


def _draw_branch(
    bark: NDArray[np.uint8], plant: PlantSettings, rng: np.random.Generator, *, scale: float
) -> None:
    """Now and then draw a branch across the sheet, with side branches."""
    if rng.random() >= plant.branch_chance:
        return
    rows, columns = bark.shape
    heading = rng.uniform(0, 2 * np.pi)
    middle = rng.uniform((0, 0), (columns, rows))
    reach = 0.75 * float(np.hypot(rows, columns))
    along = np.linspace(-reach, reach, 40)
    wander = np.cumsum(rng.normal(0, 0.012 * reach, 40))
    points = middle + np.stack(
        [
            along * np.cos(heading) - wander * np.sin(heading),
            along * np.sin(heading) + wander * np.cos(heading),
        ],
        axis=1,
    )
    thick = float(rng.uniform(*plant.branch_mm)) * scale
    _draw_twig(bark, points, thick_px=thick, thin_px=thick * 0.5)
    for joint in points[rng.integers(4, 36, 6)]:
        turn = heading + rng.choice([-1, 1]) * rng.uniform(0.5, 1.0) + np.cumsum(rng.normal(0, 0.08, 16))
        step = rng.uniform(0.2, 0.5) * reach / 16
        side = joint + np.cumsum(np.stack([np.cos(turn), np.sin(turn)], axis=1) * step, axis=0)
        _draw_twig(bark, side, thick_px=thick * 0.45, thin_px=thick * 0.12)


def _draw_bud(
    bark: NDArray[np.uint8],
    rng: np.random.Generator,
    *,
    joint: tuple[float, float],
    angle: float,
    scale: float,
) -> None:
    """Draw a bud: a pointed drop that stands off the twig."""
    length = float(rng.uniform(4.0, 10.0)) * scale
    along = np.asarray([np.cos(angle), np.sin(angle)])
    across = np.asarray([-along[1], along[0]])
    s = np.linspace(0, 1, 9)
    half = 0.2 * length * np.sin(np.pi * s**0.7)
    spine = np.asarray(joint) + along * (s * length)[:, None]
    outline = np.concatenate([spine + across * half[:, None], (spine - across * half[:, None])[::-1]])
    cv2.fillPoly(bark, [as_pixels(outline)], 255, cv2.LINE_AA, shift=4)

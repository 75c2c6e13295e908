"""How well chewed leaves are found in whole frames, how often something else is called so, and how long it takes.

Run as `python -m tests.bench.feeding [--crowns N]`. Three kinds of frames: masks of scattered
leaves drawn here, a tenth of them chewed; crowns of the preset `held-out` with their truth; and the photographs of crowns in
`../shared/photos/canopy-photos`, where they are at hand. The seeds of the first two were not used for the weights; the bias was
set on the photographs, so that they show how often something is called feeding wrongly at best. A region is right when a marked
piece covers `LEAST_COVERED` of its outline; marks that show another leaf instead of sky cannot be found and are not counted.
"""

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from detect.feeding import find_feeding, score_feeding
from detect.light import HALF_STEP_PX, read_light
from detect.regions import Region
from models.canopy.clip import draw_clip
from models.canopy.presets import find_preset

PHOTOS = Path(__file__).parents[2].parent / "shared" / "photos" / "canopy-photos"
LEAST_COVERED = 0.4
FLOORS = (0.1, 0.3, 0.5, 0.7)
ROWS, COLUMNS = 540, 960
FINER = 2


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """Masks of one frame, uint8 (h, w), and the outlines of what was chewed, (row, column) in full-resolution px."""

    sky: np.ndarray
    leaf: np.ndarray
    marks: tuple[np.ndarray, ...]


def draw_scattered(rng: np.random.Generator) -> Look:
    """Draw elliptic, toothed and lobed leaves of one size class over one another, twigs among them; a tenth is chewed."""
    size = (ROWS * FINER, COLUMNS * FINER)
    tissue = np.zeros(size, np.uint8)
    length_px = FINER * float(np.exp(rng.uniform(np.log(28), np.log(150))))
    count = int(min(1500, max(5, rng.uniform(0.08, 1.6) * size[0] * size[1] / (0.25 * length_px**2))))
    marks: list[np.ndarray] = []
    for _ in range(count):
        place = rng.uniform(0, 1, 2) * (size[1], size[0])
        outline = _shape_leaf(rng) * length_px * rng.uniform(0.6, 1.2) + place
        corner = np.floor(outline.min(axis=0)).astype(int) - 2
        blade = np.zeros(tuple(np.ceil(np.ptp(outline, axis=0)).astype(int)[::-1] + 5), np.uint8)
        cv2.fillPoly(blade, [np.round(outline - corner).astype(np.int32)], 1)
        if rng.random() < 0.1:
            marks += [piece + corner for piece in _chew(blade, outline - corner, rng)]
        _lay(tissue, blade, corner)
    leaf = tissue.copy()
    for _ in range(int(rng.integers(2, 25))):
        ends = np.round(rng.uniform(0, 1, (2, 2)) * (size[1], size[0])).astype(np.int32)
        cv2.line(tissue, ends[0].tolist(), ends[1].tolist(), 1, int(rng.integers(2, 10)))
    seen = cv2.GaussianBlur(tissue.astype(np.float32), (0, 0), float(rng.uniform(0.6, 2.5)))
    seen = cv2.resize(seen, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA) + rng.normal(
        0, 0.03, (ROWS, COLUMNS)
    )
    lit = cv2.resize(leaf.astype(np.float32), (COLUMNS, ROWS), interpolation=cv2.INTER_AREA)
    sky = np.where(seen < rng.uniform(0.3, 0.6), 255, 0).astype(np.uint8)
    green = np.where((lit > 0.6) & (sky == 0), 255, 0).astype(np.uint8)
    return Look(sky, green, _keep_open(marks, sky))


def _shape_leaf(rng: np.random.Generator) -> np.ndarray:
    """Outline (400, 2), (x, y), of a leaf of length 1 about the origin, at any angle and tilt."""
    t = np.linspace(-np.pi, np.pi, 400, endpoint=False)
    along = (1 + np.cos(t)) / 2
    width = rng.uniform(0.2, 0.48) * np.sin(np.pi * along ** rng.uniform(0.7, 1.3)) ** rng.uniform(0.6, 1.1)
    kind = rng.integers(4)
    if kind == 0:
        width *= 1 + rng.uniform(0.03, 0.1) * np.abs((t * rng.integers(10, 26) / (2 * np.pi)) % 1 * 2 - 1)
    elif kind == 1:
        width *= 1 + rng.uniform(0.08, 0.25) * np.cos(
            2 * np.pi * along * rng.integers(3, 6) + rng.uniform(0, 6)
        )
    turn = rng.uniform(0, 2 * np.pi)
    basis = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return np.stack([along - 0.5, np.sign(t) * width * rng.uniform(0.55, 1)], axis=1) @ basis.T


def _chew(blade: np.ndarray, outline: np.ndarray, rng: np.random.Generator) -> list[np.ndarray]:
    """Cut one to four bites or holes out of a blade, in place; return the outlines (N, 2), (x, y), of what is gone."""
    whole, middle = blade.copy(), outline.mean(axis=0)
    length_px = float(np.ptp(outline, axis=0).max())
    for _ in range(int(rng.integers(1, 5))):
        radius = length_px * float(np.exp(rng.uniform(np.log(0.04), np.log(0.14))))
        edge = outline[rng.integers(len(outline))]
        inwards = rng.uniform(-0.1, 0.25) if rng.random() < 0.65 else rng.uniform(0.3, 0.8)
        place = edge + (middle - edge) * inwards
        for _ in range(int(rng.integers(1, 4))):
            cv2.circle(
                blade,
                np.round(place).astype(int).tolist(),
                int(max(2, radius * rng.uniform(0.7, 1.2))),
                0,
                -1,
            )
            place = place + rng.normal(0, radius * 0.6, 2)
    contours, _ = cv2.findContours(whole & (1 - blade), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return [contour[:, 0, :] for contour in contours if cv2.contourArea(contour) > 20]


def _lay(tissue: np.ndarray, blade: np.ndarray, corner: np.ndarray) -> None:
    first = np.maximum(corner, 0)
    end = np.minimum(corner + blade.shape[::-1], tissue.shape[::-1])
    if (end > first).all():
        part = (
            slice(first[1] - corner[1], end[1] - corner[1]),
            slice(first[0] - corner[0], end[0] - corner[0]),
        )
        tissue[first[1] : end[1], first[0] : end[0]] |= blade[part]


def _keep_open(marks: list[np.ndarray], sky: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return as (row, column) in px those marks through which mostly sky is seen."""
    kept = []
    for mark in marks:
        inside = _fill(mark[:, ::-1], sky.shape)
        if inside.any() and (sky[inside] > 0).mean() > 0.5:
            kept.append(mark[:, ::-1].astype(np.float32))
    return tuple(kept)


def _fill(outline: np.ndarray, size: tuple[int, ...]) -> np.ndarray:
    """Elements inside an outline given in px, bool (h, w)."""
    mask = np.zeros(size, np.uint8)
    points = np.round((outline[:, ::-1] - 0.5) / HALF_STEP_PX).astype(np.int32)
    cv2.fillPoly(mask, [points], 1)
    return mask > 0


def draw_crowns(count: int) -> Iterator[Look]:
    """Draw frames of crowns never used for fitting."""
    settings = replace(find_preset("held-out"), duration_s=0.1)
    for seed in range(count):
        rgb, truth = next(draw_clip(settings, np.random.default_rng(70_000 + seed)))
        lit = read_light(rgb)
        marks = [mark.outline[:, ::-1] for mark in truth.feeding]
        yield Look(lit.sky, lit.leaf, _keep_open(marks, lit.sky))


def read_photos() -> Iterator[Look]:
    """Read the photographs of crowns, in which nothing is marked."""
    for path in sorted(PHOTOS.glob("*.jpg")):
        lit = read_light(cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB).astype(np.uint8))
        yield Look(lit.sky, lit.leaf, ())


def judge(regions: list[Region], look: Look) -> list[bool]:
    """Say of each region whether a marked piece covers enough of it."""
    marked = np.zeros(look.sky.shape, bool)
    for mark in look.marks:
        marked |= _fill(mark, look.sky.shape)
    return [float(marked[_fill(region.outline, look.sky.shape)].mean()) > LEAST_COVERED for region in regions]


def measure(name: str, looks: Iterator[Look]) -> None:
    """Print for one kind of frames how many regions of which score were right, and the time a frame took."""
    scores: list[float] = []
    right: list[bool] = []
    times_ms: list[float] = []
    marks = 0
    for look in looks:
        start = time.perf_counter()
        regions = find_feeding(look.sky, look.leaf, scale=HALF_STEP_PX)
        times_ms.append(1000 * (time.perf_counter() - start))
        scores += [score_feeding(region) for region in regions]
        right += judge(regions, look)
        marks += len(look.marks)
    if not times_ms:
        print(f"{name}: no frames at hand")
        return
    score, is_right, frames = np.array(scores), np.array(right, bool), len(times_ms)
    print(
        f"{name}: frames={frames} open_marks={marks} ms_median={np.median(times_ms):.1f} ms_max={max(times_ms):.1f}"
    )
    for floor in FLOORS:
        over = score >= floor
        wrong = np.count_nonzero(over & ~is_right)
        print(
            f"  score>={floor}: right={np.count_nonzero(over & is_right)} wrong={wrong} wrong_per_frame={wrong / frames:.2f}"
        )


def main() -> None:
    """Print the figures for all three kinds of frames."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--crowns", type=int, default=12, help="crowns to draw, about 5 s each")
    count = parser.parse_args().crowns
    cv2.setNumThreads(1)
    rng = np.random.default_rng(12)
    measure("scattered leaves", (draw_scattered(rng) for _ in range(40)))
    measure("crowns", draw_crowns(count))
    measure("photographs", read_photos())


if __name__ == "__main__":
    main()

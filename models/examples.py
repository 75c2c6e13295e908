"""Pictures to learn from: drawn ones with their truth, real ones without a larva or with drawn ones laid in, labelled ones.

A folder of examples holds pictures (JPEG or PNG), each with NAME.truth.json beside it (`models.canopy.truth`); a folder of empty
pictures needs no truth; a labelled picture comes with what people said of it. Pixels are (row, column). This file trains nothing.
"""

import hashlib
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.clip import CanopySettings, find_box, measure_length
from models.canopy.larvae import POSES
from models.canopy.picture import CompressionSettings, DrawnPicture, draw_burst, grow_stock
from models.canopy.presets import find_preset
from models.canopy.truth import (
    Box,
    FeedingMark,
    FrameTruth,
    LarvaMark,
    Outline,
    Truth,
    find_truth_path,
    read_truth,
    write_truth,
)
from models.canopy.varied import vary_canopy
from models.canopy.write import write_clip
from models.errors import ModelsError
from models.labels import LabelledImage, LabelMark
from models.laying import (
    LEAF_TINT,
    OPAQUE,
    LayingSettings,
    choose_lit,
    choose_look,
    put_shape,
    shade,
    shape_larva,
    shape_other,
)
from models.whole_files import write_whole
from models.worker_processes import settle_worker

PICTURE_ENDINGS = (".jpg", ".jpeg", ".png")
JPEG_QUALITY = 95
"""The drawn camera has compressed its pictures already; keeping them adds little to that."""


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """What people looked at in a picture of which they did not look at everything; of the rest nobody said anything.

    Attributes
    ----------
    larvae : outlines (N, 2) of what was said to be a larva or none; those that are larvae stand in the truth too
    feeding : outlines of what was said to be chewed or not
    """

    larvae: tuple[Outline, ...]
    feeding: tuple[Outline, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Example:
    """One picture, uint8 RGB (H, W, 3), and what stands in it; `name` tells where it came from.

    `judged` is None where all of it is known: then what is not in the truth is nothing.
    """

    name: str
    rgb: NDArray[np.uint8]
    truth: FrameTruth
    judged: Judged | None = None


NOTHING = FrameTruth(0, 0.0, (), ())


def draw_examples(folder: Path, settings: CanopySettings, *, seed: int, count: int) -> int:
    """Grow one stock of leaves, keep `count` pictures drawn from it with their truth in `folder`, and return how many.

    The same settings and seed give the same files. Names hold the seed, so that many stocks fill one folder.
    """
    for number, drawn in enumerate(draw_stock(settings, np.random.default_rng(seed), count=count)):
        path = folder / f"drawn-{seed:06d}-{number:03d}.jpg"
        save_picture(path, drawn.rgb, quality=JPEG_QUALITY)
        frame = FrameTruth(0, 0.0, drawn.larvae, drawn.feeding)
        write_truth(
            find_truth_path(path), Truth(path.name, settings.size_px, 0.0, "", drawn.larvae_known, (frame,))
        )
    return count


def draw_stock(settings: CanopySettings, rng: np.random.Generator, *, count: int) -> Iterator[DrawnPicture]:
    """Grow one stock of leaves and yield `count` pictures drawn from it, some of them the second frame of a moving clip."""
    stock = grow_stock(settings, rng)
    compression = CompressionSettings()
    for _ in range(count):
        frames = 2 if rng.random() < MOVING_SHARE else 1
        yield draw_burst(settings, rng, stock=stock, compression=compression, count=frames)[-1]


SIZE_PX = (768, 768)
"""A part of a frame, twice as far across as the squares that the seeker learns from."""

MOVING_SHARE = 0.3
"""Share of the pictures that are the second frame of a moving clip: blurred by the hand, and coded from the frame before."""


CLOSE_SHARE = 0.7
CLOSE_LENS_MM = (50.0, 120.0)
"""Most pictures are drawn through longer lenses: from farther off, most small larvae are too faint to be learned from."""


EVEN_POSES = (1 / len(POSES),) * len(POSES)


def choose_canopy(
    rng: np.random.Generator,
    *,
    larvae: tuple[int, int],
    even_share: float = 0.0,
    varied_share: float = 0.0,
) -> CanopySettings:
    """Return the settings of one stock to learn from: the training plants and cameras, any light, so many larvae.

    `even_share` is the chance that every pose is as likely as any other; those that look like stalks and twigs are rarer
    otherwise. `varied_share` is the chance of leaves, light and cameras from far wider ranges (`models.canopy.varied`).
    """
    settings = CanopySettings(size_px=SIZE_PX)
    settings = replace(settings, larvae=replace(settings.larvae, count=larvae))
    if even_share and rng.random() < even_share:
        settings = replace(settings, larvae=replace(settings.larvae, pose_shares=EVEN_POSES))
    if rng.random() < CLOSE_SHARE:
        settings = replace(settings, camera=replace(settings.camera, lens_mm=CLOSE_LENS_MM))
    if varied_share and rng.random() < varied_share:
        return vary_canopy(settings, rng)
    return settings


@dataclass(frozen=True, slots=True)
class DrawingJob:
    """What to draw: a stock of leaves for each seed, and so many pictures of it with so many larvae in each.

    `even_share` and `varied_share` are those of `choose_canopy`.
    """

    seeds: tuple[int, ...]
    pictures: int
    larvae: tuple[int, int]
    even_share: float = 0.0
    varied_share: float = 0.0


def draw_many(folder: Path, job: DrawingJob, *, workers: int, longest_s: float) -> int:
    """Draw a job with several processes; begin no stock after `longest_s`. Returns how many pictures there are."""
    latest = time.monotonic() + longest_s
    context = get_context("spawn")  # a forked process could inherit a lock that another thread holds
    with ProcessPoolExecutor(workers, mp_context=context, initializer=settle_worker) as pool:
        running = [pool.submit(_draw_stock, folder, seed, job, latest) for seed in job.seeds]
        return sum(done.result() for done in running)


def _draw_stock(folder: Path, seed: int, job: DrawingJob, latest: float) -> int:
    if time.monotonic() > latest:
        return 0
    settings = choose_canopy(
        np.random.default_rng((seed, 1)),
        larvae=job.larvae,
        even_share=job.even_share,
        varied_share=job.varied_share,
    )
    return draw_examples(folder, settings, seed=seed, count=job.pictures)


CLIP_PRESETS = ("walk-under", "walk-under", "far", "overcast", "sunny")
"""What clips to calibrate on are drawn like, one after the other: the plants, light and cameras of training."""

CLIP_RATE_HZ, CLIP_SECONDS = 2.0, 10.0
"""Such clips hold little more than the frames that a search looks at closely, and take a fifteenth of the time to draw."""


def draw_clips(
    folder: Path, seeds: Sequence[int], *, workers: int, longest_s: float, varied_share: float = 0.0
) -> int:
    """Draw one clip for each seed with its truth, with several processes; begin none after `longest_s`. Returns how many.

    `varied_share` is the chance that a clip shows leaves under light and through cameras of `models.canopy.varied`.
    """
    latest = time.monotonic() + longest_s
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=settle_worker) as pool:
        running = [pool.submit(_draw_clip, folder, seed, latest, varied_share) for seed in seeds]
        return sum(done.result() for done in running)


def _draw_clip(folder: Path, seed: int, latest: float, varied_share: float) -> int:
    if time.monotonic() > latest:
        return 0
    preset = find_preset(CLIP_PRESETS[seed % len(CLIP_PRESETS)])
    settings = replace(preset, frame_rate_hz=CLIP_RATE_HZ, duration_s=CLIP_SECONDS)
    choice = np.random.default_rng((seed, 1))
    if choice.random() < varied_share:
        settings = vary_canopy(settings, choice)
    write_clip(folder / f"clip-{seed:06d}.mp4", settings, rng=np.random.default_rng(seed))
    return 1


def save_picture(path: Path, rgb: NDArray[np.uint8], *, quality: int) -> None:
    """Write a uint8 RGB (H, W, 3) picture as JPEG: to a temporary name, then moved."""
    done, data = cv2.imencode(
        ".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    if not done:
        raise ModelsError(
            f"{path}: a picture of {rgb.shape} could not be encoded; expected (H, W, 3); draw it again"
        )
    write_whole(path, data.tobytes())


def list_pictures(folder: Path) -> list[Path]:
    """Return the pictures of a folder in order of name.

    Raises
    ------
    ModelsError
        Where there is no such folder or no picture in it.
    """
    found = sorted(p for p in folder.glob("*") if p.suffix.lower() in PICTURE_ENDINGS)
    if not found:
        raise ModelsError(
            f"{folder}: holds no pictures; expected files ending in {', '.join(PICTURE_ENDINGS)}, found none; "
            "check the path or draw some"
        )
    return found


def read_picture(path: Path) -> NDArray[np.uint8]:
    """Read a picture as uint8 RGB (H, W, 3)."""
    codes = np.fromfile(path, np.uint8)
    picture = cv2.imdecode(codes, cv2.IMREAD_COLOR) if len(codes) else None
    if picture is None:
        raise ModelsError(
            f"{path}: cannot be read as a picture; expected JPEG or PNG, found {len(codes)} bytes of something else; "
            "leave it out or replace it"
        )
    return cv2.cvtColor(picture, cv2.COLOR_BGR2RGB).astype(np.uint8, copy=False)


def read_example(path: Path) -> Example:
    """Read a picture with the truth that stands beside it."""
    truth = read_truth(find_truth_path(path))
    return Example(path.name, read_picture(path), truth.frames[0] if truth.frames else NOTHING)


LEAST_SIDE_PX = 320
MOST_SIDE_PX = 1600


def vary_empty(path: Path, rng: np.random.Generator) -> Example:
    """Read a picture in which no larva is and show it at another size: enlarged up to twice, or smaller."""
    rgb = read_picture(path)
    scale = float(np.exp(rng.uniform(np.log(0.5), np.log(2.0))))
    shorter, longer = min(rgb.shape[:2]), max(rgb.shape[:2])
    scale = min(max(scale, LEAST_SIDE_PX / shorter), MOST_SIDE_PX / longer)
    size = (round(rgb.shape[1] * scale), round(rgb.shape[0] * scale))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return Example(path.name, cv2.resize(rgb, size, interpolation=way).astype(np.uint8, copy=False), NOTHING)


def lay_larvae(example: Example, settings: LayingSettings, rng: np.random.Generator) -> Example:
    """Lay drawn larvae, and things that are none, on lit places of a real picture; return it with the larvae's truth.

    Both are laid in the same way, so that the laying itself tells nothing.
    """
    light = ((example.rgb.astype(np.float32) / 255) ** 2.2).astype(np.float32)
    larvae: list[LarvaMark] = []
    taken: list[Box] = []
    for number in range(int(rng.integers(settings.count[0], settings.count[1] + 1))):
        length_px = float(np.exp(rng.uniform(*np.log(settings.length_px))))
        place = choose_lit(example.rgb, settings, rng, length_px=length_px, taken=taken)
        if place is None:
            continue
        is_larva = bool(rng.random() < settings.larva_share)
        shape = shape_larva(rng) if is_larva else shape_other(rng)
        outline_xy = put_shape(shape, rng, place=place, length_px=length_px)
        box = find_box(outline_xy, light.shape[:2])
        if box is None:
            continue
        taken.append(box)
        tint = OPAQUE if is_larva or rng.random() < settings.opaque_share else LEAF_TINT
        look = choose_look(settings, rng, tint=tint)
        shade(light, outline_xy, look)
        if is_larva:
            outline = outline_xy[:, ::-1].copy()
            length_px = measure_length(outline_xy)
            larvae.append(LarvaMark(f"A{number + 1}", box, outline, length_px, 1.0, 1 / (1 + look.blur_px)))
    codes = np.clip(light, 0, 1) ** (1 / 2.2) * 255
    noise = rng.normal(0, 1.0, codes.shape).astype(np.float32)
    laid = np.clip(codes + noise, 0, 255).astype(np.uint8)
    return Example(example.name + "+larvae", laid, FrameTruth(0, 0.0, tuple(larvae), ()))


@dataclass(frozen=True, slots=True, eq=False)
class PictureLabel:
    """What people said of one picture: its label, and the outlines of what they dismissed in it.

    A dismissed mark's kind says what the thing is not. A label without any mark says that all of it was looked through.
    """

    image: LabelledImage
    dismissed: tuple[LabelMark, ...] = ()


@dataclass(frozen=True, slots=True)
class Source:
    """Where an example comes from: a picture that is "drawn" (truth beside it), "empty", to be "laid" upon, or "labelled".

    The seed decides the size an empty picture is shown at and what is laid in. A labelled one has its label.
    """

    path: Path
    kind: str
    seed: int
    label: PictureLabel | None = None


def read_source(source: Source) -> Example:
    """Read or make the example that a source stands for; the same source gives the same example."""
    if source.label is not None:
        return read_labelled(source.path, source.label)
    if source.kind == "drawn":
        return read_example(source.path)
    rng = np.random.default_rng(source.seed)
    example = vary_empty(source.path, rng)
    return lay_larvae(example, LayingSettings(), rng) if source.kind == "laid" else example


LEAST_LABELLED_PX = 384
"""Labelled pictures show little more than the thing. They are mirrored outwards to this side, as wide as the squares that the
seeker learns from, so that neither half sees the stripes of an edge that goes on; of what is mirrored nothing is taught."""


def read_labelled(path: Path, label: PictureLabel) -> Example:
    """Read a labelled picture, mirrored outwards to `LEAST_LABELLED_PX`, with what was said of it.

    Raises
    ------
    ModelsError
        Where the picture is missing, no longer the one that was labelled, or of another size than its label says.
    """
    rgb = _read_labelled(path, label.image)
    before = [max(0, LEAST_LABELLED_PX - side) // 2 for side in rgb.shape[:2]]
    after = [
        max(0, LEAST_LABELLED_PX - side - first) for side, first in zip(rgb.shape[:2], before, strict=True)
    ]
    wide = np.pad(rgb, ((before[0], after[0]), (before[1], after[1]), (0, 0)), mode="symmetric")
    shift = np.asarray(before, np.float32)
    larvae, feeding = [], []
    judged_larvae: list[Outline] = []
    judged_feeding: list[Outline] = []
    for number, mark in enumerate((*label.image.marks, *label.dismissed), start=1):
        outline = mark.outline + shift
        outline_xy = outline[:, ::-1].copy()
        box = find_box(outline_xy, wide.shape[:2])
        if box is None:
            continue
        is_larva = mark.kind == "larva"
        (judged_larvae if is_larva else judged_feeding).append(outline)
        if number > len(label.image.marks):
            continue
        if is_larva:
            larvae.append(LarvaMark(f"A{number}", box, outline, measure_length(outline_xy), 1.0, 1.0))
        else:
            feeding.append(FeedingMark(f"F{number}", "", box, outline, 0.0))
    is_looked_through = not label.image.marks and not label.dismissed
    judged = None if is_looked_through else Judged(tuple(judged_larvae), tuple(judged_feeding))
    return Example(label.image.picture, wide, FrameTruth(0, 0.0, tuple(larvae), tuple(feeding)), judged)


def _read_labelled(path: Path, image: LabelledImage) -> NDArray[np.uint8]:
    """Return the pixels of the very bytes that were labelled, as stored: a note in the file that turns them is not followed."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise ModelsError(
            f"{path}: expected the picture that was labelled, found: {error.strerror}; put it back from a copy of the logbook"
        ) from error
    found = hashlib.sha256(data).hexdigest()
    if found != image.picture:
        raise ModelsError(
            f"{path}: expected the picture that was labelled, with the sha256 {image.picture[:12]}..., found {found[:12]}...; "
            "it was changed since: put it back from a copy of the logbook"
        )
    way = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), way) if data else None
    if picture is None or picture.shape[:2] != image.size_px:
        size = "something else" if picture is None else f"{picture.shape[0]} x {picture.shape[1]} px"
        raise ModelsError(
            f"{path}: expected a picture of {image.size_px[0]} x {image.size_px[1]} px, found {size}; label it again"
        )
    return cv2.cvtColor(picture, cv2.COLOR_BGR2RGB).astype(np.uint8, copy=False)

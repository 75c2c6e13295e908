"""Drawn pictures and short bursts for training: quick, since leaves are cut from sheets painted beforehand.

A stock of painted sheets serves many pictures: each takes pieces of it, turned and mirrored, stacks them anew under new
light, and gets its own larvae, their leaves, confusers, camera and compression. Grow a new stock every two hundred pictures
or so. Nothing is kept between calls, settings and stocks can be pickled, and the same `rng` gives the same pictures.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from io import BytesIO

import cv2
import numpy as np
from numpy.typing import NDArray

from models.canopy.arrays import FloatImage, as_codes, as_float
from models.canopy.camera import choose_camera, draw_grain
from models.canopy.clip import (
    SPARE_PX,
    CanopySettings,
    Filming,
    choose_scale,
    choose_sways,
    film,
    list_larvae,
)
from models.canopy.leaves import LeafBank, grow_bank
from models.canopy.light import choose_light, draw_sky
from models.canopy.movement import find_reach
from models.canopy.scene import MARKED_LAYERS, HangSheets, LayerPlan, SceneSize, build_scene
from models.canopy.sheets import LeafPlace, Sheet, cut_window, fill_softly, paint_sheet, shine_bark
from models.canopy.truth import FeedingMark, LarvaMark, LarvaTruth

STOCK_WHOLE, STOCK_CHEWED, SHEETS_PER_DEPTH = 28, 12, 3
STOCK_SIDE = 1.9
"""Leaves and sheets in a stock, and the side of a sheet over that of a picture."""

STOCK_COVER = (0.08, 0.34)
"""Share of a stock's sheet that is covered; a picture stacks two for each depth."""

PICTURES_PER_STOCK = 200
"""By then leaves and clumps have been seen often enough; growing a stock costs about as much as drawing twenty pictures."""


@dataclass(frozen=True, slots=True)
class CompressionSettings:
    """What compression a picture has been through.

    Attributes
    ----------
    jpeg_chance, jpeg_quality : chance of JPEG (4:2:0), and its quality
    video_chance, video_quantiser : chance of H.264 (4:2:0), and its constant rate factor
    """

    jpeg_chance: float = 0.35
    jpeg_quality: tuple[int, int] = (55, 97)
    video_chance: float = 0.5
    video_quantiser: tuple[int, int] = (16, 31)


@dataclass(frozen=True, slots=True, eq=False)
class DrawnPicture:
    """One drawn picture with its truth.

    Attributes
    ----------
    rgb : uint8 (rows, columns, 3)
    larvae, feeding : marks as in a truth file
    larva_mask : uint8 (rows, columns), 255 on larvae, hidden parts included
    larvae_known : what each larva is
    """

    rgb: NDArray[np.uint8]
    larvae: tuple[LarvaMark, ...]
    feeding: tuple[FeedingMark, ...]
    larva_mask: NDArray[np.uint8]
    larvae_known: tuple[LarvaTruth, ...]


@dataclass(frozen=True, slots=True, eq=False)
class StockSheet:
    """A painted sheet: what passes through it, its twigs as a mask 0 to 1, and its chewed leaves."""

    through: FloatImage
    bark: FloatImage
    chewed: tuple[LeafPlace, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Stock:
    """Sheets of one plant, some for each depth, at `px_per_mm` for the nearest; its leaves; and noise for frames."""

    bank: LeafBank
    sheets: tuple[tuple[StockSheet, ...], ...]
    px_per_mm: float
    distance_m: float
    grain: FloatImage


def grow_stock(
    settings: CanopySettings, rng: np.random.Generator, *, real_holes: tuple[NDArray[np.uint8], ...] = ()
) -> Stock:
    """Grow leaves and paint sheets for many pictures of these settings."""
    scale, distance_m = choose_scale(settings, rng)
    bank = grow_bank(
        settings.plant,
        rng,
        whole=STOCK_WHOLE,
        chewed=STOCK_CHEWED,
        feeding=settings.feeding,
        real_holes=real_holes,
    )
    side = int(STOCK_SIDE * max(settings.size_px))
    sheets = tuple(
        tuple(
            _paint_for_stock(
                settings, bank, rng, scale=scale / depth, side=side, is_mirrored=index >= MARKED_LAYERS
            )
            for _ in range(SHEETS_PER_DEPTH)
        )
        for index, depth in enumerate(settings.plant.depths)
    )
    return Stock(bank, sheets, scale, distance_m, draw_grain(rng, settings.size_px))


def _paint_for_stock(
    settings: CanopySettings,
    bank: LeafBank,
    rng: np.random.Generator,
    *,
    scale: float,
    side: int,
    is_mirrored: bool,
) -> StockSheet:
    """Paint a sheet; where it is mirrored, a quarter of it is painted and the rest are its mirror images.

    Far sheets hold many small leaves, and nobody sees at their distance that they come four times.
    """
    cover = float(rng.uniform(*STOCK_COVER))
    painted_side = side // 2 if is_mirrored else side
    size = (painted_side, painted_side)
    painted = paint_sheet(settings.plant, bank, rng, size=size, scale=scale, cover=cover)
    through, bark = painted.sheet.through, as_float(painted.bark / np.float32(255))
    if is_mirrored:
        through, bark = _mirror(through), _mirror(bark)
    chewed = tuple(leaf for leaf in painted.leaves if bank.leaves[leaf.sprite].marks)
    return StockSheet(through, bark, chewed)


def _mirror(quarter: FloatImage) -> FloatImage:
    """Return a picture twice as large in both directions, the quarter at its top left."""
    half = np.concatenate([quarter, quarter[:, ::-1]], axis=1)
    return np.ascontiguousarray(np.concatenate([half, half[::-1]], axis=0))


def draw_pictures(
    settings: CanopySettings,
    rng: np.random.Generator,
    *,
    compression: CompressionSettings,
    real_holes: tuple[NDArray[np.uint8], ...] = (),
) -> Iterator[DrawnPicture]:
    """Yield pictures without end, each stock serving two hundred."""
    while True:
        stock = grow_stock(settings, rng, real_holes=real_holes)
        for _ in range(PICTURES_PER_STOCK):
            yield draw_picture(settings, rng, stock=stock, compression=compression)


def draw_picture(
    settings: CanopySettings, rng: np.random.Generator, *, stock: Stock, compression: CompressionSettings
) -> DrawnPicture:
    """Draw one picture from a stock grown with the same settings."""
    return draw_burst(settings, rng, stock=stock, compression=compression, count=1)[0]


def draw_burst(
    settings: CanopySettings,
    rng: np.random.Generator,
    *,
    stock: Stock,
    compression: CompressionSettings,
    count: int,
    frame_rate_hz: float = 30.0,
) -> list[DrawnPicture]:
    """Draw `count` consecutive frames of one small scene: shake, parallax and wind move it as in a clip."""
    brief = replace(settings, frame_rate_hz=frame_rate_hz, duration_s=count / frame_rate_hz)
    filming = _prepare_burst(brief, rng, stock, is_moving=count > 1)
    known = list_larvae(filming.scene)
    shots = list(film(filming, rng))
    frames = _compress([frame for frame, _ in shots], compression, rng)
    return [
        DrawnPicture(frame, truth.larvae, truth.feeding, mask_larvae(truth.larvae, settings.size_px), known)
        for frame, (_, truth) in zip(frames, shots, strict=True)
    ]


def mask_larvae(marks: tuple[LarvaMark, ...], size_px: tuple[int, int]) -> NDArray[np.uint8]:
    """Fill the outlines of larvae: uint8 (rows, columns), 255 where half of a px or more lies inside."""
    mask = np.zeros(size_px, np.uint8)
    for mark in marks:
        filled, corner = fill_softly(mark.outline[:, ::-1])
        cut = cut_window(filled.shape, corner, mask.shape)
        if cut is not None:
            mask[cut[0]][filled[cut[1]] >= 0.5] = 255
    return mask


def _prepare_burst(
    settings: CanopySettings, rng: np.random.Generator, stock: Stock, *, is_moving: bool
) -> Filming:
    light = choose_light(settings.light, rng)
    camera = choose_camera(
        settings.camera,
        rng,
        light=light,
        duration_s=settings.duration_s,
        frame_px=settings.size_px,
        grain=stock.grain,
    )
    scale = stock.px_per_mm
    wind_px = float(rng.uniform(*settings.camera.wind_mm)) * scale
    reach = find_reach(camera.path, px_per_mm=scale, duration_s=settings.duration_s)
    spare = int(wind_px) + SPARE_PX
    margin = (reach[0] + spare, reach[1] + spare) if is_moving else (0, 0)
    size = SceneSize(settings.size_px, margin, (0.0, 0.0), scale, stock.distance_m * 1000)
    scene = build_scene(
        settings.plant,
        settings.larvae,
        settings.confusers,
        light,
        stock.bank,
        rng,
        size=size,
        sky=draw_sky(light, rng, settings.size_px),
        hang=_cut_from(stock, rng),
    )
    return Filming(scene, camera, choose_sways(scene, rng, wind_px=wind_px), settings, is_moving)


def _cut_from(stock: Stock, rng: np.random.Generator) -> HangSheets:
    """Return how a picture's layers get their sheets: each is a piece of the stock."""

    def hang(plan: LayerPlan) -> tuple[Sheet, Sheet, list[LeafPlace]]:
        upper, _ = cut_piece(stock, rng, plan)
        lower, leaves = cut_piece(stock, rng, plan)
        return upper, lower, leaves

    return hang


def cut_piece(stock: Stock, rng: np.random.Generator, plan: LayerPlan) -> tuple[Sheet, list[LeafPlace]]:
    """Cut a piece from a sheet of the stock, turn it by quarters and mirror it at random; also list its chewed leaves."""
    sheets = stock.sheets[plan.index]
    source = sheets[int(rng.integers(len(sheets)))]
    quarter, is_mirrored = int(rng.integers(4)), bool(rng.random() < 0.5)
    cut = plan.size[::-1] if quarter % 2 else plan.size
    corner = [
        int(rng.integers(max(1, whole - length + 1)))
        for whole, length in zip(source.through.shape, cut, strict=False)
    ]
    window = (slice(corner[0], corner[0] + cut[0]), slice(corner[1], corner[1] + cut[1]))
    through, bark = (
        _turn_and_fill(picture[window], quarter, is_mirrored, plan.size)
        for picture in (source.through, source.bark)
    )
    matrix = _find_turn(quarter, is_mirrored, source.through[window].shape)
    leaves = []
    for leaf in source.chewed:
        placed = matrix[:, :2] @ (leaf.to_sheet - np.asarray([[0, 0, corner[1]], [0, 0, corner[0]]]))
        placed[:, 2] += matrix[:, 2]
        leaves.append(LeafPlace(leaf.sprite, placed, leaf.length_px))
    return Sheet(through, shine_bark(bark, rng)), leaves


def _turn_and_fill(piece: FloatImage, quarter: int, is_mirrored: bool, size: tuple[int, int]) -> FloatImage:
    """Turn a piece clockwise by quarters and mirror it; where it is smaller than asked for, it goes on mirrored."""
    turned = piece if quarter == 0 else as_float(cv2.rotate(piece, ROTATIONS[quarter]))
    turned = as_float(cv2.flip(turned, 1)) if is_mirrored else turned
    missing = (size[0] - turned.shape[0], size[1] - turned.shape[1])
    if max(missing) > 0:
        pads = [(0, missing[0]), (0, missing[1])] + [(0, 0)] * (turned.ndim - 2)
        turned = np.pad(turned, pads, mode="symmetric")
    return np.array(turned, np.float32, order="C")


ROTATIONS = {1: cv2.ROTATE_90_CLOCKWISE, 2: cv2.ROTATE_180, 3: cv2.ROTATE_90_COUNTERCLOCKWISE}


def _find_turn(quarter: int, is_mirrored: bool, size: tuple[int, ...]) -> NDArray[np.float64]:
    """Return the 2 x 3 map of (x, y) in a piece of `size` that `_turn_and_fill` makes."""
    bottom, right = size[0] - 1.0, size[1] - 1.0
    turns = {
        0: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
        1: [[0.0, -1.0, bottom], [1.0, 0.0, 0.0]],
        2: [[-1.0, 0.0, right], [0.0, -1.0, bottom]],
        3: [[0.0, 1.0, 0.0], [-1.0, 0.0, right]],
    }
    matrix = np.asarray(turns[quarter])
    if is_mirrored:
        width = right if quarter % 2 == 0 else bottom
        matrix[0] = [-matrix[0, 0], -matrix[0, 1], width - matrix[0, 2]]
    return matrix


def _compress(
    frames: list[NDArray[np.uint8]], settings: CompressionSettings, rng: np.random.Generator
) -> list[NDArray[np.uint8]]:
    """Send frames through JPEG or H.264 and back, or leave them as they are."""
    chance = rng.random()
    if chance < settings.jpeg_chance:
        quality = int(rng.integers(settings.jpeg_quality[0], settings.jpeg_quality[1] + 1))
        return [_through_jpeg(frame, quality) for frame in frames]
    if chance < settings.jpeg_chance + settings.video_chance:
        quantiser = int(rng.integers(settings.video_quantiser[0], settings.video_quantiser[1] + 1))
        return _through_video(frames, quantiser)
    return frames


def _through_jpeg(frame: NDArray[np.uint8], quality: int) -> NDArray[np.uint8]:
    bgr = cv2.cvtColor(frame, cv2.COLOR_RGB2BGR)
    _, packed = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    unpacked = cv2.imdecode(packed, cv2.IMREAD_COLOR)
    return frame if unpacked is None else as_codes(cv2.cvtColor(unpacked, cv2.COLOR_BGR2RGB))


def _through_video(frames: list[NDArray[np.uint8]], quantiser: int) -> list[NDArray[np.uint8]]:
    import av

    memory = BytesIO()
    with av.open(memory, "w", format="mp4") as output:
        stream = output.add_stream(
            "libx264",
            rate=Fraction(30),
            options={"preset": "veryfast", "crf": str(quantiser), "threads": "1"},
        )
        stream.height, stream.width = frames[0].shape[:2]
        stream.pix_fmt = "yuv420p"
        for frame in frames:
            output.mux(stream.encode(av.VideoFrame.from_ndarray(frame, format="rgb24")))
        output.mux(stream.encode())
    memory.seek(0)
    with av.open(memory, "r") as source:
        return [as_codes(frame.to_ndarray(format="rgb24")) for frame in source.decode(video=0)]

"""Luma, planes and RGB mean the same whatever a clip stores."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from detect.clips import Frame, open_clip, read_frames, read_luma, read_planes, read_rgb, turn_upright

Maker = Callable[..., Path]

GREYS = np.array([0, 20, 64, 128, 200, 255])


def paint_greys(index: int) -> NDArray[np.uint8]:
    """Six bars of known grey, 24 x 48."""
    return np.repeat(np.repeat(GREYS, 8)[None, :], 24, axis=0)[..., None].repeat(3, axis=2).astype(np.uint8)


def paint_red(index: int) -> NDArray[np.uint8]:
    return np.full((24, 48, 3), (200, 40, 60), np.uint8)


def read_first(path: Path) -> Frame:
    return next(iter(read_frames(open_clip(path))))


def take_bars(plane: NDArray[np.uint8]) -> NDArray[np.int64]:
    """The middle of each bar."""
    columns = plane.shape[1]
    return plane[plane.shape[0] // 2, columns // 12 :: columns // 6].astype(np.int64)


STORED = [
    ("ffv1", "yuv420p", "mkv", 8),
    ("ffv1", "yuv422p", "mkv", 8),
    ("ffv1", "yuv444p", "mkv", 8),
    ("ffv1", "yuv411p", "mkv", 8),
    ("ffv1", "yuva420p", "mkv", 8),
    ("ffv1", "yuv420p10le", "mkv", 10),
    ("ffv1", "yuv444p12le", "mkv", 12),
    ("ffv1", "gray", "mkv", 8),
    ("ffv1", "gray10le", "mkv", 10),
    ("ffv1", "gray16le", "mkv", 16),
    ("ffv1", "bgr0", "mkv", 8),
    ("ffv1", "gbrp10le", "mkv", 10),
    ("rawvideo", "bgr24", "avi", 8),
    ("rawvideo", "yuyv422", "avi", 8),
    ("rawvideo", "uyvy422", "mov", 8),
    ("rawvideo", "nv12", "avi", 8),
    ("png", "rgb24", "mov", 8),
    ("libx264rgb", "rgb24", "mp4", 8),
    ("libx264", "yuv420p10le", "mp4", 10),
    ("libx264", "yuv422p", "mp4", 8),
    ("libx265", "yuv420p10le", "mp4", 10),
    ("prores_ks", "yuv422p10le", "mov", 10),
    ("mjpeg", "yuvj422p", "mov", 8),
    ("mjpeg", "yuvj420p", "avi", 8),
]


@pytest.mark.parametrize(("codec", "pix_fmt", "container", "bits"), STORED)
def test_grey_is_the_same_grey_in_every_format(
    make_clip: Maker, codec: str, pix_fmt: str, container: str, bits: int
) -> None:
    """Bars of known grey come out as luma 16 + 219/255 grey (ITU-R BT.709), without colour, and as the same RGB."""
    options = {"qp": "0"} if codec.startswith("libx26") else {}
    options |= {"x265-params": "log-level=none"} if codec == "libx265" else {}
    path = make_clip(
        f"clip.{container}",
        codec=codec,
        pix_fmt=pix_fmt,
        size_px=(24, 48),
        paint=paint_greys,
        times_s=2,
        options=options,
    )
    info, frame = open_clip(path), read_first(path)
    luma, cb, cr = read_planes(frame)
    slack = 3 if codec in ("mjpeg", "prores_ks", "libx265") else 1
    assert read_luma(frame).shape == luma.shape == (24, 48)
    assert read_luma(frame).dtype == luma.dtype == cb.dtype == cr.dtype == np.uint8
    assert np.abs(take_bars(read_luma(frame)) - np.round(16 + GREYS * 219 / 255)).max() <= slack
    np.testing.assert_array_equal(read_luma(frame), luma)
    assert max(np.abs(plane.astype(int) - 128).max() for plane in (cb, cr)) <= slack
    assert cb.shape == cr.shape
    rgb = read_rgb(frame)
    assert rgb.shape == (24, 48, 3)
    assert np.abs(take_bars(rgb[..., 1]) - GREYS).max() <= 2 * slack + 1
    assert info.bit_depth == bits


def test_chroma_comes_at_the_size_it_is_stored_in(make_clip: Maker) -> None:
    shapes = {}
    for pix_fmt in ("yuv420p", "yuv422p", "yuv444p"):
        path = make_clip(f"{pix_fmt}.mkv", codec="ffv1", pix_fmt=pix_fmt, size_px=(24, 48), times_s=1)
        shapes[pix_fmt] = read_planes(read_first(path))[1].shape
    assert shapes == {"yuv420p": (12, 24), "yuv422p": (24, 24), "yuv444p": (24, 48)}


@pytest.mark.parametrize("color_range", ["MPEG", "JPEG"])
def test_dark_and_bright_mean_the_same_in_either_range(make_clip: Maker, color_range: str) -> None:
    """A full-range clip of the same scene gives the luma and chroma of a limited-range one."""
    path = make_clip(
        f"{color_range}.mp4",
        paint=paint_greys,
        size_px=(24, 48),
        times_s=2,
        color_range=color_range,
        pix_fmt="yuvj420p" if color_range == "JPEG" else "yuv420p",
        options={"qp": "0"},
    )
    frame = read_first(path)
    assert (frame.picture.color_range == 2) == (color_range == "JPEG")  # type: ignore[union-attr]
    assert np.abs(take_bars(read_luma(frame)) - np.round(16 + GREYS * 219 / 255)).max() <= 1
    assert np.abs(take_bars(read_rgb(frame)[..., 1]) - GREYS).max() <= 2


@pytest.mark.parametrize("pix_fmt", ["yuv420p", "yuvj420p", "yuv420p10le"])
@pytest.mark.parametrize("colorspace", ["ITU601", "ITU709"])
def test_colours_as_ffmpeg_shows_them(
    make_clip: Maker, run_ffmpeg: Callable[..., bytes], pix_fmt: str, colorspace: str
) -> None:
    """Reference: the ffmpeg program on clips that name their colour matrix, and the colour that was drawn."""
    path = make_clip(
        "clip.mkv",
        codec="libx264",
        options={"qp": "0"},
        pix_fmt=pix_fmt,
        paint=paint_red,
        size_px=(24, 48),
        times_s=1,
        colorspace=colorspace,
        color_range="JPEG" if "j" in pix_fmt else "MPEG",
    )
    raw = run_ffmpeg("ffmpeg", "-i", path, "-frames:v", "1", "-f", "rawvideo", "-pix_fmt", "rgb24", "-")
    rgb = read_rgb(read_first(path))
    assert np.abs(rgb.astype(int) - np.frombuffer(raw, np.uint8).reshape(24, 48, 3)).max() <= 3
    assert np.abs(rgb.astype(int) - (200, 40, 60)).max() <= 4


@pytest.mark.parametrize(("rows", "matrix"), [(480, "ITU601"), (720, "ITU709")])
def test_a_clip_that_names_no_matrix_has_that_of_its_size(make_clip: Maker, rows: int, matrix: str) -> None:
    """Without a named matrix, frames of 720 rows or more are BT.709, smaller ones BT.601 (common practice, no source)."""
    import av

    def paint(index: int) -> NDArray[np.uint8]:
        return np.full((rows, 64, 3), (200, 40, 60), np.uint8)

    path = make_clip("clip.mkv", codec="ffv1", paint=paint, size_px=(rows, 64), times_s=1)
    frame = read_first(path)
    drawn = av.VideoFrame.from_ndarray(paint(0), format="rgb24").reformat(
        format="yuv420p", dst_colorspace=matrix
    )
    named = Frame(0, 0.0, 0, drawn)
    own = [int(plane[4, 4]) for plane in read_planes(named)]
    # The same code values, read by the rule, give the drawn colour exactly when the rule picks this matrix.
    flat = av.VideoFrame(64, rows, "yuv420p")
    for plane, value in zip(flat.planes, own, strict=True):
        plane.update(bytes([value]) * plane.buffer_size)
    assert frame.picture.colorspace == 2  # type: ignore[union-attr]
    assert np.abs(read_rgb(Frame(0, 0.0, 0, flat)).astype(int) - (200, 40, 60)).max() <= 4


@pytest.mark.parametrize("size_px", [(16, 16), (17, 33), (2, 2), (1080, 18), (35, 1921)])
def test_small_and_odd_sizes(make_clip: Maker, size_px: tuple[int, int]) -> None:
    """Frames of any size come out at just that size."""
    path = make_clip("clip.mkv", codec="ffv1", size_px=size_px, times_s=2)
    info, frame = open_clip(path), read_first(path)
    assert (info.height_px, info.width_px) == size_px
    assert read_luma(frame).shape == size_px
    assert read_rgb(frame).shape == (*size_px, 3)
    assert read_planes(frame)[1].shape == ((size_px[0] + 1) // 2, (size_px[1] + 1) // 2)


def test_luma_is_a_view_that_no_one_may_write_to_and_that_stays(make_clip: Maker) -> None:
    """8-bit luma is not copied, cannot be changed (the decoder still reads it), and outlives frame, clip and later frames."""
    path = make_clip(times_s=40)
    frames = read_frames(open_clip(path))
    first = next(frames)
    luma = read_luma(first)
    assert np.shares_memory(luma, read_luma(first))
    with pytest.raises(ValueError, match="read-only"):
        luma[0, 0] = 1
    before = luma.copy()
    del first
    assert sum(1 for _ in frames) == 39
    np.testing.assert_array_equal(luma, before)


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
@pytest.mark.parametrize("shape", [(3, 5), (3, 5, 3)])
def test_turning_as_numpy_turns(shape: tuple[int, ...], rotation_deg: int) -> None:
    """Reference: numpy.rot90, which turns counter-clockwise."""
    image = np.arange(np.prod(shape), dtype=np.uint8).reshape(shape)
    np.testing.assert_array_equal(turn_upright(image, rotation_deg), np.rot90(image, rotation_deg // 90))

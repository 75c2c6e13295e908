"""Clips and photos made for the tests, awkward ones among them; each is really encoded and lies in the test's own folder."""

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

# One thread for sums: threads that wait for each other on a busy machine burn as much again as the work itself. Said before numpy
# and torch are read, and so for the programs that tests start too.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# Where an environment keeps Python from writing bytecode, each start of a program and each step of each new logbook would be
# compiled again: the tests start hundreds.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

import av  # noqa: E402
import numpy as np  # noqa: E402
import pytest  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

Picture = NDArray[np.uint8]

TICK = Fraction(1, 90_000)
"""Usual time base of made clips: fine enough for any uneven times (that of transport streams)."""


def paint_frame(index: int, size_px: tuple[int, int] = (48, 64)) -> Picture:
    """Draw frame `index`, uint8 (rows, columns, 3) RGB: a ramp that moves on, green, with a white corner at the top left."""
    rows, columns = size_px
    ramp = (np.arange(columns)[None, :] * 2 + np.arange(rows)[:, None] + 7 * index) % 160
    picture = np.zeros((rows, columns, 3), np.uint8)
    picture[..., 1] = 40 + ramp
    picture[..., 0] = 60
    picture[: max(2, rows // 4), : max(2, columns // 4)] = 255
    return picture


def write_clip(
    path: Path,
    *,
    times_s: Sequence[float | Fraction] | int = 10,
    size_px: tuple[int, int] = (48, 64),
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    rate_hz: int = 30,
    tick: Fraction = TICK,
    rotation_deg: int = 0,
    paint: Callable[[int], Picture] | None = None,
    options: dict[str, str] | None = None,
    container_options: dict[str, str] | None = None,
    metadata: dict[str, str] | None = None,
    container_format: str | None = None,
    color_range: str | None = None,
    colorspace: str | None = None,
) -> Path:
    """Encode a clip; `times_s` are the stamps of its frames, or their number at an even rate."""
    if isinstance(times_s, int):
        times_s = [Fraction(i, rate_hz) for i in range(times_s)]
    draw = paint or (lambda index: paint_frame(index, size_px))
    if codec == "libx265":
        # With frames that refer to later ones, a clip of two frames now and then cannot be written.
        given = (options or {}).get("x265-params", "")
        options = {**(options or {}), "x265-params": f"{given}:bframes=0".lstrip(":")}
    with av.open(str(path), "w", format=container_format, options=container_options or {}) as container:
        container.metadata.update(metadata or {})
        stream: Any = container.add_stream(codec, rate=rate_hz, options=options or {})
        stream.width, stream.height, stream.pix_fmt = size_px[1], size_px[0], pix_fmt
        stream.codec_context.time_base = stream.time_base = tick
        if rotation_deg:
            stream.set_display_rotation(rotation_deg)
        if color_range is not None:
            stream.codec_context.color_range = 2 if color_range == "JPEG" else 1
        if colorspace is not None:
            stream.codec_context.colorspace = 1 if colorspace == "ITU709" else 5
        for index, time_s in enumerate(times_s):
            frame = av.VideoFrame.from_ndarray(draw(index), format="rgb24")
            frame = frame.reformat(format=pix_fmt, dst_colorspace=colorspace, dst_color_range=color_range)
            frame.pts, frame.time_base = round(Fraction(time_s) / tick), tick
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def write_sound(path: Path) -> Path:
    """Encode half a second of silence, without any picture."""
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("aac", rate=8000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 4096), np.float32), format="fltp", layout="mono")
        frame.sample_rate = 8000
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


@pytest.fixture
def make_clip(tmp_path: Path) -> Callable[..., Path]:
    """Return a maker of clips: make_clip("name.mp4", times_s=[0, 0.1], rotation_deg=90, ...), see `write_clip`."""

    def make(name: str = "clip.mp4", **settings: Any) -> Path:
        return write_clip(tmp_path / name, **settings)

    return make


@pytest.fixture
def make_sound(tmp_path: Path) -> Callable[[str], Path]:
    """Return a maker of files with sound and no picture."""
    return lambda name="sound.mp4": write_sound(tmp_path / name)


@pytest.fixture
def paint() -> Callable[..., Picture]:
    """Return what draws the frames of made clips."""
    return paint_frame


@pytest.fixture
def run_ffmpeg() -> Callable[..., bytes]:
    """Return a way to run the ffmpeg or ffprobe program, an outside reference; skips the test where it is not installed."""

    def run(program: str, *arguments: str | Path) -> bytes:
        found = shutil.which(program)
        if found is None:
            pytest.skip(f"{program} is not installed")
        command = [found, "-v", "error", *map(str, arguments)]
        return subprocess.run(command, check=True, capture_output=True, timeout=60).stdout

    return run

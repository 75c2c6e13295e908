"""Drawn clips as files: H.264 or HEVC in MP4 as a phone writes them, with the truth file beside.

Files go to a temporary name and are moved when whole. Recording time goes into the container's metadata, as phones do.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np
from numpy.typing import NDArray

from models.canopy.clip import CanopySettings, film, list_larvae, prepare_filming
from models.canopy.truth import FrameTruth, Truth, find_truth_path, write_truth

if TYPE_CHECKING:
    from av.container import OutputContainer
    from av.video.stream import VideoStream

TIME_BASE = Fraction(1, 90_000)
DEFAULT_MBIT_S = 17.0
"""Bit rate of a phone's 1080p30 H.264."""

KEY_FRAME_S = 1

EXTRA_OPTIONS = {"libx265": {"x265-params": "log-level=error:bframes=0"}}
"""This encoder prints to the terminal by itself unless told not to; with frames that refer to later ones it now and then gave
no time stamp to the packets of a very short clip (6 of 40 clips of two frames could not be written)."""

QUARTERS_LYING = 3
"""Counter-clockwise quarter turns from the stored picture to the upright one, as a phone held upright notes them."""


BT_709 = 1
"""`AVCOL_SPC_BT709` of FFmpeg's pixfmt.h (ITU-T H.273, matrix coefficients 1)."""


@dataclass(frozen=True, slots=True)
class EncodingSettings:
    """How a clip is encoded.

    Attributes
    ----------
    codec : "libx264" or "libx265"
    mbit_s : mean bit rate
    preset : the encoder's speed; slower ones spend the bits better
    is_lying : frames are stored turned by a quarter, with a note in the container that a player turns them upright
    """

    codec: str = "libx264"
    mbit_s: float = DEFAULT_MBIT_S
    preset: str = "veryfast"
    is_lying: bool = False


def write_clip(
    path: Path,
    settings: CanopySettings,
    *,
    rng: np.random.Generator,
    encoding: EncodingSettings | None = None,
    tree: str = "",
    recorded_at: datetime | None = None,
    tell: Callable[[int, int], None] = lambda done, total: None,
) -> Truth:
    """Draw a clip, write it to `path` (MP4) and its truth to NAME.truth.json beside it, and return the truth.

    `tell` is called with the frames done and the frames in all, before the first and after each.
    """
    total = round(settings.duration_s * settings.frame_rate_hz)
    tell(0, total)
    filming = prepare_filming(settings, rng)
    frames: list[FrameTruth] = []

    def watch() -> Iterator[NDArray[np.uint8]]:
        for frame, truth in film(filming, rng):
            frames.append(truth)
            yield frame
            tell(len(frames), total)

    encode_frames(
        path,
        watch(),
        frame_rate_hz=settings.frame_rate_hz,
        encoding=encoding or EncodingSettings(),
        recorded_at=recorded_at,
    )
    truth = Truth(
        path.name, settings.size_px, settings.frame_rate_hz, tree, list_larvae(filming.scene), tuple(frames)
    )
    write_truth(find_truth_path(path), truth)
    return truth


def encode_frames(
    path: Path,
    frames: Iterable[NDArray[np.uint8]],
    *,
    frame_rate_hz: float,
    encoding: EncodingSettings,
    recorded_at: datetime | None = None,
) -> None:
    """Encode uint8 RGB frames into an MP4 file."""
    import av

    draft = path.with_name(path.name + ".part")
    rate = Fraction(frame_rate_hz).limit_denominator(1001)
    try:
        with av.open(str(draft), "w", format="mp4") as output:
            if recorded_at is not None:
                output.metadata["creation_time"] = recorded_at.astimezone(UTC).strftime(
                    "%Y-%m-%dT%H:%M:%S.000000Z"
                )
            stream: VideoStream | None = None
            for index, upright in enumerate(frames):
                frame = upright
                if encoding.is_lying:
                    frame = np.ascontiguousarray(np.rot90(upright, -QUARTERS_LYING))
                if stream is None:
                    stream = _open_stream(output, frame.shape, rate=rate, encoding=encoding)
                picture = av.VideoFrame.from_ndarray(frame, format="rgb24")
                picture = picture.reformat(format="yuv420p", dst_colorspace="ITU709")
                picture.pts = round(index / rate / TIME_BASE)
                picture.time_base = TIME_BASE
                output.mux(stream.encode(picture))
            if stream is not None:
                output.mux(stream.encode())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def _open_stream(
    output: "OutputContainer", shape: tuple[int, ...], *, rate: Fraction, encoding: EncodingSettings
) -> "VideoStream":
    """Open the video stream for frames of one shape (rows, columns, 3)."""
    options = {"preset": encoding.preset, **EXTRA_OPTIONS.get(encoding.codec, {})}
    stream = cast("VideoStream", output.add_stream(encoding.codec, rate=rate, options=options))
    stream.height, stream.width = shape[:2]
    stream.pix_fmt = "yuv420p"
    stream.bit_rate = int(encoding.mbit_s * 1e6)
    stream.gop_size = max(1, round(rate * KEY_FRAME_S))
    stream.time_base = TIME_BASE
    if encoding.is_lying:
        stream.set_display_rotation(90 * QUARTERS_LYING)
    # Named, since players take unnamed HD for BT.709 and the converter's own default is BT.601.
    stream.codec_context.colorspace = BT_709
    return stream

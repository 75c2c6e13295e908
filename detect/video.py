"""A video file opened and its frames read in the order they are shown, with the times their stamps say.

Times are counted from the first frame that decodes, whatever number its stamp starts at. Frames are handed over as the decoder
left them (see `detect.pictures`). Photos are not read here.
"""

import math
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from detect.clip_info import ClipInfo, ReadReport
from detect.errors import ClipError
from detect.pictures import Frame

if TYPE_CHECKING:
    from av import VideoFrame, VideoStream
    from av.container import InputContainer

FORMATS = "mov,mp4,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,mpegvideo,h264,hevc,m4v,flv,asf,ogg,mxf,dv,ivf,yuv4mpegpipe,mjpeg"
"""What a camera or a phone writes. Others are shut out: some of FFmpeg's formats read text as pictures, or follow links in it."""

USUAL_PERIOD_S = 1 / 30
"""Time from frame to frame where the file names no rate: what phones film by default (common practice, no source)."""


def open_video(path: Path, sha256: str) -> ClipInfo:
    """Open a video, decode its first frame and return what is known of it.

    Raises
    ------
    ClipError
        Where there is no picture that decodes.
    """
    from av.error import FFmpegError

    with closing(_open(path)) as container:
        stream = _choose_stream(container, path)
        try:
            first = next(_decode(container, stream, ReadReport()), None)
        except FFmpegError as error:
            raise _no_picture(path, str(error)) from error
        if first is None:
            raise _no_picture(path, "none in the whole file")
        rotation_deg = _round_rotation(first)
        turned = rotation_deg in (90, 270)
        rate = stream.average_rate
        return ClipInfo(
            path=path,
            sha256=sha256,
            kind="video",
            width_px=first.height if turned else first.width,
            height_px=first.width if turned else first.height,
            rotation_deg=rotation_deg,
            claimed_duration_s=_read_claimed_duration(container, stream),
            claimed_frames=stream.frames,
            frame_rate_hz=float(rate) if rate else 0.0,
            codec=stream.codec_context.name,
            bit_depth=first.format.components[0].bits,
            size_bytes=path.stat().st_size,
        )


def read_video(
    info: ClipInfo, *, start_after_s: float | None, first_index: int, report: ReadReport
) -> Iterator[Frame]:
    """Yield the frames after `start_after_s`; see `detect.clips.read_frames`."""
    period_s = 1 / info.frame_rate_hz if info.frame_rate_hz > 0 else USUAL_PERIOD_S
    index = first_index
    report.frames = first_index
    with closing(_open(info.path)) as container:
        stream = _choose_stream(container, info.path)
        for picture, time_s in _put_times(_decode(container, stream, report), report, period_s=period_s):
            if start_after_s is not None and time_s <= start_after_s:
                continue
            report.frames, report.last_time_s, report.duration_s = index + 1, time_s, time_s + period_s
            yield Frame(index, time_s, _round_rotation(picture), picture)
            index += 1
    _report_missing_tail(info, report)


def _open(path: Path) -> "InputContainer":
    import av
    from av.error import FFmpegError

    try:
        # "file:" keeps a colon in a name from being taken for a protocol.
        return av.open(f"file:{path}", options={"format_whitelist": FORMATS, "protocol_whitelist": "file"})
    except FFmpegError as error:
        raise ClipError(
            f"{path}: expected a video that can be opened, found something else ({error.strerror}); "
            "check that the file was copied whole and plays, or leave it out"
        ) from error


def _choose_stream(container: "InputContainer", path: Path) -> "VideoStream":
    """Return the largest moving picture; cover art is none."""
    from av.stream import Disposition

    moving = [s for s in container.streams.video if not s.disposition & Disposition.attached_pic]
    if not moving:
        raise ClipError(
            f"{path}: expected a video, found a file without a moving picture; "
            "give the clip itself, not its sound or a list"
        )
    stream = max(moving, key=lambda s: (s.codec_context.width * s.codec_context.height, -s.index))
    stream.thread_type = "AUTO"
    return stream


def _decode(container: "InputContainer", stream: "VideoStream", report: ReadReport) -> Iterator["VideoFrame"]:
    """Yield what decodes, in the order shown; count what does not."""
    from av.error import FFmpegError

    broken = 0
    for packet in container.demux(stream):
        try:
            yield from packet.decode()
        except FFmpegError:
            broken += 1
    if broken:
        report.problems.append(f"{broken} damaged pieces of video could not be decoded and were passed over")


def _put_times(
    pictures: Iterator["VideoFrame"], report: ReadReport, *, period_s: float
) -> Iterator[tuple["VideoFrame", float]]:
    """Give each frame its time from the first; where a stamp is missing or does not go on, one period after the last."""
    start: int | None = None
    last_s = -period_s
    repaired = 0
    for picture in pictures:
        stamp = picture.pts
        time_s = -math.inf
        if stamp is not None and picture.time_base is not None:
            start = stamp if start is None else start
            base = picture.time_base
            time_s = (stamp - start) * base.numerator / base.denominator
        if time_s <= last_s:
            repaired += 1
            time_s = last_s + period_s
        last_s = time_s
        yield picture, time_s
    if repaired:
        report.problems.append(
            f"{repaired} frames had no time stamp or one that did not go on; their times follow from the frame rate"
        )


def _read_claimed_duration(container: "InputContainer", stream: "VideoStream") -> float:
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    return container.duration / 1_000_000 if container.duration else math.nan


def _report_missing_tail(info: ClipInfo, report: ReadReport) -> None:
    missing_s = info.claimed_duration_s - report.duration_s
    if missing_s > 0.5:
        report.problems.append(
            f"the file claims {info.claimed_duration_s:.1f} s, only {report.duration_s:.1f} s could be read; "
            "the rest was not searched"
        )


def _round_rotation(picture: "VideoFrame") -> int:
    return round(picture.rotation / 90) * 90 % 360


def _no_picture(path: Path, found: str) -> ClipError:
    return ClipError(
        f"{path}: expected at least one picture that decodes, found {found}; "
        "the recording may have been cut off or protected; copy it again from the camera"
    )

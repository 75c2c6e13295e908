"""A video file opened, and its frames read in the order shown, with the times that their stamps say.

Times count from the first frame that decodes, whatever number its stamp begins at; each is later than the one before. Frames
are handed over as the decoder left them (see `detect.pictures`), so that reading costs what decoding costs. What does not
decode is passed over and told in the report; only a file that cannot be opened is an error. Photos are not read here.
"""

import math
import os
from collections.abc import Generator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from detect.clip_info import ClipInfo, ReadReport
from detect.errors import ClipError
from detect.pictures import Frame

if TYPE_CHECKING:
    from av import VideoFrame, VideoStream
    from av.container import InputContainer

FORMATS = "mov,mp4,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,mpegvideo,h264,hevc,m4v,flv,asf,ogg,mxf,dv,ivf,yuv4mpegpipe"
"""What cameras, phones and cutting programs write. Others are shut out: some of FFmpeg's formats take text for pictures, or
follow links that stand in it."""

SEEKABLE_FORMATS = ("mov", "matroska")
"""Formats that keep a stamp for every frame and an index by time. A resumed reading of any other decodes from the start."""

STREAMED_FORMATS = "mpegts"
"""In transport streams a packet counts as corrupt when anything beside it was lost, and mostly decodes; elsewhere it is cut
short, and decoding it would cost the frames that wait to be shown before it (tried)."""

MOST_PIXELS = 8192 * 4608
"""Larger frames are not decoded: it spans 8K, and a broken header must not fill the memory."""

MOST_THREADS = 8
"""Each decoding thread holds a frame or two, 12 to 25 MB at 4K; more than this many gain little and fill the memory."""

MOST_READ_ERRORS = 16
"""Read errors in a row after which the rest counts as lost; a bad place on a card spoils a few packets."""

SEEK_MARGINS_S = (1.0, 4.0, 16.0, 64.0)
"""How long before the wanted time to land, tried in turn. Indices are by decoding time, which leads the time shown by up to
16 frames (ITU-T H.264 annex A), so the first is enough for a sound file."""

LEAST_SHARE_OF_FRAMES = 0.9
"""Fewer of the claimed frames than this are worth a word; a few are lost at every cut and where a clip was trimmed."""

USUAL_PERIOD_S = 1 / 30
"""Time from frame to frame where the file names no rate: what phones film by default (common practice, no source)."""

MICROSECONDS_PER_S = 1_000_000
"""FFmpeg's unit for the times of a whole file."""

MISSING_TAIL_S = 0.5
"""A claimed duration may exceed the frames by this without a word: the sound often runs on a little."""


def open_video(path: Path, sha256: str) -> ClipInfo:
    """Open a video, decode its first frame and return what is known of it.

    Raises
    ------
    ClipError
        Where there is no picture that decodes.
    """
    with closing(_open(path)) as container:
        stream = _choose_stream(container, path)
        with closing(_decode(container, stream, _Damage())) as pictures:
            first = next(pictures, None)
        if first is None:
            raise ClipError(
                f"{path}: expected at least one picture that decodes, found none in the file; it may be cut off, protected, "
                "or larger than 8K: copy it again from the camera, or convert it"
            )
        rotation_deg = _round_rotation(first)
        is_turned = rotation_deg in (90, 270)
        rate = stream.average_rate
        return ClipInfo(
            path=path,
            sha256=sha256,
            kind="video",
            width_px=first.height if is_turned else first.width,
            height_px=first.width if is_turned else first.height,
            rotation_deg=rotation_deg,
            claimed_duration_s=_read_claimed_duration(container, stream),
            claimed_frames=max(0, stream.frames),
            frame_rate_hz=float(rate) if rate and rate > 0 else 0.0,
            codec=stream.codec_context.name,
            bit_depth=first.format.components[0].bits,
            size_bytes=path.stat().st_size,
        )


def read_video(
    info: ClipInfo, *, start_after_s: float | None, first_index: int, report: ReadReport
) -> Generator[Frame, None, None]:
    """Yield the frames after `start_after_s`; see `detect.clips.read_frames`."""
    index = first_index
    report.frames = first_index
    damage = _Damage()
    clock = _Clock(period_s=1 / info.frame_rate_hz if info.frame_rate_hz > 0 else USUAL_PERIOD_S)
    size_px: tuple[int, int] | None = None
    with closing(_read_timed(info, clock, damage, start_after_s=start_after_s)) as timed:
        for picture, time_s in timed:
            if size_px is None:
                size_px = (picture.width, picture.height)
                report.problems.extend(_describe_oddities(picture, info))
            if size_px != (picture.width, picture.height):
                damage.resized += 1
                picture = picture.reformat(width=size_px[0], height=size_px[1])
            damage.blemished += picture.is_corrupt
            report.frames, report.last_time_s = index + 1, time_s
            report.duration_s = time_s + clock.period_s
            yield Frame(index, time_s, info.rotation_deg, picture)
            index += 1
    report.problems.extend(damage.describe())
    report.problems.extend(clock.describe())
    report.problems.extend(_describe_missing_tail(info, report))


def read_metadata(path: Path) -> dict[str, str]:
    """Return what the file says of itself in words: of the whole, and where that is silent, of its video.

    Raises
    ------
    ClipError
        As `open_video`.
    """
    with closing(_open(path)) as container:
        return {**_choose_stream(container, path).metadata, **container.metadata}


@dataclass(slots=True)
class _Damage:
    """Counts what was wrong with a file while it is read."""

    broken_packets: int = 0
    read_errors: int = 0
    blemished: int = 0
    resized: int = 0

    def describe(self) -> list[str]:
        said = []
        if self.broken_packets:
            said.append(
                f"pieces of video that could not be decoded and were passed over: {self.broken_packets}"
            )
        if self.read_errors:
            said.append(f"places in the file that could not be read: {self.read_errors}")
        if self.blemished:
            said.append(f"frames that were decoded with faults in them: {self.blemished}")
        if self.resized:
            said.append(f"the picture changes its size; frames scaled to that of the first: {self.resized}")
        return said


@dataclass(slots=True)
class _Clock:
    """Turns time stamps into seconds from the first frame, each later than the one before.

    A stamp that is missing or does not go on gives one period after the last time.
    """

    period_s: float
    first_stamp: int | None = None
    last_s: float = -math.inf
    repaired: int = 0

    def read(self, picture: "VideoFrame") -> float:
        time_s = -math.inf
        stamp, base = picture.pts, picture.time_base
        if stamp is not None and base:
            if self.first_stamp is None:
                # The frames before had no stamp: this one stands where they put it.
                lead_s = self.last_s + self.period_s if math.isfinite(self.last_s) else 0.0
                self.first_stamp = stamp - round(lead_s / base)
            # Whole numbers until the last division, which rounds correctly: equal stamps give equal times in every reading.
            time_s = (stamp - self.first_stamp) * base.numerator / base.denominator
        if not time_s > self.last_s:
            is_first = not math.isfinite(self.last_s)
            time_s = 0.0 if is_first else self.last_s + self.period_s
            self.repaired += 1
        self.last_s = time_s
        return time_s

    def describe(self) -> list[str]:
        if not self.repaired:
            return []
        return [
            f"frames without a time stamp that goes on, whose times follow from the frame rate: {self.repaired}"
        ]


def _read_timed(
    info: ClipInfo, clock: _Clock, damage: _Damage, *, start_after_s: float | None
) -> Generator[tuple["VideoFrame", float], None, None]:
    """Yield frames with their times, from the start or those after a time."""
    if start_after_s is not None and start_after_s >= 0:
        sought = _read_sought(info, clock, damage, after_s=start_after_s)
        first = next(sought, None)
        if first is not None:
            yield first
            yield from sought
            return
        # What was counted on the way belongs to an attempt that is given up.
        clock.first_stamp, clock.last_s, clock.repaired = None, -math.inf, 0
        damage.broken_packets = damage.read_errors = 0
    with closing(_open(info.path)) as container:
        for picture in _decode(container, _choose_stream(container, info.path), damage):
            time_s = clock.read(picture)
            if start_after_s is None or time_s > start_after_s:
                yield picture, time_s


def _read_sought(
    info: ClipInfo, clock: _Clock, damage: _Damage, *, after_s: float
) -> Generator[tuple["VideoFrame", float], None, None]:
    """Yield the frames after a time from a key frame before it on; nothing where the file's index cannot be trusted.

    It is trusted where every frame from the key frame to the first one handed over has a stamp that goes on, so that nothing
    in the times depends on what came earlier.
    """
    with closing(_open(info.path)) as container:
        if not container.format.name.startswith(SEEKABLE_FORMATS):
            return
        stream = _choose_stream(container, info.path)
        first = next(_decode(container, stream, damage), None)
        if first is None or first.pts is None or not first.time_base:
            return
        for margin_s in SEEK_MARGINS_S:
            target = first.pts + math.floor((after_s - margin_s) / first.time_base)
            try:
                container.seek(max(first.pts, target), stream=stream)
            except OSError:
                return
            clock.first_stamp, clock.last_s, clock.repaired = first.pts, -math.inf, 0
            pictures = _decode(container, stream, damage)
            landed = next(pictures, None)
            if landed is not None and clock.read(landed) <= after_s:
                break
        else:
            return
        is_past = False
        for picture in pictures:
            time_s = clock.read(picture)
            if not is_past and clock.repaired:
                return
            is_past = is_past or time_s > after_s
            if is_past:
                yield picture, time_s


def _open(path: Path) -> "InputContainer":
    import av
    from av.error import FFmpegError

    try:
        # "file:" keeps a colon in a name from being taken for a protocol.
        return av.open(
            f"file:{path}",
            options={"format_whitelist": FORMATS, "protocol_whitelist": "file"},
            metadata_errors="replace",
        )
    except (FFmpegError, OSError) as error:
        raise ClipError(
            f"{path}: expected a video that can be opened, found that it cannot be ({error.strerror}); "
            "check that it was copied whole and plays, or leave it out"
        ) from error


def _choose_stream(container: "InputContainer", path: Path) -> "VideoStream":
    """Return the largest moving picture; cover art is none."""
    from av.stream import Disposition

    moving = [s for s in container.streams.video if not s.disposition & Disposition.attached_pic]
    # PyAV's types do not say that a stream of a codec unknown to it has no decoder.
    moving = [s for s in moving if getattr(s, "codec_context", None) is not None]
    if not moving:
        raise ClipError(
            f"{path}: expected a video, found no moving picture in it that can be decoded; "
            "give the clip itself, not its sound, or convert it"
        )
    stream = max(moving, key=lambda s: (s.codec_context.width * s.codec_context.height, -s.index))
    stream.thread_type = "AUTO"
    if (os.cpu_count() or 1) > MOST_THREADS:
        stream.codec_context.thread_count = MOST_THREADS
    stream.codec_context.options = {"max_pixels": str(MOST_PIXELS)}
    return stream


def _decode(
    container: "InputContainer", stream: "VideoStream", damage: _Damage
) -> Generator["VideoFrame", None, None]:
    """Yield what decodes, in the order shown, and count what does not."""
    from av.error import FFmpegError

    is_cut_where_corrupt = not container.format.name.startswith(STREAMED_FORMATS)
    errors_in_a_row = 0
    while errors_in_a_row < MOST_READ_ERRORS:
        try:
            for packet in container.demux(stream):
                errors_in_a_row = 0
                if packet.is_corrupt and is_cut_where_corrupt:
                    damage.broken_packets += 1
                    continue
                try:
                    pictures = packet.decode()
                except FFmpegError:
                    damage.broken_packets += 1
                    continue
                yield from pictures
            return
        except (FFmpegError, OSError):
            damage.read_errors += 1
            errors_in_a_row += 1
    try:
        yield from stream.decode(None)
    except FFmpegError:
        damage.broken_packets += 1


def _read_claimed_duration(container: "InputContainer", stream: "VideoStream") -> float:
    """Return the duration by the header, from the first frame on; nan where it says none."""
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    if not container.duration:
        return math.nan
    # Matroska's duration is where the last frame ends (as FFmpeg writes it, tried), also if the first begins late.
    start = max(0, container.start_time or 0) if container.format.name.startswith("matroska") else 0
    return (container.duration - start) / MICROSECONDS_PER_S


def _describe_oddities(first: "VideoFrame", info: ClipInfo) -> list[str]:
    """Say what of the pictures themselves limits the search."""
    said = []
    if first.interlaced_frame:
        said.append("the clip is interlaced: edges of what moves are combed, and small larvae may be missed")
    if first.rotation % 90:
        said.append(
            f"the clip asks to be turned by {first.rotation} degrees; it was turned by {info.rotation_deg}"
        )
    return said


def _describe_missing_tail(info: ClipInfo, report: ReadReport) -> list[str]:
    if report.frames == 0:
        return ["no frame could be read"]
    if info.claimed_duration_s - report.duration_s > MISSING_TAIL_S:
        return [
            f"the file claims {info.claimed_duration_s:.1f} s, but its pictures end after {report.duration_s:.1f} s; "
            "what is missing was not searched"
        ]
    if report.frames < LEAST_SHARE_OF_FRAMES * info.claimed_frames:
        return [
            f"the file claims {info.claimed_frames} frames, but holds {report.frames}: the camera left frames out, or the end "
            "is missing"
        ]
    return []


def _round_rotation(picture: "VideoFrame") -> int:
    return round(picture.rotation / 90) * 90 % 360

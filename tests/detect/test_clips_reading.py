"""Clips of every awkward kind are opened and read with the times their stamps say."""

import math
import os
import shutil
import struct
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from detect.clips import ClipInfo, Frame, ReadReport, open_clip, read_frames, read_luma, read_rgb
from detect.errors import ClipError

Maker = Callable[..., Path]

TREE_CLIP = Path("/usr/share/doc/opencv-doc/examples/data/tree.avi")


def read_all(path: Path) -> tuple[ClipInfo, list[Frame], ReadReport]:
    info, report = open_clip(path), ReadReport()
    return info, list(read_frames(info, report=report)), report


def test_even_clip_gives_every_frame_at_its_time(make_clip: Maker) -> None:
    """A plain clip is read whole, without a word of complaint."""
    info, frames, report = read_all(make_clip(times_s=12, rate_hz=25))
    assert (info.kind, info.codec, info.bit_depth) == ("video", "h264", 8)
    assert (info.height_px, info.width_px, info.rotation_deg) == (48, 64, 0)
    assert (info.claimed_frames, info.frame_rate_hz) == (12, 25.0)
    assert info.claimed_duration_s == pytest.approx(0.48)
    assert [frame.index for frame in frames] == list(range(12))
    assert [frame.time_s for frame in frames] == [i / 25 for i in range(12)]
    assert (report.frames, report.last_time_s, report.problems) == (12, 11 / 25, [])
    assert report.duration_s == pytest.approx(0.48)


@pytest.mark.parametrize("name", ["clip.mp4", "clip.mov", "clip.mkv"])
@pytest.mark.parametrize("start_s", [0, 3, 7200])
def test_uneven_stamps_are_the_times(make_clip: Maker, name: str, start_s: Fraction) -> None:
    """Times come from the stamps, counted from the first frame, however uneven and wherever they begin."""
    uneven = [Fraction(ms, 1000) for ms in (0, 40, 50, 400, 433, 1500, 1501, 4000)]
    path = make_clip(name, times_s=[start_s + time for time in uneven], options={"bf": "0"})
    _, frames, report = read_all(path)
    assert [frame.time_s for frame in frames] == pytest.approx([float(time) for time in uneven], abs=1e-9)
    assert frames[0].time_s == 0.0
    assert report.problems == []


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_frames_coded_out_of_order_come_in_the_order_shown(
    make_clip: Maker, paint: Maker, codec: str
) -> None:
    """B-frames are handed over where they are shown, each with the picture that was drawn for that time."""
    path = make_clip(
        times_s=20, codec=codec, options={"bf": "3", "x265-params": "log-level=none", "crf": "5"}
    )
    _, frames, report = read_all(path)
    assert [frame.time_s for frame in frames] == [i / 30 for i in range(20)]
    for frame in frames:
        assert np.abs(read_rgb(frame).astype(int) - paint(frame.index).astype(int)).mean() < 8
    assert report.problems == []


@pytest.mark.parametrize(("container", "packet_times"), [("mp4", True), ("mkv", True), ("ts", False)])
def test_times_agree_with_ffprobe(
    make_clip: Maker, run_ffmpeg: Callable[..., bytes], container: str, packet_times: bool
) -> None:
    """Reference: the times that the ffprobe program lists for the same frames."""
    uneven = [Fraction(2, 1) + Fraction(7 * i * i + 40 * i, 1000) for i in range(15)]
    path = make_clip(f"clip.{container}", times_s=uneven)
    listed = run_ffmpeg(
        "ffprobe", "-select_streams", "v", "-show_entries", "frame=pts_time", "-of", "csv=p=0", path
    )
    stamps = [float(line.strip(b", ")) for line in listed.split()]
    _, frames, _ = read_all(path)
    assert [frame.time_s for frame in frames] == pytest.approx([s - stamps[0] for s in stamps], abs=2e-6)
    assert len(stamps) == 15


@pytest.mark.skipif(not TREE_CLIP.exists(), reason="Debian's opencv-doc is not installed")
def test_tree_clip_of_opencv_doc() -> None:
    """Debian's opencv-doc, tree.avi: the container claims 444 frames; 68 decode, 0.33 to 0.73 s apart."""
    info, frames, report = read_all(TREE_CLIP)
    assert info.claimed_frames == 444
    assert len(frames) == report.frames == 68
    steps_s = [after.time_s - before.time_s for before, after in pairwise(frames)]
    assert (min(steps_s), max(steps_s)) == pytest.approx((0.33, 0.73), abs=0.005)
    assert report.last_time_s == pytest.approx(29.53, abs=0.01)
    assert any("claims 444 frames, but holds 68" in problem for problem in report.problems)


def test_bare_stream_without_stamps_takes_its_times_from_the_rate(make_clip: Maker) -> None:
    """A file that holds no stamps and no length is read all the same, and the report says where the times come from."""
    info, frames, report = read_all(make_clip("clip.h264", times_s=8, rate_hz=25))
    assert math.isnan(info.claimed_duration_s) or info.claimed_duration_s > 0
    assert len(frames) == 8
    steps_s = [after.time_s - before.time_s for before, after in pairwise(frames)]
    assert steps_s == pytest.approx([1 / 25] * 7)
    assert report.frames == 8


def test_live_matroska_without_duration_is_read_whole(make_clip: Maker) -> None:
    """A recording that was never closed claims no duration; nothing is called missing from it."""
    info, frames, report = read_all(make_clip("clip.mkv", times_s=9, container_options={"live": "1"}))
    assert math.isnan(info.claimed_duration_s)
    assert info.claimed_frames == 0
    assert (len(frames), report.problems) == (9, [])


def test_single_frame_is_a_clip(make_clip: Maker) -> None:
    info, frames, report = read_all(make_clip(times_s=1))
    assert [(frame.index, frame.time_s) for frame in frames] == [(0, 0.0)]
    assert report.duration_s > 0
    assert info.sha256 and report.problems == []


def test_name_of_a_file_counts_for_nothing(make_clip: Maker, tmp_path: Path) -> None:
    """A clip is known by its bytes: any name, spaces, umlauts and signs that mean something to FFmpeg included."""
    plain = make_clip("clip.mp4", times_s=3)
    for name in (
        "Hörnchen am Ast 1.mp4",
        "http:clip.txt",
        "a%03d.mp4",
        "concat:x|y.jpg",
        "-i.mp4",
        "100 %.mov",
        "ohne",
    ):
        path = tmp_path / name
        shutil.copy(plain, path)
        info, frames, _ = read_all(path)
        assert len(frames) == 3
        assert info.sha256 == open_clip(plain).sha256


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, -90, 270])
def test_lying_portrait_stands_upright(make_clip: Maker, rotation_deg: int) -> None:
    """A clip stored turned is handed out upright: its white corner is where the turn counter-clockwise puts it."""
    path = make_clip(times_s=2, rotation_deg=rotation_deg, options={"crf": "5"})
    info, frames, _ = read_all(path)
    rgb = read_rgb(frames[0])
    assert rgb.shape == (info.height_px, info.width_px, 3)
    assert info.rotation_deg == frames[0].rotation_deg == rotation_deg % 360
    lying = read_luma(frames[0])
    assert lying.shape == (48, 64) and lying[2, 2] > 200
    rows, columns = rgb.shape[0] - 3, rgb.shape[1] - 3
    corner = {0: (2, 2), 90: (rows, 2), 180: (rows, columns), 270: (2, columns)}[rotation_deg % 360]
    assert rgb[corner].min() > 200
    assert np.median(rgb[..., 0]) < 120


@pytest.mark.parametrize("rotation_deg", [90, 180, 270])
def test_upright_as_ffmpeg_turns_it(
    make_clip: Maker, run_ffmpeg: Callable[..., bytes], rotation_deg: int
) -> None:
    """Reference: the ffmpeg program, which turns frames upright of its own accord."""
    path = make_clip(times_s=2, rotation_deg=rotation_deg)
    raw = run_ffmpeg("ffmpeg", "-i", path, "-frames:v", "1", "-f", "rawvideo", "-pix_fmt", "rgb24", "-")
    info, frames, _ = read_all(path)
    expected = np.frombuffer(raw, np.uint8).reshape(info.height_px, info.width_px, 3)
    assert np.abs(read_rgb(frames[0]).astype(int) - expected.astype(int)).mean() < 3


def test_reading_works_from_any_thread_and_twice_at_once(make_clip: Maker) -> None:
    from concurrent.futures import ThreadPoolExecutor

    info = open_clip(make_clip(times_s=15))

    def count_light() -> int:
        return sum(int(read_luma(frame).sum()) for frame in read_frames(info))

    with ThreadPoolExecutor(4) as pool:
        sums = [task.result() for task in [pool.submit(count_light) for _ in range(8)]]
    assert len(set(sums)) == 1


def test_larger_picture_is_the_clip(
    make_clip: Maker, run_ffmpeg: Callable[..., bytes], tmp_path: Path
) -> None:
    """Of two moving pictures in a file the larger one is read; cover art is none."""
    small, large = make_clip("s.mp4", size_px=(16, 16), times_s=5), make_clip("l.mp4", times_s=7)
    both = tmp_path / "both.mp4"
    run_ffmpeg("ffmpeg", "-i", small, "-i", large, "-map", "0:v", "-map", "1:v", "-c", "copy", both)
    info, frames, _ = read_all(both)
    assert (info.width_px, len(frames)) == (64, 7)


# What is no clip


def test_nothing_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match=r"nothing there; check the name"):
        open_clip(tmp_path / "none.mp4")


def test_link_to_nowhere_is_told(tmp_path: Path) -> None:
    link = tmp_path / "link.mp4"
    link.symlink_to(tmp_path / "gone.mp4")
    with pytest.raises(ClipError, match="a link that leads nowhere"):
        open_clip(link)


def test_empty_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "empty.mp4"
    path.touch()
    with pytest.raises(ClipError, match="found an empty file"):
        open_clip(path)


def test_folder_without_photos_is_told(tmp_path: Path) -> None:
    with pytest.raises(ClipError, match="a folder with photos"):
        open_clip(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
def test_pipe_is_told_and_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "pipe.mp4"
    os.mkfifo(path)
    with pytest.raises(ClipError, match="a device or a pipe"):
        open_clip(path)


@pytest.mark.skipif(not hasattr(os, "seteuid"), reason="this system has no such rights")
def test_file_without_the_right_to_read_is_told(make_clip: Maker) -> None:
    path = make_clip(times_s=2)
    path.chmod(0)
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)  # root may read anything; nobody may not
    try:
        with pytest.raises(ClipError, match="cannot be"):
            open_clip(path)
    finally:
        os.seteuid(user)


@pytest.mark.parametrize(
    "content",
    [
        b"horned larva on OT03\n" * 200,
        b"#EXTM3U\n#EXTINF:10,\nhttp://127.0.0.1:9/x.ts\n#EXT-X-ENDLIST\n",
        b"ffconcat version 1.0\nfile clip.mp4\n",
        b"\x00" * 5000,
        b"\x00\x00\x00\x20ftypisom",
        bytes(range(256)) * 40,
        b"\x1aE\xdf\xa3" + b"\x42" * 400,
    ],
    ids=["text", "playlist", "list of files", "zeros", "header only", "noise", "false matroska"],
)
def test_what_is_no_clip_is_told_in_one_line(tmp_path: Path, make_clip: Maker, content: bytes) -> None:
    """Neither text nor noise is taken for a clip, and no list in a file is followed."""
    make_clip("clip.mp4", times_s=2)
    path = tmp_path / "false.mp4"
    path.write_bytes(content)
    with pytest.raises(ClipError) as caught:
        open_clip(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: expected ") and "found" in message and "\n" not in message


def test_sound_alone_is_told(make_sound: Callable[[str], Path]) -> None:
    with pytest.raises(ClipError, match="no moving picture"):
        open_clip(make_sound("sound.mp4"))


def test_cover_art_is_no_clip(
    make_sound: Callable[[str], Path], run_ffmpeg: Callable[..., bytes], tmp_path: Path
) -> None:
    sound, cover, song = make_sound("sound.m4a"), tmp_path / "cover.png", tmp_path / "song.m4a"
    run_ffmpeg("ffmpeg", "-f", "lavfi", "-i", "testsrc=s=64x48", "-frames:v", "1", cover)
    inputs = ("-i", sound, "-i", cover, "-map", "0", "-map", "1")
    run_ffmpeg("ffmpeg", *inputs, "-c", "copy", "-disposition:v:0", "attached_pic", song)
    with pytest.raises(ClipError, match="no moving picture"):
        open_clip(song)


def test_frame_larger_than_8k_is_refused(make_clip: Maker) -> None:
    """A header that claims a frame beyond reason does not fill the memory."""
    path = make_clip("clip.mkv", times_s=2, codec="mjpeg", pix_fmt="yuvj420p")
    content = bytearray(path.read_bytes())
    place = -1
    while (place := content.find(b"\xff\xc0\x00\x11\x08", place + 1)) >= 0:
        content[place + 5 : place + 9] = struct.pack(
            ">HH", 30_000, 30_000
        )  # rows and columns, ITU-T T.81 B.2.2
    path.write_bytes(content)
    with pytest.raises(ClipError, match="larger than 8K"):
        open_clip(path)


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="open files are counted by way of /proc")
def test_no_file_stays_open(make_clip: Maker, make_sound: Callable[[str], Path], tmp_path: Path) -> None:
    """Neither an error nor frames that are not read to the end leave a file open."""
    clip, sound = make_clip(times_s=20), make_sound("sound.mp4")
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(clip.read_bytes()[:300])

    def count_open() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    before = count_open()
    for path in (sound, broken):
        with pytest.raises(ClipError):
            open_clip(path)
    frames = read_frames(open_clip(clip))
    held = [next(frames), next(frames)]
    frames.close()
    assert count_open() == before
    assert read_luma(held[0]).any()

"""How much longer a whole search takes than decoding the same clip alone, and how much memory it needs.

Run as `python -m tests.bench.search [--rounds 5] [--seconds 10] [--folder F] [--long]`. It makes its clips itself: moving leaves
with noise, 1080p30 H.264 at about 17 Mbit/s and 2160p30 HEVC at about 45 Mbit/s. Decoding and searching run in turn, each in a
process of its own; wall and CPU times are from the opening of the clip to its end. Starting the program (imports, weights) costs
the same for a clip of any length and is printed apart. `--long` also searches
20 minutes of 2160p (the same packets again and again, times going on) and prints its peak memory beside that of one minute.
"""

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import cv2
import numpy as np

RATE_HZ = 30


@dataclass(frozen=True, slots=True)
class Made:
    """A clip to be made for the benchmark."""

    name: str
    rows: int
    columns: int
    codec: str
    bit_rate: int


CLIPS = (
    Made("h264_1080", 1080, 1920, "libx264", 17_000_000),
    Made("hevc_2160", 2160, 3840, "libx265", 45_000_000),
)


def draw_leaves(rows: int, columns: int, rng: np.random.Generator) -> np.ndarray:
    """A canvas of overlapping sunlit leaves with dark bodies and twigs among them, uint8 (rows, columns, 3)."""
    light = np.full((rows, columns, 3), 0.9, np.float32)
    for _ in range(rows * columns // 9000):
        row, column = int(rng.integers(rows)), int(rng.integers(columns))
        length = int(rng.integers(40, 130))
        top, left = max(0, row - length), max(0, column - length)
        patch = light[top : row + length, left : column + length]
        stencil = np.zeros(patch.shape[:2], np.uint8)
        angle = float(rng.uniform(0, 180))
        centre = (column - left, row - top)
        cv2.ellipse(stencil, centre, (length // 2, length // 4), angle, 0, 360, 255, -1, cv2.LINE_AA)
        share = (stencil / 255)[..., None].astype(np.float32)
        patch *= 1 - share * (1 - np.array([0.24, 0.55, 0.14], np.float32))
        if rng.random() < 0.03:
            cv2.ellipse(
                patch,
                centre,
                (length // 6, length // 24 + 1),
                angle,
                0,
                360,
                (0.02, 0.03, 0.02),
                -1,
                cv2.LINE_AA,
            )
    code = np.clip(light, 0, 1) ** (1 / 2.2) * 255
    return code.astype(np.uint8)


def move_over(canvas: np.ndarray, made: Made, frames: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Frames of a shaky walk over the canvas, with sensor noise."""
    free_rows, free_columns = canvas.shape[0] - made.rows, canvas.shape[1] - made.columns
    noise = rng.normal(0, 3.0, (made.rows + 64, made.columns + 64, 3)).astype(np.int8)
    shake = np.cumsum(rng.normal(0, 2.5, (frames, 2)), axis=0)
    shake -= np.linspace(0, 1, frames)[:, None] * shake[-1]
    for number in range(frames):
        along = number / max(1, frames - 1)
        row = int(np.clip(free_rows * (0.5 + 0.3 * np.sin(6 * along)) + shake[number, 0], 0, free_rows))
        column = int(np.clip(free_columns * along + shake[number, 1], 0, free_columns))
        frame = canvas[row : row + made.rows, column : column + made.columns]
        dy, dx = rng.integers(0, 64, 2)
        moved = noise[dy : dy + made.rows, dx : dx + made.columns]
        yield cv2.add(frame, moved, dtype=cv2.CV_8U)


def make_clip(folder: Path, made: Made, *, seconds: int) -> Path:
    """Draw and encode one clip; one already there is kept."""
    path = folder / f"{made.name}-{seconds}s.mp4"
    if path.exists():
        return path
    rng = np.random.default_rng(1)
    canvas = draw_leaves(made.rows + made.rows // 4, made.columns + made.columns // 2, rng)
    part = path.with_suffix(".part.mp4")
    with av.open(str(part), "w") as container:
        stream = container.add_stream(made.codec, rate=RATE_HZ)
        stream.width, stream.height, stream.pix_fmt = made.columns, made.rows, "yuv420p"
        stream.bit_rate = made.bit_rate
        stream.gop_size = RATE_HZ
        options = {"preset": "veryfast" if made.codec == "libx264" else "ultrafast"}
        if made.codec == "libx265":
            options["x265-params"] = "log-level=error"
        stream.options = options
        for picture in move_over(canvas, made, seconds * RATE_HZ, rng):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        container.mux(stream.encode())
    part.rename(path)
    return path


def repeat_clip(path: Path, *, times: int) -> Path:
    """The same packets `times` over, times going on, so that a long clip costs no encoding."""
    out = path.with_name(f"{path.stem}-x{times}.mp4")
    if out.exists():
        return out
    part = out.with_suffix(".part.mp4")
    with av.open(str(part), "w") as target:
        stream_out = None
        offset = 0
        for _ in range(times):
            end = 0
            with av.open(str(path)) as source:
                stream = source.streams.video[0]
                if stream_out is None:
                    stream_out = target.add_stream_from_template(stream)
                for packet in source.demux(stream):
                    if packet.dts is None:
                        continue
                    end = max(end, packet.pts + (packet.duration or int(1 / (RATE_HZ * packet.time_base))))
                    packet.pts += offset
                    packet.dts += offset
                    packet.stream = stream_out
                    target.mux(packet)
            offset += end
    part.rename(out)
    return out


def decode_alone(path: Path) -> int:
    """Decode every frame and do nothing with it."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        return sum(1 for _ in container.decode(stream))


def prepare_search() -> Callable[[Path], int]:
    """Load what a search needs once, whatever it searches, and return the search of one clip.

    It does what `leafshade search` does, checkpoint included, without the logbook.
    """
    from detect.clips import open_clip
    from detect.default_scorer import load_scorer, settle_threads
    from detect.search import SearchSettings, search_clip

    settle_threads()
    scorer = load_scorer()

    def search(path: Path) -> int:
        with tempfile.TemporaryDirectory() as folder:
            info = open_clip(path)
            found = search_clip(
                info, SearchSettings(), scorer=scorer, checkpoint_path=Path(folder) / "progress"
            )
        return found.frames

    return search


def run_alone(action: str, path: Path) -> dict[str, float]:
    """Run one action in a process of its own and return its times and peak memory."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.search", "--action", action, str(path)],
        check=True,
        capture_output=True,
        text=True,
    )
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return figures


def read_peak_mib() -> float:
    """Return the most memory this process has held, from Linux's own count.

    `getrusage` would do elsewhere, but after a fork it begins with the parent's peak, and the parent has just drawn a 4K clip.
    """
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def act(action: str, path: Path) -> None:
    """Do one action in this process and print its figures as JSON."""
    run = decode_alone if action == "decode" else prepare_search()
    start_s = time.process_time()
    began, cpu_began = time.perf_counter(), time.process_time()
    frames = run(path)
    figures = {
        "frames": frames,
        "wall_s": time.perf_counter() - began,
        "cpu_s": time.process_time() - cpu_began,
        "start_s": start_s,
        "peak_mib": read_peak_mib(),
    }
    print(json.dumps(figures))


def compare(path: Path, rounds: int) -> tuple[float, float, float]:
    """Decode and search in turn; return the median ratios of wall and CPU time, and the peak memory of the search in MiB."""
    decoded, searched = [], []
    for number in range(rounds):
        decoded.append(run_alone("decode", path))
        searched.append(run_alone("search", path))
        print(
            f"{path.name} round {number + 1}: decode {decoded[-1]['wall_s']:.2f} s wall {decoded[-1]['cpu_s']:.2f} s CPU "
            f"({decoded[-1]['frames'] / decoded[-1]['wall_s']:.0f} frames/s), "
            f"search {searched[-1]['wall_s']:.2f} s wall {searched[-1]['cpu_s']:.2f} s CPU, "
            f"peak {searched[-1]['peak_mib']:.0f} MiB, start {searched[-1]['start_s']:.1f} s CPU",
            flush=True,
        )
    pairs = list(zip(searched, decoded, strict=True))
    wall = statistics.median(s["wall_s"] / d["wall_s"] for s, d in pairs)
    cpu = statistics.median(s["cpu_s"] / d["cpu_s"] for s, d in pairs)
    return wall, cpu, max(s["peak_mib"] for s in searched)


def main() -> None:
    """Make the clips, compare, print; the last line holds all figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seconds", type=int, default=10)
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--only", choices=[made.name for made in CLIPS], default=None)
    parser.add_argument("--long", action="store_true")
    parser.add_argument("--action", choices=["decode", "search"], default=None, help=argparse.SUPPRESS)
    parser.add_argument("path", nargs="?", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.action:
        return act(given.action, given.path)
    with tempfile.TemporaryDirectory() as made_here:
        folder = given.folder or Path(made_here)
        folder.mkdir(parents=True, exist_ok=True)
        figures = {
            made.name: compare(make_clip(folder, made, seconds=given.seconds), given.rounds)
            for made in CLIPS
            if given.only in (None, made.name)
        }
        if given.long:
            path = make_clip(folder, CLIPS[1], seconds=given.seconds)
            for minutes in (1, 20):
                peak = run_alone("search", repeat_clip(path, times=minutes * 60 // given.seconds))["peak_mib"]
                print(f"2160p, {minutes} min: peak {peak:.0f} MiB")
    none = (float("nan"),) * 3
    hd, uhd = figures.get("h264_1080", none), figures.get("hevc_2160", none)
    print(
        f"search-ratio h264_1080={hd[0]:.3f} hevc_2160={uhd[0]:.3f} cpu_1080={hd[1]:.3f} cpu_2160={uhd[1]:.3f} "
        f"peak_mib={np.nanmax([hd[2], uhd[2]]):.0f}"
    )


if __name__ == "__main__":
    main()

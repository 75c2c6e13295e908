"""Photos as a clip: one photo, or those lying directly in a folder, ordered by the time taken, then by name.

A photo's time in the clip is how long after the first it was taken, and at least one second after the photo before; one that
says no time follows the last by one second. Each counts as one second of effort. One photo alone is read in `detect.shots`.
"""

import hashlib
import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

from detect.clip_info import ClipInfo, ReadReport
from detect.errors import ClipError
from detect.file_kinds import PHOTO_KINDS, sniff_file
from detect.pictures import Frame
from detect.shots import Shot, read_photo, read_shot

PHOTO_STEP_S = 1.0
"""Least time between two photos, and what one counts for as effort; EXIF tells times to the second."""


@dataclass(frozen=True, slots=True)
class TimedShot:
    """A photo with its place in the clip, seconds from the first photo."""

    shot: Shot
    time_s: float


def open_photos(path: Path) -> ClipInfo:
    """Open a photo, or a folder of photos, and return what is known of it.

    The digest of a folder is the sha256 over its photos' names and digests in the order of the names: any change to the
    photos makes a new clip, other files in the folder do not.

    Raises
    ------
    ClipError
        Where there is no photo whose header can be read.
    """
    paths = find_photos(path)
    if not paths:
        raise ClipError(
            f"{path}: expected a folder with photos in it (JPEG, PNG or HEIC), found none; give the folder they lie in"
        )
    timed = order_shots(paths, ReadReport())
    first = timed[0].shot if timed else read_shot(paths[0])  # which raises, with the reason
    return ClipInfo(
        path=path,
        sha256=_digest_folder(paths) if path.is_dir() else digest_file(path),
        kind="photos",
        width_px=first.width_px,
        height_px=first.height_px,
        rotation_deg=0,
        claimed_duration_s=timed[-1].time_s + PHOTO_STEP_S,
        claimed_frames=len(paths),
        frame_rate_hz=0.0,
        codec=first.kind,
        bit_depth=first.bit_depth,
        size_bytes=sum(photo.stat().st_size for photo in paths),
    )


def read_photos(
    info: ClipInfo, *, start_after_s: float | None, first_index: int, report: ReadReport
) -> Generator[Frame, None, None]:
    """Yield the photos after `start_after_s`, decoded and upright; see `detect.clips.read_frames`."""
    index = first_index
    report.frames, report.duration_s = first_index, first_index * PHOTO_STEP_S
    for timed in order_shots(find_photos(info.path), report):
        if start_after_s is not None and timed.time_s <= start_after_s:
            continue
        try:
            rgb = read_photo(timed.shot.path)
        except ClipError as error:
            report.problems.append(str(error))
            continue
        report.frames, report.last_time_s = index + 1, timed.time_s
        report.duration_s = report.frames * PHOTO_STEP_S
        yield Frame(index, timed.time_s, 0, rgb)
        index += 1


def find_photos(path: Path) -> list[Path]:
    """Return the photos directly in a folder, by name, or the one photo; hidden files are none."""
    if not path.is_dir():
        return [path]
    files = (file for file in sorted(path.iterdir()) if not file.name.startswith(".") and file.is_file())
    return [file for file in files if _is_photo(file)]


def order_shots(paths: Sequence[Path], report: ReadReport) -> list[TimedShot]:
    """Order photos by time taken, then name, and give each its time; those whose header cannot be read are reported."""
    shots = []
    for path in paths:
        try:
            shots.append(read_shot(path))
        except ClipError as error:
            report.problems.append(str(error))
    clocks_s = _compare_clocks(shots)
    order = sorted(range(len(shots)), key=lambda i: (clocks_s[i], shots[i].path.name))
    timed: list[TimedShot] = []
    for i in order:
        time_s = timed[-1].time_s + PHOTO_STEP_S if timed else 0.0
        if math.isfinite(clocks_s[i]):
            time_s = max(time_s, clocks_s[i] - clocks_s[order[0]])
        timed.append(TimedShot(shots[i], time_s))
    return timed


def digest_file(path: Path) -> str:
    """Return the sha256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _digest_folder(paths: Sequence[Path]) -> str:
    digest = hashlib.sha256()
    for path in sorted(paths, key=lambda p: p.name):
        # No name holds a zero byte, so no two folders can read alike.
        digest.update(f"{path.name}\0{digest_file(path)}\0".encode("utf-8", "surrogateescape"))
    return digest.hexdigest()


def _is_photo(path: Path) -> bool:
    try:
        return sniff_file(path) in PHOTO_KINDS
    except OSError:
        return False


def _compare_clocks(shots: Sequence[Shot]) -> list[float]:
    """Seconds on one clock for all: UTC where every photo says its offset, else the camera's; inf where one says no time."""
    moments = [shot.taken_at for shot in shots]
    all_aware = all(moment is None or moment.tzinfo is not None for moment in moments)
    clocks_s = []
    for moment in moments:
        if moment is None:
            clocks_s.append(math.inf)
        else:
            clocks_s.append((moment if all_aware else moment.replace(tzinfo=UTC)).timestamp())
    return clocks_s

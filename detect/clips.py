"""Clips opened and read frame by frame, whether they are videos or photos.

Frames come in the order shown, with times in seconds from the first, by time stamp. Their pixels are converted only when asked
for (`read_luma`, `read_planes`, `read_rgb`). Which files a person means is found in `detect.clip_paths`; when a clip was
recorded, in `detect.recording_time`.
"""

import stat
from collections.abc import Callable, Generator, Iterable
from dataclasses import replace
from pathlib import Path

from detect.clip_info import ClipInfo, ClipKind, ReadReport
from detect.clip_paths import FoundClips, expand_paths
from detect.errors import ClipError
from detect.file_kinds import PHOTO_KINDS, sniff_file
from detect.photos import digest_file, open_photos, read_photos
from detect.pictures import Frame, read_luma, read_planes, read_rgb, turn_upright
from detect.reading_ahead import read_ahead
from detect.video import open_video, read_video

__all__ = [
    "ChangeFrames",
    "ClipInfo",
    "ClipKind",
    "FoundClips",
    "Frame",
    "ReadReport",
    "expand_paths",
    "find_kind",
    "open_clip",
    "read_ahead",
    "read_frames",
    "read_luma",
    "read_planes",
    "read_rgb",
    "reopen_clip",
    "turn_upright",
]

ChangeFrames = Callable[[Iterable[Frame]], Generator[Frame, None, None]]
"""From the frames of a clip to those that are looked at instead: one for each, at the same times."""


def open_clip(path: Path) -> ClipInfo:
    """Open a clip, decode its first frame and return what is known of it; reads the whole file once for its digest.

    Parameters
    ----------
    path : a video, a photo, or a folder of photos

    Raises
    ------
    ClipError
        Where the path is missing, empty or unreadable, or holds no picture.
    """
    try:
        if find_kind(path) == "photos":
            return open_photos(path)
        # Opened before it is hashed: a wrong file is told at once, however large.
        return replace(open_video(path, ""), sha256=digest_file(path))
    except OSError as error:
        raise _cannot_read(path, error) from error


def reopen_clip(path: Path, sha256: str) -> ClipInfo:
    """Open a clip whose digest is known, without reading it through; the digest is trusted, not checked.

    Raises
    ------
    ClipError
        As `open_clip`.
    """
    try:
        if find_kind(path) == "photos":
            return replace(open_photos(path), sha256=sha256)
        return open_video(path, sha256)
    except OSError as error:
        raise _cannot_read(path, error) from error


def read_frames(
    info: ClipInfo,
    *,
    start_after_s: float | None = None,
    first_index: int = 0,
    report: ReadReport | None = None,
) -> Generator[Frame, None, None]:
    """Yield the clip's frames in the order shown, each later than the one before.

    What cannot be decoded is passed over and told in the report; an end that is cut off ends the frames.

    Parameters
    ----------
    start_after_s : only frames later than this are handed over, with the same times and pixels as in a reading from the
        start; None for all. Costs little in MP4, QuickTime and Matroska whose stamps go on; others are decoded from the start
    first_index : index of the first frame handed over
    report : filled while reading, and complete once the frames have ended; faults before a later start are not in it

    Raises
    ------
    ClipError
        Where the clip can no longer be opened.
    """
    report = ReadReport() if report is None else report
    read = read_photos if info.kind == "photos" else read_video
    return read(info, start_after_s=start_after_s, first_index=first_index, report=report)


def find_kind(path: Path) -> ClipKind:
    """Tell videos from photos by their bytes; a folder is one of photos.

    Raises
    ------
    ClipError
        Where there is nothing, an empty file, or neither file nor folder.
    """
    if not path.exists():
        found = "a link that leads nowhere" if path.is_symlink() else "nothing there"
        raise ClipError(
            f"{path}: expected a clip, found {found}; check the name and that the disk is connected"
        )
    if path.is_dir():
        return "photos"
    status = path.stat()
    if not stat.S_ISREG(status.st_mode):
        raise ClipError(
            f"{path}: expected a clip, found a device or a pipe; copy the recording into a file first"
        )
    if status.st_size == 0:
        raise ClipError(f"{path}: expected a clip, found an empty file; copy it again from the camera")
    return "photos" if sniff_file(path) in PHOTO_KINDS else "video"


def _cannot_read(path: Path, error: OSError) -> ClipError:
    return ClipError(
        f"{path}: expected a clip that can be read, found that it cannot be ({error.strerror or error}); "
        "check the disk and your rights to it"
    )

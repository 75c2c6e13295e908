"""Clips opened and read frame by frame, whether they are videos or photos.

Frames come in the order shown, with times in seconds from the first, by time stamp. Their pixels are converted only when asked
for (`read_luma`, `read_planes`, `read_rgb`). Which files make up a clip is found in `detect.clip_paths`.
"""

import hashlib
from collections.abc import Generator, Iterator
from pathlib import Path
from queue import Empty, Full, Queue
from threading import Event, Thread
from typing import TypeVar

from detect.clip_info import ClipInfo, ReadReport
from detect.errors import ClipError
from detect.pictures import Frame, read_luma, read_planes, read_rgb, turn_upright
from detect.video import open_video, read_video

__all__ = [
    "ClipInfo",
    "Frame",
    "ReadReport",
    "open_clip",
    "read_ahead",
    "read_frames",
    "read_luma",
    "read_planes",
    "read_rgb",
    "turn_upright",
]

Item = TypeVar("Item")


def open_clip(path: Path) -> ClipInfo:
    """Open a clip, decode its first frame and return what is known of it.

    Raises
    ------
    ClipError
        Where the path is missing, empty or unreadable, or holds no picture.
    """
    if not path.exists():
        raise ClipError(
            f"{path}: expected a clip, found nothing there; check the name and that the disk is connected"
        )
    if path.is_dir():
        raise ClipError(f"{path}: expected a clip, found a folder; give the clips in it")
    if path.stat().st_size == 0:
        raise ClipError(f"{path}: expected a clip, found an empty file; copy it again from the camera")
    with path.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
    return open_video(path, digest)


def read_frames(
    info: ClipInfo,
    *,
    start_after_s: float | None = None,
    first_index: int = 0,
    report: ReadReport | None = None,
) -> Iterator[Frame]:
    """Yield the clip's frames in the order shown.

    Parameters
    ----------
    start_after_s : only frames later than this are handed over, the same ones with the same times as in a reading from the
        start; None for all
    first_index : index of the first frame handed over
    report : filled with what was read and what was wrong
    """
    report = ReadReport() if report is None else report
    return read_video(info, start_after_s=start_after_s, first_index=first_index, report=report)


def read_ahead(items: Iterator[Item], depth: int) -> Generator[Item, None, None]:
    """Yield the items while a thread of its own fetches up to `depth` of them ahead.

    An error of `items` is raised here, in its place. Closing the generator ends the thread.
    """
    fetched: Queue[tuple[Item | None, BaseException | None, bool]] = Queue(depth)
    stopped = Event()

    def put(entry: tuple[Item | None, BaseException | None, bool]) -> None:
        while not stopped.is_set():
            try:
                return fetched.put(entry, timeout=0.1)
            except Full:
                continue

    def fetch() -> None:
        try:
            for item in items:
                put((item, None, False))
                if stopped.is_set():
                    break
            put((None, None, True))
        except BaseException as error:
            put((None, error, True))
        finally:
            close = getattr(items, "close", None)
            if close is not None:
                close()

    thread = Thread(target=fetch, name="read-ahead", daemon=True)
    thread.start()
    try:
        while True:
            item, error, is_last = fetched.get()
            if error is not None:
                raise error
            if is_last:
                return
            yield item  # type: ignore[misc]
    finally:
        stopped.set()
        while True:
            try:
                fetched.get_nowait()
            except Empty:
                break
        thread.join()

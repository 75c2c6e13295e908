"""Strips of small pictures along a clip, made in a thread of their own and kept in the logbook's folder of evidence.

A picture is named by the clip's sha256 and its place in the strip. Making waits for nobody: the page asks again until all are
there. Why there are none is said in a sentence. One clip is read at a time.
"""

import threading
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from annotate.errors import AnnotateError
from annotate.logbook.opening import EVIDENCE_NAME, Logbook
from annotate.logbook.records import Clip
from detect.errors import DetectError

STRIPS_NAME = "strips"
PICTURES = 16
"""Along the strip: on a phone each is as wide as a thumb once the strip is scrolled, on a desk all stand side by side."""

WIDTH_PX = 160
QUALITY = 80


@dataclass(frozen=True, slots=True)
class StripState:
    """How many pictures of a strip are there, whether it is done, and what to say of it."""

    ready: int
    is_done: bool
    sentence: str


_making = threading.Lock()
_reasons: dict[tuple[str, str], str] = {}
_wanted: set[Path] = set()
_guard = threading.Lock()


def list_times(clip: Clip) -> list[float]:
    """Return the moments of the strip's pictures, in s."""
    return [(place + 0.5) / PICTURES * clip.duration_s for place in range(PICTURES)]


def find_picture(logbook: Logbook, sha256: str, place: int) -> Path:
    """Return where a picture of a strip stands or would stand."""
    return logbook.folder / EVIDENCE_NAME / STRIPS_NAME / f"{sha256[:32]}-{place}.jpg"


def ask_for_strip(logbook: Logbook, clip: Clip) -> StripState:
    """Return how far a strip is, and see to it that it is made."""
    ready = sum(find_picture(logbook, clip.sha256, place).is_file() for place in range(PICTURES))
    if ready == PICTURES:
        return StripState(ready, True, "")
    path = Path(clip.path)
    if not path.exists():
        sentence = (
            f"The clip {clip.name} is no longer at {path.parent}, so there are no pictures; its times hold. "
            "Put it back there, or search it again where it lies now."
        )
        return StripState(ready, True, sentence)
    reason = _reasons.get((str(logbook.folder), clip.sha256))
    if reason is not None:
        return StripState(ready, True, reason)
    first = find_picture(logbook, clip.sha256, 0)
    with _guard:
        if first not in _wanted:
            _wanted.add(first)
            threading.Thread(target=_make, args=(logbook, clip), name="strip-maker", daemon=True).start()
    return StripState(ready, False, "Reading pictures from the clip.")


def _make(logbook: Logbook, clip: Clip) -> None:
    try:
        with _making:
            for place, jpeg in _read(clip):
                _write(find_picture(logbook, clip.sha256, place), jpeg)
    except (AnnotateError, DetectError, OSError, StopIteration) as error:
        _reasons[str(logbook.folder), clip.sha256] = f"There are no pictures: {error}."
    finally:
        with _guard:
            _wanted.discard(find_picture(logbook, clip.sha256, 0))


def _read(clip: Clip) -> "Iterator[tuple[int, bytes]]":
    import cv2
    import numpy as np

    from detect.clips import open_clip, read_frames
    from detect.photos import PHOTO_STEP_S
    from detect.pictures import read_rgb
    from detect.snapshots import encode_jpeg

    info = open_clip(Path(clip.path))
    if info.sha256 != clip.sha256:
        raise AnnotateError(
            f"clip: expected the one that was searched at {clip.path}; found another file under its name; put the clip back"
        )
    # A photo stands for the step that begins with it; of a video, frames are so close that the next one does.
    back_s = PHOTO_STEP_S if info.kind == "photos" else 0.0
    last = None
    for place, time_s in enumerate(list_times(clip)):
        with closing(read_frames(info, start_after_s=time_s - back_s)) as frames:
            frame = next(frames, None)
        if frame is None and last is None:
            with closing(read_frames(info)) as frames:
                frame = next(frames, None)
        if frame is not None:
            rgb = read_rgb(frame)
            scale = WIDTH_PX / rgb.shape[1]
            size = (WIDTH_PX, max(1, round(rgb.shape[0] * scale)))
            small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
            last = encode_jpeg(small, quality=QUALITY)
        if last is None:
            raise AnnotateError(
                "clip: expected frames that can be decoded; found none; copy it again from the camera"
            )
        yield place, last


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_suffix(".new")
    temporary.write_bytes(data)
    temporary.replace(path)

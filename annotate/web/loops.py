"""Steadied loops, made one after another in a thread of their own and kept in the logbook's folder of evidence.

A loop is named by a hash of everything it is made from, so a kept one is right for ever. Making waits for nobody: a page asks
again until its loop is there, and the loop asked for last is made first. Why there is none is said in a sentence.
"""

import hashlib
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Self

from annotate.errors import AnnotateError
from annotate.logbook.opening import EVIDENCE_NAME, Logbook
from annotate.logbook.pictures import read_picture
from annotate.logbook.records import QueuedCandidate, QueuedView
from detect.clip_info import ClipInfo
from detect.errors import DetectError
from models.whole_files import write_whole

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LOOPS_NAME = "loops"
LOOP_RULES = "1"
"""Raised whenever loops come out differently, so that older ones are made anew."""

MOST_WAITING = 24
"""Older wishes are forgotten: whoever still wants one asks again."""

MOST_CLIPS = 16
MOST_REASONS = 512

READY = "The shake is taken out; the light plays as it did."
MAKING = "Making the steadied loop."


@dataclass(frozen=True, slots=True)
class LoopState:
    """Where a wish stands: "ready", "making", or "none" with the reason in the sentence."""

    state: Literal["ready", "making", "none"]
    name: str
    sentence: str


@dataclass(frozen=True, slots=True)
class _Wish:
    """A loop to be made: its name, of which candidate, the clip as it lies on the disk now, and the view."""

    name: str
    candidate_id: int
    clip_path: Path
    clip_sha256: str
    clip_stamp: tuple[int, int]
    view: QueuedView


class LoopMaker:
    """Makes loops in the background; close it, or use it as a context manager."""

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook
        self._folder = logbook.folder / EVIDENCE_NAME / LOOPS_NAME
        self._waiting: OrderedDict[str, _Wish] = OrderedDict()
        self._current = ""
        self._reasons: OrderedDict[tuple[str, tuple[int, int]], str] = OrderedDict()
        self._clips: OrderedDict[tuple[Path, tuple[int, int]], ClipInfo] = OrderedDict()
        self._opening = threading.Lock()
        self._changed = threading.Condition()
        self._is_closed = False
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop after the loop that is being made; wishes still waiting are dropped."""
        with self._changed:
            self._is_closed = True
            self._waiting.clear()
            self._changed.notify_all()
        if self._thread is not None:
            self._thread.join()

    def find_path(self, name: str) -> Path:
        """Return where a loop of that name stands or would stand."""
        return self._folder / f"{name}.webp"

    def ask(self, candidate: QueuedCandidate, view: QueuedView, *, is_urgent: bool) -> LoopState:
        """Return where the loop of a view stands; one that is not there yet is put in the queue.

        Parameters
        ----------
        is_urgent : made before all others; a loop asked for ahead waits behind them
        """
        name = _name_loop(candidate, view)
        if self.find_path(name).is_file():
            return LoopState("ready", name, READY)
        path = Path(candidate.clip_path)
        stamp = _stamp(path)
        if stamp is None:
            return LoopState(
                "none",
                name,
                f"The clip {candidate.clip_name} is no longer at {path.parent}, so there is no loop; put it back there, "
                "or search it again where it lies now.",
            )
        reason = self._reasons.get((name, stamp))
        if reason is not None:
            return LoopState("none", name, reason)
        wish = _Wish(name, candidate.id, path, candidate.clip_sha256, stamp, view)
        self._queue(wish, is_urgent=is_urgent)
        return LoopState("making", name, MAKING)

    def _queue(self, wish: _Wish, *, is_urgent: bool) -> None:
        with self._changed:
            if self._is_closed or wish.name == self._current:
                return
            self._waiting.setdefault(wish.name, wish)
            if is_urgent:
                self._waiting.move_to_end(wish.name, last=False)
            while len(self._waiting) > MOST_WAITING:
                self._waiting.popitem(last=True)
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="loop-maker", daemon=True)
                self._thread.start()
            self._changed.notify_all()

    def _work(self) -> None:
        while True:
            with self._changed:
                self._current = ""
                self._changed.wait_for(lambda: self._is_closed or self._waiting)
                if self._is_closed:
                    return
                self._current, wish = self._waiting.popitem(last=False)
            reason = self._make(wish)
            if reason:
                self._reasons[wish.name, wish.clip_stamp] = reason
                while len(self._reasons) > MOST_REASONS:
                    self._reasons.popitem(last=False)

    def _make(self, wish: _Wish) -> str:
        """Make one loop; return why there is none, or nothing."""
        from annotate.judging.planting import find_change
        from detect.steadying import LoopPlace, NoLoopError, encode_loop, steady

        try:
            info = self.open_clip(wish.clip_path, sha256=wish.clip_sha256)
            picture = _decode(read_picture(self._logbook, wish.view.picture))
            place = LoopPlace(wish.view.time_s, wish.view.picture_origin_px, _find_middle(wish.view), picture)
            changed = find_change(self._logbook, wish.candidate_id)
            frames = steady(info, place, change_frames=changed)
            path = self.find_path(wish.name)
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, encode_loop(frames))
        except NoLoopError as reason:
            return str(reason)
        except (AnnotateError, DetectError, OSError) as error:
            return f"There is no loop: {error}."
        except Exception as error:  # a mistake in making one loop must not end the thread for all others
            return f"There is no loop: making it failed ({type(error).__name__}: {error})."
        return ""

    def open_clip(self, path: Path, *, sha256: str) -> ClipInfo:
        """Open a clip, once for all that is cut from it; refuse other bytes than those that were searched.

        Raises
        ------
        annotate.errors.AnnotateError, detect.errors.DetectError
            Where the clip is not there any more, or another.
        """
        from detect.clips import open_clip

        stamp = _stamp(path)
        if stamp is None:
            raise AnnotateError(
                f"clip: expected it at {path.parent}, where it was searched; found it gone; put it back there, or search it "
                "again where it lies now"
            )
        key = (path, stamp)
        with self._opening:
            if key not in self._clips:
                self._clips[key] = open_clip(path)
                while len(self._clips) > MOST_CLIPS:
                    self._clips.popitem(last=False)
            info = self._clips[key]
        if info.sha256 != sha256:
            raise AnnotateError(
                f"expected the clip that was searched at {path}; found another file under its name; "
                "put the clip back, or search the new one"
            )
        return info


def _name_loop(candidate: QueuedCandidate, view: QueuedView) -> str:
    parts = (
        LOOP_RULES,
        candidate.clip_sha256,
        repr(view.time_s),
        repr(view.picture_origin_px),
        repr(view.box),
        view.picture,
    )
    return hashlib.sha256(" ".join(parts).encode()).hexdigest()


def _find_middle(view: QueuedView) -> tuple[float, float]:
    row, column, row_end, column_end = view.box
    return (row + row_end - 1) / 2, (column + column_end - 1) / 2


def _stamp(path: Path) -> tuple[int, int] | None:
    """Return modification time and size of a file, by which a changed file is told; None where there is none."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_mtime_ns, state.st_size


def _decode(jpeg: bytes) -> "NDArray[np.uint8]":
    import io

    import numpy as np
    from PIL import Image

    with Image.open(io.BytesIO(jpeg)) as picture:
        return np.asarray(picture.convert("RGB"))

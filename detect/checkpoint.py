"""What an interrupted search needs to go on: every searched frame, one line of JSON each, appended as it comes.

A line cut off by a kill is dropped and its frame searched again. The first line says which clip, settings and scorer the file
belongs to; a file of another search is begun anew. This file follows nothing and knows no candidate.
"""

import base64
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import numpy as np

from detect.cards import CardSighting
from detect.errors import DetectError
from detect.following import SearchedFrame
from detect.regions import Region, ScoredRegion

FORMAT = 2


class Checkpoint:
    """An append-only file of searched frames for one clip and one set of settings.

    Parameters
    ----------
    path : where the file stands or will stand; its folder must exist
    identity : whatever makes two searches the same (clip digest, settings, scorer); compared as text
    """

    def __init__(self, path: Path, identity: str) -> None:
        self.path = path
        self._identity = identity
        self._stream: IO[bytes] | None = None

    def read(self) -> Iterator[SearchedFrame]:
        """Yield the frames kept so far; when all are read, cut the file after the last whole one."""
        header = json.dumps({"format": FORMAT, "identity": self._identity}).encode() + b"\n"
        try:
            with self.path.open("rb") as stream:
                fits = stream.readline() == header
        except FileNotFoundError:
            fits = False
        if not fits:
            self._begin(header)
            return
        whole = len(header)
        with self.path.open("rb") as stream:
            stream.seek(whole)
            for line in stream:
                if not line.endswith(b"\n"):
                    break
                try:
                    entry = _unpack(json.loads(line))
                except (ValueError, KeyError, TypeError):
                    break
                whole += len(line)
                yield entry
        os.truncate(self.path, whole)

    def add(self, frame: SearchedFrame) -> None:
        """Append one searched frame; it is on its way to the disk when this returns."""
        try:
            if self._stream is None:
                self._stream = self.path.open("ab")
            self._stream.write(json.dumps(_pack(frame), separators=(",", ":")).encode() + b"\n")
            self._stream.flush()
        except OSError as error:
            raise _say_unwritable(self.path, error) from error

    def close(self) -> None:
        """Close the file and keep it."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None

    def remove(self) -> None:
        """Close the file and delete it: the search it belongs to is saved elsewhere."""
        self.close()
        self.path.unlink(missing_ok=True)

    def _begin(self, header: bytes) -> None:
        try:
            self.path.write_bytes(header)
        except OSError as error:
            raise _say_unwritable(self.path, error) from error


def _say_unwritable(path: Path, error: OSError) -> DetectError:
    return DetectError(
        f"the search cannot keep its progress: expected to write {path}, found: {error.strerror}; "
        "free some space or choose a folder that can be written, then run the same command again"
    )


def _pack(frame: SearchedFrame) -> dict[str, Any]:
    return {
        "index": frame.index,
        "time_s": frame.time_s,
        "sharpness": frame.sharpness,
        "size_px": frame.size_px,
        "motion": None if frame.motion is None else frame.motion.tolist(),
        "carried": frame.carried.tolist(),
        "regions": [_pack_region(scored) for scored in frame.regions],
        "pictures": [_to_text(picture) for picture in frame.pictures],
        "origins_px": frame.origins_px,
        "frame_jpeg": _to_text(frame.frame_jpeg),
        "cards": [[card.time_s, card.number, card.corners.tolist()] for card in frame.cards],
    }


def _unpack(entry: dict[str, Any]) -> SearchedFrame:
    rows, columns = entry["size_px"]
    motion = entry["motion"]
    return SearchedFrame(
        index=entry["index"],
        time_s=entry["time_s"],
        sharpness=entry["sharpness"],
        size_px=(rows, columns),
        motion=None if motion is None else np.array(motion, dtype=np.float64),
        carried=np.array(entry["carried"], dtype=np.float64).reshape(-1, 2),
        regions=tuple(_unpack_region(region) for region in entry["regions"]),
        pictures=tuple(base64.b64decode(text, validate=True) for text in entry["pictures"]),
        origins_px=tuple((row, column) for row, column in entry["origins_px"]),
        frame_jpeg=base64.b64decode(entry["frame_jpeg"], validate=True),
        cards=tuple(_unpack_card(*card) for card in entry["cards"]),
    )


def _unpack_card(time_s: float, number: int, corners: list[list[float]]) -> CardSighting:
    return CardSighting(time_s, number, np.array(corners, dtype=np.float32).reshape(4, 2))


def _pack_region(scored: ScoredRegion) -> dict[str, Any]:
    region = scored.region
    return {
        "kind": region.kind,
        "box": region.box,
        "outline": region.outline.tolist(),
        "length_px": region.length_px,
        "width_px": region.width_px,
        "missing_percent": region.missing_percent,
        "features": region.features.tolist(),
        "score": scored.score,
    }


def _unpack_region(entry: dict[str, Any]) -> ScoredRegion:
    top, left, bottom, right = entry["box"]
    region = Region(
        kind=entry["kind"],
        box=(top, left, bottom, right),
        outline=np.array(entry["outline"], dtype=np.float32).reshape(-1, 2),
        length_px=entry["length_px"],
        width_px=entry["width_px"],
        missing_percent=entry["missing_percent"],
        features=np.array(entry["features"], dtype=np.float32),
    )
    return ScoredRegion(region, entry["score"])


def _to_text(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")

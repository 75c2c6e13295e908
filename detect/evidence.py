"""Pictures of candidates, kept out of memory: a long clip can have thousands, and only a person will look at them again.

The first few megabytes stay in memory; more goes to a temporary file that has no name and is gone with the program, however it
ends. This file knows nothing of what a picture shows.
"""

from dataclasses import dataclass, field
from pathlib import Path
from tempfile import SpooledTemporaryFile
from threading import Lock
from typing import Protocol
from weakref import finalize

from detect.errors import DetectError

MOST_IN_MEMORY = 8_000_000
"""Bytes of one clip's pictures that are held in memory before they go to a file."""


class Jpeg(Protocol):
    """A JPEG, wherever it is held."""

    def read(self) -> bytes:
        """Return its bytes."""
        ...


@dataclass(frozen=True, slots=True)
class HeldJpeg:
    """A JPEG held in memory."""

    data: bytes = field(repr=False)

    def read(self) -> bytes:
        """Return its bytes."""
        return self.data


@dataclass(frozen=True, slots=True, eq=False)
class StoredJpeg:
    """A JPEG in a store, `size` bytes from `start`."""

    store: "PictureStore" = field(repr=False)
    start: int
    size: int

    def read(self) -> bytes:
        """Return its bytes."""
        return self.store.read(self.start, self.size)


class PictureStore:
    """Takes the pictures of one clip's candidates and gives them back; its state is the file they go to.

    Parameters
    ----------
    folder : where the file goes once there is one; None for the system's own place
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._file = SpooledTemporaryFile(  # noqa: SIM115  # closed with the store, or with the last picture let go
            MOST_IN_MEMORY, dir=None if folder is None else str(folder)
        )
        self._closing = finalize(self, self._file.close)
        self._end = 0
        self._lock = Lock()

    def keep(self, jpeg: Jpeg) -> StoredJpeg:
        """Take a picture.

        Raises
        ------
        detect.errors.DetectError
            Where it cannot be written, on a full disk say.
        """
        data = jpeg.read()
        with self._lock:
            start = self._end
            try:
                self._file.seek(start)
                self._file.write(data)
                self._file.flush()
            except OSError as error:
                raise DetectError(
                    f"a picture of {len(data)} bytes: expected room for it in a temporary file, found: {error.strerror}; "
                    "make room on the disk and search again"
                ) from error
            self._end += len(data)
        return StoredJpeg(self, start, len(data))

    def read(self, start: int, size: int) -> bytes:
        """Return bytes that were kept."""
        with self._lock:
            self._file.seek(start)
            return self._file.read(size)

    def close(self) -> None:
        """Let go of everything; what was kept here can no longer be read."""
        self._closing()

"""Lets a thread fetch items before they are asked for, so that decoding and searching overlap. Knows nothing of clips."""

from collections.abc import Generator
from queue import Empty, Full, Queue
from threading import Event, Thread
from typing import Generic, TypeVar

Item = TypeVar("Item")

STOP_CHECK_S = 0.1
"""How long the thread waits for room before it looks whether it should stop; it is woken at once when there is room."""


class _Fetched(Generic[Item]):
    """The items handed from the fetching thread to the reader; the end and an error are handed over in their place."""

    def __init__(self, depth: int) -> None:
        self._queue: Queue[tuple[Item] | BaseException | None] = Queue(depth)
        self._is_stopped = Event()

    def fetch(self, items: Generator[Item, None, None]) -> None:
        """Hand over all items; runs in the thread."""
        last: BaseException | None = None
        try:
            for item in items:
                if not self._put((item,)):
                    return
        except BaseException as error:  # handed to the reader, who raises it
            last = error
        finally:
            items.close()
        self._put(last)

    def read(self) -> Generator[Item, None, None]:
        while True:
            entry = self._queue.get()
            if entry is None:
                return
            if isinstance(entry, BaseException):
                raise entry
            yield entry[0]

    def stop(self) -> None:
        """Let go of what was fetched, and make the thread end."""
        self._is_stopped.set()
        try:
            while True:
                self._queue.get_nowait()
        except Empty:
            return

    def _put(self, entry: tuple[Item] | BaseException | None) -> bool:
        """Hand over one entry; return False where the reader has gone."""
        while not self._is_stopped.is_set():
            try:
                self._queue.put(entry, timeout=STOP_CHECK_S)
                return True
            except Full:
                continue
        return False


def read_ahead(items: Generator[Item, None, None], depth: int) -> Generator[Item, None, None]:
    """Yield the items while a thread fetches up to `depth` of them ahead.

    An error raised by `items` is raised here in its place. Closing this generator closes `items` and ends the thread.

    Parameters
    ----------
    depth : items held ready, at least 1; one more is being fetched, and one is with the reader
    """
    if depth < 1:
        raise ValueError(
            f"expected to read ahead by at least 1 item, found {depth}; use the items as they are"
        )
    return _read_ahead(items, depth)


def _read_ahead(items: Generator[Item, None, None], depth: int) -> Generator[Item, None, None]:
    fetched: _Fetched[Item] = _Fetched(depth)
    thread = Thread(target=fetched.fetch, args=(items,), name="read-ahead", daemon=True)
    thread.start()
    try:
        yield from fetched.read()
    finally:
        fetched.stop()
        thread.join()

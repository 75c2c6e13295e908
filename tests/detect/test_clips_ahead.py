"""Reading ahead changes nothing but who waits."""

import threading
import time
from collections.abc import Callable, Generator
from pathlib import Path

import pytest

from detect.clips import open_clip, read_ahead, read_frames, read_luma


def count_up(end: int, log: list[str]) -> Generator[int, None, None]:
    try:
        for number in range(end):
            log.append(f"made {number}")
            yield number
    finally:
        log.append("closed")


def find_threads() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == "read-ahead"]


@pytest.mark.parametrize("depth", [1, 2, 50])
@pytest.mark.parametrize("end", [0, 1, 2, 30])
def test_same_items_in_the_same_order(end: int, depth: int) -> None:
    log: list[str] = []
    assert list(read_ahead(count_up(end, log), depth)) == list(range(end))
    assert log[-1] == "closed"
    assert find_threads() == []


def test_no_more_than_the_depth_is_made_ahead() -> None:
    """However slow the reader, only `depth` items wait, and one more is in the thread's hand."""
    log: list[str] = []
    ahead = read_ahead(count_up(100, log), 3)
    assert next(ahead) == 0
    for _ in range(50):
        time.sleep(0.01)
        if len(log) == 5:
            break
    time.sleep(0.05)
    assert log == [f"made {number}" for number in range(5)]
    ahead.close()


def test_work_goes_on_while_the_reader_is_busy() -> None:
    """The next item is ready when the reader comes back."""
    made = threading.Event()

    def make() -> Generator[int, None, None]:
        yield 0
        made.set()
        yield 1

    ahead = read_ahead(make(), 1)
    assert next(ahead) == 0
    assert made.wait(5)
    ahead.close()


def test_error_comes_in_its_place() -> None:
    """What was made before the error is handed over first, then the very error is raised."""
    error = OSError("card pulled out")

    def make() -> Generator[int, None, None]:
        yield from range(3)
        raise error

    got = []
    with pytest.raises(OSError, match="card pulled out") as caught:
        for number in read_ahead(make(), 8):
            got.append(number)
    assert got == [0, 1, 2]
    assert caught.value is error
    assert find_threads() == []


@pytest.mark.parametrize("taken", [1, 4])
def test_closing_ends_the_thread_and_closes_the_items(taken: int) -> None:
    log: list[str] = []
    ahead = read_ahead(count_up(1000, log), 2)
    for _ in range(taken):
        next(ahead)
    ahead.close()
    assert log[-1] == "closed"
    assert find_threads() == []


def test_reader_that_is_never_started_leaves_no_thread() -> None:
    read_ahead(count_up(10, []), 2).close()
    assert find_threads() == []


def test_depth_of_none_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1 item, found 0"):
        read_ahead(count_up(3, []), 0)


def test_frames_read_ahead_are_the_frames(make_clip: Callable[..., Path]) -> None:
    """Frames decoded in the thread are whole and in order, and stay so while later ones are decoded."""
    info = open_clip(make_clip(times_s=40))
    plain = [(frame.time_s, read_luma(frame).tobytes()) for frame in read_frames(info)]
    ahead = [(frame.time_s, read_luma(frame)) for frame in read_ahead(read_frames(info), 3)]
    assert [(time_s, luma.tobytes()) for time_s, luma in ahead] == plain

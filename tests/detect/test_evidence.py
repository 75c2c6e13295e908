"""Pictures of candidates leave memory and come back whole."""

import random
import resource
from concurrent.futures import ThreadPoolExecutor

import pytest

from detect.errors import DetectError
from detect.evidence import MOST_IN_MEMORY, HeldJpeg, PictureStore


def make_pictures(count, size=200_000):
    rng = random.Random(3)
    return [rng.randbytes(size + n) for n in range(count)]


def test_every_picture_comes_back_from_many_threads(tmp_path):
    """More than is held in memory: each is read back byte for byte, also by several threads at once, and no file is left."""
    pictures = make_pictures(2 * MOST_IN_MEMORY // 200_000)
    store = PictureStore(tmp_path)
    kept = [store.keep(HeldJpeg(data)) for data in pictures]
    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(lambda jpeg: jpeg.read(), kept)) == pictures
    assert kept[0].read() == pictures[0]
    store.close()
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_said_in_words(tmp_path):
    """Where no more can be written, the message says what was expected and what to do."""
    store = PictureStore(tmp_path)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (MOST_IN_MEMORY + 100_000, hard))
    try:
        with pytest.raises(DetectError, match=r"expected room for it.*make room on the disk"):
            for data in make_pictures(60):
                store.keep(HeldJpeg(data))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        store.close()

"""Which scorer a search uses when none is named, and how it shares cores and memory with the decoder."""

import ctypes
import sys
from pathlib import Path

from detect.scoring import Scorer


def load_scorer(weights_path: Path | None = None) -> Scorer:
    """Return the scorer that searches use: the trained network pair of `models/weights`, or the weights named.

    Raises
    ------
    models.errors.ModelsError
        Where the weights are missing, cut off, or not those of their card.
    """
    from detect.network_scoring import load_network_scorer
    from models.cards import DEFAULT_WEIGHTS

    return load_network_scorer(DEFAULT_WEIGHTS if weights_path is None else weights_path)


def settle_threads() -> None:
    """Let each picture step run on one thread: the decoder's own threads fill the cores, and more only get in their way.

    Memory is settled with them: see `settle_memory`.
    """
    import cv2
    import torch

    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    settle_memory()


M_MMAP_THRESHOLD, M_ARENA_MAX = -3, -8
"""Names of glibc's malloc.h."""

LARGE_BYTES = 8_000_000


def settle_memory() -> None:
    """Have pictures given back to the system as soon as they are done with, where the C library is glibc.

    Left alone, it keeps freed pictures for later use in pieces that fit ever fewer of the next ones, and memory grows for as long
    as a clip lasts.
    """
    if not sys.platform.startswith("linux"):
        return
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(M_MMAP_THRESHOLD, LARGE_BYTES)
        mallopt(M_ARENA_MAX, 2)

"""Which scorer a search uses when none is named, and how its threads share the cores with the decoder."""

from detect.scoring import Scorer


def load_scorer() -> Scorer:
    """Return the scorer that searches use unless told otherwise: the trained network pair of `models/weights`.

    Raises
    ------
    models.errors.ModelsError
        Where the weights are missing, cut off, or not those of their card.
    """
    from detect.network_scoring import load_network_scorer

    return load_network_scorer()


def settle_threads() -> None:
    """Let each picture step run on one thread: the decoder's own threads fill the cores, and more only get in their way."""
    import cv2
    import torch

    cv2.setNumThreads(1)
    torch.set_num_threads(1)

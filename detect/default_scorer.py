"""Which scorer a search uses when none is named, and how its threads share the cores with the decoder."""

from detect.scoring import HandMadeScorer, Scorer


def load_scorer() -> Scorer:
    """Return the scorer that searches use unless told otherwise."""
    return HandMadeScorer()


def settle_threads() -> None:
    """Let each picture step run on one thread: the decoder's own threads fill the cores, and more only get in their way."""
    import cv2

    cv2.setNumThreads(1)

"""How a process that works for another begins: on one core, and no longer than that other lives.

A program that is killed closes nothing behind it; its workers would wait for work that never comes, each with its memory.
"""

import multiprocessing
import os
import threading


def settle_worker() -> None:
    """Keep a process to one core, since as many work side by side as there are cores, and have it end with its parent."""
    import cv2

    cv2.setNumThreads(1)
    end_with_parent()


def end_with_parent() -> None:
    """End this process as soon as the one that began it has ended, however that came about; files are written whole or not."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def wait() -> None:
        parent.join()
        os._exit(1)  # nothing is left to tidy up for

    threading.Thread(target=wait, daemon=True, name="ends with its parent").start()

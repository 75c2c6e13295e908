"""Files that are there whole or not at all: written to a draft beside their place, then moved.

Each writer has a draft of its own name, so that two who write the same file at once leave one of the two, whole. A program that
is killed while it writes leaves its draft, hidden, beside the file as it was before. Errors of the system pass through: what to
say of them knows whoever writes.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from uuid import uuid4

DRAFT_PREFIX = ".new-"


@contextmanager
def drafted(path: Path, *, is_lasting: bool = False) -> Iterator[Path]:
    """Give the name of a draft, which takes the file's place when the block ends; after an error it is taken away.

    Parameters
    ----------
    is_lasting : whether the bytes must be on the disk before the name stands for them, so that no loss of power empties them

    Raises
    ------
    OSError
        Where the draft cannot be written or moved; an older file of the name is then as before.
    """
    draft = path.with_name(f"{DRAFT_PREFIX}{uuid4().hex}")
    try:
        yield draft
        if is_lasting:
            with draft.open("rb+") as stream:
                os.fsync(stream.fileno())
        draft.replace(path)
    finally:
        with suppress(OSError):  # Where the folder is none, there is nothing to take away either.
            draft.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes, *, is_lasting: bool = False) -> None:
    """Write bytes as they are; arguments and errors are those of `drafted`."""
    with drafted(path, is_lasting=is_lasting) as draft:
        draft.write_bytes(data)

"""Evidence pictures: kept in the folder `evidence`, named by the sha256 of their bytes, verified when read.

A picture is written to a temporary name, brought to the disk and then moved, so that a name always stands for whole bytes.
Nothing here changes or looks into a picture.
"""

import hashlib
import re
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.errors import AnnotateError
from annotate.logbook.opening import EVIDENCE_NAME, Logbook
from models.whole_files import write_whole

if TYPE_CHECKING:
    from detect.evidence import Jpeg

WRITERS = 8
"""Pictures brought to the disk at once. Waiting for the disk is most of the work, and a file system commits several in one go:
200 pictures of 20 kB took 0.84 s one after another and 0.16 s by eight (ext4)."""

SHA256 = re.compile(r"[0-9a-f]{64}")


def keep_picture(logbook: Logbook, data: bytes) -> str:
    """Keep a JPEG picture; return its sha256. The same bytes are kept once.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the picture cannot be written.
    """
    sha256 = hashlib.sha256(data).hexdigest()
    path = _find_path(logbook, sha256)
    with suppress(OSError):
        if path.read_bytes() == data:
            return sha256
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, data, is_lasting=True)
    except OSError as error:
        raise AnnotateError(
            f"evidence picture {path}: expected a folder that may be written and room on the disk; found '{error.strerror}'; "
            "free some space or correct the rights, then run the same again"
        ) from error
    return sha256


def keep_pictures(logbook: Logbook, pictures: Sequence["Jpeg"]) -> list[str]:
    """Keep many pictures, each read only as it is written; return their sha256s in the same order."""
    with ThreadPoolExecutor(WRITERS) as pool:
        return list(pool.map(lambda jpeg: keep_picture(logbook, jpeg.read()), pictures))


def picture_path(logbook: Logbook, sha256: str) -> Path:
    """Return where a kept picture stands; its bytes are not verified (see `read_picture`).

    Raises
    ------
    annotate.errors.AnnotateError
        Where the name is no sha256 in small hexadecimal letters, or there is no such picture.
    """
    if not SHA256.fullmatch(sha256):
        raise AnnotateError(
            f"evidence picture: expected a name of 64 hexadecimal letters; found {sha256[:80]!r}; take the name from the logbook"
        )
    path = _find_path(logbook, sha256)
    if not path.is_file():
        raise AnnotateError(
            f"evidence picture {sha256}: expected the file {path}; found none; put it back from a copy of the logbook"
        )
    return path


def read_picture(logbook: Logbook, sha256: str) -> bytes:
    """Return the bytes of a kept picture, verified against its name.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the picture is missing, unreadable or changed.
    """
    path = picture_path(logbook, sha256)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise AnnotateError(
            f"evidence picture {path}: expected a file that can be read; found '{error.strerror}'; check its rights"
        ) from error
    found = hashlib.sha256(data).hexdigest()
    if found != sha256:
        raise AnnotateError(
            f"evidence picture {path}: expected bytes with the sha256 of its name; found {found[:12]}... ({len(data)} bytes); "
            "the file was changed or damaged: put it back from a copy of the logbook"
        )
    return data


def _find_path(logbook: Logbook, sha256: str) -> Path:
    return logbook.folder / EVIDENCE_NAME / sha256[:2] / f"{sha256}.jpg"

"""Data and text written as files for other programs: under a temporary name first, then moved, so whole or not there."""

import json
from pathlib import Path
from typing import Any

from annotate.errors import AnnotateError
from models.whole_files import write_whole


def write_json(path: Path, data: Any, *, what: str, advice: str) -> None:
    """Write data as JSON in UTF-8.

    Parameters
    ----------
    what : the data in words, for the error: "the candidates"
    advice : what to do where it cannot be written

    Raises
    ------
    annotate.errors.AnnotateError
        Where the file cannot be written; an older file of that name is then as before.
    """
    write_text(path, json.dumps(data, indent=1), what=what, advice=advice)


def write_text(path: Path, text: str, *, what: str, advice: str) -> None:
    """Write text in UTF-8; the arguments and errors are those of `write_json`."""
    write_bytes(path, text.encode("utf-8"), what=what, advice=advice)


def write_bytes(path: Path, data: bytes, *, what: str, advice: str) -> None:
    """Write bytes as they are; the arguments and errors are those of `write_json`."""
    try:
        write_whole(path, data)
    except OSError as error:
        raise AnnotateError(
            f"{path}: expected a place to write {what}, found: {error.strerror}; {advice}"
        ) from error

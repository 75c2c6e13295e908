"""Files written for other programs: whole, also where two programs write the same one at once."""

import threading
from pathlib import Path

import pytest

from annotate.errors import AnnotateError
from annotate.json_files import write_bytes, write_json

ROUNDS = 100
"""Of two writers at once; with one name for both drafts a handful of rounds was enough for one of them to fail."""

ADVICE = "choose another file"


def test_two_at_once_leave_one_of_them_whole(tmp_path: Path) -> None:
    """Two that write one file at the same time both come to an end, and the file is what one of them wrote."""
    path = tmp_path / "found.json"
    failures: list[AnnotateError] = []

    def write(data: bytes) -> None:
        for _ in range(ROUNDS):
            try:
                write_bytes(path, data, what="the candidates", advice=ADVICE)
            except AnnotateError as error:
                failures.append(error)

    threads = [threading.Thread(target=write, args=(letter * 5000,)) for letter in (b"a", b"b")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert path.read_bytes() in (b"a" * 5000, b"b" * 5000) and list(tmp_path.iterdir()) == [path]


def test_a_file_that_cannot_be_written_says_what_to_do(tmp_path: Path) -> None:
    """A folder that is none is named with what was to be written there and what to do instead."""
    with pytest.raises(
        AnnotateError, match=r"expected a place to write the candidates, found: .*; choose another file"
    ):
        write_json(tmp_path / "none" / "found.json", {}, what="the candidates", advice=ADVICE)
    assert list(tmp_path.iterdir()) == []

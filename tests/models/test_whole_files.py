"""Files are whole or not there, whoever else writes them, and whatever stops the writing."""

import threading
from pathlib import Path

import pytest

from models.whole_files import drafted, write_whole


def test_a_file_takes_its_place_whole(tmp_path: Path) -> None:
    """What was written is there under its name, and nothing else lies beside it; an older file is replaced."""
    path = tmp_path / "card.json"
    write_whole(path, b"first")
    write_whole(path, b"second", is_lasting=True)
    assert path.read_bytes() == b"second" and list(tmp_path.iterdir()) == [path]


def test_what_stops_the_writing_leaves_the_older_file(tmp_path: Path) -> None:
    """Stopped by hand in the middle, nothing of the new file is left and the older one is as it was."""
    path = tmp_path / "card.json"
    write_whole(path, b"older")
    with pytest.raises(KeyboardInterrupt), drafted(path) as draft:
        draft.write_bytes(b"ha")
        raise KeyboardInterrupt
    assert path.read_bytes() == b"older" and list(tmp_path.iterdir()) == [path]


def test_a_folder_in_its_place_is_left_alone(tmp_path: Path) -> None:
    """Where a folder has the name, the system's error comes through and nothing is left beside it."""
    path = tmp_path / "card.json"
    path.mkdir()
    with pytest.raises(OSError):
        write_whole(path, b"data")
    with pytest.raises(FileNotFoundError):
        write_whole(tmp_path / "none" / "card.json", b"data")
    assert list(tmp_path.iterdir()) == [path]


def test_two_at_once_leave_one_of_them_whole(tmp_path: Path) -> None:
    """Two that write one file at the same time both come to an end, and the file is what one of them wrote."""
    path = tmp_path / "card.json"
    both_began = threading.Barrier(2)
    failures: list[BaseException] = []

    def write(data: bytes) -> None:
        try:
            with drafted(path) as draft:
                draft.write_bytes(data[:1])
                both_began.wait(timeout=10)
                with draft.open("ab") as stream:
                    stream.write(data[1:])
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=write, args=(letter * 5000,)) for letter in (b"a", b"b")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert path.read_bytes() in (b"a" * 5000, b"b" * 5000) and list(tmp_path.iterdir()) == [path]

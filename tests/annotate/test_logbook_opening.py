"""A logbook appears whole or not at all, opens only when it is one, and says plainly what is wrong otherwise."""

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from annotate.errors import AnnotateError
from annotate.logbook import database
from annotate.logbook.migrating import NEWEST
from annotate.logbook.opening import create_logbook, find_logbook, open_logbook
from annotate.logbook.pictures import keep_picture
from annotate.logbook.places import list_trees
from tests.annotate.made_records import add_trees, film, make_candidate, search
from tests.annotate.sharing import make_really

MAKE_AND_WRITE = """
import sys
from pathlib import Path
from annotate.errors import AnnotateError
from annotate.logbook.opening import create_logbook, open_logbook
from tests.annotate.made_records import add_trees
try:
    create_logbook(Path(sys.argv[1]))
except AnnotateError as error:
    print(error)
try:
    with open_logbook(Path(sys.argv[2])) as logbook:
        add_trees(logbook, "OT09")
except AnnotateError as error:
    print(error)
"""


@pytest.fixture(scope="module", autouse=True)
def really_made() -> Iterator[None]:
    """The logbooks of this file are made step by step, none is a copy."""
    with make_really():
        yield


def run_held_by_rights(script: str, *arguments: str) -> list[str]:
    """Run a script as a user whom the rights of folders hold (root only without two of its powers); return its lines."""
    if sys.platform == "win32":
        pytest.skip("rights of folders are another thing on Windows")
    held: list[str] = []
    if os.geteuid() == 0:
        held = ["setpriv", "--bounding-set", "-dac_override,-dac_read_search", "--inh-caps", "-all"]
    command = [*held, sys.executable, "-c", script, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, cwd=Path(__file__).parents[2])
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.mark.parametrize("name", ["plain", "Ötter höhe", "a#b?c%20d&e=f", "deep/down/here"])
def test_a_new_logbook_opens_under_any_name(tmp_path: Path, name: str) -> None:
    """Blanks, umlauts and letters with a meaning in addresses are names like any other; folders above are made."""
    folder = create_logbook(tmp_path / name, zone="Europe/London", recorder="Maren")
    assert folder == tmp_path / name
    assert {path.name for path in folder.iterdir()} == {"settings.toml", "logbook.db", "evidence"}
    with open_logbook(folder) as logbook:
        assert logbook.settings.place.zone == "Europe/London"
        assert logbook.settings.recorder.name == "Maren"
        assert list_trees(logbook) == ()


def test_an_empty_folder_may_become_a_logbook(tmp_path: Path) -> None:
    """Someone may have made the folder already."""
    (tmp_path / "book").mkdir()
    create_logbook(tmp_path / "book")
    assert find_logbook(tmp_path / "book") == tmp_path / "book"


def test_what_is_there_is_never_overwritten(tmp_path: Path) -> None:
    """A folder that holds something, a logbook, and a file of that name are refused and left as they are."""
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("dear")
    (tmp_path / "file").write_text("x")
    create_logbook(tmp_path / "book")
    for name, found in [("full", "'letter.txt'"), ("file", "a file"), ("book", "found a logbook")]:
        with pytest.raises(AnnotateError, match=found):
            create_logbook(tmp_path / name)
    assert (tmp_path / "full" / "letter.txt").read_text() == "dear"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["book", "file", "full"]


def test_a_wrong_zone_makes_nothing(tmp_path: Path) -> None:
    """A misspelt zone is named with its nearest, and no folder is left."""
    with pytest.raises(AnnotateError, match="did you mean 'Europe/London'"):
        create_logbook(tmp_path / "book", zone="Europe/Londno")
    assert list(tmp_path.iterdir()) == []


def test_a_logbook_is_found_from_within_and_not_from_beside(tmp_path: Path) -> None:
    """Every folder inside belongs to the logbook; elsewhere the error says how to make or name one."""
    folder = create_logbook(tmp_path / "book")
    (tmp_path / "beside").mkdir()
    assert find_logbook(folder / "evidence") == folder
    with pytest.raises(AnnotateError, match="leafshade new"):
        find_logbook(tmp_path / "beside")


def test_settings_that_are_gone_are_named_with_the_way_out(tmp_path: Path) -> None:
    """A logbook without them is no new one to be made: an empty file opens it again, with all that was in it."""
    folder = create_logbook(tmp_path / "book", zone="Europe/London")
    (folder / "settings.toml").unlink()
    with pytest.raises(AnnotateError, match=r"found none; .*make an empty file of that name"):
        open_logbook(find_logbook(folder / "evidence"))
    (folder / "settings.toml").touch()
    open_logbook(folder).close()


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (lambda path: path.mkdir(), "a folder without one of them"),
        (lambda path: path.write_text("x"), "found a file"),
        (lambda path: None, "found no folder"),
    ],
    ids=["empty folder", "file", "nothing"],
)
def test_what_is_no_logbook_is_not_opened(tmp_path: Path, make: object, expected: str) -> None:
    """The error says what was expected, what is there, and how to make a logbook; nothing is made by looking."""
    make(tmp_path / "book")  # type: ignore[operator]
    with pytest.raises(AnnotateError, match=expected) as caught:
        open_logbook(tmp_path / "book")
    assert "leafshade new book" in str(caught.value)
    assert not (tmp_path / "book" / "logbook.db").exists()


def overwrite(path: Path, data: bytes, at: int = 0) -> None:
    with path.open("r+b") as stream:
        stream.seek(at)
        stream.write(data)


def make_foreign(path: Path) -> None:
    path.unlink()
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE recipes (name)")
    connection.commit()
    connection.close()


@pytest.mark.parametrize(
    ("harm", "expected"),
    [
        (lambda path: path.write_bytes(b""), "found an empty file"),
        (lambda path: path.write_bytes(b"not a database at all, but text" * 200), "a logbook's database"),
        (make_foreign, "a database of another program"),
        (lambda path: overwrite(path, b"\xff" * 4000, at=100), "put back a copy"),
    ],
    ids=["emptied", "text", "foreign", "first page damaged"],
)
def test_a_database_that_is_none_is_refused_in_one_line(tmp_path: Path, harm: object, expected: str) -> None:
    """An emptied, foreign or damaged file is never taken for a new logbook, and is left as it is."""
    folder = create_logbook(tmp_path / "book")
    harm(folder / "logbook.db")  # type: ignore[operator]
    before = (folder / "logbook.db").read_bytes()
    with pytest.raises(AnnotateError, match=expected) as caught:
        open_logbook(folder)
    assert "\n" not in str(caught.value)
    assert (folder / "logbook.db").read_bytes() == before


def test_damage_met_while_reading_is_told_plainly(tmp_path: Path) -> None:
    """A page damaged in the middle of the file shows when it is read, as one line."""
    folder = create_logbook(tmp_path / "book")
    with open_logbook(folder) as logbook:
        add_trees(logbook, *(f"OT{number:03}" for number in range(300)))
    size = (folder / "logbook.db").stat().st_size
    overwrite(folder / "logbook.db", b"\xff" * (size - 4096 * 2), at=4096 * 2)
    with pytest.raises(AnnotateError, match="put back a copy of the folder"), open_logbook(folder) as logbook:
        list_trees(logbook)


def test_a_logbook_of_a_newer_program_is_left_alone(tmp_path: Path) -> None:
    """The message names both steps and says to update."""
    folder = create_logbook(tmp_path / "book")
    connection = sqlite3.connect(folder / "logbook.db")
    connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.commit()
    connection.close()
    with pytest.raises(
        AnnotateError, match=f"step {NEWEST} or older; found step 9999.*pip install --upgrade"
    ):
        open_logbook(folder)


def test_a_folder_that_may_not_be_written(tmp_path: Path) -> None:
    """Making a logbook there, and writing into one there, each end in one line; nothing is left or changed."""
    folder = create_logbook(tmp_path / "book")
    with open_logbook(folder) as logbook:
        add_trees(logbook, "OT01")
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    places = [tmp_path, folder, *folder.rglob("*")]
    try:
        for path in places:
            path.chmod(0o555)
        made, written = run_held_by_rights(MAKE_AND_WRITE, str(tmp_path / "second"), str(folder))
    finally:
        for path in places:
            path.chmod(0o755)
    assert "Permission denied" in made and "choose another place" in made
    assert "expected a f" in written and "rights" in written
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["book"]


def test_a_writer_waits_and_then_says_who_is_in_the_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While another program writes, reading goes on at once; a second writer waits its time and ends in one line."""
    monkeypatch.setattr(database, "BUSY_TIMEOUT_MS", 60)
    folder = create_logbook(tmp_path / "book")
    with open_logbook(folder) as logbook, closing(sqlite3.connect(folder / "logbook.db")) as other:
        add_trees(logbook, "OT01")
        other.execute("BEGIN IMMEDIATE")
        other.execute("UPDATE tree SET code = 'OT77'")
        assert [tree.code for tree in list_trees(logbook)] == ["OT01"]
        with pytest.raises(AnnotateError, match=r"expected the other program to finish.*database is locked"):
            add_trees(logbook, "OT02")
        other.commit()
        add_trees(logbook, "OT02")
        assert [tree.code for tree in list_trees(logbook)] == ["OT02", "OT77"]


FILL_THE_DISK = """
import sys
from pathlib import Path
from annotate.errors import AnnotateError
from annotate.logbook.opening import create_logbook, open_logbook
from annotate.logbook.pictures import keep_picture
from tests.annotate.made_records import add_trees, film, make_candidate, search
disk = Path(sys.argv[1])
folder = create_logbook(disk / "book")
def attempt(act):
    try:
        act()
    except AnnotateError as error:
        print(str(error).replace(chr(10), " // "))
with open_logbook(folder) as logbook:
    add_trees(logbook, "OT01")
    clip = film(logbook, tree="OT01")
    search(logbook, clip, [make_candidate(shade=3)])
    with (disk / "film.mp4").open("wb") as stream:
        try:
            while stream.write(bytes(65536)): stream.flush()
        except OSError: pass
    attempt(lambda: keep_picture(logbook, bytes(200_000)))
    attempt(lambda: add_trees(logbook, *(f"OT{n:04}" for n in range(3000))))
    attempt(lambda: create_logbook(disk / "second"))
    attempt(lambda: search(logbook, clip, [make_candidate(9 + n, shade=50 + n) for n in range(100)]))
(disk / "film.mp4").unlink()
with open_logbook(folder) as logbook:
    from annotate.logbook.places import list_trees
    from annotate.logbook.review import list_candidates
    print([tree.code for tree in list_trees(logbook)], len(list_candidates(logbook)))
print(sorted(path.name for path in disk.iterdir()), [p.name for p in folder.rglob(".new-*")])
"""


def test_a_full_disk_leaves_the_logbook_as_it_was(tmp_path: Path) -> None:
    """On a real file system of 3 MB filled to the brim: pictures, trees, searches and new logbooks end in one line each."""
    mount = ["unshare", "--mount", "--map-root-user"]
    disk = tmp_path / "disk"
    disk.mkdir()
    script = f'mount -t tmpfs -o size=3m none "{disk}" && exec "$@"'
    if (
        sys.platform != "linux"
        or subprocess.run([*mount, "sh", "-c", script, "sh", "true"], capture_output=True).returncode
    ):
        pytest.skip(
            "a small file system of one's own can be mounted only on Linux where user namespaces are allowed"
        )
    done = subprocess.run(
        [*mount, "sh", "-c", script, "sh", sys.executable, "-c", FILL_THE_DISK, str(disk)],
        capture_output=True,
        text=True,
        timeout=120,
        cwd=Path(__file__).parents[2],
    )
    assert done.returncode == 0, done.stderr
    picture, trees, second, search_again, kept, left = done.stdout.splitlines()
    assert "No space left" in picture and "free some space" in picture
    assert "free" in trees and "logbook.db" in trees
    assert "second" in second
    assert "free" in search_again
    assert kept == "['OT01'] 1"
    assert left == "['book'] []"


def test_pictures_and_records_outlive_closing(tmp_path: Path) -> None:
    """What was kept is there in the next opening, and closing leaves no second file of the database behind."""
    folder = create_logbook(tmp_path / "book")
    with open_logbook(folder) as logbook:
        add_trees(logbook, "OT01")
        search(logbook, film(logbook, tree="OT01"), [make_candidate()])
        keep_picture(logbook, b"x")
    assert sorted(path.name for path in folder.iterdir()) == ["evidence", "logbook.db", "settings.toml"]
    with open_logbook(folder) as logbook:
        assert [tree.code for tree in list_trees(logbook)] == ["OT01"]

"""The database of a logbook: opened with the right settings, read and written in transactions, its errors in plain words.

Writers begin with BEGIN IMMEDIATE and wait for each other, so that two processes lose nothing; readers see one state and wait
for nobody. That mode (WAL) needs a disk of this computer: on a network drive two computers would not see each other's locks
(sqlite.org/wal.html). It knows no table.
"""

import sqlite3
from collections.abc import Collection, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import URL, ColumnElement, Connection, Engine, create_engine, event, true
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError

BUSY_TIMEOUT_MS = 15_000
"""How long a writer waits for another. Saving a search is the longest transaction, a few seconds at most."""

CACHE_KIB = 32_768
"""Pages kept in memory per connection: the indices of 100,000 candidates fit."""

APPLICATION_ID = 0x4C534831
"""Stands in the file's header and marks it as a logbook ("LSH1")."""

MOST_NAMED = 500
"""Ids named in one question, far below SQLite's limit of 32,766 (sqlite.org/limits.html)."""

WRITES = "leafshade_writes"

Name = TypeVar("Name", int, str)


def open_engine(path: Path) -> Engine:
    """Return an engine for the database file at `path`, which is made when missing."""
    # Built from its parts: a folder's name may hold what has a meaning in the text of an address.
    address = URL.create("sqlite+pysqlite", database=str(path))
    engine = create_engine(address, connect_args={"timeout": BUSY_TIMEOUT_MS / 1000})

    @event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, _record: object) -> None:
        # The driver's own way of beginning transactions leaves table changes outside them.
        connection.isolation_level = None
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
        connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
        # A verdict that was acknowledged outlives a power cut, not only a crash of the program.
        connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get(WRITES, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


@contextmanager
def read_from(engine: Engine, path: Path) -> Iterator[Session]:
    """Give a session that sees one state of the database; nothing is written."""
    with say_plainly(path), Session(engine, autoflush=False) as session:
        yield session


@contextmanager
def write_to(engine: Engine, path: Path) -> Iterator[Session]:
    """Give a session whose changes are all kept when the block ends, and none where it raises."""
    writer = engine.execution_options(**{WRITES: True})
    with say_plainly(path), Session(writer) as session, session.begin():
        # Takes the lock before anything is read: what is read is then what is changed.
        session.connection()
        yield session


def switch_to_wal(path: Path) -> None:
    """Put the database file into write-ahead mode, which is kept in the file; readers and the writer then never block."""
    with say_plainly(path), closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")


@contextmanager
def say_plainly(path: Path) -> Iterator[None]:
    """Turn errors of the disk or the file into one line with what to do; mistakes of the program pass unchanged."""
    try:
        yield
    except (DBAPIError, sqlite3.Error) as error:
        inner = error.orig if isinstance(error, DBAPIError) else error
        plain = explain(inner, path)
        if plain is None:
            raise
        raise plain from error


def explain(error: BaseException | None, path: Path) -> AnnotateError | None:
    """Return the error to raise for one of SQLite, None where it is not about the disk or the file."""
    # The lowest byte is the kind; higher ones say more closely which.
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_OK) & 0xFF
    if code not in MEANINGS:
        return None
    expected, advice = MEANINGS[code]
    return AnnotateError(f"logbook {path}: expected {expected}; found '{error}'; {advice}")


MEANINGS = {
    sqlite3.SQLITE_FULL: (
        "room on the disk",
        "free some space and run the same again; nothing was half-written",
    ),
    sqlite3.SQLITE_READONLY: (
        "a folder that may be written",
        "check who owns it and its rights, or copy it elsewhere",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "a file that can be opened and written",
        "check that the folder is there and its rights",
    ),
    sqlite3.SQLITE_PERM: (
        "a file that may be opened",
        "check who owns it and its rights, or copy it elsewhere",
    ),
    sqlite3.SQLITE_BUSY: (
        f"the other program to finish within {BUSY_TIMEOUT_MS // 1000} s",
        "close other Leafshade windows or wait, then run the same again",
    ),
    sqlite3.SQLITE_NOTADB: ("a logbook's database", "choose another folder, or put back a copy of this file"),
    sqlite3.SQLITE_CORRUPT: (
        "a whole database",
        "put back a copy of the folder, and keep this one for repair",
    ),
    sqlite3.SQLITE_IOERR: (
        "a disk that reads and writes",
        "check the disk and its free space, then run the same again",
    ),
}
"""For each kind of SQLite's errors (sqlite.org/rescode.html) what was expected, and what to do."""


def part_ids(ids: Collection[Name]) -> list[list[Name]]:
    """Return ids or names in parts that one question may name."""
    ordered = list(ids)
    return [ordered[start : start + MOST_NAMED] for start in range(0, len(ordered), MOST_NAMED)]


def select_parts(column: Any, ids: Collection[Any] | None) -> list[ColumnElement[bool]]:
    """Return a condition for each part of ids or names that one question may name; the one that all rows meet for None."""
    return [true()] if ids is None else [column.in_(some) for some in part_ids(ids)]

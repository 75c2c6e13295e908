"""Makes, finds and opens logbooks.

A logbook is a folder with `settings.toml`, `logbook.db` and `evidence/`. It is made under a temporary name and moved into place
when whole; opening brings an older database up to date. The functions that read and write records stand in the files beside.
"""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Self
from uuid import uuid4

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook import database
from annotate.logbook.migrating import bring_up_to_date
from annotate.logbook.settings import SETTINGS_NAME, PlaceSettings, Settings, read_settings, write_settings
from annotate.zones import read_zone

DATABASE_NAME = "logbook.db"
EVIDENCE_NAME = "evidence"


class Logbook:
    """An open logbook. Close it, or use it as a context manager.

    It may be used by several threads at once; each transaction has a connection of its own.

    Attributes
    ----------
    folder : absolute path
    settings : as they were when the logbook was opened
    """

    def __init__(self, folder: Path, settings: Settings, engine: Engine) -> None:
        self.folder = folder
        self.settings = settings
        self._engine = engine

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give the functions of this room a session that sees one state of the database."""
        with database.read_from(self._engine, self.folder / DATABASE_NAME) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Give the functions of this room a session whose changes are kept all, or where the block raises not at all."""
        with database.write_to(self._engine, self.folder / DATABASE_NAME) as session:
            yield session

    def close(self) -> None:
        """Close all connections."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def create_logbook(folder: Path, *, zone: str = "UTC", recorder: str = "") -> Path:
    """Make a new logbook; the folder appears whole or not at all. Return its absolute path.

    Parameters
    ----------
    folder : a new or an empty folder
    zone : local time zone of the sites, "Europe/London"
    recorder : who keeps it

    Raises
    ------
    annotate.errors.AnnotateError
        Where the folder holds something, or cannot be made.
    """
    read_zone(zone)
    folder = folder.expanduser().absolute()
    _refuse_filled(folder)
    settings = replace(
        Settings(), place=PlaceSettings(zone=zone), recorder=replace(Settings().recorder, name=recorder)
    )
    above = next(parent for parent in folder.parents if parent.exists())
    try:
        made = above / f".{folder.name}.new-{uuid4().hex[:12]}"
        made.mkdir()
        try:
            _fill(made, settings)
            folder.parent.mkdir(parents=True, exist_ok=True)
            if folder.exists():
                folder.rmdir()
            made.rename(folder)
        except BaseException:
            shutil.rmtree(made, ignore_errors=True)
            raise
    except OSError as error:
        raise AnnotateError(
            f"logbook {folder}: expected a place where a folder can be made; found '{error.strerror}' "
            f"({error.filename or above}); choose another place, or correct the rights or free some space"
        ) from error
    return folder


def open_logbook(folder: Path) -> Logbook:
    """Open a logbook, bringing its database up to date first.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the folder is no logbook, its settings have a mistake, or its database cannot be used.
    """
    folder = folder.expanduser().absolute()
    path = folder / DATABASE_NAME
    if path.is_file() and not (folder / SETTINGS_NAME).exists():
        raise AnnotateError(
            f"logbook {folder}: expected {SETTINGS_NAME} beside {DATABASE_NAME}; found none; put it back from a copy, or make an "
            "empty file of that name: every setting is then the usual one, the time zone UTC"
        )
    if not is_logbook(folder):
        found = (
            "no folder"
            if not folder.exists()
            else "a file"
            if folder.is_file()
            else "a folder without one of them"
        )
        raise AnnotateError(
            f"logbook {folder}: expected a folder with {SETTINGS_NAME} and {DATABASE_NAME}; found {found}; "
            f"make one with: leafshade new {folder.name or 'FOLDER'}"
        )
    settings = read_settings(folder / SETTINGS_NAME)
    engine = database.open_engine(path)
    try:
        bring_up_to_date(engine, path)
    except BaseException:
        engine.dispose()
        raise
    return Logbook(folder, settings, engine)


def find_logbook(start: Path) -> Path:
    """Return the nearest logbook folder: `start` itself or one above it.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is none.
    """
    start = start.expanduser().absolute()
    for folder in (start, *start.parents):
        # Without its settings it cannot be opened, and opening says so.
        if (folder / DATABASE_NAME).is_file():
            return folder
    raise AnnotateError(
        f"logbook: expected one here or above; found none from {start} upwards; "
        "make one with 'leafshade new FOLDER', or name one with --logbook FOLDER"
    )


def is_logbook(folder: Path) -> bool:
    """Whether a folder has the two files that make a logbook."""
    return (folder / DATABASE_NAME).is_file() and (folder / SETTINGS_NAME).is_file()


def _refuse_filled(folder: Path) -> None:
    if not folder.exists() and not folder.is_symlink():
        return
    if folder.is_dir():
        first = next(folder.iterdir(), None)
        if first is None:
            return
        found = "a logbook" if is_logbook(folder) else f"one that holds {first.name!r}"
    else:
        found = "a file of that name"
    raise AnnotateError(
        f"logbook {folder}: expected a new or an empty folder; found {found}; choose another name, or remove it first"
    )


def _fill(folder: Path, settings: Settings) -> None:
    (folder / EVIDENCE_NAME).mkdir()
    (folder / SETTINGS_NAME).write_text(write_settings(settings), encoding="utf-8")
    path = folder / DATABASE_NAME
    database.switch_to_wal(path)
    engine = database.open_engine(path)
    try:
        bring_up_to_date(engine, path, is_new=True)
    finally:
        engine.dispose()

"""What all logbooks of a test run share, so that a thousand are opened quickly: statements compiled once, and a new one to copy.

SQLAlchemy keeps compiled statements with an engine, and each logbook has an engine of its own; a program opens one, the tests a
thousand. New logbooks are copies of one that was really made; `make_really` is for the tests of the making itself.
"""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Engine

from annotate.logbook import database, opening
from annotate.logbook.settings import Settings, write_settings

_open_engine, _fill = database.open_engine, opening._fill


@contextmanager
def share_among_logbooks(folder: Path) -> Iterator[None]:
    """Share compiled statements, and a new logbook made in `folder`, among all that are opened and made meanwhile."""
    first: list[Engine] = []

    def open_engine(path: Path) -> Engine:
        engine = _open_engine(path)
        if first:
            # Statements are found again by the dialect they were compiled for.
            engine.dialect, engine._compiled_cache = first[0].dialect, first[0]._compiled_cache
        else:
            first.append(engine)
        return engine

    def fill(made: Path, settings: Settings) -> None:
        if not folder.exists():
            folder.mkdir()
            _fill(folder, settings)
        shutil.copytree(folder, made, dirs_exist_ok=True)
        (made / opening.SETTINGS_NAME).write_text(write_settings(settings), encoding="utf-8")

    database.open_engine, opening._fill = open_engine, fill
    try:
        yield
    finally:
        database.open_engine, opening._fill = _open_engine, _fill


@contextmanager
def make_really() -> Iterator[None]:
    """Make new logbooks step by step meanwhile, as a program does."""
    shared, opening._fill = opening._fill, _fill
    try:
        yield
    finally:
        opening._fill = shared

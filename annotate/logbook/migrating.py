"""Brings the database of a logbook to the present tables, step by step, all steps or none.

The usual case, nothing to do, is told by one query; Alembic is loaded only when there is something to do.
"""

from pathlib import Path

from sqlalchemy import Connection, Engine, text

from annotate.errors import AnnotateError
from annotate.logbook.database import APPLICATION_ID, WRITES, say_plainly

NEWEST = "0005"
"""The last step in `migrations/versions`."""

STEPS_FOLDER = Path(__file__).parent / "migrations"


def bring_up_to_date(engine: Engine, path: Path, *, is_new: bool = False) -> None:
    """Run the steps that this database lacks.

    Parameters
    ----------
    is_new : the file was just made, and may be empty

    Raises
    ------
    annotate.errors.AnnotateError
        Where the file is no logbook's database, was emptied, or was written by a newer program.
    """
    with say_plainly(path):
        if not is_new:
            with engine.connect() as connection:
                if read_version(connection, path) == NEWEST:
                    return
        with engine.execution_options(**{WRITES: True}).begin() as connection:
            # Another process may have run the steps since the first look.
            if is_new or read_version(connection, path) != NEWEST:
                run_steps(connection, NEWEST)


def read_version(connection: Connection, path: Path) -> str:
    """Return the step that a logbook's database has reached."""
    application_id = connection.execute(text("PRAGMA application_id")).scalar_one()
    tables = set(connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'table'")).scalars())
    if application_id != APPLICATION_ID or "alembic_version" not in tables:
        found = "a database of another program" if tables else "an empty file"
        raise AnnotateError(
            f"logbook {path}: expected a logbook's database; found {found}; "
            "put back a copy of this file, or choose another folder"
        )
    version = str(connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one())
    if version > NEWEST:
        raise AnnotateError(
            f"logbook {path}: expected tables of step {NEWEST} or older; found step {version}, written by a newer Leafshade; "
            "update the program: pip install --upgrade leafshade"
        )
    return version


def run_steps(connection: Connection, target: str) -> None:
    """Run Alembic's steps up to `target` inside the connection's open transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(STEPS_FOLDER).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, target)
    connection.execute(text(f"PRAGMA application_id = {APPLICATION_ID}"))

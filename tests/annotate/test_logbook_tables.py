"""The steps of old make the tables of now, the database guards what must not change, and its counts are right."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import create_engine
from sqlalchemy.exc import IntegrityError

from annotate.logbook import migrating
from annotate.logbook.database import WRITES, open_engine, switch_to_wal
from annotate.logbook.migrating import NEWEST, STEPS_FOLDER, run_steps
from annotate.logbook.opening import Logbook, create_logbook, open_logbook
from annotate.logbook.records import Count
from annotate.logbook.review import count_candidates
from annotate.logbook.settings import Settings, write_settings
from annotate.logbook.tables import Base
from annotate.logbook.verdicts import give_verdict
from tests.annotate.made_records import LATER, add_trees, film, make_candidate, search
from tests.annotate.sharing import make_really


@pytest.fixture(scope="module", autouse=True)
def really_made() -> Iterator[None]:
    """The logbooks of this file are made step by step, none is a copy."""
    with make_really():
        yield


@pytest.fixture
def logbook(tmp_path: Path) -> Iterator[Logbook]:
    with open_logbook(create_logbook(tmp_path / "book", zone="Europe/London")) as opened:
        yield opened


def read_schema(path: Path) -> dict[str, str]:
    """Return the database's own words for each table and index, without differences in blanks and order of constraints."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute(
            "SELECT name, sql FROM sqlite_master WHERE type IN ('table', 'index') AND sql IS NOT NULL"
        ).fetchall()
    return {name: " ".join(sorted(sql.replace(",", " ").replace("(", " ( ").split())) for name, sql in rows}


def make_at_step(folder: Path, step: str) -> Path:
    """A logbook as a program of that step would have left it."""
    folder.mkdir()
    (folder / "settings.toml").write_text(write_settings(Settings()))
    switch_to_wal(folder / "logbook.db")
    engine = open_engine(folder / "logbook.db")
    with engine.execution_options(**{WRITES: True}).begin() as connection:
        run_steps(connection, step)
    engine.dispose()
    return folder


def test_the_steps_end_in_the_tables_of_now(tmp_path: Path) -> None:
    """Running every step makes exactly the tables and indices that the code describes."""
    engine = create_engine(f"sqlite:///{tmp_path / 'described.db'}")
    Base.metadata.create_all(engine)
    engine.dispose()
    stepped = read_schema(create_logbook(tmp_path / "book") / "logbook.db")
    assert stepped.pop("alembic_version")
    assert stepped == read_schema(tmp_path / "described.db")


def test_the_newest_step_is_the_last_file() -> None:
    """The number that opening compares with is that of the last step shipped."""
    numbers = [path.name[1:5] for path in (STEPS_FOLDER / "versions").glob("v*.py")]
    assert max(numbers) == NEWEST and len(set(numbers)) == len(numbers)


def test_a_logbook_of_the_first_step_is_brought_up_to_date(tmp_path: Path) -> None:
    """Its records are all there afterwards, the counts are filled in, and opening again does nothing."""
    folder = make_at_step(tmp_path / "old", "0001")
    with closing(sqlite3.connect(folder / "logbook.db")) as connection, connection:
        connection.executescript(OLD_RECORDS)
    for _ in range(2):
        with open_logbook(folder) as logbook:
            assert count_candidates(logbook) == (
                Count(tree_id=1, site="OTTERHOLT", tree="OT03", confirmed=1, dismissed=0, unsure=0, open=1),
                Count(tree_id=0, site="", tree="", confirmed=0, dismissed=0, unsure=0, open=1),
            )
            with pytest.raises(IntegrityError, match="only ever added"), logbook.writing() as session:
                session.connection().exec_driver_sql("DELETE FROM verdict")


OLD_RECORDS = """
INSERT INTO site VALUES (1, 'OTTERHOLT', '', NULL, NULL, 'Europe/London');
INSERT INTO tree VALUES (1, 1, 'OT03', '', NULL, NULL, NULL, NULL, '', '', '');
INSERT INTO clip VALUES (1, NULL, 'aa', '/a', 'a', 'video', 9, 9, 30, 5, 'h264', '2026-05-17T11:00:00.000000Z',
  'Europe/London', 'metadata', '2026-05-17T11:00:00.000000Z');
INSERT INTO search VALUES (1, 1, '2026-05-17T11:00:00.000000Z', '2026-05-17T11:00:00.000000Z', 'x', 'x', 5, 5, 9, 9, '[]',
  x'', 3, 0, 0, 1);
INSERT INTO candidate VALUES (1, 1, 1, 1, NULL, 'silhouette', .9, 0, 1, 0, '2026-05-17T11:00:00.000000Z', 1, 9, 0, 'ff', 9, 9,
  'listed', 'confirm');
INSERT INTO candidate VALUES (2, 1, 1, 1, NULL, 'feeding', .8, 0, 1, 0, '2026-05-17T11:00:00.000000Z', 1, 9, 0, 'ff', 9, 9,
  'listed', 'open');
INSERT INTO candidate VALUES (3, 1, 1, NULL, NULL, 'silhouette', .7, 0, 1, 0, '2026-05-17T11:00:00.000000Z', 1, 9, 0, 'ff', 9, 9,
  'listed', 'open');
INSERT INTO candidate VALUES (4, 1, 1, 1, NULL, 'silhouette', .7, 0, 1, 0, '2026-05-17T11:00:00.000000Z', 1, 9, 0, 'ff', 9, 9,
  'set aside', 'open');
INSERT INTO verdict VALUES (1, 1, 'confirm', 'Maren', '2026-05-17T11:00:00.000000Z', NULL);
"""


def test_a_step_that_fails_leaves_the_old_logbook_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All steps run in one transaction: when the last one fails, the database is as it was and opens later."""
    folder = make_at_step(tmp_path / "old", "0001")
    before = read_schema(folder / "logbook.db")

    def run_and_fail(connection: object, target: str) -> None:
        run_steps(connection, target)  # type: ignore[arg-type]
        raise RuntimeError("power cut")

    with monkeypatch.context() as patch:
        patch.setattr(migrating, "run_steps", run_and_fail)
        with pytest.raises(RuntimeError, match="power cut"):
            open_logbook(folder)
    assert read_schema(folder / "logbook.db") == before
    with open_logbook(folder) as logbook:
        assert count_candidates(logbook) == ()


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM verdict",
        "UPDATE verdict SET answer = 'dismiss'",
        "DELETE FROM observation_change",
        "UPDATE observation_change SET new = ''",
        "DELETE FROM observation",
    ],
)
def test_the_database_itself_keeps_what_was_said(logbook: Logbook, statement: str) -> None:
    """Verdicts, history and observations stay even when a program asks the database to drop or change them."""
    clip = film(logbook)
    search(logbook, clip, [make_candidate()])
    give_verdict(logbook, 1, answer="confirm", reviewer="Maren", at=LATER)
    give_verdict(logbook, 1, answer="dismiss", reviewer="Maren", at=LATER)
    with pytest.raises(IntegrityError), logbook.writing() as session:
        session.connection().exec_driver_sql(statement)
    with logbook.reading() as session:
        counts = [
            session.connection().exec_driver_sql(f"SELECT count(*) FROM {table}").scalar()
            for table in ("verdict", "observation", "observation_change")
        ]
    assert counts == [2, 1, 1]


def test_nothing_refers_to_what_is_not_there(logbook: Logbook) -> None:
    """Foreign keys are on: a verdict on a candidate that does not exist is refused by the database."""
    with pytest.raises(IntegrityError), logbook.writing() as session:
        session.connection().exec_driver_sql(
            "INSERT INTO verdict (candidate_id, answer, reviewer, at) VALUES (99, 'unsure', 'x', 'y')"
        )


CHANGE = st.tuples(
    st.sampled_from(["tree_id", "kind", "answer", "standing", "delete", "add"]),
    st.integers(1, 6),
    st.integers(0, 3),
)
VALUES = {
    "tree_id": ["NULL", "1", "2", "2"],
    "kind": ["'silhouette'", "'feeding'", "'feeding'", "'silhouette'"],
    "answer": ["'open'", "'confirm'", "'dismiss'", "'unsure'"],
    "standing": ["'listed'", "'set aside'", "'same'", "'listed'"],
}


class RollBack(Exception):
    """Ends a transaction without keeping it."""


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Logbook]:
    """A logbook with four candidates whose changes are all rolled back."""
    with open_logbook(create_logbook(tmp_path_factory.mktemp("counts") / "book")) as logbook:
        add_trees(logbook, "OT01", "OT02")
        search(logbook, film(logbook, tree="OT01"), [make_candidate(n) for n in range(1, 5)])
        yield logbook


@settings(max_examples=60, deadline=None)
@given(changes=st.lists(CHANGE, max_size=12))
def test_counts_kept_by_the_database_are_those_counted(
    filled: Logbook, changes: list[tuple[str, int, int]]
) -> None:
    """Whatever happens to candidates, the kept counts equal a count of the rows."""
    with pytest.raises(RollBack), filled.writing() as session:
        run = session.connection().exec_driver_sql
        run("DELETE FROM view")
        for what, candidate_id, choice in changes:
            if what == "delete":
                run(f"DELETE FROM candidate WHERE id = {candidate_id}")
            elif what == "add":
                run(
                    "INSERT INTO candidate SELECT (SELECT max(id) + 1 FROM candidate), search_id, clip_id, tree_id, NULL, kind,"
                    " score, first_s, last_s, best_s, at, 1, 9, 0, 'ff', 9, 9, standing, answer,"
                    " found_by, promise, NULL FROM candidate LIMIT 1"
                )
            else:
                run(f"UPDATE candidate SET {what} = {VALUES[what][choice]} WHERE id = {candidate_id}")
        counted = run(
            "SELECT coalesce(tree_id, 0), kind, answer, count(*) FROM candidate WHERE standing = 'listed'"
            " GROUP BY 1, 2, 3 ORDER BY 1, 2, 3"
        ).fetchall()
        kept = run("SELECT * FROM candidate_tally WHERE number <> 0 ORDER BY 1, 2, 3").fetchall()
        assert kept == counted
        raise RollBack

"""Verdicts and history that cannot be changed, and counts of candidates that are kept as they change."""

from alembic import op

from annotate.errors import AnnotateError

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
    CREATE TABLE candidate_tally (
        tree_id INTEGER NOT NULL,
        kind VARCHAR NOT NULL,
        answer VARCHAR NOT NULL,
        number INTEGER NOT NULL,
        CONSTRAINT pk_candidate_tally PRIMARY KEY (tree_id, kind, answer)
    ) WITHOUT ROWID
    """,
    """
    INSERT INTO candidate_tally (tree_id, kind, answer, number)
    SELECT coalesce(tree_id, 0), kind, answer, count(*) FROM candidate WHERE standing = 'listed' GROUP BY 1, 2, 3
    """,
    """
    CREATE TRIGGER candidate_added AFTER INSERT ON candidate WHEN NEW.standing = 'listed' BEGIN
        INSERT INTO candidate_tally (tree_id, kind, answer, number)
        VALUES (coalesce(NEW.tree_id, 0), NEW.kind, NEW.answer, 1)
        ON CONFLICT (tree_id, kind, answer) DO UPDATE SET number = number + 1;
    END
    """,
    """
    CREATE TRIGGER candidate_removed AFTER DELETE ON candidate WHEN OLD.standing = 'listed' BEGIN
        UPDATE candidate_tally SET number = number - 1
        WHERE tree_id = coalesce(OLD.tree_id, 0) AND kind = OLD.kind AND answer = OLD.answer;
    END
    """,
    """
    CREATE TRIGGER candidate_left AFTER UPDATE OF tree_id, kind, answer, standing ON candidate
    WHEN OLD.standing = 'listed' BEGIN
        UPDATE candidate_tally SET number = number - 1
        WHERE tree_id = coalesce(OLD.tree_id, 0) AND kind = OLD.kind AND answer = OLD.answer;
    END
    """,
    """
    CREATE TRIGGER candidate_came AFTER UPDATE OF tree_id, kind, answer, standing ON candidate
    WHEN NEW.standing = 'listed' BEGIN
        INSERT INTO candidate_tally (tree_id, kind, answer, number)
        VALUES (coalesce(NEW.tree_id, 0), NEW.kind, NEW.answer, 1)
        ON CONFLICT (tree_id, kind, answer) DO UPDATE SET number = number + 1;
    END
    """,
    """
    CREATE TRIGGER verdict_stays BEFORE DELETE ON verdict BEGIN
        SELECT RAISE(ABORT, 'verdicts are only ever added, never removed');
    END
    """,
    """
    CREATE TRIGGER verdict_holds BEFORE UPDATE ON verdict BEGIN
        SELECT RAISE(ABORT, 'verdicts are only ever added, never changed');
    END
    """,
    """
    CREATE TRIGGER history_stays BEFORE DELETE ON observation_change BEGIN
        SELECT RAISE(ABORT, 'the history of observations is only ever added to');
    END
    """,
    """
    CREATE TRIGGER history_holds BEFORE UPDATE ON observation_change BEGIN
        SELECT RAISE(ABORT, 'the history of observations is only ever added to');
    END
    """,
    """
    CREATE TRIGGER observation_stays BEFORE DELETE ON observation BEGIN
        SELECT RAISE(ABORT, 'observations are withdrawn, never removed');
    END
    """,
)


def upgrade() -> None:
    """Make the table of counts and the triggers."""
    for statement in STATEMENTS:
        op.execute(statement)


def downgrade() -> None:
    """There is no way back: a logbook is copied before it is opened by an older program."""
    raise AnnotateError(
        "logbook: expected to be brought to newer tables; found a step back; open a copy that the older program made"
    )

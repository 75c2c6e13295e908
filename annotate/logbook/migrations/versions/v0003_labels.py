"""The labelled image set: a row for each picture and source, and its marks."""

from alembic import op

from annotate.errors import AnnotateError

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

STATEMENTS = (
    """
    CREATE TABLE label (
        id INTEGER NOT NULL,
        picture VARCHAR NOT NULL,
        source VARCHAR NOT NULL,
        origin VARCHAR NOT NULL,
        picture_rows INTEGER NOT NULL,
        picture_cols INTEGER NOT NULL,
        answer VARCHAR NOT NULL,
        reason VARCHAR NOT NULL,
        licence VARCHAR NOT NULL,
        reviewer VARCHAR NOT NULL,
        labelled_at VARCHAR(27) NOT NULL,
        tree VARCHAR NOT NULL,
        date DATE,
        clip VARCHAR NOT NULL,
        scorer VARCHAR NOT NULL,
        split VARCHAR NOT NULL,
        look VARCHAR(16) NOT NULL,
        repeats_id INTEGER,
        CONSTRAINT pk_label PRIMARY KEY (id),
        CONSTRAINT uq_label_picture_source UNIQUE (picture, source),
        CONSTRAINT ck_label_answer CHECK (answer IN ('larva', 'feeding', 'nothing')),
        CONSTRAINT ck_label_source CHECK (source IN ('verdict', 'drawn in', 'import')),
        CONSTRAINT ck_label_split CHECK (split IN ('train', 'held out')),
        CONSTRAINT fk_label_repeats_id_label FOREIGN KEY(repeats_id) REFERENCES label (id)
    )
    """,
    "CREATE INDEX ix_label_tree_date ON label (tree, date)",
    "CREATE INDEX ix_label_repeats_id ON label (repeats_id)",
    """
    CREATE TABLE label_mark (
        label_id INTEGER NOT NULL,
        rank INTEGER NOT NULL,
        kind VARCHAR NOT NULL,
        stage VARCHAR,
        length_px DOUBLE NOT NULL,
        outline BLOB NOT NULL,
        CONSTRAINT pk_label_mark PRIMARY KEY (label_id, rank),
        CONSTRAINT ck_label_mark_kind CHECK (kind IN ('larva', 'feeding')),
        CONSTRAINT fk_label_mark_label_id_label FOREIGN KEY(label_id) REFERENCES label (id)
    )
    """,
)


def upgrade() -> None:
    """Make the tables of the labelled image set."""
    for statement in STATEMENTS:
        op.execute(statement)


def downgrade() -> None:
    """There is no way back: a logbook is copied before it is opened by an older program."""
    raise AnnotateError(
        "logbook: expected to be brought to newer tables; found a step back; open a copy that the older program made"
    )

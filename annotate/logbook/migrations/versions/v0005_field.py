"""What happens under the trees: cards, tracks, clocks, weather, leaf stages, effort by eye, where on the tree something sat."""

from alembic import op

from annotate.errors import AnnotateError

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

STATEMENTS = (
    "ALTER TABLE tree ADD COLUMN walk_order INTEGER",
    "ALTER TABLE tree ADD COLUMN marker INTEGER",
    "CREATE UNIQUE INDEX uq_tree_marker ON tree (marker) WHERE marker IS NOT NULL",
    "ALTER TABLE visit ADD COLUMN temperature_c DOUBLE",
    "ALTER TABLE visit ADD COLUMN wind_beaufort INTEGER",
    "ALTER TABLE visit ADD COLUMN cloud_oktas INTEGER",
    "ALTER TABLE clip ADD COLUMN clock_offset_s DOUBLE DEFAULT 0 NOT NULL",
    "ALTER TABLE clip ADD COLUMN latitude_deg DOUBLE",
    "ALTER TABLE clip ADD COLUMN longitude_deg DOUBLE",
    "ALTER TABLE clip ADD COLUMN accuracy_m DOUBLE",
    "ALTER TABLE clip ADD COLUMN focal_equivalent_mm DOUBLE",
    "ALTER TABLE stretch ADD COLUMN doubt VARCHAR DEFAULT '' NOT NULL",
    "ALTER TABLE observation ADD COLUMN height_m DOUBLE",
    "ALTER TABLE observation ADD COLUMN aspect VARCHAR",
    "ALTER TABLE observation ADD COLUMN branch VARCHAR",
    "ALTER TABLE observation ADD COLUMN marker VARCHAR",
    "ALTER TABLE observation ADD COLUMN searched_min DOUBLE",
    "ALTER TABLE observation ADD COLUMN length_mm DOUBLE",
    "ALTER TABLE observation ADD COLUMN length_error_mm DOUBLE",
    "ALTER TABLE observation ADD COLUMN length_from VARCHAR",
    "ALTER TABLE observation ADD COLUMN entry_key VARCHAR DEFAULT '' NOT NULL",
    "CREATE UNIQUE INDEX uq_observation_entry_key ON observation (entry_key) WHERE entry_key <> ''",
    """
    CREATE TABLE visit_tree (
        visit_id INTEGER NOT NULL,
        tree_id INTEGER NOT NULL,
        leaf_stage_bbch INTEGER,
        eye_min DOUBLE,
        note VARCHAR DEFAULT '' NOT NULL,
        CONSTRAINT pk_visit_tree PRIMARY KEY (visit_id, tree_id),
        CONSTRAINT fk_visit_tree_visit_id_visit FOREIGN KEY(visit_id) REFERENCES visit (id),
        CONSTRAINT fk_visit_tree_tree_id_tree FOREIGN KEY(tree_id) REFERENCES tree (id)
    )
    """,
    """
    CREATE TABLE card_sighting (
        id INTEGER NOT NULL,
        clip_id INTEGER NOT NULL,
        marker INTEGER NOT NULL,
        time_s DOUBLE NOT NULL,
        corners BLOB NOT NULL,
        CONSTRAINT pk_card_sighting PRIMARY KEY (id),
        CONSTRAINT fk_card_sighting_clip_id_clip FOREIGN KEY(clip_id) REFERENCES clip (id)
    )
    """,
    "CREATE INDEX ix_card_sighting_clip_id_time_s ON card_sighting (clip_id, time_s)",
    """
    CREATE TABLE track (
        id INTEGER NOT NULL,
        sha256 VARCHAR NOT NULL,
        name VARCHAR NOT NULL,
        added_at VARCHAR(27) NOT NULL,
        first_at VARCHAR(27) NOT NULL,
        last_at VARCHAR(27) NOT NULL,
        points BLOB NOT NULL,
        CONSTRAINT pk_track PRIMARY KEY (id),
        CONSTRAINT uq_track_sha256 UNIQUE (sha256)
    )
    """,
    """
    CREATE TABLE record_change (
        id INTEGER NOT NULL,
        record VARCHAR NOT NULL,
        record_id INTEGER NOT NULL,
        field VARCHAR NOT NULL,
        old VARCHAR,
        new VARCHAR,
        who VARCHAR NOT NULL,
        at VARCHAR(27) NOT NULL,
        CONSTRAINT pk_record_change PRIMARY KEY (id),
        CONSTRAINT ck_record_change_record CHECK (record IN ('site', 'tree', 'visit', 'clip', 'stretch'))
    )
    """,
    "CREATE INDEX ix_record_change_record_record_id ON record_change (record, record_id)",
    """
    CREATE TRIGGER change_stays BEFORE DELETE ON record_change BEGIN
        SELECT RAISE(ABORT, 'the history of records is only ever added to');
    END
    """,
    """
    CREATE TRIGGER change_holds BEFORE UPDATE ON record_change BEGIN
        SELECT RAISE(ABORT, 'the history of records is only ever added to');
    END
    """,
)


def upgrade() -> None:
    """Add the columns, tables and guards."""
    for statement in STATEMENTS:
        op.execute(statement)


def downgrade() -> None:
    """There is no way back: a logbook is copied before it is opened by an older program."""
    raise AnnotateError(
        "logbook: expected to be brought to newer tables; found a step back; open a copy that the older program made"
    )

"""The first tables: sites, trees, visits, clips, stretches, searches, candidates, views, verdicts, observations."""

from alembic import op

from annotate.errors import AnnotateError

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TABLES = (
    """
    CREATE TABLE site (
        id INTEGER NOT NULL,
        code VARCHAR NOT NULL,
        name VARCHAR NOT NULL,
        latitude_deg DOUBLE,
        longitude_deg DOUBLE,
        zone VARCHAR NOT NULL,
        CONSTRAINT pk_site PRIMARY KEY (id),
        CONSTRAINT uq_site_code UNIQUE (code)
    )
    """,
    """
    CREATE TABLE tree (
        id INTEGER NOT NULL,
        site_id INTEGER NOT NULL,
        code VARCHAR NOT NULL,
        host_taxon VARCHAR NOT NULL,
        latitude_deg DOUBLE,
        longitude_deg DOUBLE,
        accuracy_m DOUBLE,
        height_m DOUBLE,
        notes VARCHAR NOT NULL,
        cautions VARCHAR NOT NULL,
        expected_taxon VARCHAR NOT NULL,
        CONSTRAINT pk_tree PRIMARY KEY (id),
        CONSTRAINT uq_tree_site_id_code UNIQUE (site_id, code),
        CONSTRAINT fk_tree_site_id_site FOREIGN KEY(site_id) REFERENCES site (id)
    )
    """,
    """
    CREATE TABLE visit (
        id INTEGER NOT NULL,
        site_id INTEGER NOT NULL,
        date DATE NOT NULL,
        started_at VARCHAR(27),
        ended_at VARCHAR(27),
        times_from VARCHAR NOT NULL,
        zone VARCHAR NOT NULL,
        recorders VARCHAR NOT NULL,
        weather VARCHAR NOT NULL,
        notes VARCHAR NOT NULL,
        CONSTRAINT pk_visit PRIMARY KEY (id),
        CONSTRAINT uq_visit_site_id_date UNIQUE (site_id, date),
        CONSTRAINT fk_visit_site_id_site FOREIGN KEY(site_id) REFERENCES site (id)
    )
    """,
    """
    CREATE TABLE clip (
        id INTEGER NOT NULL,
        visit_id INTEGER,
        sha256 VARCHAR NOT NULL,
        path VARCHAR NOT NULL,
        name VARCHAR NOT NULL,
        kind VARCHAR NOT NULL,
        width_px INTEGER NOT NULL,
        height_px INTEGER NOT NULL,
        frame_rate_hz DOUBLE NOT NULL,
        duration_s DOUBLE NOT NULL,
        codec VARCHAR NOT NULL,
        recorded_at VARCHAR(27) NOT NULL,
        zone VARCHAR NOT NULL,
        recorded_from VARCHAR NOT NULL,
        added_at VARCHAR(27) NOT NULL,
        CONSTRAINT pk_clip PRIMARY KEY (id),
        CONSTRAINT fk_clip_visit_id_visit FOREIGN KEY(visit_id) REFERENCES visit (id),
        CONSTRAINT uq_clip_sha256 UNIQUE (sha256)
    )
    """,
    "CREATE INDEX ix_clip_visit_id ON clip (visit_id)",
    """
    CREATE TABLE search (
        id INTEGER NOT NULL,
        clip_id INTEGER NOT NULL,
        started_at VARCHAR(27) NOT NULL,
        finished_at VARCHAR(27) NOT NULL,
        scorer VARCHAR NOT NULL,
        settings_sha256 VARCHAR NOT NULL,
        searched_s DOUBLE NOT NULL,
        usable_s DOUBLE NOT NULL,
        frames INTEGER NOT NULL,
        looked_at INTEGER NOT NULL,
        problems VARCHAR NOT NULL,
        watched BLOB NOT NULL,
        offered INTEGER NOT NULL,
        same_as_before INTEGER NOT NULL,
        set_aside INTEGER NOT NULL,
        current BOOLEAN NOT NULL,
        CONSTRAINT pk_search PRIMARY KEY (id),
        CONSTRAINT fk_search_clip_id_clip FOREIGN KEY(clip_id) REFERENCES clip (id)
    )
    """,
    "CREATE INDEX ix_search_clip_id_current ON search (clip_id, current)",
    """
    CREATE TABLE stretch (
        id INTEGER NOT NULL,
        clip_id INTEGER NOT NULL,
        tree_id INTEGER NOT NULL,
        start_s DOUBLE NOT NULL,
        end_s DOUBLE NOT NULL,
        source VARCHAR NOT NULL,
        CONSTRAINT pk_stretch PRIMARY KEY (id),
        CONSTRAINT ck_stretch_forward CHECK (end_s > start_s),
        CONSTRAINT fk_stretch_clip_id_clip FOREIGN KEY(clip_id) REFERENCES clip (id),
        CONSTRAINT fk_stretch_tree_id_tree FOREIGN KEY(tree_id) REFERENCES tree (id)
    )
    """,
    "CREATE INDEX ix_stretch_clip_id ON stretch (clip_id)",
    "CREATE INDEX ix_stretch_tree_id ON stretch (tree_id)",
    """
    CREATE TABLE candidate (
        id INTEGER NOT NULL,
        search_id INTEGER NOT NULL,
        clip_id INTEGER NOT NULL,
        tree_id INTEGER,
        same_as_id INTEGER,
        kind VARCHAR NOT NULL,
        score DOUBLE NOT NULL,
        first_s DOUBLE NOT NULL,
        last_s DOUBLE NOT NULL,
        best_s DOUBLE NOT NULL,
        at VARCHAR(27) NOT NULL,
        views_seen INTEGER NOT NULL,
        length_px DOUBLE NOT NULL,
        missing_percent DOUBLE NOT NULL,
        frame_picture VARCHAR NOT NULL,
        frame_rows INTEGER NOT NULL,
        frame_cols INTEGER NOT NULL,
        standing VARCHAR NOT NULL,
        answer VARCHAR NOT NULL,
        CONSTRAINT pk_candidate PRIMARY KEY (id),
        CONSTRAINT ck_candidate_answer CHECK (answer IN ('confirm', 'dismiss', 'unsure', 'open')),
        CONSTRAINT ck_candidate_standing CHECK (standing IN ('listed', 'set aside', 'same')),
        CONSTRAINT ck_candidate_kind CHECK (kind IN ('silhouette', 'feeding')),
        CONSTRAINT fk_candidate_search_id_search FOREIGN KEY(search_id) REFERENCES search (id),
        CONSTRAINT fk_candidate_clip_id_clip FOREIGN KEY(clip_id) REFERENCES clip (id),
        CONSTRAINT fk_candidate_tree_id_tree FOREIGN KEY(tree_id) REFERENCES tree (id),
        CONSTRAINT fk_candidate_same_as_id_candidate FOREIGN KEY(same_as_id) REFERENCES candidate (id)
    )
    """,
    "CREATE INDEX ix_candidate_clip_id ON candidate (clip_id)",
    "CREATE INDEX ix_candidate_review ON candidate (standing, kind, answer, score DESC, id)",
    "CREATE INDEX ix_candidate_search_id ON candidate (search_id)",
    "CREATE INDEX ix_candidate_tree_review ON candidate (tree_id, standing, kind, answer, score DESC, id)",
    """
    CREATE TABLE verdict (
        id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
        candidate_id INTEGER NOT NULL,
        answer VARCHAR NOT NULL,
        reviewer VARCHAR NOT NULL,
        at VARCHAR(27) NOT NULL,
        takes_back_id INTEGER,
        CONSTRAINT ck_verdict_answer CHECK (answer IN ('confirm', 'dismiss', 'unsure', 'open')),
        CONSTRAINT fk_verdict_candidate_id_candidate FOREIGN KEY(candidate_id) REFERENCES candidate (id),
        CONSTRAINT fk_verdict_takes_back_id_verdict FOREIGN KEY(takes_back_id) REFERENCES verdict (id)
    )
    """,
    "CREATE INDEX ix_verdict_candidate_id_id ON verdict (candidate_id, id)",
    "CREATE INDEX ix_verdict_reviewer_id ON verdict (reviewer, id)",
    "CREATE UNIQUE INDEX uq_verdict_takes_back_id ON verdict (takes_back_id) WHERE takes_back_id IS NOT NULL",
    """
    CREATE TABLE "view" (
        candidate_id INTEGER NOT NULL,
        rank INTEGER NOT NULL,
        time_s DOUBLE NOT NULL,
        frame_index INTEGER NOT NULL,
        row0 INTEGER NOT NULL,
        col0 INTEGER NOT NULL,
        row_end INTEGER NOT NULL,
        col_end INTEGER NOT NULL,
        outline BLOB NOT NULL,
        score DOUBLE NOT NULL,
        length_px DOUBLE NOT NULL,
        width_px DOUBLE NOT NULL,
        sharpness DOUBLE NOT NULL,
        picture VARCHAR NOT NULL,
        picture_row INTEGER NOT NULL,
        picture_col INTEGER NOT NULL,
        picture_rows INTEGER NOT NULL,
        picture_cols INTEGER NOT NULL,
        CONSTRAINT pk_view PRIMARY KEY (candidate_id, rank),
        CONSTRAINT fk_view_candidate_id_candidate FOREIGN KEY(candidate_id) REFERENCES candidate (id)
    )
    """,
    """
    CREATE TABLE observation (
        id INTEGER NOT NULL,
        tree_id INTEGER,
        visit_id INTEGER,
        source VARCHAR NOT NULL,
        candidate_id INTEGER,
        verdict_id INTEGER,
        at VARCHAR(27) NOT NULL,
        zone VARCHAR NOT NULL,
        taxon VARCHAR NOT NULL,
        stage VARCHAR,
        condition VARCHAR,
        behaviour VARCHAR,
        note VARCHAR,
        count INTEGER NOT NULL,
        observer VARCHAR NOT NULL,
        evidence VARCHAR,
        withdrawn_at VARCHAR(27),
        CONSTRAINT pk_observation PRIMARY KEY (id),
        CONSTRAINT ck_observation_source CHECK (source IN ('footage', 'eye', 'none found')),
        CONSTRAINT ck_observation_verdict CHECK ((source = 'footage') = (verdict_id IS NOT NULL)),
        CONSTRAINT ck_observation_count CHECK ((source = 'none found') = (count = 0)),
        CONSTRAINT fk_observation_tree_id_tree FOREIGN KEY(tree_id) REFERENCES tree (id),
        CONSTRAINT fk_observation_visit_id_visit FOREIGN KEY(visit_id) REFERENCES visit (id),
        CONSTRAINT uq_observation_candidate_id UNIQUE (candidate_id),
        CONSTRAINT fk_observation_candidate_id_candidate FOREIGN KEY(candidate_id) REFERENCES candidate (id),
        CONSTRAINT fk_observation_verdict_id_verdict FOREIGN KEY(verdict_id) REFERENCES verdict (id)
    )
    """,
    "CREATE INDEX ix_observation_at ON observation (at)",
    "CREATE INDEX ix_observation_tree_id_at ON observation (tree_id, at)",
    "CREATE INDEX ix_observation_visit_id ON observation (visit_id)",
    """
    CREATE TABLE observation_change (
        id INTEGER NOT NULL,
        observation_id INTEGER NOT NULL,
        field VARCHAR NOT NULL,
        old VARCHAR,
        new VARCHAR,
        who VARCHAR NOT NULL,
        at VARCHAR(27) NOT NULL,
        CONSTRAINT pk_observation_change PRIMARY KEY (id),
        CONSTRAINT fk_observation_change_observation_id_observation FOREIGN KEY(observation_id) REFERENCES observation (id)
    )
    """,
    "CREATE INDEX ix_observation_change_observation_id ON observation_change (observation_id)",
)


def upgrade() -> None:
    """Make the tables."""
    for statement in TABLES:
        op.execute(statement)


def downgrade() -> None:
    """There is no way back: a logbook is copied before it is opened by an older program."""
    raise AnnotateError(
        "logbook: expected to be brought to newer tables; found a step back; open a copy that the older program made"
    )

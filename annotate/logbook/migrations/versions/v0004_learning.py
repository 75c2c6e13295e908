"""What judging teaches: reasons, corrected outlines, an order of judging, audits, planted larvae, a label server's answers."""

from alembic import op

from annotate.errors import AnnotateError

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

VERDICTS = (
    "ALTER TABLE verdict ADD COLUMN reason VARCHAR DEFAULT '' NOT NULL",
    "ALTER TABLE verdict ADD COLUMN blind BOOLEAN DEFAULT 0 NOT NULL",
    "ALTER TABLE verdict ADD COLUMN batch VARCHAR DEFAULT '' NOT NULL",
    "ALTER TABLE verdict ADD COLUMN stands_for DOUBLE DEFAULT 1 NOT NULL",
    "CREATE INDEX ix_verdict_batch ON verdict (batch) WHERE batch <> ''",
    "CREATE INDEX ix_verdict_reviewer_candidate_id ON verdict (reviewer, candidate_id)",
)

CANDIDATES = (
    """
    ALTER TABLE candidate ADD COLUMN found_by VARCHAR DEFAULT 'search' NOT NULL
    CONSTRAINT ck_candidate_found_by CHECK (found_by IN ('search', 'hand', 'planted'))
    """,
    "ALTER TABLE candidate ADD COLUMN promise DOUBLE DEFAULT 0 NOT NULL",
    "UPDATE candidate SET promise = score",
    "ALTER TABLE candidate ADD COLUMN teaching_rank INTEGER",
    "DROP INDEX ix_candidate_review",
    "DROP INDEX ix_candidate_tree_review",
    "CREATE INDEX ix_candidate_review ON candidate (standing, kind, answer, promise DESC, id)",
    "CREATE INDEX ix_candidate_tree_review ON candidate (tree_id, standing, kind, answer, promise DESC, id)",
    """
    CREATE INDEX ix_candidate_second ON candidate ((id * 3242174889) % 4294967296, answer)
    WHERE standing = 'listed' AND answer <> 'open'
    """,
    "CREATE INDEX ix_candidate_by_hand ON candidate (clip_id) WHERE found_by = 'hand'",
    "CREATE INDEX ix_candidate_same ON candidate (same_as_id) WHERE same_as_id IS NOT NULL",
    "CREATE INDEX ix_candidate_doubt ON candidate (answer, score) WHERE answer IN ('confirm', 'dismiss')",
    "CREATE INDEX ix_candidate_teaching ON candidate (teaching_rank) WHERE teaching_rank IS NOT NULL",
    """
    CREATE TABLE candidate_look (
        candidate_id INTEGER NOT NULL,
        scorer VARCHAR NOT NULL,
        vector BLOB NOT NULL,
        CONSTRAINT pk_candidate_look PRIMARY KEY (candidate_id),
        CONSTRAINT fk_candidate_look_candidate_id_candidate FOREIGN KEY(candidate_id) REFERENCES candidate (id)
    )
    """,
)

LABELS = (
    "ALTER TABLE label ADD COLUMN light DOUBLE",
    "ALTER TABLE label ADD COLUMN digest VARCHAR DEFAULT '' NOT NULL",
    """
    CREATE TABLE label_gathering (
        id INTEGER NOT NULL,
        sources VARCHAR NOT NULL,
        CONSTRAINT pk_label_gathering PRIMARY KEY (id)
    )
    """,
)

OUTLINES = (
    """
    CREATE TABLE outline_correction (
        id INTEGER NOT NULL,
        candidate_id INTEGER NOT NULL,
        rank INTEGER NOT NULL,
        outline BLOB,
        reviewer VARCHAR NOT NULL,
        at VARCHAR(27) NOT NULL,
        CONSTRAINT pk_outline_correction PRIMARY KEY (id),
        CONSTRAINT fk_outline_correction_candidate_id_candidate FOREIGN KEY(candidate_id) REFERENCES candidate (id)
    )
    """,
    "CREATE INDEX ix_outline_correction_candidate_id_rank_id ON outline_correction (candidate_id, rank, id)",
    """
    CREATE TRIGGER correction_stays BEFORE DELETE ON outline_correction BEGIN
        SELECT RAISE(ABORT, 'corrected outlines are only ever added, never removed');
    END
    """,
    """
    CREATE TRIGGER correction_holds BEFORE UPDATE ON outline_correction BEGIN
        SELECT RAISE(ABORT, 'corrected outlines are only ever added, never changed');
    END
    """,
)

AUDITS = (
    """
    CREATE TABLE audit_sample (
        id INTEGER NOT NULL,
        visit_id INTEGER NOT NULL,
        window_s DOUBLE NOT NULL,
        seed INTEGER NOT NULL,
        drawn_at VARCHAR(27) NOT NULL,
        pool INTEGER NOT NULL,
        CONSTRAINT pk_audit_sample PRIMARY KEY (id),
        CONSTRAINT fk_audit_sample_visit_id_visit FOREIGN KEY(visit_id) REFERENCES visit (id)
    )
    """,
    "CREATE INDEX ix_audit_sample_visit_id ON audit_sample (visit_id)",
    """
    CREATE TABLE audit_window (
        id INTEGER NOT NULL,
        sample_id INTEGER NOT NULL,
        clip_id INTEGER NOT NULL,
        search_id INTEGER NOT NULL,
        start_s DOUBLE NOT NULL,
        end_s DOUBLE NOT NULL,
        time_s DOUBLE NOT NULL,
        frame_index INTEGER NOT NULL,
        picture VARCHAR NOT NULL,
        frame_rows INTEGER NOT NULL,
        frame_cols INTEGER NOT NULL,
        answer VARCHAR DEFAULT 'open' NOT NULL,
        CONSTRAINT pk_audit_window PRIMARY KEY (id),
        CONSTRAINT ck_audit_window_answer CHECK (answer IN ('larva', 'none', 'unsure', 'open')),
        CONSTRAINT fk_audit_window_sample_id_audit_sample FOREIGN KEY(sample_id) REFERENCES audit_sample (id),
        CONSTRAINT fk_audit_window_clip_id_clip FOREIGN KEY(clip_id) REFERENCES clip (id),
        CONSTRAINT fk_audit_window_search_id_search FOREIGN KEY(search_id) REFERENCES search (id)
    )
    """,
    "CREATE INDEX ix_audit_window_sample_id ON audit_window (sample_id)",
    "CREATE INDEX ix_audit_window_answer_id ON audit_window (answer, id)",
    """
    CREATE TABLE audit_answer (
        id INTEGER NOT NULL,
        window_id INTEGER NOT NULL,
        answer VARCHAR NOT NULL,
        reviewer VARCHAR NOT NULL,
        at VARCHAR(27) NOT NULL,
        CONSTRAINT pk_audit_answer PRIMARY KEY (id),
        CONSTRAINT ck_audit_answer_answer CHECK (answer IN ('larva', 'none', 'unsure', 'open')),
        CONSTRAINT fk_audit_answer_window_id_audit_window FOREIGN KEY(window_id) REFERENCES audit_window (id)
    )
    """,
    "CREATE INDEX ix_audit_answer_window_id_id ON audit_answer (window_id, id)",
    """
    CREATE TRIGGER audit_answer_stays BEFORE DELETE ON audit_answer BEGIN
        SELECT RAISE(ABORT, 'answers of an audit are only ever added, never removed');
    END
    """,
    """
    CREATE TRIGGER audit_answer_holds BEFORE UPDATE ON audit_answer BEGIN
        SELECT RAISE(ABORT, 'answers of an audit are only ever added, never changed');
    END
    """,
    """
    CREATE TABLE planted (
        id INTEGER NOT NULL,
        clip_id INTEGER NOT NULL,
        candidate_id INTEGER,
        scorer VARCHAR NOT NULL,
        seed INTEGER NOT NULL,
        planted_at VARCHAR(27) NOT NULL,
        first_s DOUBLE NOT NULL,
        last_s DOUBLE NOT NULL,
        length_px DOUBLE NOT NULL,
        sharpness DOUBLE NOT NULL,
        best_score DOUBLE NOT NULL,
        is_found BOOLEAN NOT NULL,
        body BLOB NOT NULL,
        CONSTRAINT pk_planted PRIMARY KEY (id),
        CONSTRAINT fk_planted_clip_id_clip FOREIGN KEY(clip_id) REFERENCES clip (id),
        CONSTRAINT fk_planted_candidate_id_candidate FOREIGN KEY(candidate_id) REFERENCES candidate (id)
    )
    """,
    "CREATE INDEX ix_planted_clip_id ON planted (clip_id)",
    "CREATE INDEX ix_planted_candidate_id ON planted (candidate_id)",
    """
    CREATE TRIGGER planted_is_no_observation BEFORE INSERT ON observation
    WHEN (SELECT found_by FROM candidate WHERE id = NEW.candidate_id) = 'planted' BEGIN
        SELECT RAISE(ABORT, 'a planted larva is never an observation');
    END
    """,
    """
    CREATE TRIGGER planted_for_ever BEFORE UPDATE OF found_by ON candidate WHEN OLD.found_by = 'planted' BEGIN
        SELECT RAISE(ABORT, 'a planted larva is marked for ever');
    END
    """,
)

EXCHANGE = (
    """
    CREATE TABLE exchange_task (
        id INTEGER NOT NULL,
        server VARCHAR NOT NULL,
        project INTEGER NOT NULL,
        candidate_id INTEGER NOT NULL,
        task INTEGER NOT NULL,
        sent_at VARCHAR(27) NOT NULL,
        CONSTRAINT pk_exchange_task PRIMARY KEY (id),
        CONSTRAINT uq_exchange_task_server_project_candidate_id UNIQUE (server, project, candidate_id),
        CONSTRAINT fk_exchange_task_candidate_id_candidate FOREIGN KEY(candidate_id) REFERENCES candidate (id)
    )
    """,
    """
    CREATE TABLE exchange_answer (
        id INTEGER NOT NULL,
        exchange_task_id INTEGER NOT NULL,
        annotation INTEGER NOT NULL,
        version VARCHAR NOT NULL,
        verdict_id INTEGER NOT NULL,
        CONSTRAINT pk_exchange_answer PRIMARY KEY (id),
        CONSTRAINT uq_exchange_answer_exchange_task_id_annotation_version
            UNIQUE (exchange_task_id, annotation, version),
        CONSTRAINT fk_exchange_answer_exchange_task_id_exchange_task
            FOREIGN KEY(exchange_task_id) REFERENCES exchange_task (id),
        CONSTRAINT fk_exchange_answer_verdict_id_verdict FOREIGN KEY(verdict_id) REFERENCES verdict (id)
    )
    """,
)


def upgrade() -> None:
    """Add the columns, tables and guards."""
    for statement in (*VERDICTS, *CANDIDATES, *LABELS, *OUTLINES, *AUDITS, *EXCHANGE):
        op.execute(statement)


def downgrade() -> None:
    """There is no way back: a logbook is copied before it is opened by an older program."""
    raise AnnotateError(
        "logbook: expected to be brought to newer tables; found a step back; open a copy that the older program made"
    )

"""The tables of a logbook as they are now; how older ones become so stands in `annotate.logbook.migrations`.

Moments are UTC, kept as text of fixed width so that they sort; the local zone is kept beside them. Pixels are
(row, column) of the upright full-resolution frame. Pictures are named by the sha256 of their bytes and stand in the
folder `evidence`. These classes never leave this room.
"""

from datetime import UTC, date, datetime

from sqlalchemy import (
    CheckConstraint,
    Dialect,
    Double,
    ForeignKey,
    Index,
    LargeBinary,
    MetaData,
    String,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator

MOMENT_FORMAT = "%Y-%m-%dT%H:%M:%S.%fZ"

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Moment(TypeDecorator[datetime]):
    """An aware moment, kept as UTC text; a naive one is a mistake of the program and refused."""

    impl = String(27)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """Turn an aware moment into text."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise TypeError(f"moments in a logbook have a zone; {value!r} has none")
        return value.astimezone(UTC).strftime(MOMENT_FORMAT)

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        """Turn text into an aware moment in UTC."""
        return None if value is None else datetime.fromisoformat(value)


class Base(DeclarativeBase):
    """What all tables share."""

    metadata = MetaData(naming_convention=NAMES)
    type_annotation_map = {datetime: Moment, bytes: LargeBinary, float: Double}  # noqa: RUF012 (SQLAlchemy's own form)


class SiteRow(Base):
    """A place with trees."""

    __tablename__ = "site"

    id: Mapped[int] = mapped_column(primary_key=True)
    code: Mapped[str] = mapped_column(unique=True)
    name: Mapped[str] = mapped_column(default="")
    latitude_deg: Mapped[float | None]
    longitude_deg: Mapped[float | None]
    zone: Mapped[str]


class TreeRow(Base):
    """A plant of a site. `expected_taxon` is the animal looked for here where it is not the one of the settings.

    `walk_order` is its place in the walk from tree to tree, `marker` the number on its card.
    """

    __tablename__ = "tree"
    __table_args__ = (
        UniqueConstraint("site_id", "code"),
        Index("uq_tree_marker", "marker", unique=True, sqlite_where=text("marker IS NOT NULL")),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    code: Mapped[str]
    host_taxon: Mapped[str] = mapped_column(default="")
    latitude_deg: Mapped[float | None]
    longitude_deg: Mapped[float | None]
    accuracy_m: Mapped[float | None]
    height_m: Mapped[float | None]
    notes: Mapped[str] = mapped_column(default="")
    cautions: Mapped[str] = mapped_column(default="")
    expected_taxon: Mapped[str] = mapped_column(default="")
    walk_order: Mapped[int | None]
    marker: Mapped[int | None]


class VisitRow(Base):
    """One outing to a site on one local date. `times_from` says who set start and end: "footage" or "given"."""

    __tablename__ = "visit"
    __table_args__ = (UniqueConstraint("site_id", "date"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    date: Mapped[date]
    started_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
    times_from: Mapped[str]
    zone: Mapped[str]
    recorders: Mapped[str] = mapped_column(default="")
    weather: Mapped[str] = mapped_column(default="")
    notes: Mapped[str] = mapped_column(default="")
    temperature_c: Mapped[float | None]
    wind_beaufort: Mapped[int | None]
    cloud_oktas: Mapped[int | None]


class VisitTreeRow(Base):
    """What was noted of one tree on one visit: its leaf stage (BBCH, 0 to 99) and the minutes it was looked over by eye."""

    __tablename__ = "visit_tree"

    visit_id: Mapped[int] = mapped_column(ForeignKey("visit.id"), primary_key=True)
    tree_id: Mapped[int] = mapped_column(ForeignKey("tree.id"), primary_key=True)
    leaf_stage_bbch: Mapped[int | None]
    eye_min: Mapped[float | None]
    note: Mapped[str] = mapped_column(default="", server_default="")


class ClipRow(Base):
    """A video or a set of photos, known by its bytes; `path` is where it was last seen.

    `recorded_at` is the moment of the first frame with the camera's clock put right: what was read plus `clock_offset_s`.
    Position and focal length are what the file says of them, None where it says nothing.
    """

    __tablename__ = "clip"

    id: Mapped[int] = mapped_column(primary_key=True)
    visit_id: Mapped[int | None] = mapped_column(ForeignKey("visit.id"), index=True)
    sha256: Mapped[str] = mapped_column(unique=True)
    path: Mapped[str]
    name: Mapped[str]
    kind: Mapped[str]
    width_px: Mapped[int]
    height_px: Mapped[int]
    frame_rate_hz: Mapped[float]
    duration_s: Mapped[float]
    codec: Mapped[str]
    recorded_at: Mapped[datetime]
    zone: Mapped[str]
    recorded_from: Mapped[str]
    added_at: Mapped[datetime]
    clock_offset_s: Mapped[float] = mapped_column(default=0.0, server_default=text("0"))
    latitude_deg: Mapped[float | None]
    longitude_deg: Mapped[float | None]
    accuracy_m: Mapped[float | None]
    focal_equivalent_mm: Mapped[float | None]


class StretchRow(Base):
    """The part of a clip filmed under one tree; the stretches of a clip never overlap.

    `source` says how the tree is known, `doubt` in words why a person is asked whether it is right, empty where nobody need be.
    """

    __tablename__ = "stretch"
    __table_args__ = (CheckConstraint("end_s > start_s", name="forward"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    tree_id: Mapped[int] = mapped_column(ForeignKey("tree.id"), index=True)
    start_s: Mapped[float]
    end_s: Mapped[float]
    source: Mapped[str]
    doubt: Mapped[str] = mapped_column(default="", server_default="")


class CardSightingRow(Base):
    """A tree card seen in a frame: the number on it, and its corners, float32 (4, 2), little-endian, (row, column) px."""

    __tablename__ = "card_sighting"
    __table_args__ = (Index("ix_card_sighting_clip_id_time_s", "clip_id", "time_s"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"))
    marker: Mapped[int]
    time_s: Mapped[float]
    corners: Mapped[bytes]


class TrackRow(Base):
    """A way walked, from GPX; `points`: float64 (N, 4), little-endian, (UNIX time in s, latitude, longitude, error in m)."""

    __tablename__ = "track"

    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(unique=True)
    name: Mapped[str]
    added_at: Mapped[datetime]
    first_at: Mapped[datetime]
    last_at: Mapped[datetime]
    points: Mapped[bytes]


class RecordChangeRow(Base):
    """One field of a site, tree, visit, clip or stretch that was changed later. Rows are only added."""

    __tablename__ = "record_change"
    __table_args__ = (
        CheckConstraint("record IN ('site', 'tree', 'visit', 'clip', 'stretch')", name="record"),
        Index("ix_record_change_record_record_id", "record", "record_id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    record: Mapped[str]
    record_id: Mapped[int]
    field: Mapped[str]
    old: Mapped[str | None]
    new: Mapped[str | None]
    who: Mapped[str]
    at: Mapped[datetime]


class SearchRow(Base):
    """One finished search of a clip; `watched` holds (time_s, sharpness rank) of the frames looked at, float32 pairs."""

    __tablename__ = "search"
    __table_args__ = (Index("ix_search_clip_id_current", "clip_id", "current"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"))
    started_at: Mapped[datetime]
    finished_at: Mapped[datetime]
    scorer: Mapped[str]
    settings_sha256: Mapped[str]
    searched_s: Mapped[float]
    usable_s: Mapped[float]
    frames: Mapped[int]
    looked_at: Mapped[int]
    problems: Mapped[str]
    watched: Mapped[bytes]
    offered: Mapped[int]
    same_as_before: Mapped[int]
    set_aside: Mapped[int]
    current: Mapped[bool]


class CandidateRow(Base):
    """One thing a search found.

    `standing` says whether it takes part in the review: "listed", "set aside" (unjudged when its clip was searched again) or
    "same" (it shows what `same_as_id`, judged before, shows). `answer` is the one that counts (`annotate.judging.readings`), so
    that the next open candidate is found in an index; it changes only in the transaction that adds a verdict. `at` is the
    moment of the best view. `found_by` says "search", "hand" (drawn into a frame by a person) or "planted" (drawn into footage
    to measure with, never an observation). `promise` is what the order of judging goes by: the score at first, later what the
    verdicts taught of it; `teaching_rank` is 0, 1, 2... of the few candidates from whose verdict most would be learned, None of
    all others.
    """

    __tablename__ = "candidate"
    __table_args__ = (
        CheckConstraint("answer IN ('confirm', 'dismiss', 'unsure', 'open')", name="answer"),
        CheckConstraint("standing IN ('listed', 'set aside', 'same')", name="standing"),
        CheckConstraint("kind IN ('silhouette', 'feeding')", name="kind"),
        CheckConstraint("found_by IN ('search', 'hand', 'planted')", name="found_by"),
        Index("ix_candidate_review", "standing", "kind", "answer", text("promise DESC"), "id"),
        # In the order of a second reading (`annotate.logbook.second_reading`), which must ask in the very same words.
        Index(
            "ix_candidate_second",
            text("(id * 3242174889) % 4294967296"),
            "answer",
            sqlite_where=text("standing = 'listed' AND answer <> 'open'"),
        ),
        Index(
            "ix_candidate_tree_review", "tree_id", "standing", "kind", "answer", text("promise DESC"), "id"
        ),
        Index("ix_candidate_by_hand", "clip_id", sqlite_where=text("found_by = 'hand'")),
        Index("ix_candidate_same", "same_as_id", sqlite_where=text("same_as_id IS NOT NULL")),
        Index(
            "ix_candidate_doubt",
            "answer",
            "score",
            sqlite_where=text("answer IN ('confirm', 'dismiss')"),
        ),
        Index("ix_candidate_teaching", "teaching_rank", sqlite_where=text("teaching_rank IS NOT NULL")),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    search_id: Mapped[int] = mapped_column(ForeignKey("search.id"), index=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    tree_id: Mapped[int | None] = mapped_column(ForeignKey("tree.id"))
    same_as_id: Mapped[int | None] = mapped_column(ForeignKey("candidate.id"))
    kind: Mapped[str]
    score: Mapped[float]
    first_s: Mapped[float]
    last_s: Mapped[float]
    best_s: Mapped[float]
    at: Mapped[datetime]
    views_seen: Mapped[int]
    length_px: Mapped[float]
    missing_percent: Mapped[float]
    frame_picture: Mapped[str]
    frame_rows: Mapped[int]
    frame_cols: Mapped[int]
    standing: Mapped[str]
    answer: Mapped[str] = mapped_column(default="open")
    found_by: Mapped[str] = mapped_column(default="search", server_default="search")
    promise: Mapped[float] = mapped_column(default=0.0, server_default=text("0"))
    teaching_rank: Mapped[int | None]


class CandidateLookRow(Base):
    """What a candidate's best view looks like to a network: `vector` is float16 (N,), little-endian, made by `scorer`."""

    __tablename__ = "candidate_look"

    candidate_id: Mapped[int] = mapped_column(ForeignKey("candidate.id"), primary_key=True)
    scorer: Mapped[str]
    vector: Mapped[bytes]


class CandidateTallyRow(Base):
    """How many listed candidates a tree (0 for none) has of each kind and answer; kept by triggers on `candidate`."""

    __tablename__ = "candidate_tally"
    __table_args__ = ({"sqlite_with_rowid": False},)

    tree_id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    kind: Mapped[str] = mapped_column(primary_key=True)
    answer: Mapped[str] = mapped_column(primary_key=True)
    number: Mapped[int]


class ViewRow(Base):
    """One view of a candidate, the best with rank 0; `outline` is float32 (N, 2), little-endian, (row, column)."""

    __tablename__ = "view"

    candidate_id: Mapped[int] = mapped_column(ForeignKey("candidate.id"), primary_key=True)
    rank: Mapped[int] = mapped_column(primary_key=True)
    time_s: Mapped[float]
    frame_index: Mapped[int]
    row0: Mapped[int]
    col0: Mapped[int]
    row_end: Mapped[int]
    col_end: Mapped[int]
    outline: Mapped[bytes]
    score: Mapped[float]
    length_px: Mapped[float]
    width_px: Mapped[float]
    sharpness: Mapped[float]
    picture: Mapped[str]
    picture_row: Mapped[int]
    picture_col: Mapped[int]
    picture_rows: Mapped[int]
    picture_cols: Mapped[int]


class OutlineCorrectionRow(Base):
    """An outline that a person drew for a view, packed as in `ViewRow`; None goes back to the search's. Rows are only added."""

    __tablename__ = "outline_correction"
    __table_args__ = (Index("ix_outline_correction_candidate_id_rank_id", "candidate_id", "rank", "id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    candidate_id: Mapped[int] = mapped_column(ForeignKey("candidate.id"))
    rank: Mapped[int]
    outline: Mapped[bytes | None]
    reviewer: Mapped[str]
    at: Mapped[datetime]


class VerdictRow(Base):
    """What a reviewer said of a candidate. Rows are only added; which answer counts says `annotate.judging.readings`.

    An undo is a row with `takes_back_id`, and its answer is the one that counts without the verdict taken back. `reason` says why
    something was dismissed, `blind` that what others said of it was not shown, `batch` names verdicts given together, and
    `stands_for` says how many candidates this one stands for where only a share was drawn to be read again.
    """

    __tablename__ = "verdict"
    __table_args__ = (
        CheckConstraint("answer IN ('confirm', 'dismiss', 'unsure', 'open')", name="answer"),
        Index("ix_verdict_candidate_id_id", "candidate_id", "id"),
        Index("ix_verdict_reviewer_id", "reviewer", "id"),
        Index("ix_verdict_reviewer_candidate_id", "reviewer", "candidate_id"),
        Index("ix_verdict_batch", "batch", sqlite_where=text("batch <> ''")),
        # Partial, or SQLite looks through all ordinary verdicts (takes_back_id IS NULL) by it.
        Index(
            "uq_verdict_takes_back_id",
            "takes_back_id",
            unique=True,
            sqlite_where=text("takes_back_id IS NOT NULL"),
        ),
        # Ids must never be used twice: a page asks for "all verdicts after this one".
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    candidate_id: Mapped[int] = mapped_column(ForeignKey("candidate.id"))
    answer: Mapped[str]
    reviewer: Mapped[str]
    at: Mapped[datetime]
    takes_back_id: Mapped[int | None] = mapped_column(ForeignKey("verdict.id"))
    reason: Mapped[str] = mapped_column(default="", server_default="")
    blind: Mapped[bool] = mapped_column(default=False, server_default=text("0"))
    batch: Mapped[str] = mapped_column(default="", server_default="")
    stands_for: Mapped[float] = mapped_column(default=1.0, server_default=text("1"))


class ObservationRow(Base):
    """A dated record: from footage (with its verdict), by eye, or "none found". Withdrawn ones stay, with the moment.

    `height_m`, `aspect` and `branch` say where on the tree, `marker` what was tied there to find it again, `searched_min` how
    long was looked, `length_from` what the body's length was measured by. `entry_key` keeps a record sent twice from standing
    twice.
    """

    __tablename__ = "observation"
    __table_args__ = (
        CheckConstraint("source IN ('footage', 'eye', 'none found')", name="source"),
        CheckConstraint("(source = 'footage') = (verdict_id IS NOT NULL)", name="verdict"),
        CheckConstraint("(source = 'none found') = (count = 0)", name="count"),
        Index("ix_observation_tree_id_at", "tree_id", "at"),
        Index("uq_observation_entry_key", "entry_key", unique=True, sqlite_where=text("entry_key <> ''")),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    tree_id: Mapped[int | None] = mapped_column(ForeignKey("tree.id"))
    visit_id: Mapped[int | None] = mapped_column(ForeignKey("visit.id"), index=True)
    source: Mapped[str]
    candidate_id: Mapped[int | None] = mapped_column(ForeignKey("candidate.id"), unique=True)
    verdict_id: Mapped[int | None] = mapped_column(ForeignKey("verdict.id"))
    at: Mapped[datetime] = mapped_column(index=True)
    zone: Mapped[str]
    taxon: Mapped[str]
    stage: Mapped[str | None]
    condition: Mapped[str | None]
    behaviour: Mapped[str | None]
    note: Mapped[str | None]
    count: Mapped[int] = mapped_column(default=1)
    observer: Mapped[str]
    evidence: Mapped[str | None]
    withdrawn_at: Mapped[datetime | None]
    height_m: Mapped[float | None]
    aspect: Mapped[str | None]
    branch: Mapped[str | None]
    marker: Mapped[str | None]
    searched_min: Mapped[float | None]
    length_mm: Mapped[float | None]
    length_error_mm: Mapped[float | None]
    length_from: Mapped[str | None]
    entry_key: Mapped[str] = mapped_column(default="", server_default="")


class ObservationChangeRow(Base):
    """One field of an observation that was changed later. Rows are only added."""

    __tablename__ = "observation_change"

    id: Mapped[int] = mapped_column(primary_key=True)
    observation_id: Mapped[int] = mapped_column(ForeignKey("observation.id"), index=True)
    field: Mapped[str]
    old: Mapped[str | None]
    new: Mapped[str | None]
    who: Mapped[str]
    at: Mapped[datetime]


class LabelRow(Base):
    """A picture of the labelled image set as one source has it; what it means stands in `models.labels.LabelledImage`.

    `look` is the picture's difference hash in 16 hexadecimal letters, `light` what `models.picture_light` measures (None until it
    is looked at), `digest` that of the content (`models.labels`; empty until it is taken). `repeats_id` names the label that
    shows the same, which stands in the set instead of this one.
    """

    __tablename__ = "label"
    __table_args__ = (
        UniqueConstraint("picture", "source"),
        CheckConstraint("answer IN ('larva', 'feeding', 'nothing')", name="answer"),
        CheckConstraint("source IN ('verdict', 'drawn in', 'import')", name="source"),
        CheckConstraint("split IN ('train', 'held out')", name="split"),
        Index("ix_label_tree_date", "tree", "date"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    picture: Mapped[str]
    source: Mapped[str]
    origin: Mapped[str]
    picture_rows: Mapped[int]
    picture_cols: Mapped[int]
    answer: Mapped[str]
    reason: Mapped[str]
    licence: Mapped[str]
    reviewer: Mapped[str]
    labelled_at: Mapped[datetime]
    tree: Mapped[str]
    date: Mapped[date | None]
    clip: Mapped[str]
    scorer: Mapped[str]
    split: Mapped[str]
    look: Mapped[str] = mapped_column(String(16))
    repeats_id: Mapped[int | None] = mapped_column(ForeignKey("label.id"), index=True)
    light: Mapped[float | None]
    digest: Mapped[str] = mapped_column(default="", server_default="")


class LabelMarkRow(Base):
    """One outlined thing of a label; `outline` is float32 (N, 2), little-endian, (row, column) of the picture."""

    __tablename__ = "label_mark"
    __table_args__ = (CheckConstraint("kind IN ('larva', 'feeding')", name="kind"),)

    label_id: Mapped[int] = mapped_column(ForeignKey("label.id"), primary_key=True)
    rank: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str]
    stage: Mapped[str | None]
    length_px: Mapped[float]
    outline: Mapped[bytes]


class LabelGatheringRow(Base):
    """One row: a digest of all that the labels from verdicts were last gathered from, so that it is not read again in vain."""

    __tablename__ = "label_gathering"

    id: Mapped[int] = mapped_column(primary_key=True)
    sources: Mapped[str]


class AuditSampleRow(Base):
    """Windows drawn from what the search passed over on one visit: `pool` were there to draw from, each `window_s` long."""

    __tablename__ = "audit_sample"

    id: Mapped[int] = mapped_column(primary_key=True)
    visit_id: Mapped[int] = mapped_column(ForeignKey("visit.id"), index=True)
    window_s: Mapped[float]
    seed: Mapped[int]
    drawn_at: Mapped[datetime]
    pool: Mapped[int]


class AuditWindowRow(Base):
    """One drawn window with its sharpest frame, kept whole; `answer` repeats the newest one's, as that of a candidate does."""

    __tablename__ = "audit_window"
    __table_args__ = (
        CheckConstraint("answer IN ('larva', 'none', 'unsure', 'open')", name="answer"),
        Index("ix_audit_window_answer_id", "answer", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    sample_id: Mapped[int] = mapped_column(ForeignKey("audit_sample.id"), index=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"))
    search_id: Mapped[int] = mapped_column(ForeignKey("search.id"))
    start_s: Mapped[float]
    end_s: Mapped[float]
    time_s: Mapped[float]
    frame_index: Mapped[int]
    picture: Mapped[str]
    frame_rows: Mapped[int]
    frame_cols: Mapped[int]
    answer: Mapped[str] = mapped_column(default="open", server_default="open")


class AuditAnswerRow(Base):
    """What a reviewer said of a drawn window; "open" takes an answer back. Rows are only added."""

    __tablename__ = "audit_answer"
    __table_args__ = (
        CheckConstraint("answer IN ('larva', 'none', 'unsure', 'open')", name="answer"),
        Index("ix_audit_answer_window_id_id", "window_id", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    window_id: Mapped[int] = mapped_column(ForeignKey("audit_window.id"))
    answer: Mapped[str]
    reviewer: Mapped[str]
    at: Mapped[datetime]


class PlantedRow(Base):
    """A larva drawn into real footage: whether the search found it, and the candidate that a reviewer judges, if there is one.

    `body` is what `detect.planted_frames.pack_body` made of it: with it, it can be laid into the clip's frames again.
    """

    __tablename__ = "planted"

    id: Mapped[int] = mapped_column(primary_key=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    candidate_id: Mapped[int | None] = mapped_column(ForeignKey("candidate.id"), index=True)
    scorer: Mapped[str]
    seed: Mapped[int]
    planted_at: Mapped[datetime]
    first_s: Mapped[float]
    last_s: Mapped[float]
    length_px: Mapped[float]
    sharpness: Mapped[float]
    best_score: Mapped[float]
    is_found: Mapped[bool]
    body: Mapped[bytes]


class ExchangeTaskRow(Base):
    """A candidate that was sent to a project of a label server, and the number of its task there."""

    __tablename__ = "exchange_task"
    __table_args__ = (UniqueConstraint("server", "project", "candidate_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    server: Mapped[str]
    project: Mapped[int]
    candidate_id: Mapped[int] = mapped_column(ForeignKey("candidate.id"))
    task: Mapped[int]
    sent_at: Mapped[datetime]


class ExchangeAnswerRow(Base):
    """One version of an answer on a label server that became a verdict; each becomes one once."""

    __tablename__ = "exchange_answer"
    __table_args__ = (UniqueConstraint("exchange_task_id", "annotation", "version"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    exchange_task_id: Mapped[int] = mapped_column(ForeignKey("exchange_task.id"))
    annotation: Mapped[int]
    version: Mapped[str]
    verdict_id: Mapped[int] = mapped_column(ForeignKey("verdict.id"))

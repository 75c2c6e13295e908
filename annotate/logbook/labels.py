"""The labelled image set of a logbook: what verdicts say of the evidence pictures, and labels that came from elsewhere.

Labels of source "verdict" follow the verdicts, in the outlines that people corrected, and are brought up to date by
`gather_labels`; those of other sources are only touched by `add_labels`. Marks are (row, column) px of the evidence picture.
Pictures that show the same on one tree and date stand in the set once; the others are kept, with a note which one they repeat.
Larvae that were planted to measure with are in no set.
"""

import hashlib
import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from io import BytesIO
from itertools import groupby
from typing import Any, TypeVar

import numpy as np
from sqlalchemy import Select, case, delete, func, insert, select, true, update
from sqlalchemy.orm import Session, aliased

from annotate.errors import AnnotateError
from annotate.logbook.opening import Logbook
from annotate.logbook.outlines import Corrections, load_corrections
from annotate.logbook.outlines import unpack_outline as unpack_outline
from annotate.logbook.pictures import read_picture
from annotate.logbook.tables import (
    CandidateRow,
    ClipRow,
    LabelGatheringRow,
    LabelMarkRow,
    LabelRow,
    ObservationChangeRow,
    ObservationRow,
    OutlineCorrectionRow,
    PlantedRow,
    SearchRow,
    SiteRow,
    StretchRow,
    TreeRow,
    VerdictRow,
    ViewRow,
)
from annotate.zones import find_local_date
from models.labels import (
    LabelAnswer,
    LabelledImage,
    LabelMark,
    LabelSource,
    Split,
    choose_split,
    digest_label,
    find_answer,
    name_version,
)
from models.metrics import LENGTH_CLASSES_PX
from models.picture_light import LIGHT_BOUNDS, LIGHT_CLASSES, measure_light
from models.repeated_pictures import find_repeated, hash_look, measure_mark, see_look

PRECEDENCE: tuple[LabelSource, ...] = ("drawn in", "verdict", "import")
"""Of one picture the first of these stands in the set: what was drawn by hand is more exact than what a search outlined."""

MOST_NAMED = 500
"""Ids named in one question to the database, far below SQLite's limit of 32,766 (sqlite.org/limits.html)."""

Name = TypeVar("Name", int, str)

Group = tuple[str, date | None, str]
"""Tree and date, or where one is unknown the clip: what `choose_split` goes by."""


@dataclass(frozen=True, slots=True)
class LabelChanges:
    """What was done to the labels; `lost` are sha256s of pictures that are gone or damaged and so not in the set."""

    new: int
    changed: int
    removed: int
    same: int
    lost: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LabelCount:
    """How many marks, or pictures with nothing, are alike in all this.

    Attributes
    ----------
    answer : "larva" or "feeding" counts marks, "nothing" pictures
    stage : None where nobody said
    shortest_px : lower end of the class of length (`models.metrics.LENGTH_CLASSES_PX`), 0 below the least and for "nothing"
    light : class of light about it (`models.picture_light`); empty where the picture could not be looked at
    """

    tree: str
    split: Split
    answer: LabelAnswer
    stage: str | None
    shortest_px: float
    number: int
    light: str = ""


def gather_labels(logbook: Logbook) -> LabelChanges:
    """Bring the labels that come from verdicts up to date, in one transaction; asked again, it changes nothing.

    The newest verdict counts. Confirmed, the picture of the best view has its outline; every other confirmed thing of the same
    frame that lies in the picture is marked too, so that no larva is taught as nothing. Unsure and open ones are in no set. Only
    the pictures of frames of which something was said since the last time are looked through; `same` counts all others too.
    """
    with logbook.reading() as session:
        now, before = _read_sources(session), _read_gathered(session)
        if now == before:
            return LabelChanges(0, 0, 0, _count_from_verdicts(session))
        touched = None if before is None or before.rest != now.rest else _find_touched(session, before)
        wanted = _derive_labels(session, touched)
        known = _list_known(session)
        others = _load_rows(session, LabelRow.source != "verdict", LabelRow.light.is_(None))
    # A picture is looked at when it is new, and again when its marks may have moved.
    unseen = [image for name, image in wanted.items() if known.get(name) != digest_label(image)]
    looks, lost = _see_pictures(logbook, [*unseen, *(image for _, image in others)])
    with logbook.writing() as session:
        # Somebody may have judged meanwhile: what is compared is what stands now. A picture not yet seen waits for the next time.
        present = _load_from_verdicts(session, touched)
        seen = {image.picture for _, image in present} | set(looks)
        wanted = {name: image for name, image in _derive_labels(session, touched).items() if name in seen}
        done = _bring_to(session, present, wanted, looks, removes=True)
        _complete(session, others, looks)
        if not lost:
            session.execute(delete(LabelGatheringRow))
            session.add(LabelGatheringRow(id=1, sources=json.dumps(asdict(now))))
        untouched = _count_from_verdicts(session) - len(wanted)
    return replace(done, same=done.same + untouched, lost=tuple(name for name in lost if name not in known))


@dataclass(frozen=True, slots=True)
class _Sources:
    """How far labels were gathered: the newest rows of what is only ever added, and a digest of the few rows else."""

    verdict: int
    correction: int
    change: int
    observation: int
    rest: str


def _read_sources(session: Session) -> _Sources:
    """Return what labels from verdicts hang on; it takes milliseconds, and errs only on the side of change."""

    def find_newest(row: Any) -> int:
        return session.scalar(select(func.max(row.id))) or 0

    tables = (
        select(ClipRow.id, ClipRow.sha256, ClipRow.recorded_at, ClipRow.zone).order_by(ClipRow.id),
        select(StretchRow.clip_id, StretchRow.tree_id, StretchRow.start_s, StretchRow.end_s).order_by(
            StretchRow.id
        ),
        select(TreeRow.id, TreeRow.site_id, TreeRow.code).order_by(TreeRow.id),
        select(SiteRow.id, SiteRow.code).order_by(SiteRow.id),
    )
    rows = [tuple(row) for table in tables for row in session.execute(table)]
    return _Sources(
        verdict=find_newest(VerdictRow),
        correction=find_newest(OutlineCorrectionRow),
        change=find_newest(ObservationChangeRow),
        observation=find_newest(ObservationRow),
        rest=hashlib.sha256(repr(rows).encode("utf-8")).hexdigest(),
    )


def _read_gathered(session: Session) -> _Sources | None:
    """Return how far the labels were gathered the last time; None where they never were, or it was kept in another way."""
    kept = session.scalar(select(LabelGatheringRow.sources)) or ""
    try:
        return _Sources(**json.loads(kept))
    except (ValueError, TypeError):
        return None


@dataclass(frozen=True, slots=True)
class _Touched:
    """Candidates whose best view lies in a frame of which something was said, and the pictures of those views."""

    ids: frozenset[int]
    pictures: frozenset[str]


def _find_touched(session: Session, before: _Sources) -> _Touched:
    """Return whose labels may have changed since: in one frame each confirmed thing is marked in the pictures of all others."""
    news = (
        select(VerdictRow.candidate_id).where(VerdictRow.id > before.verdict),
        select(OutlineCorrectionRow.candidate_id).where(OutlineCorrectionRow.id > before.correction),
        select(ObservationRow.candidate_id).where(ObservationRow.id > before.observation),
        select(ObservationRow.candidate_id)
        .join(ObservationChangeRow, ObservationChangeRow.observation_id == ObservationRow.id)
        .where(ObservationChangeRow.id > before.change),
    )
    ids = {number for query in news for number in session.scalars(query) if number is not None}
    spot = select(CandidateRow.clip_id, ViewRow.frame_index, ViewRow.picture, CandidateRow.id).join(
        ViewRow, ViewRow.candidate_id == CandidateRow.id
    )
    frames = {
        row[:2] for some in _part(ids) for row in session.execute(spot.where(CandidateRow.id.in_(some)))
    }
    best = [
        row
        for some in _part({clip_id for clip_id, _ in frames})
        for row in session.execute(spot.where(CandidateRow.clip_id.in_(some), ViewRow.rank == 0))
        if row[:2] in frames
    ]
    return _Touched(frozenset(row.id for row in best), frozenset(row.picture for row in best))


def _load_from_verdicts(session: Session, touched: _Touched | None) -> list[tuple[int, LabelledImage]]:
    """Return (id, label) of the labels from verdicts: of what was touched, or all."""
    if touched is None:
        return _load_rows(session, LabelRow.source == "verdict")
    return [
        row
        for some in _part(touched.pictures)
        for row in _load_rows(session, LabelRow.source == "verdict", LabelRow.picture.in_(some))
    ]


def _count_from_verdicts(session: Session) -> int:
    return session.scalar(select(func.count()).where(LabelRow.source == "verdict")) or 0


def _list_known(session: Session) -> dict[str, str]:
    """Return picture -> digest of the labels from verdicts; empty where the picture has still to be looked at."""
    rows = session.execute(
        select(LabelRow.picture, LabelRow.digest, LabelRow.light).where(LabelRow.source == "verdict")
    )
    return {picture: "" if light is None else digest for picture, digest, light in rows}


def _complete(
    session: Session, present: Sequence[tuple[int, LabelledImage]], looks: Mapping[str, "_Seen"]
) -> None:
    """Keep light and digest of labels that were there before and whose pictures were looked at."""
    news = [
        {"id": label_id, "light": looks[image.picture].light, "digest": digest_label(image)}
        for label_id, image in present
        if image.picture in looks
    ]
    if news:
        session.execute(update(LabelRow), news)


def add_labels(logbook: Logbook, images: Sequence[LabelledImage]) -> LabelChanges:
    """Add labels that were drawn in or imported: all in one transaction, or none. A picture of a source known is replaced.

    The side of the set is chosen anew, since it hangs on tree, date and clip alone.

    Raises
    ------
    annotate.errors.AnnotateError
        Where a label claims to come from a verdict, comes twice, or its picture is not kept, not whole or of another size.
    """
    wanted: dict[LabelSource, dict[str, LabelledImage]] = {"drawn in": {}, "import": {}}
    for image in images:
        if image.source not in wanted or image.picture in wanted[image.source]:
            raise AnnotateError(
                f"label of picture {image.picture[:12]}: expected one that was drawn in or imported, once; found "
                f"{image.source!r}{' twice' if image.source in wanted else ''}; verdicts are given in the review"
            )
        side = choose_split(tree=image.tree, day=image.date, clip=image.clip)
        wanted[image.source][image.picture] = replace(image, split=side)
    looks, lost = _see_pictures(logbook, images)
    if lost:
        raise AnnotateError(
            f"labels: expected each picture whole and of its size in the folder of evidence; found {len(lost)} that are not, "
            f"first {lost[0][:12]}; keep the pictures first"
        )
    done = []
    with logbook.writing() as session:
        for source, by_picture in wanted.items():
            if by_picture:
                present = _load_rows(session, LabelRow.source == source)
                done.append(_bring_to(session, present, by_picture, looks, removes=False))
    return LabelChanges(
        sum(part.new for part in done),
        sum(part.changed for part in done),
        0,
        sum(part.same for part in done),
    )


def list_labels(
    logbook: Logbook,
    *,
    split: Split | None = None,
    answer: LabelAnswer | None = None,
    source: LabelSource | None = None,
    tree: str = "",
    with_repeated: bool = False,
) -> tuple[LabelledImage, ...]:
    """Return the labelled images in the order they came, each picture once unless `with_repeated`."""
    conditions: list[Any] = [] if with_repeated else [LabelRow.repeats_id.is_(None)]
    chosen = ((LabelRow.split, split), (LabelRow.answer, answer), (LabelRow.source, source))
    conditions += [column == value for column, value in chosen if value is not None]
    if tree:
        conditions.append(LabelRow.tree == tree)
    with logbook.reading() as session:
        return tuple(image for _, image in _load_rows(session, *conditions))


def count_labels(logbook: Logbook) -> tuple[LabelCount, ...]:
    """Return how many marks and how many pictures with nothing the set has, by tree, side, kind, stage and class of length."""
    lows = [(LabelMarkRow.length_px >= low, low) for low, _ in reversed(LENGTH_CLASSES_PX)]
    shortest = case(*lows, else_=0.0).label("shortest_px")
    light = _name_light()
    by = (LabelRow.tree, LabelRow.split, LabelMarkRow.kind, LabelMarkRow.stage, shortest, light)
    marks = (
        select(*by[:-1], func.count(), light)
        .join(LabelMarkRow, LabelMarkRow.label_id == LabelRow.id)
        .where(LabelRow.repeats_id.is_(None))
        .group_by(*by)
        .order_by(*by)
    )
    by_nothing = (LabelRow.tree, LabelRow.split, light)
    empty = (
        select(LabelRow.tree, LabelRow.split, func.count(), light)
        .where(LabelRow.repeats_id.is_(None), LabelRow.answer == "nothing")
        .group_by(*by_nothing)
        .order_by(*by_nothing)
    )
    with logbook.reading() as session:
        counts = [LabelCount(*row) for row in session.execute(marks)]
        counts += [
            LabelCount(tree, split, "nothing", None, 0.0, number, name)
            for tree, split, number, name in session.execute(empty)
        ]
    return tuple(counts)


def _name_light() -> Any:
    """Return the class of light of a label as a column: in SQL what `models.picture_light.name_light` says."""
    bounds = [
        (LabelRow.light < bound, name) for bound, name in zip(LIGHT_BOUNDS, LIGHT_CLASSES[:-1], strict=True)
    ]
    return case((LabelRow.light.is_(None), ""), *bounds, else_=LIGHT_CLASSES[-1]).label("light_class")


def read_version(logbook: Logbook) -> str:
    """Return the version of the set as it was last gathered: one name for the same labels, in every logbook."""
    with logbook.reading() as session:
        return name_version(session.scalars(select(LabelRow.digest).where(LabelRow.repeats_id.is_(None))))


def count_repeated(logbook: Logbook) -> int:
    """Return how many labels are kept that repeat another and so stand in no set."""
    with logbook.reading() as session:
        return session.scalar(select(func.count()).where(LabelRow.repeats_id.is_not(None))) or 0


@dataclass(frozen=True, slots=True)
class _Judged:
    """One judged candidate with its best view."""

    candidate_id: int
    kind: str
    answer: str
    stage: str | None
    at: Any
    zone: str
    clip_id: int
    clip: str
    site: str | None
    tree: str | None
    scorer: str
    reviewer: str
    labelled_at: Any
    reason: str
    frame_index: int
    picture: str
    origin_px: tuple[int, int]
    size_px: tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Shown:
    """One confirmed thing in a frame, its outline in px of the whole frame."""

    candidate_id: int
    mark: LabelMark


def _derive_labels(session: Session, touched: _Touched | None = None) -> dict[str, LabelledImage]:
    """Return picture -> what the verdicts that stand say of it, in the order of the candidates; of what was touched, or all."""
    if touched is None:
        judged = [_to_judged(row) for row in session.execute(_select_judged(true()))]
        shown = _list_shown(session, load_corrections(session), true())
    else:
        chosen = [CandidateRow.id.in_(some) for some in _part(sorted(touched.ids))]
        judged = [_to_judged(row) for some in chosen for row in session.execute(_select_judged(some))]
        clips = _part({one.clip_id for one in judged})
        corrections = load_corrections(session)
        shown = {}
        for some in clips:
            shown |= _list_shown(session, corrections, CandidateRow.clip_id.in_(some))
    undecided = _list_undecided(session)
    by_picture: dict[str, list[_Judged]] = {}
    for one in judged:
        if one.picture not in undecided:
            by_picture.setdefault(one.picture, []).append(one)
    found = (
        _to_label(alike, shown.get((alike[0].clip_id, alike[0].frame_index), ()))
        for alike in by_picture.values()
    )
    return {label.picture: label for label in found if label is not None}


def _to_judged(row: Any) -> _Judged:
    *values, first_row, first_column, rows, columns = row
    described: list[Any] = [*values, (first_row, first_column), (rows, columns)]
    return _Judged(*described)


def _select_judged(chosen: Any) -> "Select[*tuple[Any, ...]]":
    """Return the query of judged candidates that meet a condition; the columns stand in the order of `_Judged`."""
    newest = (
        select(func.max(VerdictRow.id))
        .where(VerdictRow.candidate_id == CandidateRow.id)
        .correlate(CandidateRow)
        .scalar_subquery()
    )
    return (
        select(
            CandidateRow.id,
            CandidateRow.kind,
            CandidateRow.answer,
            ObservationRow.stage,
            CandidateRow.at,
            ClipRow.zone,
            ClipRow.id,
            ClipRow.sha256,
            SiteRow.code,
            TreeRow.code,
            case((CandidateRow.found_by == "hand", ""), else_=SearchRow.scorer),
            VerdictRow.reviewer,
            VerdictRow.at,
            VerdictRow.reason,
            ViewRow.frame_index,
            ViewRow.picture,
            ViewRow.picture_row,
            ViewRow.picture_col,
            ViewRow.picture_rows,
            ViewRow.picture_cols,
        )
        .join(VerdictRow, VerdictRow.id == newest)
        .join(ViewRow, (ViewRow.candidate_id == CandidateRow.id) & (ViewRow.rank == 0))
        .join(ClipRow, ClipRow.id == CandidateRow.clip_id)
        .join(SearchRow, SearchRow.id == CandidateRow.search_id)
        .outerjoin(TreeRow, TreeRow.id == CandidateRow.tree_id)
        .outerjoin(SiteRow, SiteRow.id == TreeRow.site_id)
        .outerjoin(ObservationRow, _stands())
        .where(CandidateRow.answer.in_(("confirm", "dismiss")), CandidateRow.found_by != "planted", chosen)
        .where(ViewRow.picture.not_in(_select_planted_pictures()))
        .order_by(CandidateRow.id)
    )


def _list_undecided(session: Session) -> set[str]:
    """Return the pictures that something was drawn into while what they were cut for is not decided.

    Such a picture would teach as nothing what may be a larva, and waits.
    """
    drawn, theirs = aliased(CandidateRow), aliased(ViewRow)
    return set(
        session.scalars(
            select(theirs.picture)
            .join(drawn, drawn.id == theirs.candidate_id)
            .join(CandidateRow, CandidateRow.clip_id == drawn.clip_id)
            .join(ViewRow, (ViewRow.candidate_id == CandidateRow.id) & (ViewRow.picture == theirs.picture))
            .where(drawn.found_by == "hand", CandidateRow.standing == "listed")
            .where(CandidateRow.answer.in_(("open", "unsure")))
        )
    )


def _select_planted_pictures() -> "Select[str]":
    """Return the query of pictures that show a planted larva: what else was drawn in there would teach it as nothing."""
    planted_view = aliased(ViewRow)
    return select(planted_view.picture).join(PlantedRow, PlantedRow.candidate_id == planted_view.candidate_id)


def _stands() -> Any:
    return (ObservationRow.candidate_id == CandidateRow.id) & ObservationRow.withdrawn_at.is_(None)


def _list_shown(
    session: Session, corrections: Corrections, chosen: Any
) -> dict[tuple[int, int], list[_Shown]]:
    """Return (clip id, frame index) -> the confirmed things of that frame, by candidate, of those that meet a condition."""
    rows = session.execute(
        select(
            CandidateRow.clip_id,
            ViewRow.frame_index,
            CandidateRow.id,
            CandidateRow.kind,
            ObservationRow.stage,
            ViewRow.rank,
            ViewRow.outline,
        )
        .join(ViewRow, ViewRow.candidate_id == CandidateRow.id)
        .outerjoin(ObservationRow, _stands())
        .where(CandidateRow.answer == "confirm", CandidateRow.found_by != "planted", chosen)
        .order_by(CandidateRow.id, ViewRow.rank)
    )
    shown: dict[tuple[int, int], list[_Shown]] = {}
    for clip_id, frame_index, candidate_id, kind, stage, rank, packed in rows:
        corrected = corrections.get((candidate_id, rank))
        mark = _to_mark(unpack_outline(packed) if corrected is None else corrected, kind, stage)
        shown.setdefault((clip_id, frame_index), []).append(_Shown(candidate_id, mark))
    return shown


def _to_mark(outline: np.ndarray[Any, np.dtype[np.float32]], kind: str, stage: str | None) -> LabelMark:
    """Return a mark in the words of the set: a silhouette that was confirmed is a larva."""
    return (
        LabelMark(outline, "feeding", None)
        if kind == "feeding"
        else LabelMark(outline, "larva", stage or None)
    )


def _to_label(alike: Sequence[_Judged], shown: Sequence[_Shown]) -> LabelledImage | None:
    """Return the label of one picture from all candidates that were judged by it; the newest verdict is named.

    None where what was confirmed lies outside the picture: it would teach a larva as nothing.
    """
    newest = max(alike, key=lambda one: (one.labelled_at, one.candidate_id))
    own = {one.candidate_id for one in alike}
    origin = np.asarray(newest.origin_px, np.float32)
    edge = np.asarray(newest.size_px, np.float32) - np.float32(0.5)
    marks = []
    # Its own first; then what else of the frame has its middle in the picture.
    for thing in sorted(shown, key=lambda thing: (thing.candidate_id not in own, thing.candidate_id)):
        moved = thing.mark.outline - origin
        low, high = moved.min(axis=0), moved.max(axis=0)
        if thing.candidate_id in own:
            if bool((high <= -0.5).any() or (low >= edge).any()):
                return None
        elif not bool(((low + high) / 2 >= -0.5).all() and ((low + high) / 2 <= edge).all()):
            continue
        marks.append(replace(thing.mark, outline=np.clip(moved, np.float32(-0.5), edge)))
    day = find_local_date(newest.at, newest.zone)
    tree = f"{newest.site}/{newest.tree}" if newest.tree else ""
    return LabelledImage(
        picture=newest.picture,
        size_px=newest.size_px,
        marks=tuple(marks),
        answer=find_answer(marks),
        source="verdict",
        reviewer=newest.reviewer,
        labelled_at=newest.labelled_at,
        split=choose_split(tree=tree, day=day, clip=newest.clip),
        reason="" if marks else newest.reason,
        tree=tree,
        date=day,
        clip=newest.clip,
        scorer=newest.scorer or next((one.scorer for one in alike if one.scorer), ""),
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """What is kept of a picture that was looked at: its difference hash, and the light about its middle mark."""

    look: int
    light: float


def _see_pictures(logbook: Logbook, images: Iterable[LabelledImage]) -> tuple[dict[str, _Seen], list[str]]:
    """Return picture -> what was seen, and the pictures that are gone, damaged or of another size."""
    looks: dict[str, _Seen] = {}
    lost = []
    for image in images:
        try:
            rgb = decode_picture(read_picture(logbook, image.picture))
        except AnnotateError:
            lost.append(image.picture)
            continue
        if rgb.shape[:2] == image.size_px:
            looks[image.picture] = _Seen(hash_look(rgb), measure_light(rgb, image))
        else:
            lost.append(image.picture)
    return looks, lost


def decode_picture(data: bytes) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Return the pixels of a picture as stored, uint8 (H, W, 3).

    Raises
    ------
    annotate.errors.AnnotateError
        Where it is no picture, or only part of one.
    """
    from PIL import Image

    try:
        with Image.open(BytesIO(data)) as picture:
            return np.asarray(picture.convert("RGB"), np.uint8)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise AnnotateError(
            f"picture of {len(data)} bytes: expected a whole picture; found '{error}'; save it again"
        ) from error


def _bring_to(
    session: Session,
    present: Sequence[tuple[int, LabelledImage]],
    wanted: Mapping[str, LabelledImage],
    looks: Mapping[str, _Seen],
    *,
    removes: bool,
) -> LabelChanges:
    """Make the labels of one source those wanted; those not wanted go only where `removes`."""
    ids = {image.picture: label_id for label_id, image in present}
    old = {image.picture: image for _, image in present}
    new = [image for picture, image in wanted.items() if picture not in old]
    changed = [image for picture, image in wanted.items() if picture in old and old[picture] != image]
    gone = [image for picture, image in old.items() if picture not in wanted] if removes else []
    _drop_marks(session, [ids[image.picture] for image in (*changed, *gone)])
    _drop_rows(session, [ids[image.picture] for image in gone])
    first_id = (session.scalar(select(func.max(LabelRow.id))) or 0) + 1
    ids |= {image.picture: first_id + index for index, image in enumerate(new)}
    if new:
        rows = [
            {
                "id": ids[image.picture],
                "look": f"{looks[image.picture].look:016x}",
                "light": looks[image.picture].light,
                **_describe(image),
            }
            for image in new
        ]
        session.execute(insert(LabelRow), rows)
    if changed:
        session.execute(
            update(LabelRow), [{"id": ids[image.picture], **_describe(image)} for image in changed]
        )
    _complete(session, [(ids[picture], image) for picture, image in wanted.items() if picture in old], looks)
    marks = [
        {
            "label_id": ids[image.picture],
            "rank": rank,
            "kind": mark.kind,
            "stage": mark.stage,
            "length_px": measure_mark(mark),
            "outline": mark.outline.astype("<f4").tobytes(),
        }
        for image in (*new, *changed)
        for rank, mark in enumerate(image.marks)
    ]
    if marks:
        session.execute(insert(LabelMarkRow), marks)
    before = [old[image.picture] for image in changed]
    _settle_repeats(session, [*new, *changed, *gone, *before])
    return LabelChanges(len(new), len(changed), len(gone), len(wanted) - len(new) - len(changed))


def _drop_marks(session: Session, ids: Sequence[int]) -> None:
    for some in _part(ids):
        session.execute(delete(LabelMarkRow).where(LabelMarkRow.label_id.in_(some)))


def _drop_rows(session: Session, ids: Sequence[int]) -> None:
    for some in _part(ids):
        session.execute(update(LabelRow).where(LabelRow.repeats_id.in_(some)).values(repeats_id=None))
    for some in _part(ids):
        session.execute(delete(LabelRow).where(LabelRow.id.in_(some)))


def _part(ids: Collection[Name]) -> list[list[Name]]:
    """Return ids or names in parts that one question to the database may name."""
    ordered = list(ids)
    return [ordered[start : start + MOST_NAMED] for start in range(0, len(ordered), MOST_NAMED)]


def _describe(image: LabelledImage) -> dict[str, Any]:
    """Return the values of a row but for id and look."""
    return {
        "picture": image.picture,
        "source": image.source,
        "origin": image.origin,
        "picture_rows": image.size_px[0],
        "picture_cols": image.size_px[1],
        "answer": image.answer,
        "reason": image.reason,
        "licence": image.licence,
        "reviewer": image.reviewer,
        "labelled_at": image.labelled_at,
        "tree": image.tree,
        "date": image.date,
        "clip": image.clip,
        "scorer": image.scorer,
        "split": image.split,
        "digest": digest_label(image),
    }


def _find_group(tree: str, day: date | None, clip: str) -> Group:
    return (tree, day, "") if tree and day is not None else ("", None, clip)


def _settle_repeats(session: Session, touched: Sequence[LabelledImage]) -> None:
    """Note anew which labels repeat which, in every group that one of those touched stands in."""
    if not touched:
        return
    rows = session.execute(
        select(
            LabelRow.id,
            LabelRow.picture,
            LabelRow.source,
            LabelRow.tree,
            LabelRow.date,
            LabelRow.clip,
            LabelRow.look,
            LabelRow.repeats_id,
        )
    ).all()
    rows = sorted(rows, key=lambda row: (PRECEDENCE.index(row.source), row.id))
    first: dict[str, int] = {}
    for row in rows:
        first.setdefault(row.picture, row.id)
    pictures = {image.picture for image in touched}
    groups = {_find_group(image.tree, image.date, image.clip) for image in touched}
    groups |= {_find_group(row.tree, row.date, row.clip) for row in rows if row.picture in pictures}
    inside: dict[Group, list[Any]] = {}
    for row in rows:
        group = _find_group(row.tree, row.date, row.clip)
        if group in groups:
            inside.setdefault(group, []).append(row)
    images = _load_by_id(session, [row.id for members in inside.values() for row in members])
    repeats: dict[int, int | None] = {}
    for members in inside.values():
        repeats |= {row.id: first[row.picture] for row in members if first[row.picture] != row.id}
        leading = [row for row in members if first[row.picture] == row.id]
        found = find_repeated([see_look(images[row.id], int(row.look, 16)) for row in leading])
        repeats |= {
            row.id: None if index is None else leading[index].id
            for row, index in zip(leading, found, strict=True)
        }
    before = {row.id: row.repeats_id for row in rows}
    news = [{"id": one, "repeats_id": other} for one, other in repeats.items() if before[one] != other]
    if news:
        session.execute(update(LabelRow), news)


def _load_by_id(session: Session, ids: Sequence[int]) -> dict[int, LabelledImage]:
    loaded: dict[int, LabelledImage] = {}
    for some in _part(ids):
        loaded.update(_load_rows(session, LabelRow.id.in_(some)))
    return loaded


def _load_rows(session: Session, *conditions: Any) -> list[tuple[int, LabelledImage]]:
    """Return (id, label) of those that meet the conditions, by id."""
    rows = session.execute(select(*LabelRow.__table__.columns).where(*conditions).order_by(LabelRow.id))
    found: Any = session.execute(
        select(LabelMarkRow.label_id, LabelMarkRow.outline, LabelMarkRow.kind, LabelMarkRow.stage)
        .join(LabelRow, LabelRow.id == LabelMarkRow.label_id)
        .where(*conditions)
        .order_by(LabelMarkRow.label_id, LabelMarkRow.rank)
    )
    marks = {
        label_id: tuple(LabelMark(unpack_outline(packed), kind, stage) for _, packed, kind, stage in members)
        for label_id, members in groupby(found, key=lambda row: row[0])
    }
    return [(row.id, _to_image(row, marks.get(row.id, ()))) for row in rows]


def _to_image(row: Any, marks: tuple[LabelMark, ...]) -> LabelledImage:
    return LabelledImage(
        picture=row.picture,
        size_px=(row.picture_rows, row.picture_cols),
        marks=marks,
        answer=row.answer,
        source=row.source,
        reviewer=row.reviewer,
        labelled_at=row.labelled_at,
        split=row.split,
        reason=row.reason,
        origin=row.origin,
        licence=row.licence,
        tree=row.tree,
        date=row.date,
        clip=row.clip,
        scorer=row.scorer,
    )

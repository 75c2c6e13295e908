"""The rows of the labelled image set: one label with its marks read and written, pictures looked at, repeated ones noted.

Of each source the rows are brought to what is wanted of it; whence that comes is not known here. Pictures that show the same on
one tree and date stand in the set once; the others are kept, with a note which one they repeat. Marks are (row, column) px of
the evidence picture.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from itertools import groupby
from typing import Any

import numpy as np
from sqlalchemy import delete, func, insert, or_, select, update
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.database import part_ids
from annotate.logbook.opening import Logbook
from annotate.logbook.outlines import pack_outline, unpack_outline
from annotate.logbook.pictures import read_picture
from annotate.logbook.tables import LabelMarkRow, LabelRow
from models.labels import LabelledImage, LabelMark, LabelSource, digest_label
from models.picture_light import measure_light
from models.repeated_pictures import find_repeated, hash_look, measure_mark, see_look

PRECEDENCE: tuple[LabelSource, ...] = ("drawn in", "verdict", "import")
"""Of one picture the first of these stands in the set: what was drawn by hand is more exact than what a search outlined."""


Group = tuple[str, date | None, str]
"""Tree and date, or where one is unknown the clip: what `choose_split` goes by."""


@dataclass(frozen=True, slots=True)
class LabelChanges:
    """What was done to the labels.

    Attributes
    ----------
    lost : sha256s of pictures that are gone or damaged and so not in the set
    newer : pictures left as they are, since they were labelled later than what came in
    missing : pictures left as they are that came from the same origin before, and did not come this time
    fewer_marks : how many marks fewer the changed pictures have, each kind counted by itself
    """

    new: int
    changed: int
    removed: int
    same: int
    lost: tuple[str, ...] = ()
    newer: int = 0
    missing: int = 0
    fewer_marks: int = 0


@dataclass(frozen=True, slots=True)
class SeenPicture:
    """What is kept of a picture that was looked at: its difference hash, and the light about its middle mark."""

    look: int
    light: float


def see_pictures(
    logbook: Logbook, images: Iterable[LabelledImage]
) -> tuple[dict[str, SeenPicture], list[str]]:
    """Return picture -> what was seen, and the pictures that are gone, damaged or of another size."""
    looks: dict[str, SeenPicture] = {}
    lost = []
    for image in images:
        try:
            rgb = decode_picture(read_picture(logbook, image.picture))
        except AnnotateError:
            lost.append(image.picture)
            continue
        if rgb.shape[:2] == image.size_px:
            looks[image.picture] = SeenPicture(hash_look(rgb), measure_light(rgb, image))
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


def load_labels(session: Session, *conditions: Any) -> list[tuple[int, LabelledImage]]:
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


def _load_by_id(session: Session, ids: Sequence[int]) -> dict[int, LabelledImage]:
    loaded: dict[int, LabelledImage] = {}
    for some in part_ids(ids):
        loaded.update(load_labels(session, LabelRow.id.in_(some)))
    return loaded


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


def bring_to(
    session: Session,
    present: Sequence[tuple[int, LabelledImage]],
    wanted: Mapping[str, LabelledImage],
    looks: Mapping[str, SeenPicture],
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
    complete_labels(
        session, [(ids[picture], image) for picture, image in wanted.items() if picture in old], looks
    )
    marks = [
        {
            "label_id": ids[image.picture],
            "rank": rank,
            "kind": mark.kind,
            "stage": mark.stage,
            "length_px": measure_mark(mark),
            "outline": pack_outline(mark.outline),
        }
        for image in (*new, *changed)
        for rank, mark in enumerate(image.marks)
    ]
    if marks:
        session.execute(insert(LabelMarkRow), marks)
    before = [old[image.picture] for image in changed]
    _settle_repeats(session, [*new, *changed, *gone, *before])
    return LabelChanges(len(new), len(changed), len(gone), len(wanted) - len(new) - len(changed))


def complete_labels(
    session: Session, present: Sequence[tuple[int, LabelledImage]], looks: Mapping[str, SeenPicture]
) -> None:
    """Keep light and digest of labels that were there before and whose pictures were looked at."""
    news = [
        {"id": label_id, "light": looks[image.picture].light, "digest": digest_label(image)}
        for label_id, image in present
        if image.picture in looks
    ]
    if news:
        session.execute(update(LabelRow), news)


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


def _drop_marks(session: Session, ids: Sequence[int]) -> None:
    for some in part_ids(ids):
        session.execute(delete(LabelMarkRow).where(LabelMarkRow.label_id.in_(some)))


def _drop_rows(session: Session, ids: Sequence[int]) -> None:
    for some in part_ids(ids):
        session.execute(update(LabelRow).where(LabelRow.repeats_id.in_(some)).values(repeats_id=None))
    for some in part_ids(ids):
        session.execute(delete(LabelRow).where(LabelRow.id.in_(some)))


def _find_group(tree: str, day: date | None, clip: str) -> Group:
    return (tree, day, "") if tree and day is not None else ("", None, clip)


def _settle_repeats(session: Session, touched: Sequence[LabelledImage]) -> None:
    """Note anew which labels repeat which, in every group that one of those touched stands in."""
    if not touched:
        return
    pictures = {image.picture for image in touched}
    groups = {_find_group(image.tree, image.date, image.clip) for image in touched}
    rows = _list_standing(session, pictures, groups)
    first: dict[str, int] = {}
    for row in rows:
        first.setdefault(row.picture, row.id)
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


FEW = 500
"""Pictures, and groups of them, that are asked for one by one; of more, all rows are read at once, which is then sooner done."""


def _list_standing(session: Session, pictures: set[str], groups: set[Group]) -> list[Any]:
    """Return how labels stand, those that go before others first.

    There are at least those of some pictures, of some groups and of every group that one of the pictures stands in, and all
    others of the pictures of these.
    """
    columns = (
        LabelRow.id,
        LabelRow.picture,
        LabelRow.source,
        LabelRow.tree,
        LabelRow.date,
        LabelRow.clip,
        LabelRow.look,
        LabelRow.repeats_id,
    )

    def find(*conditions: Any) -> dict[int, Any]:
        return {row.id: row for row in session.execute(select(*columns).where(*conditions))}

    def find_by_picture(wanted: Iterable[str]) -> dict[int, Any]:
        return {
            number: row
            for some in part_ids(set(wanted))
            for number, row in find(LabelRow.picture.in_(some)).items()
        }

    rows: dict[int, Any] = {}
    if len(pictures) <= FEW and len(groups) <= FEW:
        rows = find_by_picture(pictures)
        for group in groups | {_find_group(row.tree, row.date, row.clip) for row in rows.values()}:
            rows |= find(*_select_group(group))
        rows |= find_by_picture(row.picture for row in rows.values())
    else:
        rows = find()
    return sorted(rows.values(), key=lambda row: (PRECEDENCE.index(row.source), row.id))


def _select_group(group: Group) -> tuple[Any, ...]:
    """Return the conditions that rows of a group meet, as `_find_group` names it."""
    tree, day, clip = group
    if day is not None:
        return LabelRow.tree == tree, LabelRow.date == day
    return LabelRow.clip == clip, or_(LabelRow.tree == "", LabelRow.date.is_(None))

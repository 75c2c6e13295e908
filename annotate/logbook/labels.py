"""The labelled image set of a logbook: what verdicts say of the evidence pictures, and labels that came from elsewhere.

Labels of source "verdict" follow the verdicts (`verdict_labels`) and are brought up to date by `gather_labels`; those of other
sources are only touched by `add_labels`. Each picture stands in the set once (`label_rows`).
"""

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.database import part_ids, select_parts
from annotate.logbook.label_rows import LabelChanges, bring_to, complete_labels, load_labels, see_pictures
from annotate.logbook.opening import Logbook
from annotate.logbook.tables import LabelMarkRow, LabelRow
from annotate.logbook.verdict_labels import (
    Touched,
    derive_labels,
    find_touched,
    read_gathered,
    read_sources,
    write_gathered,
)
from models.labels import (
    LabelAnswer,
    LabelledImage,
    LabelSource,
    Split,
    choose_split,
    digest_label,
    name_version,
)
from models.metrics import LENGTH_CLASSES_PX
from models.picture_light import LIGHT_BOUNDS, LIGHT_CLASSES


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

    What verdicts say of a picture stands in `verdict_labels`. Only the pictures of frames of which something was said since the
    last time are looked through; `same` counts all others too.
    """
    with logbook.reading() as session:
        now, before = read_sources(session), read_gathered(session)
        if now == before:
            return LabelChanges(0, 0, 0, _count_from_verdicts(session))
        touched = None if before is None or before.rest != now.rest else find_touched(session, before)
        wanted = derive_labels(session, touched)
        others = load_labels(session, LabelRow.source != "verdict", LabelRow.light.is_(None))
        asked = {*wanted, *(image.picture for _, image in others)}
        known = _list_known(session, None if touched is None else asked)
    # A picture is looked at when it is new, and again when its marks may have moved.
    unseen = [image for name, image in wanted.items() if known.get(name) != digest_label(image)]
    looks, lost = see_pictures(logbook, [*unseen, *(image for _, image in others)])
    with logbook.writing() as session:
        # Somebody may have judged meanwhile: what is compared is what stands now. A picture not yet seen waits for the next time.
        present = _load_from_verdicts(session, touched)
        seen = {image.picture for _, image in present} | set(looks)
        wanted = {name: image for name, image in derive_labels(session, touched).items() if name in seen}
        done = bring_to(session, present, wanted, looks, removes=True)
        complete_labels(session, others, looks)
        if not lost:
            write_gathered(session, now)
        untouched = _count_from_verdicts(session) - len(wanted)
    return replace(done, same=done.same + untouched, lost=tuple(name for name in lost if name not in known))


def _load_from_verdicts(session: Session, touched: Touched | None) -> list[tuple[int, LabelledImage]]:
    """Return (id, label) of the labels from verdicts: of what was touched, or all."""
    if touched is None:
        return load_labels(session, LabelRow.source == "verdict")
    return [
        row
        for some in part_ids(touched.pictures)
        for row in load_labels(session, LabelRow.source == "verdict", LabelRow.picture.in_(some))
    ]


def _count_from_verdicts(session: Session) -> int:
    return session.scalar(select(func.count()).where(LabelRow.source == "verdict")) or 0


def _list_known(session: Session, pictures: Collection[str] | None) -> dict[str, str]:
    """Return picture -> digest of the labels from verdicts, of some pictures or all; empty where it has still to be looked at."""
    return {
        picture: "" if light is None else digest
        for some in select_parts(LabelRow.picture, pictures)
        for picture, digest, light in session.execute(
            select(LabelRow.picture, LabelRow.digest, LabelRow.light).where(
                LabelRow.source == "verdict", some
            )
        )
    }


def add_labels(
    logbook: Logbook,
    images: Sequence[LabelledImage],
    *,
    origin: str = "",
    withdraws: bool = False,
    on_seen: Callable[[float], None] = lambda share: None,
) -> LabelChanges:
    """Add labels that were drawn in or imported: all in one transaction, or none.

    Of a picture that a source has labelled already, what was labelled last stays: sets of two versions end in the same set in
    whatever order they come. The side of the set is chosen anew, since it hangs on tree, date and clip alone.

    Parameters
    ----------
    origin : of imports, whose earlier pictures are looked for among those that came; empty where nobody asks
    withdraws : whether those of this origin that did not come this time go; else they are only counted. Labels from verdicts,
        drawn in, or of another origin stay in any case
    on_seen : called with the share of the pictures looked at, 0 to 1

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
    looks, lost = see_pictures(logbook, _tell_seen(images, on_seen))
    if lost:
        raise AnnotateError(
            f"labels: expected each picture whole and of its size in the folder of evidence; found {len(lost)} that are not, "
            f"first {lost[0][:12]}; keep the pictures first"
        )
    done = []
    newer = missing = fewer_marks = 0
    with logbook.writing() as session:
        for source, by_picture in wanted.items():
            if by_picture or (source == "import" and origin):
                present = load_labels(session, LabelRow.source == source)
                before = {image.picture: image for _, image in present}
                taken = {
                    name: image
                    for name, image in by_picture.items()
                    if name not in before or before[name].labelled_at <= image.labelled_at
                }
                newer += len(by_picture) - len(taken)
                fewer_marks += _count_fewer(before, taken)
                left = _list_missing(before, by_picture, origin)
                missing += 0 if withdraws else len(left)
                present = [row for row in present if row[1].picture in taken or row[1].picture in left]
                done.append(bring_to(session, present, taken, looks, removes=withdraws))
    return LabelChanges(
        sum(part.new for part in done),
        sum(part.changed for part in done),
        sum(part.removed for part in done),
        sum(part.same for part in done),
        newer=newer,
        missing=missing,
        fewer_marks=fewer_marks,
    )


def is_from(image: LabelledImage, origin: str) -> bool:
    """Whether a label was imported from there; capitals make no other origin, and an empty one is nobody's."""
    return image.source == "import" and origin != "" and image.origin.casefold() == origin.casefold()


def _list_missing(before: Mapping[str, LabelledImage], came: Collection[str], origin: str) -> frozenset[str]:
    """Return the pictures of an origin that did not come again."""
    return frozenset(name for name, image in before.items() if is_from(image, origin) and name not in came)


def _count_fewer(before: Mapping[str, LabelledImage], now: Mapping[str, LabelledImage]) -> int:
    """Return how many marks fewer the pictures have than before, each kind counted by itself."""
    return sum(
        (
            Counter(mark.kind for mark in before[name].marks) - Counter(mark.kind for mark in image.marks)
        ).total()
        for name, image in now.items()
        if name in before
    )


def _tell_seen(images: Sequence[LabelledImage], on_seen: Callable[[float], None]) -> Iterator[LabelledImage]:
    for done, image in enumerate(images, 1):
        yield image
        on_seen(done / len(images))


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
        return tuple(image for _, image in load_labels(session, *conditions))


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


@dataclass(frozen=True, slots=True)
class LabelOrigin:
    """How many pictures of the set came by one way; `origin` and `licence` are those of imports, empty for the others."""

    source: LabelSource
    origin: str
    licence: str
    pictures: int


def count_origins(logbook: Logbook) -> tuple[LabelOrigin, ...]:
    """Return whence the pictures of the set came, those of one's own first, then by how many there are."""
    by = (LabelRow.source, LabelRow.origin, LabelRow.licence)
    wanted = select(*by, func.count()).where(LabelRow.repeats_id.is_(None)).group_by(*by)
    with logbook.reading() as session:
        rows: Any = session.execute(wanted)
        found = [LabelOrigin(*row) for row in rows]
    return tuple(
        sorted(
            found,
            key=lambda one: (one.source == "import", -one.pictures, one.source, one.origin, one.licence),
        )
    )


def read_version(logbook: Logbook) -> str:
    """Return the version of the set as it was last gathered: one name for the same labels, in every logbook."""
    with logbook.reading() as session:
        # Plain rows: wrapping each of 100,000 takes longer than reading them.
        rows = session.connection().execute(select(LabelRow.digest).where(LabelRow.repeats_id.is_(None)))
        return name_version(digest for (digest,) in rows.fetchall())


def count_repeated(logbook: Logbook) -> int:
    """Return how many labels are kept that repeat another and so stand in no set."""
    with logbook.reading() as session:
        return session.scalar(select(func.count()).where(LabelRow.repeats_id.is_not(None))) or 0

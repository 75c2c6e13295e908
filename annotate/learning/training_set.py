"""What a training learns from and is tested with: the labelled pictures that can be used, each checked whole, by side of the set.

Which side a picture stands on hangs on its tree and date. Where these are put right later, a picture may come to the other side;
so that none tests weights that learned from it, the logbook's folder `weights` keeps in `learned.json` which pictures were ever
learned from. This file trains nothing.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass

from annotate.errors import AnnotateError
from annotate.json_files import write_json
from annotate.learning.labels import find_fault
from annotate.learning.weights_kept import weights_folder
from annotate.logbook.judged_places import list_dismissed
from annotate.logbook.labels import gather_labels, list_labels
from annotate.logbook.opening import Logbook
from annotate.logbook.pictures import picture_path, read_picture
from models.examples import PictureLabel, Source
from models.labels import LabelledImage, is_sha256

FEWEST_TRAIN, FEWEST_HELD_OUT, FEWEST_GROUPS = 20, 5, 5
"""Larvae, and as many dismissed things, on each side, and trees and dates held out: with fewer, no difference could be told from
chance (own choice; the bootstrap over five trees and dates is coarse already)."""

LEARNED_NAME = "learned.json"
LEARNED_FORMAT = "leafshade-learned-pictures"
LEARNED_FROM = "learned from before its tree or date was put right, so it cannot test"


@dataclass(frozen=True, slots=True)
class LabelSum:
    """Pictures of one side of the set, what was judged in them, and from how many trees and dates."""

    pictures: int
    larvae: int
    others: int
    groups: int


@dataclass(frozen=True, slots=True, eq=False)
class TrainingSet:
    """What a training learns from and is tested with; `left_out` is sha256 -> why, in words."""

    train: tuple[Source, ...]
    held_out: tuple[Source, ...]
    left_out: dict[str, str]


def gather_set(logbook: Logbook) -> TrainingSet:
    """Bring the labels up to date and return those that a training may use, each picture checked whole.

    Left out and named are pictures that are gone, changed or no upright JPEG of their label's size, dismissed ones of which the
    place is not known, and those that would test what learned from them.

    Raises
    ------
    annotate.errors.AnnotateError
        Where it cannot be read which pictures were learned from.
    """
    lost = gather_labels(logbook).lost
    left_out = dict.fromkeys(lost, "missing or damaged")
    dismissed = list_dismissed(logbook)
    sides: dict[str, list[Source]] = {"train": [], "held out": []}
    for image in list_labels(logbook):
        label = PictureLabel(image, dismissed.get(image.picture, ()) if image.source == "verdict" else ())
        fault = _find_fault(logbook, label)
        if fault:
            left_out[image.picture] = fault
        else:
            sides[image.split].append(Source(picture_path(logbook, image.picture), "labelled", 0, label))
    held_out, moved = _part_learned(sides["held out"], read_learned(logbook))
    left_out |= dict.fromkeys(moved, LEARNED_FROM)
    tested = {source.path for source in sides["held out"]}
    train = [source for source in sides["train"] if source.path not in tested]
    return TrainingSet(tuple(train), held_out, left_out)


def _part_learned(
    held_out: Sequence[Source], learned: frozenset[str]
) -> tuple[tuple[Source, ...], tuple[str, ...]]:
    """Part what may test from the pictures that may not: those learned from, and others of the same clip, tree and date."""
    spoilt = {_name_footage(source) for source in held_out if get_label(source).image.picture in learned}
    clean = tuple(source for source in held_out if _name_footage(source) not in spoilt)
    return clean, tuple(
        get_label(source).image.picture for source in held_out if _name_footage(source) in spoilt
    )


def _name_footage(source: Source) -> tuple[str, str]:
    image = get_label(source).image
    return _name_group(image), image.clip


def read_learned(logbook: Logbook) -> frozenset[str]:
    """Return the sha256s of the pictures that any training of this logbook learned from.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the list is broken.
    """
    path = weights_folder(logbook) / LEARNED_NAME
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        pictures = body["pictures"]
        if body["format"] != LEARNED_FORMAT or not all(is_sha256(picture) for picture in pictures):
            raise ValueError("something else")
        return frozenset(pictures)
    except FileNotFoundError:
        return frozenset()
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise AnnotateError(
            f"{path}: expected the list of pictures that were learned from, as this program wrote it; found a fault at {error}; "
            "put it back from a copy of the logbook, or delete it where no clip's tree or date was put right since"
        ) from error


def note_learned(logbook: Logbook, sources: Sequence[Source]) -> None:
    """Add pictures to those that were learned from, before the first step: whatever ends a training, none is forgotten.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the list is broken or cannot be written.
    """
    before = read_learned(logbook)
    pictures = before | {get_label(source).image.picture for source in sources}
    if pictures != before:
        write_json(
            weights_folder(logbook) / LEARNED_NAME,
            {"format": LEARNED_FORMAT, "pictures": sorted(pictures)},
            what="the list of pictures learned from",
            advice="free some space, then train again",
        )


def _find_fault(logbook: Logbook, label: PictureLabel) -> str:
    """Return in words why a label cannot be learned from; empty where it can."""
    if label.image.source == "verdict" and not label.image.marks and not label.dismissed:
        return "dismissed, but the place of what was dismissed is not known"
    try:
        return find_fault(label.image, read_picture(logbook, label.image.picture))
    except AnnotateError:
        return "missing or damaged"


def sum_labels(sources: Sequence[Source]) -> LabelSum:
    """Count what was judged in labelled pictures: larvae, and what is none, a picture looked through counting as one."""
    larvae = others = 0
    groups = set()
    for source in sources:
        label = get_label(source)
        larvae += sum(mark.kind == "larva" for mark in label.image.marks)
        others += sum(mark.kind == "larva" for mark in label.dismissed)
        others += not label.image.marks and not label.dismissed
        groups.add(_name_group(label.image))
    return LabelSum(len(sources), larvae, others, len(groups))


def get_label(source: Source) -> PictureLabel:
    """Return the label of a labelled source."""
    assert source.label is not None
    return source.label


def _name_group(image: LabelledImage) -> str:
    return f"{image.tree} {image.date}" if image.tree and image.date else image.clip


def check_enough(found: TrainingSet) -> None:
    """Refuse a set from which nothing could be learned, or that could not tell whether anything was.

    Raises
    ------
    annotate.errors.AnnotateError
        Saying what there is and what to do next.
    """
    train = sum_labels(found.train)
    if min(train.larvae, train.others) < FEWEST_TRAIN:
        raise AnnotateError(
            f"training: expected at least {FEWEST_TRAIN} labelled larvae and {FEWEST_TRAIN} dismissed things to learn from; "
            f"found {train.larvae} and {train.others}; judge more candidates with 'leafshade review', for dismissed ones at a "
            "lower silhouette_score in settings.toml, then train again"
        )
    check_held_out(found.held_out)


def check_held_out(held_out: Sequence[Source]) -> None:
    """Refuse labels held out that could not tell two weights apart.

    Raises
    ------
    annotate.errors.AnnotateError
        Saying what there is and what to do next.
    """
    found = sum_labels(held_out)
    if min(found.larvae, found.others) < FEWEST_HELD_OUT or found.groups < FEWEST_GROUPS:
        raise AnnotateError(
            f"labels held out: expected at least {FEWEST_HELD_OUT} larvae and {FEWEST_HELD_OUT} dismissed things of "
            f"{FEWEST_GROUPS} trees and dates, to test with; found {found.larvae} and {found.others} of "
            f"{found.groups}; about one tree and date in five is held out: judge candidates of more trees and days"
        )

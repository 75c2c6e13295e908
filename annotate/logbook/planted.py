"""Larvae planted in footage: what the search made of each, and the candidates that show them to a reviewer.

A candidate that shows one is marked "planted" for ever. It is judged like any other, and is never an observation, never a label,
never among what a search flagged: the database refuses the first, and whoever gathers the others leaves it out. The logbook keeps
how each was drawn, so that it can be drawn into the clip's frames again. Nothing here draws or searches.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.logbook.clips import get_clip
from annotate.logbook.opening import Logbook
from annotate.logbook.records import Box
from annotate.logbook.searches import add_candidates, keep_candidate_pictures
from annotate.logbook.tables import CandidateRow, ClipRow, PlantedRow, SearchRow, ViewRow

if TYPE_CHECKING:
    from detect.candidates import Candidate


@dataclass(frozen=True, slots=True, eq=False)
class NewPlanted:
    """A planted larva to save, with what the search made of it.

    Attributes
    ----------
    first_s, last_s : when it is on show
    length_px, sharpness : medians over the frames looked at that show it, as in a truth file
    best_score : of the best candidate that shows it, whether or not the search would have offered it; 0 where none does
    candidate : that candidate where the search offers it, None where it missed the larva
    body : how it was drawn, packed
    """

    first_s: float
    last_s: float
    length_px: float
    sharpness: float
    best_score: float
    candidate: "Candidate | None"
    body: bytes


@dataclass(frozen=True, slots=True)
class Planted:
    """A planted larva as the logbook has it; `candidate_id` is None where the search missed it."""

    id: int
    clip_id: int
    candidate_id: int | None
    scorer: str
    seed: int
    planted_at: datetime
    first_s: float
    last_s: float
    length_px: float
    sharpness: float
    best_score: float
    is_found: bool


@dataclass(frozen=True, slots=True)
class PlantedCount:
    """Planted candidates of one tree (0 for none) that take part in the review, by answer."""

    tree_id: int
    confirmed: int
    dismissed: int
    unsure: int
    open: int


def save_planted(
    logbook: Logbook,
    clip_id: int,
    *,
    scorer: str,
    seed: int,
    at: datetime,
    planted: Sequence[NewPlanted],
) -> tuple[int, ...]:
    """Save planted larvae, their pictures first, then all records in one transaction; return their ids.

    The candidates join the review beside those of the clip's newest search.

    Raises
    ------
    annotate.errors.AnnotateError
        Where the clip was never searched, or the same larvae stand in the logbook already.
    """
    found = [one.candidate for one in planted if one.candidate is not None]
    pictures = keep_candidate_pictures(logbook, found)
    with logbook.writing() as session:
        clip = get_clip(session, clip_id)
        search = session.scalar(select(SearchRow).where(SearchRow.clip_id == clip_id, SearchRow.current))
        if search is None:
            raise AnnotateError(
                f"planted larvae: expected a clip that was searched; found {clip.name}, which was not; search it first"
            )
        _refuse_known(session, clip, scorer=scorer, seed=seed)
        ids = iter(
            add_candidates(
                session,
                found,
                search=search,
                clip=clip,
                pictures=pictures,
                repeats={},
                found_by="planted",
            )
        )
        rows = [
            PlantedRow(
                clip_id=clip_id,
                candidate_id=None if one.candidate is None else next(ids),
                scorer=scorer,
                seed=seed,
                planted_at=at,
                first_s=one.first_s,
                last_s=one.last_s,
                length_px=one.length_px,
                sharpness=one.sharpness,
                best_score=one.best_score,
                is_found=one.candidate is not None,
                body=one.body,
            )
            for one in planted
        ]
        session.add_all(rows)
        session.flush()
        return tuple(row.id for row in rows)


def check_unplanted(logbook: Logbook, clip_id: int, *, scorer: str, seed: int) -> None:
    """Refuse, before the minutes that planting takes, what `save_planted` would refuse after them."""
    with logbook.reading() as session:
        _refuse_known(session, get_clip(session, clip_id), scorer=scorer, seed=seed)


def _refuse_known(session: Session, clip: ClipRow, *, scorer: str, seed: int) -> None:
    known = select(func.count()).where(
        PlantedRow.clip_id == clip.id, PlantedRow.seed == seed, PlantedRow.scorer == scorer
    )
    if session.scalar(known):
        raise AnnotateError(
            f"planted larvae: expected a seed not used on {clip.name} with these weights; found {seed}; give another --seed"
        )


def list_planted(logbook: Logbook, *, clip_id: int | None = None) -> tuple[Planted, ...]:
    """Return the planted larvae, of one clip where named, in the order they were planted."""
    wanted = select(*(getattr(PlantedRow, name) for name in Planted.__slots__)).order_by(PlantedRow.id)
    if clip_id is not None:
        wanted = wanted.where(PlantedRow.clip_id == clip_id)
    with logbook.reading() as session:
        return tuple(Planted(*row) for row in session.execute(wanted))


def read_body(logbook: Logbook, candidate_id: int) -> bytes | None:
    """Return how the larva that a candidate shows was drawn; None where the candidate shows no planted one."""
    with logbook.reading() as session:
        return session.scalar(select(PlantedRow.body).where(PlantedRow.candidate_id == candidate_id))


def list_seen(logbook: Logbook, clip_id: int) -> tuple[tuple[float, Box], ...]:
    """Return (time_s, box) of every view of the candidates of a clip that a reviewer is shown: where nothing is to be planted."""
    wanted = (
        select(ViewRow.time_s, ViewRow.row0, ViewRow.col0, ViewRow.row_end, ViewRow.col_end)
        .join(CandidateRow, CandidateRow.id == ViewRow.candidate_id)
        .where(CandidateRow.clip_id == clip_id, CandidateRow.standing != "set aside")
        .order_by(ViewRow.time_s, ViewRow.candidate_id)
    )
    with logbook.reading() as session:
        return tuple((time_s, (*box,)) for time_s, *box in session.execute(wanted))  # type: ignore[misc]


def count_planted(logbook: Logbook) -> tuple[PlantedCount, ...]:
    """Return how many planted candidates stand among those that `annotate.logbook.review.count_candidates` counts, by tree.

    A reviewer sees them counted, or the counts would tell them apart; what is said to others is said without them.
    """
    wanted = (
        select(func.coalesce(CandidateRow.tree_id, 0), CandidateRow.answer, func.count())
        .where(CandidateRow.found_by == "planted", CandidateRow.standing == "listed")
        .group_by(CandidateRow.tree_id, CandidateRow.answer)
    )
    by_tree: dict[int, dict[str, int]] = {}
    with logbook.reading() as session:
        for tree_id, answer, number in session.execute(wanted):
            by_tree.setdefault(tree_id, {})[answer] = number
    return tuple(
        PlantedCount(
            tree_id,
            answers.get("confirm", 0),
            answers.get("dismiss", 0),
            answers.get("unsure", 0),
            answers.get("open", 0),
        )
        for tree_id, answers in sorted(by_tree.items())
    )

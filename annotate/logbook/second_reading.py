"""What a second reading asks the logbook: candidates that somebody else has judged, in an order that says nothing of the answers,
disagreements that come back, and all verdicts for the figures of `annotate.judging.readers`.

A second reader is handed candidates without any answer, and gives verdicts with `give_verdict(..., blind=True)`. All candidates
can be read again, or everything but the dismissed and a fixed share of those. A share keeps kappa right because each verdict
says how many candidates it stands for; but a reader who sees more larvae than there are may call more things larvae, so reading
everything of one visit or tree is the better plan where time allows. It shows no page.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import groupby
from operator import itemgetter
from typing import Any

from sqlalchemy import TextClause, bindparam, select, text
from sqlalchemy.orm import Session

from annotate.errors import AnnotateError
from annotate.judging.readings import DRAW_STEP, DRAW_TURN, Disagreement, find_disagreement, name_person
from annotate.logbook.opening import Logbook
from annotate.logbook.records import CandidateKind, FoundBy, QueuedCandidate, Verdict
from annotate.logbook.review import NO_TREE, load_candidates
from annotate.logbook.tables import CandidateRow, ClipRow, SiteRow, VerdictRow, VisitRow
from annotate.logbook.verdicts import find_renamed, list_reviewers, list_spellings

USUAL_AHEAD = 1

ORDER = "(candidate.id * 3242174889) % 4294967296"
"""By this candidates are read again: ids times 0.75488 of a turn, within the turn. Neighbours in it come from different clips,
and it does not move when something is judged. An index holds it (`tables.CandidateRow`), found only by these very words."""

UNREAD = """
    candidate.standing = 'listed' AND candidate.answer <> 'open' AND (candidate.id IN :slips OR NOT EXISTS (
        SELECT 1 FROM verdict WHERE verdict.reviewer IN :names AND verdict.candidate_id = candidate.id
    ))
"""
"""Somebody judged it and, since this person never did but by a slip, somebody else."""

NO_CANDIDATE = 0
"""No candidate has this id; a list of slips must hold one."""


@dataclass(frozen=True, slots=True)
class ReadingPlan:
    """Which candidates are read again.

    Attributes
    ----------
    dismissed_one_in : 1 for everything; n for all but the dismissed, one in n of those, and all larvae drawn into the footage
    kind, tree_id, visit_id : only such; `tree_id` 0 means "no tree known"
    """

    dismissed_one_in: int = 1
    kind: CandidateKind | None = None
    tree_id: int | None = None
    visit_id: int | None = None


@dataclass(frozen=True, slots=True)
class Said:
    """All verdicts on one candidate, oldest first, and what it was found by."""

    candidate_id: int
    found_by: FoundBy
    verdicts: tuple[Verdict, ...]


EVERYTHING = ReadingPlan()


def check_second(logbook: Logbook, reviewer: str) -> None:
    """Refuse a second reading where nobody else has judged: reading one's own again says how steady one is, not who is right.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there are no verdicts by anybody else.
    """
    renamed = find_renamed(logbook)
    with logbook.reading() as session:
        people = {name_person(name, renamed) for name in list_reviewers(session)}
    if people - {name_person(reviewer, renamed)}:
        return
    found = f"only those of {reviewer}" if people else "none"
    raise AnnotateError(
        f"second reading: expected verdicts by somebody else than {reviewer}; found {found}; "
        "have another person judge first, or read with your own name: leafshade review --second --reviewer NAME"
    )


def next_second(
    logbook: Logbook, reviewer: str, *, plan: ReadingPlan = EVERYTHING, after: int | None = None
) -> QueuedCandidate | None:
    """Return the next candidate for this person to read again with all its views, None where none is left.

    What others said is not in it: `answer` is "open", `observation_id` None, outlines are the search's own, and nothing tells
    what was drawn in or planted from what was found.

    Parameters
    ----------
    after : id of a candidate; only what comes after it in the order. Ask again without it to begin anew
    """
    return next(iter(list_second(logbook, reviewer, plan=plan, after=after, limit=1)), None)


def list_second(
    logbook: Logbook,
    reviewer: str,
    *,
    plan: ReadingPlan = EVERYTHING,
    after: int | None = None,
    limit: int = USUAL_AHEAD,
    without: Sequence[int] = (),
) -> tuple[QueuedCandidate, ...]:
    """Return the next candidates as `next_second` does, leaving out some ids, at most `limit`."""
    out = frozenset(without)
    most = limit + len(out)
    with logbook.reading() as session:
        values = {**_fill(session, logbook, reviewer, plan), "limit": most}
        spot = _find_newest(session, values["names"]) if after is None else _Spot(after, is_past=True)
        ids = list(session.scalars(_build_walk(plan, onwards=True), {**values, **spot.to_values()}))
        if after is None and len(ids) < most:
            ids += session.scalars(_build_walk(plan, onwards=False), {**values, **spot.to_values()})
        found = load_candidates(
            session, [one for one in ids if one not in out][:limit], all_views=True, as_found=True
        )
    return tuple(_hide_answers(candidate) for candidate in found)


def find_second(logbook: Logbook, candidate_id: int) -> QueuedCandidate:
    """Return one candidate as `next_second` would show it, whether this person has read it or not.

    Raises
    ------
    annotate.errors.AnnotateError
        Where there is no such candidate.
    """
    with logbook.reading() as session:
        found = load_candidates(session, [candidate_id], all_views=True, as_found=True)
    if not found:
        raise AnnotateError(
            f"candidate: expected the id of a candidate; found {candidate_id}, which this logbook lacks; go on with the review"
        )
    return _hide_answers(found[0])


def count_second(logbook: Logbook, reviewer: str, *, plan: ReadingPlan = EVERYTHING) -> int:
    """Return how many candidates of a plan are left for this person to read again."""
    with logbook.reading() as session:
        counted = text(f"SELECT count(*) FROM candidate {_choose_index(plan)} WHERE {UNREAD} {_narrow(plan)}")
        return session.scalar(_expand(counted), _fill(session, logbook, reviewer, plan)) or 0


def count_read(logbook: Logbook, reviewer: str, *, plan: ReadingPlan = EVERYTHING) -> int:
    """Return how many candidates this person has judged blind, slips aside, of the kind, tree and visit of a plan.

    The share of the dismissed is left out of account: what was read stays read when another share is chosen.
    """
    whole = replace(plan, dismissed_one_in=1)
    with logbook.reading() as session:
        counted = text(
            "SELECT count(DISTINCT candidate.id) FROM verdict JOIN candidate ON candidate.id = verdict.candidate_id "
            "WHERE verdict.reviewer IN :names AND verdict.blind AND verdict.takes_back_id IS NULL "
            f"AND candidate.standing = 'listed' AND candidate.id NOT IN :slips {_narrow(whole)}"
        )
        return session.scalar(_expand(counted), _fill(session, logbook, reviewer, whole)) or 0


def list_disagreements(logbook: Logbook, *, reviewer: str = "") -> tuple[Disagreement, ...]:
    """Return the open disagreements, of one person where named: first those that wait for them, then by candidate.

    Larvae that were drawn into the footage are left out: no record hangs on them.
    """
    renamed = find_renamed(logbook)
    with logbook.reading() as session:
        # A disputed candidate counts as unsure, so that only those are looked through.
        found = _list_said(
            session,
            CandidateRow.id.in_(
                select(CandidateRow.id)
                .where(CandidateRow.standing == "listed", CandidateRow.kind.in_(("silhouette", "feeding")))
                .where(CandidateRow.answer == "unsure", CandidateRow.found_by != "planted")
            ),
        )
    disagreements = [
        disagreement
        for said in found
        if (disagreement := find_disagreement(said.candidate_id, said.verdicts, renamed)) is not None
    ]
    if not reviewer:
        return tuple(disagreements)
    person = name_person(reviewer, renamed)

    def concerns(names: Sequence[str]) -> bool:
        return any(name_person(name, renamed) == person for name in names)

    own = [
        disagreement
        for disagreement in disagreements
        if concerns([word.reviewer for word in disagreement.words])
    ]
    return tuple(sorted(own, key=lambda disagreement: not concerns(disagreement.waits_for)))


def list_all_said(
    logbook: Logbook, *, site: str = "", day: date | None = None, since: datetime | None = None
) -> tuple[Said, ...]:
    """Return all verdicts by candidate: of one site (code), of the visits on one day, of what was filmed since a moment."""
    conditions: list[Any] = []
    if site:
        conditions.append(SiteRow.code == site)
    if day is not None:
        conditions.append(VisitRow.date == day)
    if since is not None:
        conditions.append(CandidateRow.at >= since)
    with logbook.reading() as session:
        return tuple(_list_said(session, *conditions))


def _hide_answers(candidate: QueuedCandidate) -> QueuedCandidate:
    return replace(candidate, answer="open", observation_id=None, found_by="search")


def _fill(session: Session, logbook: Logbook, reviewer: str, plan: ReadingPlan) -> dict[str, Any]:
    """Return the values of `UNREAD` and of what narrows it."""
    if plan.dismissed_one_in < 1:
        raise AnnotateError(
            f"second reading: expected one in 1 or more of the dismissed; found one in {plan.dismissed_one_in}; correct it"
        )
    # A person who has judged nothing yet has no name in the logbook; a list of names must hold one.
    names = list_spellings(session, reviewer, find_renamed(logbook)) or (reviewer,)
    narrowed = {"kind": plan.kind, "tree_id": plan.tree_id, "visit_id": plan.visit_id}
    return {
        "names": names,
        "slips": _list_slips(session, names) or [NO_CANDIDATE],
        "drawn": DRAW_TURN // plan.dismissed_one_in,
        **{name: value for name, value in narrowed.items() if value is not None},
    }


def _list_slips(session: Session, names: Sequence[str]) -> list[int]:
    """Return the candidates on which a person took back, still blind, all that they ever said; there are few."""
    query = text(
        "SELECT DISTINCT slip.candidate_id FROM verdict AS slip INDEXED BY uq_verdict_takes_back_id "
        "WHERE slip.takes_back_id IS NOT NULL AND slip.blind AND slip.reviewer IN :names AND NOT EXISTS ("
        "SELECT 1 FROM verdict WHERE verdict.candidate_id = slip.candidate_id AND verdict.reviewer IN :names "
        "AND verdict.takes_back_id IS NULL AND NOT EXISTS "
        "(SELECT 1 FROM verdict AS undo WHERE undo.takes_back_id = verdict.id AND undo.blind))"
    )
    return list(session.scalars(query.bindparams(bindparam("names", expanding=True)), {"names": names}))


def _find_newest(session: Session, names: Sequence[str]) -> "_Spot":
    """Return where a person was last: from there on little is read already. What was just taken back comes again at once."""
    newest = [
        session.execute(
            select(VerdictRow.id, VerdictRow.candidate_id, VerdictRow.takes_back_id)
            .where(VerdictRow.reviewer == name)
            .order_by(VerdictRow.id.desc())
            .limit(1)
        ).first()
        for name in names
    ]
    last = max((row for row in newest if row is not None), default=None, key=lambda row: row.id)
    return _Spot(NO_CANDIDATE, is_past=True) if last is None else _Spot(last[1], is_past=last[2] is None)


@dataclass(frozen=True, slots=True)
class _Spot:
    """A place in the order: that of a candidate, and whether the candidate itself is past."""

    candidate_id: int
    is_past: bool

    def to_values(self) -> dict[str, int]:
        """Return the values that a walk asks for."""
        return {"spot": self.candidate_id, "past": int(self.is_past)}


def _build_walk(plan: ReadingPlan, *, onwards: bool) -> TextClause:
    """Return the query of the ids to be read again, in order: from a spot on, or those before it."""
    spot = "(:spot * 3242174889) % 4294967296 + :past"
    return _expand(
        text(
            f"SELECT candidate.id FROM candidate {_choose_index(plan)} WHERE {UNREAD} {_narrow(plan)} "
            f"AND {ORDER} {'>=' if onwards else '<'} {spot} ORDER BY {ORDER} LIMIT :limit"
        )
    )


def _expand(query: TextClause) -> TextClause:
    return query.bindparams(bindparam("names", expanding=True), bindparam("slips", expanding=True))


def _choose_index(plan: ReadingPlan) -> str:
    """Return which index to walk: that of the order, unless a tree or visit leaves so few that they are sorted sooner."""
    if plan.tree_id is not None:
        return "INDEXED BY ix_candidate_tree_review"
    return (
        "INDEXED BY ix_candidate_clip_id" if plan.visit_id is not None else "INDEXED BY ix_candidate_second"
    )


def _narrow(plan: ReadingPlan) -> str:
    """Return the conditions of a plan."""
    conditions = []
    if plan.dismissed_one_in > 1:
        drawn = f"(candidate.id * {DRAW_STEP}) % {DRAW_TURN} < :drawn"
        # All larvae drawn into the footage: shown only those that the first found, a second would seem to miss none.
        planted = "candidate.id IN (SELECT candidate_id FROM planted)"
        conditions.append(f"AND (candidate.answer <> 'dismiss' OR {drawn} OR {planted})")
    if plan.kind is not None:
        conditions.append("AND candidate.kind = :kind")
    if plan.tree_id == NO_TREE:
        conditions.append("AND candidate.tree_id IS NULL AND :tree_id = 0")
    elif plan.tree_id is not None:
        conditions.append("AND candidate.tree_id = :tree_id")
    if plan.visit_id is not None:
        conditions.append("AND candidate.clip_id IN (SELECT id FROM clip WHERE visit_id = :visit_id)")
    return " ".join(conditions)


def _list_said(session: Session, *conditions: Any) -> list[Said]:
    """Return the verdicts on each candidate that meets the conditions, by candidate."""
    said = VerdictRow.__table__.c
    rows = session.execute(
        select(
            said.id,
            said.candidate_id,
            said.answer,
            said.reviewer,
            said.at,
            said.takes_back_id,
            said.reason,
            said.blind,
            said.batch,
            said.stands_for,
            CandidateRow.found_by,
        )
        .join(CandidateRow, CandidateRow.id == said.candidate_id)
        .join(ClipRow, ClipRow.id == CandidateRow.clip_id)
        .outerjoin(VisitRow, VisitRow.id == ClipRow.visit_id)
        .outerjoin(SiteRow, SiteRow.id == VisitRow.site_id)
        .where(*conditions)
        .order_by(said.candidate_id, said.id)
    )
    found: list[Said] = []
    for candidate_id, group in groupby(rows, key=itemgetter(1)):
        whole = list(group)
        found.append(Said(candidate_id, whole[0][-1], tuple(Verdict(*values[:-1]) for values in whole)))
    return found

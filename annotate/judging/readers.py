"""How each person judges, and how well each two agree: the figures of `leafshade readers`, from all verdicts.

Agreement, kappa and hit rates count readings only (`annotate.judging.readings.Word`): a person's first verdict on a candidate,
given blind. What they say after they saw the other's answer would make two people seem alike who are not. Larvae drawn into the
footage are in the hit rates and in nothing else, and what a person drew in by hand is not compared: it is there only because
the first took it for a larva. Nobody is compared with themselves.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import combinations, pairwise
from statistics import median
from typing import Any

from annotate.judging.agreement import Agreement, HitRate, compare_reviewers, rate_reviewer, say_agreement
from annotate.judging.readings import NOBODY_RENAMED, find_disagreement, hear_people, name_person
from annotate.judging.review_order import LEAST_GAPS, LONGEST_THOUGHT_S
from annotate.logbook.records import Verdict
from annotate.logbook.second_reading import Said
from annotate.numbers import say_count
from annotate.words import Answer


@dataclass(frozen=True, slots=True)
class Reviewer:
    """What one person did.

    Attributes
    ----------
    name : as written last; `also` are other ways in which it stands in the logbook
    verdicts : given, those taken back with them
    readings : of them first and blind, on candidates of the search
    median_s : from verdict to verdict, breaks left out and verdicts given together counted once; None where too few
    hit_rate : larvae drawn into the footage: shown, and of them confirmed
    planted_unsure : of them neither confirmed nor dismissed
    open_disagreements : that come back to this person
    """

    name: str
    also: tuple[str, ...]
    verdicts: int
    readings: int
    median_s: float | None
    hit_rate: HitRate
    planted_unsure: int
    open_disagreements: int


@dataclass(frozen=True, slots=True)
class Pair:
    """How two people agree; `first` and `second` are in the order of their names, whoever read first.

    `open_disagreements` are those in which these two do not say the same; others may differ from both.
    """

    first: str
    second: str
    agreement: Agreement
    open_disagreements: int


@dataclass(frozen=True, slots=True)
class Readers:
    """Everyone who judged, by name, and each two of them."""

    reviewers: tuple[Reviewer, ...]
    pairs: tuple[Pair, ...]


@dataclass(slots=True)
class _Work:
    """What is gathered of one person; `names` are those beside the verdicts, with the newest verdict of each.

    `disagreements` is candidate -> what the person says of it now, None where nothing.
    """

    names: dict[str, int] = field(default_factory=dict)
    verdicts: list[Verdict] = field(default_factory=list)
    readings: dict[int, Verdict] = field(default_factory=dict)
    planted: dict[int, Verdict] = field(default_factory=dict)
    disagreements: dict[int, Answer | None] = field(default_factory=dict)


def sum_readers(said: Sequence[Said], renamed: Mapping[str, str] = NOBODY_RENAMED) -> Readers:
    """Return the figures of everyone, from all verdicts on the candidates that are to count.

    Parameters
    ----------
    said : all verdicts on each candidate: a part of them would not tell which were given blind
    renamed : old name -> new name, as `annotate.judging.readings.read_renamed` gives them
    """
    people: dict[str, _Work] = {}
    for one in said:
        _add(people, one, renamed)
    named = sorted(people)
    return Readers(
        reviewers=tuple(_sum_reviewer(people[person]) for person in named),
        pairs=tuple(_compare(people[one], people[other]) for one, other in combinations(named, 2)),
    )


def say_pair(pair: Pair) -> str:
    """Return what a recorder reads of two people: how they agree, on larvae too, and what is still open between them."""
    sentences = [f"{pair.first} and {pair.second}: {say_agreement(pair.agreement)}"]
    both, either = count_confirmed(pair.agreement)
    if either:
        sentences.append(
            f"Of {say_count(either, 'candidate')} that one of them confirmed, both confirmed {both:,}."
        )
    if pair.open_disagreements:
        noun = say_count(pair.open_disagreements, "disagreement")
        sentences.append(f"{noun[0].upper()}{noun[1:]} still open.")
    return " ".join(sentences)


def count_confirmed(agreement: Agreement) -> tuple[int, int]:
    """Return how many candidates both confirmed, and how many at least one of them: kappa says little of rare larvae."""
    table = agreement.table
    return table[0][0], sum(table[0]) + sum(row[0] for row in table) - table[0][0]


def describe_readers(readers: Readers) -> dict[str, list[dict[str, Any]]]:
    """Return the figures as data, with stable names; what is not known is None."""
    return {
        "reviewers": [
            {
                "reviewer": one.name,
                "also": list(one.also),
                "verdicts": one.verdicts,
                "readings": one.readings,
                "median_s": one.median_s,
                "planted_shown": one.hit_rate.shown,
                "planted_confirmed": one.hit_rate.hits,
                "planted_unsure": one.planted_unsure,
                "hit_rate": one.hit_rate.share,
                "hit_rate_low": one.hit_rate.low,
                "hit_rate_high": one.hit_rate.high,
                "open_disagreements": one.open_disagreements,
            }
            for one in readers.reviewers
        ],
        "pairs": [_describe_pair(pair) for pair in readers.pairs],
    }


def _describe_pair(pair: Pair) -> dict[str, Any]:
    agreement, kappa = pair.agreement, pair.agreement.kappa
    both, either = count_confirmed(agreement)
    return {
        "first": pair.first,
        "second": pair.second,
        "judged_by_both": agreement.shared,
        "only_first": agreement.only_first,
        "only_second": agreement.only_second,
        "table": [list(row) for row in agreement.table],
        "both_confirmed": both,
        "either_confirmed": either,
        "is_weighted": agreement.is_weighted,
        "agreement": agreement.share,
        "kappa": None if kappa is None else kappa.value,
        "kappa_standard_error": None if kappa is None else kappa.standard_error,
        "kappa_low": None if kappa is None else kappa.low,
        "kappa_high": None if kappa is None else kappa.high,
        "open_disagreements": pair.open_disagreements,
        "sentence": say_pair(pair),
    }


def _add(people: dict[str, _Work], said: Said, renamed: Mapping[str, str]) -> None:
    """Add what was said of one candidate to the work of each."""
    for verdict in said.verdicts:
        work = people.setdefault(name_person(verdict.reviewer, renamed), _Work())
        work.names[verdict.reviewer] = max(verdict.id, work.names.get(verdict.reviewer, 0))
        if verdict.takes_back_id is None:
            work.verdicts.append(verdict)
    words = hear_people(said.verdicts, renamed)
    for word in words:
        if word.reading is not None:
            work = people[name_person(word.reviewer, renamed)]
            if said.found_by == "planted":
                work.planted[said.candidate_id] = word.reading
            elif said.found_by == "search":
                work.readings[said.candidate_id] = word.reading
    if (
        said.found_by != "planted"
        and find_disagreement(said.candidate_id, said.verdicts, renamed) is not None
    ):
        for word in words:
            work = people[name_person(word.reviewer, renamed)]
            work.disagreements[said.candidate_id] = None if word.says is None else word.says.answer


def _sum_reviewer(work: _Work) -> Reviewer:
    answers = [verdict.answer for verdict in work.planted.values()]
    name = _find_name(work)
    return Reviewer(
        name=name,
        also=tuple(sorted(work.names.keys() - {name})),
        verdicts=len(work.verdicts),
        readings=len(work.readings),
        median_s=_find_median_s(work.verdicts),
        hit_rate=rate_reviewer(answers.count("confirm"), len(answers)),
        planted_unsure=answers.count("unsure"),
        open_disagreements=len(work.disagreements),
    )


def _find_median_s(verdicts: Sequence[Verdict]) -> float | None:
    """Return the median time from verdict to verdict; those given together are one act."""
    acts: dict[str, datetime] = {verdict.batch or f"#{verdict.id}": verdict.at for verdict in verdicts}
    gaps_s = [(after - before).total_seconds() for before, after in pairwise(sorted(acts.values()))]
    thoughts_s = [gap_s for gap_s in gaps_s if 0 < gap_s <= LONGEST_THOUGHT_S]
    return median(thoughts_s) if len(thoughts_s) >= LEAST_GAPS else None


def _compare(one: _Work, other: _Work) -> Pair:
    shared = one.readings.keys() & other.readings.keys()
    # The shares are nested: what both read was drawn as the smaller one of them.
    weights = {n: max(one.readings[n].stands_for, other.readings[n].stands_for) for n in shared}
    return Pair(
        first=_find_name(one),
        second=_find_name(other),
        agreement=compare_reviewers(_list_answers(one), _list_answers(other), stands_for=weights),
        open_disagreements=sum(
            # Who is silent agrees with nobody.
            one.disagreements[n] is None or one.disagreements[n] != other.disagreements[n]
            for n in one.disagreements.keys() & other.disagreements.keys()
        ),
    )


def _find_name(work: _Work) -> str:
    return max(work.names, key=lambda name: work.names[name])


def _list_answers(work: _Work) -> dict[int, Answer]:
    return {candidate_id: verdict.answer for candidate_id, verdict in work.readings.items()}

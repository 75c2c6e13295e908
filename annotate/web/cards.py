"""A candidate as a page shows it: plain data for JSON, with every sentence and label already written.

Pictures are named by their address. Moments are in the local zone of the clip, in words.
"""

from collections.abc import Collection, Iterator, Sequence
from datetime import timedelta
from itertools import islice
from typing import Any

from annotate.errors import AnnotateError
from annotate.judging.readings import find_disagreement
from annotate.judging.review_order import is_to_teach
from annotate.lengths.sizing import say_candidate
from annotate.logbook.doubts import list_doubts
from annotate.logbook.drawn_in import list_drawn_beside
from annotate.logbook.observations import find_observation
from annotate.logbook.opening import Logbook
from annotate.logbook.places import list_trees
from annotate.logbook.promises import next_to_teach
from annotate.logbook.records import Place, QueuedCandidate, QueuedView, Verdict
from annotate.logbook.review import find_candidate, list_candidates
from annotate.logbook.searches import read_sharpness
from annotate.logbook.verdicts import find_renamed, list_verdicts
from annotate.numbers import say_count
from annotate.web.choices import Choice
from annotate.web.ribbons import Ribbon, shade_ribbon
from annotate.web.wording import (
    DRAWN_WORDS,
    KIND_WORDS,
    label_frame,
    label_view,
    say_clock,
    say_date,
    say_disagreement,
    say_doubt,
    say_size,
    say_verdict,
    title_candidate,
)

Outline = tuple[Place, ...]
Card = dict[str, Any]
"""What `static/review.js` reads; the keys are those written in `build_card`."""


def read_card(logbook: Logbook, candidate_id: int) -> Card:
    """Return the card of one candidate, whether judged or not."""
    return build_card(logbook, find_candidate(logbook, candidate_id))


def read_ahead(
    logbook: Logbook, choice: Choice, *, limit: int, without: Sequence[int] = (), turn: int = 0
) -> list[Card]:
    """Return the cards of the next unjudged candidates in the chosen order, leaving out some ids.

    The order "doubtful" shows judged ones again, those whose answer the network doubts.

    Parameters
    ----------
    turn : how many cards came before the first of these; now and then one comes that is chosen to teach the search
    """
    out = frozenset(without)
    if choice.order == "doubtful":
        return list(islice(_read_doubtful(logbook, choice, out), limit))
    found = list_candidates(
        logbook,
        order=choice.walk,
        answer="open",
        kind=choice.kind,
        tree_id=choice.tree_id,
        limit=limit + len(out),
    )
    wanted = [candidate.id for candidate in found if candidate.id not in out]
    cards: list[Card] = []
    for place in range(limit):
        gone = {card["id"] for card in cards} | out
        lesson = _choose_lesson(logbook, choice, turn=turn + place, out=gone)
        left = (number for number in wanted if number not in gone)
        candidate = lesson or next((find_candidate(logbook, number) for number in left), None)
        if candidate is None:
            break
        cards.append({**build_card(logbook, candidate), "teaches": TEACHES if lesson else ""})
    return cards


TEACHES = "Chosen to teach the search."


def _choose_lesson(
    logbook: Logbook, choice: Choice, *, turn: int, out: Collection[int]
) -> QueuedCandidate | None:
    """Return the candidate whose verdict teaches most, where it is the turn of one."""
    if not is_to_teach(turn, order=choice.walk):
        return None
    return next_to_teach(logbook, kind=choice.kind, tree_id=choice.tree_id, without=out)


def _read_doubtful(logbook: Logbook, choice: Choice, out: frozenset[int]) -> Iterator[Card]:
    for doubt in list_doubts(logbook):
        if doubt.candidate_id in out:
            continue
        candidate = find_candidate(logbook, doubt.candidate_id)
        if choice.kind in (None, candidate.kind) and choice.tree_id in (None, candidate.tree_id):
            yield {**build_card(logbook, candidate), "doubt": say_doubt(doubt.answer, doubt.score)}


def build_card(logbook: Logbook, candidate: QueuedCandidate) -> Card:
    """Return the card of a candidate that came with all its views."""
    verdicts = list_verdicts(logbook, candidate.id)
    differ = _tell_disagreement(logbook, candidate.id, verdicts)
    # While people differ no answer is marked as that which was given.
    is_said = bool(verdicts) and candidate.answer != "open" and not differ
    return {
        **describe_candidate(
            logbook, candidate, beside=list_drawn_beside(logbook, candidate.clip_id, without=candidate.id)
        ),
        "known": verdicts[-1].id if verdicts else 0,
        "verdict": build_verdict(verdicts[-1]) if is_said else None,
        "differ": differ,
        "details": _read_details(logbook, candidate),
    }


def describe_candidate(
    logbook: Logbook, candidate: QueuedCandidate, *, beside: Sequence[tuple[int, Outline]]
) -> Card:
    """Return what a card says of a candidate before anybody said anything.

    Parameters
    ----------
    beside : (frame index, outline) of what was drawn into the clip by hand
    """
    looks = read_sharpness(logbook, candidate.clip_id)
    ribbon = shade_ribbon(
        looks,
        first_s=candidate.first_s,
        last_s=candidate.last_s,
        duration_s=candidate.clip_duration_s,
    )
    host = _find_host(logbook, candidate)
    return {
        "id": candidate.id,
        "kind": candidate.kind,
        "kind_words": KIND_WORDS[candidate.kind],
        "title": title_candidate(candidate),
        "views": [build_view(candidate, view, beside=beside) for view in candidate.views],
        "frame": {
            "url": address_picture(candidate.frame_picture),
            "label": label_frame(candidate),
            "size_px": candidate.frame_size_px,
        },
        "facts": _list_facts(candidate, host, size=_say_size_mm(logbook, candidate)),
        "ribbon": _build_ribbon(candidate, ribbon, host=host),
    }


def tell_disagreement(logbook: Logbook, candidate_id: int) -> str:
    """Return who says what of a candidate in disagreement, empty where it is in none."""
    return _tell_disagreement(logbook, candidate_id, list_verdicts(logbook, candidate_id))


def _tell_disagreement(logbook: Logbook, candidate_id: int, verdicts: Sequence[Verdict]) -> str:
    disagreement = find_disagreement(candidate_id, verdicts, find_renamed(logbook))
    return say_disagreement(disagreement) if disagreement else ""


def build_verdict(verdict: Verdict) -> dict[str, Any]:
    """Return a verdict as the pages read it."""
    return {
        "id": verdict.id,
        "candidate": verdict.candidate_id,
        "answer": verdict.answer,
        "reviewer": verdict.reviewer,
        "words": say_verdict(verdict),
    }


def address_picture(sha256: str) -> str:
    """Return the address of an evidence picture."""
    return f"/pictures/{sha256}.jpg"


def build_view(
    candidate: QueuedCandidate, view: QueuedView, *, beside: Sequence[tuple[int, Outline]]
) -> dict[str, Any]:
    """Return a view as the page reads it.

    Parameters
    ----------
    beside : (frame index, outline) of what was drawn into the clip by hand
    """
    return {
        "rank": view.rank,
        "time_s": view.time_s,
        "moment": say_clock(view.at, candidate.zone),
        "url": address_picture(view.picture),
        "label": label_view(candidate, view),
        "origin_px": view.picture_origin_px,
        "size_px": view.picture_size_px,
        "box": view.box,
        "outline": _round_outline(view.outline),
        "own_outline": None if view.own_outline is None else _round_outline(view.own_outline),
        "beside": [_round_outline(other) for index, other in beside if index == view.frame_index],
        "score": view.score,
        "sharpness": view.sharpness,
    }


def list_beside(logbook: Logbook, candidate_id: int) -> list[list[list[tuple[float, float]]]]:
    """Return for each view of a candidate the outlines of what was drawn into its frame by hand."""
    candidate = find_candidate(logbook, candidate_id)
    beside = list_drawn_beside(logbook, candidate.clip_id, without=candidate_id)
    return [
        [_round_outline(other) for index, other in beside if index == view.frame_index]
        for view in candidate.views
    ]


def _round_outline(outline: Outline) -> list[tuple[float, float]]:
    return [(round(row, 2), round(column, 2)) for row, column in outline]


def _build_ribbon(candidate: QueuedCandidate, ribbon: Ribbon, *, host: str) -> dict[str, Any]:
    start = candidate.at - timedelta(seconds=candidate.best_s)
    tree = (
        f"tree {candidate.tree}{f' ({host})' if host else ''}"
        if candidate.tree
        else "no tree given for this part"
    )
    minute, minutes = int(candidate.best_s // 60) + 1, int(ribbon.duration_s // 60) + 1
    return {
        "duration_s": ribbon.duration_s,
        "from_s": ribbon.from_s,
        "until_s": ribbon.until_s,
        "whole": ribbon.whole,
        "near": ribbon.near,
        "from_words": say_clock(start + timedelta(seconds=ribbon.from_s), candidate.zone),
        "until_words": say_clock(start + timedelta(seconds=ribbon.until_s), candidate.zone),
        "words": f"{tree}, minute {minute} of {minutes}",
    }


def _list_facts(candidate: QueuedCandidate, host: str, *, size: str) -> list[tuple[str, str]]:
    tree = (
        f"{candidate.tree}{f', {host}' if host else ''}"
        if candidate.tree
        else "not given for this part of the clip"
    )
    span_s = candidate.last_s - candidate.first_s
    return [
        ("What", f"{KIND_WORDS[candidate.kind]}, {say_size(candidate)}"),
        *([("Size", size)] if size else []),
        ("Found", DRAWN_WORDS) if candidate.found_by == "hand" else ("Score", f"{candidate.score:.2f} of 1"),
        ("Tree", tree),
        ("Date", say_date(candidate.at, candidate.zone)),
        ("Time", say_clock(candidate.at, candidate.zone)),
        (
            "Seen",
            f"in {say_count(candidate.views_seen, 'frame')}" + (f", {span_s:.1f} s" if span_s > 0 else ""),
        ),
        ("Clip", candidate.clip_name),
    ]


def _say_size_mm(logbook: Logbook, candidate: QueuedCandidate) -> str:
    """Return length and stage in words, empty where lens or distance are not known."""
    try:
        return say_candidate(logbook, candidate.id)
    except AnnotateError:
        # A mistake in somebody's own profile of an animal must not keep the card away; `leafshade sizes` tells it.
        return ""


def _find_host(logbook: Logbook, candidate: QueuedCandidate) -> str:
    for tree in list_trees(logbook, site=candidate.site) if candidate.tree else ():
        if tree.code == candidate.tree:
            return tree.host_taxon
    return ""


def _read_details(logbook: Logbook, candidate: QueuedCandidate) -> dict[str, str] | None:
    found = find_observation(logbook, candidate_id=candidate.id)
    if found is None:
        return None
    words = {
        "stage": found.stage,
        "condition": found.condition,
        "behaviour": found.behaviour,
        "note": found.note,
    }
    return {name: word or "" for name, word in words.items()}

"""The sentence of sense on the review page, and what an empty page says: what is here, how much is left, what to do next."""

from dataclasses import dataclass

from annotate.judging.readings import name_person
from annotate.judging.review_order import PACE_VERDICTS, measure_pace_s, say_progress
from annotate.logbook.audits import count_open
from annotate.logbook.clips import list_clips
from annotate.logbook.doubts import list_doubts
from annotate.logbook.opening import Logbook
from annotate.logbook.places import list_sites
from annotate.logbook.records import Count
from annotate.logbook.review import add_counts, count_candidates
from annotate.logbook.verdicts import changes_since, find_last_verdict_id, find_renamed
from annotate.numbers import say_count
from annotate.web.choices import Choice
from annotate.web.wording import say_confirmed

LOOKED_BACK = 5 * PACE_VERDICTS
"""Newest verdicts read to find a person's own: enough with up to five people judging at once."""


@dataclass(frozen=True, slots=True)
class EmptyPage:
    """What a page without a candidate says: what is the case, what to do next, and a command to type, if any."""

    what: str
    next: str
    command: str


def tell_sense(logbook: Logbook, choice: Choice, *, reviewer: str) -> str:
    """Return how far the review is, for what was chosen: a tree, the tree next in line, or everything."""
    if choice.order == "doubtful":
        return _tell_doubts(logbook)
    counts = count_candidates(logbook, kind=choice.kind)
    plain_frames = count_open(logbook)
    if not counts:
        return (
            f"{say_count(plain_frames, 'plain frame')} to look at."
            if plain_frames
            else "Nothing to judge yet."
        )
    count, where = _choose_count(logbook, choice, counts)
    return say_progress(
        where=where,
        judged=count.judged,
        everything=count.all,
        confirmed=say_confirmed(count, choice.kind),
        pace_s=find_pace_s(logbook, reviewer),
        plain_frames=plain_frames,
    )


def _tell_doubts(logbook: Logbook) -> str:
    number = len(list_doubts(logbook))
    if not number:
        return f"{_name_logbook(logbook)}: no label that the network doubts."
    return f"{_name_logbook(logbook)}: {say_count(number, 'label')} that the network doubts. Look at each once more."


def find_pace_s(logbook: Logbook, reviewer: str) -> float | None:
    """Return how long a person takes from verdict to verdict, in seconds; None where too little is known."""
    newest = changes_since(logbook, max(0, find_last_verdict_id(logbook) - LOOKED_BACK))
    renamed = find_renamed(logbook)
    person = name_person(reviewer, renamed)
    return measure_pace_s(
        [verdict.at for verdict in newest if name_person(verdict.reviewer, renamed) == person]
    )


def explain_empty(logbook: Logbook, choice: Choice) -> EmptyPage:
    """Return why there is no candidate to judge, and what to do instead."""
    if not list_clips(logbook):
        return EmptyPage(
            "No footage has been searched yet.",
            "Search a clip, naming the tree it was filmed under; this page then begins by itself:",
            "leafshade search CLIP --tree CODE",
        )
    if choice.order == "doubtful":
        return EmptyPage(
            "Nothing is left that the network doubts.",
            "What was looked at twice stays as it was judged. Go on with the order best first, or see the set:",
            "leafshade labels",
        )
    whole = add_counts(count_candidates(logbook))
    if whole.all == 0:
        return EmptyPage(
            "The footage that was searched held nothing.",
            "That is worth knowing too: the visits page says how much was looked through. Next, search another clip:",
            "leafshade search CLIP --tree CODE",
        )
    if whole.open:
        return EmptyPage(
            "Nothing of what you chose is left to judge.",
            f"Elsewhere {whole.open:,} are waiting: choose all trees and both kinds.",
            "",
        )
    return EmptyPage(
        f"All {whole.all:,} are judged, {whole.confirmed:,} confirmed.",
        "Next, look over the observations; those you were unsure of stand in the list of all.",
        "",
    )


def _choose_count(logbook: Logbook, choice: Choice, counts: tuple[Count, ...]) -> tuple[Count, str]:
    here = [count for count in counts if count.tree_id == choice.tree_id]
    if choice.tree_id is not None:
        return (
            here[0] if here else add_counts(())
        ), f"Tree {choice.tree}" if choice.tree_id else "Without a tree"
    if choice.order == "tree":
        for count in counts:
            if count.open:
                return count, f"Tree {count.tree}" if count.tree else "Without a tree"
    return add_counts(counts), _name_logbook(logbook)


def _name_logbook(logbook: Logbook) -> str:
    sites = list_sites(logbook)
    return (sites[0].name or sites[0].code) if len(sites) == 1 else "This logbook"

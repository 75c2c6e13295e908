"""What the pages say of records: dates written out, labels of pictures, verdicts and counts in words. Pure functions."""

from datetime import date, datetime

from annotate.judging.readings import Disagreement
from annotate.logbook.records import Count, QueuedCandidate, QueuedView, Verdict
from annotate.numbers import say_count
from annotate.zones import to_local

ANSWER_WORDS = {"confirm": "confirmed", "dismiss": "dismissed", "unsure": "unsure", "open": "not judged"}
VERDICT_WORDS = {
    "confirm": "confirmed this",
    "dismiss": "dismissed this",
    "unsure": "was unsure of this",
    "open": "opened this again",
}
DRAWN_WORDS = "drawn by hand"
MOMENT_WORDS = {
    "metadata": "time as its file says",
    "file date": "time by the date of its file, which copying can change",
    "given": "time as given by hand",
}
KIND_WORDS = {"silhouette": "silhouette", "feeding": "feeding damage"}


def say_date(moment: datetime, zone: str) -> str:
    """Return the local date written out: "14 May 2025"."""
    return write_out(to_local(moment, zone).date())


def write_out(day: date) -> str:
    """Return a date written out: "14 May 2025"."""
    return f"{day.day} {day:%B} {day.year}"


def say_clock(moment: datetime, zone: str) -> str:
    """Return the local time of day to the second: "13:42:10"."""
    return f"{to_local(moment, zone):%H:%M:%S}"


def say_clock_with_zone(moment: datetime, zone: str) -> str:
    """Return the local time of day to the minute with its zone: "13:42 BST"."""
    local = to_local(moment, zone)
    return f"{local:%H:%M} {local.tzname() or zone}"


def say_source(recorded_from: str) -> str:
    """Return what the moment of a clip was read from, in words."""
    return MOMENT_WORDS.get(recorded_from, f"time from {recorded_from}")


def say_tree(candidate: QueuedCandidate) -> str:
    """Return the tree in words: "tree OT03", or that none is known."""
    return f"tree {candidate.tree}" if candidate.tree else "no tree given"


def say_size(candidate: QueuedCandidate) -> str:
    """Return how large it is: length of a silhouette, missing share of a leaf."""
    if candidate.kind == "feeding":
        return f"{candidate.missing_percent:.0f} % of the leaf gone"
    return f"{candidate.length_px:.0f} px"


def label_view(candidate: QueuedCandidate, view: QueuedView) -> str:
    """Return what a screen reader says of a picture: "silhouette, 24 px, score 0.91, tree OT03, 13:42:10"."""
    size = say_size(candidate) if candidate.kind == "feeding" else f"{view.length_px:.0f} px"
    clock = say_clock(view.at, candidate.zone)
    return f"{KIND_WORDS[candidate.kind]}, {size}, {say_score(candidate, view.score)}, {say_tree(candidate)}, {clock}"


def say_score(candidate: QueuedCandidate, score: float) -> str:
    """Return "score 0.91", or that a person drew it in, of which no network said anything."""
    return DRAWN_WORDS if candidate.found_by == "hand" else f"score {score:.2f}"


def label_frame(candidate: QueuedCandidate) -> str:
    """Return what a screen reader says of the whole frame: where in it the place is."""
    view = candidate.views[0]
    rows, columns = candidate.frame_size_px
    row = (view.box[0] + view.box[2]) / 2 / rows
    column = (view.box[1] + view.box[3]) / 2 / columns
    down = "top" if row < 1 / 3 else "middle" if row < 2 / 3 else "bottom"
    across = "left" if column < 1 / 3 else "centre" if column < 2 / 3 else "right"
    return f"the whole frame; the place is ringed at the {down} {across}"


def title_candidate(candidate: QueuedCandidate) -> str:
    """Return a short name for a candidate: "silhouette on OT03, 13:42:10"."""
    where = f"on {candidate.tree}" if candidate.tree else "with no tree given"
    return f"{KIND_WORDS[candidate.kind]} {where}, {say_clock(candidate.at, candidate.zone)}"


def say_doubt(answer: str, score: float) -> str:
    """Return why a judged candidate is shown again: "The network doubts it: score 0.02. Look again..."."""
    word = ANSWER_WORDS[answer]
    return f"The network doubts this: {word}, yet score {score:.2f}. Look again; the same answer once more settles it."


def say_disagreement(disagreement: Disagreement) -> str:
    """Return who says what, and what becomes of it: "Maren: confirmed. Tove: dismissed. It counts as unsure until..."."""
    said = " ".join(f"{name}: {words}." for name, words in list_sides(disagreement))
    what_next = (
        "Answer anew, or say the same once more."
        if disagreement.waits_for
        else "Everyone has looked again: talk it over."
    )
    return f"{said} It counts as unsure until all say the same. {what_next}"


def list_sides(disagreement: Disagreement) -> list[tuple[str, str]]:
    """Return each person's name with what they say now, in words."""
    return [
        (word.reviewer, ANSWER_WORDS[word.says.answer] if word.says else "took it back")
        for word in disagreement.words
    ]


def say_verdict(verdict: Verdict) -> str:
    """Return who said what: "Maren dismissed this: twig"."""
    if verdict.takes_back_id is not None:
        return f"{verdict.reviewer} took back the last answer"
    reason = f": {verdict.reason}" if verdict.reason else ""
    return f"{verdict.reviewer} {VERDICT_WORDS[verdict.answer]}{reason}"


def say_confirmed(count: Count, kind: str | None) -> str:
    """Return how many are confirmed, in the word of what they are: "2 larvae confirmed", "none confirmed"."""
    if count.confirmed == 0:
        return "none confirmed"
    if kind == "silhouette":
        return f"{say_count(count.confirmed, 'larva', 'larvae')} confirmed"
    if kind == "feeding":
        return f"{say_count(count.confirmed, 'leaf', 'leaves')} with feeding confirmed"
    return f"{count.confirmed:,} confirmed"

"""The commands that go by what candidates look like: learn the order of judging anew, and find more like one candidate."""

import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.looking import look_at_missing
from annotate.commands.notebook import print_nothing, print_table, say_count, write_data

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from annotate.judging.alike import Similar
    from annotate.logbook.opening import Logbook

USUAL_LIMIT = 20
"""As `annotate.judging.alike` says; repeated here so that the help needs no import."""

SIMILAR_COLUMNS = (
    "candidate",
    "similarity",
    "kind",
    "site",
    "tree",
    "date",
    "clip",
    "time_s",
    "answer",
    "standing",
    "score",
    "picture",
)


@app.command("order")
def order(logbook: LogbookOption = None) -> None:
    """Learn anew in which order candidates are judged, from all verdicts given so far.

    The review does so by itself as verdicts come in. Candidates that have had no second look are looked at first: those found by
    an older version, or drawn in. Given again, it changes nothing.
    """
    from annotate.judging.promise import renew_promises
    from annotate.logbook.opening import open_logbook

    with open_logbook(choose_logbook(logbook)) as opened:
        _look_at_missing(opened)
        renewal = renew_promises(opened)
    if not renewal.learned_from:
        print("No verdicts to learn from yet: candidates come by what the network saw alone.")
        return
    print(
        f"Learned from {say_count(renewal.learned_from, 'verdict')}: "
        f"{say_count(renewal.changed, 'open candidate')} with another promise."
    )


@app.command("similar")
def similar(
    candidate: Annotated[
        int, typer.Argument(metavar="CANDIDATE", help="The number of a candidate.", show_default=False)
    ],
    limit: Annotated[int, typer.Option("--limit", "-n", min=1, help="How many are shown.")] = USUAL_LIMIT,
    as_json: Annotated[
        bool, typer.Option("--json", help="Write the list as JSON: an array of objects.")
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Find more like one candidate, in all footage of the logbook: also judged ones, and those set aside by a later search.

    Similarity is 1 for the same looks, 0 for unrelated and -1 for opposite ones, to the network that searched.
    """
    from annotate.judging.alike import find_similar
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.review import find_candidate

    with open_logbook(choose_logbook(logbook)) as opened:
        find_candidate(opened, candidate)
        _look_at_missing(opened)
        found = find_similar(opened, candidate, limit=limit)
    if as_json:
        write_data(SIMILAR_COLUMNS, [_describe(item) for item in found], as_json=True)
    elif not found:
        print_nothing("", "There is no other candidate.", advice="Search more footage: leafshade search CLIP")
    else:
        print_table(_lay_out(found), "See one in the browser: leafshade review")


def _look_at_missing(logbook: "Logbook") -> None:
    """Make looks where candidates lack one; say how many pictures cannot be read."""
    from detect.default_scorer import settle_threads
    from detect.second_look import load_second_look

    settle_threads()
    if lost := look_at_missing(logbook, load_second_look("cpu"), doing="Looking at candidates").lost:
        print(
            f"Note: {say_count(lost, 'candidate')} left out, whose picture cannot be read; put back a copy of the logbook's "
            "folder of evidence.",
            file=sys.stderr,
        )


def _describe(item: "Similar") -> dict[str, Any]:
    from annotate.zones import find_local_date

    candidate = item.candidate
    return {
        "candidate": candidate.id,
        "similarity": item.similarity,
        "kind": candidate.kind,
        "site": candidate.site,
        "tree": candidate.tree,
        "date": find_local_date(candidate.at, candidate.zone).isoformat(),
        "clip": candidate.clip_name,
        "time_s": round(candidate.best_s, 2),
        "answer": candidate.answer,
        "standing": candidate.standing,
        "score": round(candidate.score, 4),
        "picture": candidate.views[0].picture if candidate.views else "",
    }


def _lay_out(found: "Sequence[Similar]") -> "Table":
    from rich.table import Table
    from rich.text import Text

    from annotate.judging.alike import say_standing
    from annotate.zones import find_local_date, write_date

    table = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
    table.add_column("Candidate", justify="right")
    table.add_column("Alike", justify="right")
    for heading in ("Date", "Tree", "What", "Answer", "Clip"):
        table.add_column(heading, overflow="fold")
    for item in found:
        one = item.candidate
        place = f"{one.site} {one.tree}" if one.tree else "no tree given"
        answer = ", ".join(filter(None, (one.answer, say_standing(one.standing))))
        clip = f"{one.clip_name}, {one.best_s:.1f} s"
        table.add_row(
            str(one.id),
            f"{item.similarity:.2f}",
            write_date(find_local_date(one.at, one.zone)),
            *(
                Text("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in cell))
                for cell in (place, one.kind, answer, clip)
            ),
        )
    return table

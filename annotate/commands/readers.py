"""The command that says how well people agree and how much each finds: readers."""

import json
import sys
from datetime import datetime, time
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import print_table, say_count

if TYPE_CHECKING:
    from rich.table import Table

    from annotate.judging.readers import Readers, Reviewer

SECOND_COMMAND = "leafshade review --second --reviewer NAME"


@app.command("readers")
def readers(
    site: Annotated[
        str,
        typer.Option("--site", "-s", help="Only footage of this site, by its code.", show_default=False),
    ] = "",
    visit: Annotated[
        str,
        typer.Option(help="Only footage of the visits on this date, such as 2026-05-17.", show_default=False),
    ] = "",
    since: Annotated[
        str,
        typer.Option(help="Only footage filmed since this date, such as 2026-05-01.", show_default=False),
    ] = "",
    as_json: Annotated[
        bool, typer.Option("--json", help="Write the figures as JSON: an object with reviewers and pairs.")
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Show how well each two reviewers agree, and how much each finds of the larvae drawn into footage.

    Only what was judged blind counts: a person's first verdict on a candidate, given without seeing what others said.
    Kappa is Cohen's (1960), its 95 % interval after Fleiss, Cohen and Everitt (1969); that of a hit rate is exact.
    """
    from annotate.field.visits import read_date
    from annotate.judging.readers import describe_readers, sum_readers
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.second_reading import list_all_said
    from annotate.logbook.verdicts import find_renamed
    from annotate.logbook.visits import find_site
    from annotate.zones import read_zone

    with open_logbook(choose_logbook(logbook)) as opened:
        first_day = read_date(since) if since else None
        zone = opened.settings.place.zone
        said = list_all_said(
            opened,
            site=find_site(opened, site).code if site else "",
            day=read_date(visit) if visit else None,
            since=None if first_day is None else datetime.combine(first_day, time(), tzinfo=read_zone(zone)),
        )
        figures = sum_readers(said, find_renamed(opened))
    if as_json:
        # Bytes, or Windows would write its own line ends and its own encoding.
        sys.stdout.buffer.write(
            (json.dumps(describe_readers(figures), ensure_ascii=False, indent=1) + "\n").encode()
        )
        sys.stdout.buffer.flush()
    elif not figures.reviewers:
        is_chosen = site or visit or since
        print(
            "No verdicts on the footage you chose. Without that choice, all are counted."
            if is_chosen
            else "No verdicts yet. Judge first: leafshade review"
        )
    else:
        _show(figures)


def _show(figures: "Readers") -> None:
    """Print everyone in a table, each two in a sentence, and what to do next."""
    from annotate.judging.readers import say_pair

    print_table(
        _lay_out(figures.reviewers), f"{say_count(len(figures.reviewers), 'reviewer')}; times are medians."
    )
    shared = [pair for pair in figures.pairs if pair.agreement.shared]
    for pair in shared:
        print(_clean(say_pair(pair)))
    if not figures.pairs:
        print(
            f"Nobody else has judged yet. Have another person judge the same candidates blind: {SECOND_COMMAND}"
        )
    elif not shared:
        print(f"No candidate was judged blind by two people yet. To do so: {SECOND_COMMAND}")
    if any(one.open_disagreements for one in figures.reviewers):
        print(
            "A candidate in disagreement counts as unsure, and makes no record, until all who judged it say the same."
        )


def _lay_out(reviewers: "tuple[Reviewer, ...]") -> "Table":
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="bold", collapse_padding=True)
    table.add_column("Reviewer", overflow="fold")
    for heading in ("Verdicts", "Blind", "Per verdict"):
        table.add_column(heading, justify="right")
    for heading in ("Drawn larvae found", "Disagreements"):
        table.add_column(heading, overflow="fold")
    for one in reviewers:
        name = f"{one.name} (also {', '.join(one.also)})" if one.also else one.name
        table.add_row(
            Text(_clean(name)),
            f"{one.verdicts:,}",
            f"{one.readings:,}",
            "not known" if one.median_s is None else f"{one.median_s:.1f} s",
            _say_hit_rate(one),
            f"{one.open_disagreements:,} open" if one.open_disagreements else "none open",
        )
    return table


def _say_hit_rate(one: "Reviewer") -> str:
    rate = one.hit_rate
    if rate.share is None:
        return "none shown"
    unsure = f", {one.planted_unsure:,} unsure" if one.planted_unsure else ""
    return f"{rate.hits:,} of {rate.shown:,} ({rate.share * 100:.0f} %, {rate.low * 100:.0f} to {rate.high * 100:.0f} %){unsure}"


def _clean(text: str) -> str:
    """Return text in which nothing moves the cursor: names are what people typed."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)

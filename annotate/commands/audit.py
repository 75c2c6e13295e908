"""The command for what the search passed over: plain frames drawn for the review, and what follows from the answers."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import print_nothing, say_count, write_data

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console
    from rich.progress import Progress

    from annotate.judging.audit import Missed
    from annotate.judging.auditing import VisitAudit
    from annotate.logbook.opening import Logbook
    from annotate.logbook.records import Visit
    from annotate.sheets import Cell

COLUMNS = (
    "date",
    "site",
    "pool",
    "looked_at",
    "larva",
    "none",
    "unsure",
    "open",
    "outdated",
    "not_counted",
    "estimate",
    "low",
    "high",
    "sentence",
)

MOST_SEED = 2**31


@app.command("audit")
def audit(
    visit: Annotated[
        str,
        typer.Option(
            "--visit", help="Only the visit of this local date, such as 2026-05-17.", show_default=False
        ),
    ] = "",
    site: Annotated[
        str, typer.Option("--site", "-s", help="Only this site, by its code.", show_default=False)
    ] = "",
    windows: Annotated[
        int | None,
        typer.Option(
            "--windows", help="Draw so many further plain frames of each visit.", min=1, show_default=False
        ),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option(
            "--seed", help="Draws the same again in a copy of the logbook.", min=0, show_default=False
        ),
    ] = None,
    as_json: Annotated[
        bool,
        typer.Option("--json", help="Write the figures as JSON: an array of objects, the last one the sum."),
    ] = False,
    logbook: LogbookOption = None,
) -> None:
    """Show how many moments with a larva the search has passed over, or draw plain frames to tell it by.

    With --visit, a visit of which none were drawn yet gets 60 of them; with --windows, each visit named gets so many more. They
    are drawn by chance from the moments of 1 s (window_s in settings.toml) in which nothing was flagged, and come up in the
    review among the candidates. Frames already answered count from the first one on.
    """
    from annotate.field.visits import read_date
    from annotate.judging.auditing import audit_visits
    from annotate.logbook.opening import open_logbook

    day = read_date(visit) if visit else None
    with open_logbook(choose_logbook(logbook)) as opened:
        visits = _list_visits(opened, site=site)
        chosen = [known for known in visits.values() if day in (None, known.date)]
        audits = {one.visit_id: one for one in audit_visits(opened) if one.visit_id in visits}
        if day is not None and not any(known.id in audits for known in chosen):
            _refuse_unfilmed(visit, [known for known in visits.values() if known.id in audits])
        wanted = [audits[known.id] for known in chosen if known.id in audits]
        if windows:
            drawn = _leave_out_exhausted(wanted, visits)
        else:
            drawn = [one for one in wanted if visit and one.undrawn and not _was_drawn(one)]
        if drawn:
            _draw(opened, drawn, visits, windows=windows, seed=seed)
            audits = {one.visit_id: one for one in audit_visits(opened)}
            wanted = [audits[one.visit_id] for one in wanted]
        if as_json:
            write_data(COLUMNS, _describe(wanted, visits), as_json=True)
        elif not wanted:
            print_nothing(
                site,
                "Nothing was searched yet.",
                advice="Search clips first: leafshade search CLIP --tree CODE",
            )
        else:
            _tell(opened, wanted, visits)


def _list_visits(logbook: "Logbook", *, site: str) -> "dict[int, Visit]":
    from annotate.logbook.visits import find_site, list_visits

    code = find_site(logbook, site).code if site else ""
    return {summary.visit.id: summary.visit for summary in list_visits(logbook, site=code)}


def _refuse_unfilmed(typed: str, known: "Sequence[Visit]") -> None:
    from annotate.errors import AnnotateError

    days = ", ".join(dict.fromkeys(one.date.isoformat() for one in known)) or "none"
    raise AnnotateError(
        f"visit: expected the date of a visit with searched clips; found {typed}; those with clips are: {days}"
    )


def _was_drawn(one: "VisitAudit") -> bool:
    return bool(one.open or any(part.sampled or part.doubtful for part in one.parts))


def _leave_out_exhausted(audits: "Sequence[VisitAudit]", visits: "dict[int, Visit]") -> "list[VisitAudit]":
    """Return the visits of which something is left to draw, and name the others; all, to be refused, where none has any."""
    from annotate.zones import write_date

    left = [one for one in audits if one.undrawn]
    for one in audits if left else ():
        if not one.undrawn:
            known = visits[one.visit_id]
            print(f"{known.site} {write_date(known.date)}: nothing is left to draw.", file=sys.stderr)
    return left or list(audits)


def _draw(
    logbook: "Logbook",
    audits: "Sequence[VisitAudit]",
    visits: "dict[int, Visit]",
    *,
    windows: int | None,
    seed: int | None,
) -> None:
    """Draw a sample of each visit, with a bar for the reading of its clips."""
    from datetime import UTC, datetime

    import numpy as np
    from rich.console import Console

    from annotate.judging.auditing import USUAL_WINDOWS, draw_sample
    from annotate.zones import write_date

    console = Console(stderr=True)
    for one in audits:
        known = visits[one.visit_id]
        chosen = int(np.random.default_rng().integers(MOST_SEED)) if seed is None else seed
        with make_progress(console) as bar:
            task = bar.add_task(f"{known.site} {write_date(known.date)}", total=1.0)
            number = draw_sample(
                logbook,
                one.visit_id,
                windows=windows or USUAL_WINDOWS,
                seed=chosen,
                at=datetime.now(UTC),
                on_progress=lambda share, bar=bar, task=task: bar.update(task, completed=share),  # type: ignore[misc]
            )
        console.print(
            f"{known.site} {write_date(known.date)}: drew {say_count(number, 'plain frame')} (seed {chosen}). "
            "They come up in the review: leafshade review",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )


def make_progress(console: "Console") -> "Progress":
    """Return a bar that goes away when its work is done."""
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    return Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        TextColumn("left"),
        console=console,
        transient=True,
    )


def _tell(logbook: "Logbook", audits: "Sequence[VisitAudit]", visits: "dict[int, Visit]") -> None:
    """Print the sentence of each visit, how far its audit is, and that of all together."""
    from annotate.judging.audit import say_missed
    from annotate.judging.auditing import find_missed_chance, say_missed_chance, sum_season
    from annotate.judging.planting import measure_missed
    from annotate.zones import write_date

    for one in audits:
        known = visits[one.visit_id]
        print(f"{known.site}, {write_date(known.date)}: {say_missed(one.missed)}")
        if one.open:
            are = "frame waits" if one.open == 1 else "frames wait"
            print(f"  {one.open:,} plain {are} for an answer: leafshade review")
        if one.outdated:
            are = "frame was" if one.outdated == 1 else "frames were"
            print(
                f"  {one.outdated:,} plain {are} drawn before a clip was searched again: what was said of them is kept, and "
                "counts no more."
            )
        if not _was_drawn(one) and any(part.pool for part in one.parts):
            print(f"  Draw plain frames to tell it by: leafshade audit --visit {known.date.isoformat()}")
    if len(audits) > 1:
        print(f"All {len(audits)} visits: {say_missed(sum_season(audits))}")
    if any(part.sampled for one in audits for part in one.parts):
        only = audits[0].visit_id if len(audits) == 1 else None
        print(say_missed_chance(find_missed_chance(logbook, visit_id=only)))
    planted = measure_missed(logbook, visit_id=audits[0].visit_id if len(audits) == 1 else None)
    if planted.share is not None:
        share = f"{planted.low:.0%} to {planted.high:.0%}"
        print(
            f"Of {planted.shown:,} planted larvae it missed {planted.hits:,} ({share}); by length: leafshade plant --report"
        )


def _describe(audits: "Sequence[VisitAudit]", visits: "dict[int, Visit]") -> "list[dict[str, Cell]]":
    from annotate.judging.auditing import name_answers, sum_season

    if not audits:
        return []
    rows = [
        _describe_one(
            visits[one.visit_id].date.isoformat(),
            visits[one.visit_id].site,
            one.missed,
            {**name_answers(one), "outdated": one.outdated},
        )
        for one in audits
    ]
    counts = [{**name_answers(one), "outdated": one.outdated} for one in audits]
    summed = {name: sum(count[name] for count in counts) for name in counts[0]}
    return [*rows, _describe_one(None, None, sum_season(audits), summed)]


def _describe_one(
    date: str | None, site: str | None, missed: "Missed", counts: "dict[str, int]"
) -> "dict[str, Cell]":
    from annotate.judging.audit import say_missed

    return {
        "date": date,
        "site": site,
        "pool": missed.pool,
        "looked_at": missed.sampled,
        **counts,
        "not_counted": missed.pool_left_out,
        "estimate": None if missed.windows is None else round(missed.windows, 2),
        "low": missed.low,
        "high": missed.high,
        "sentence": say_missed(missed),
    }

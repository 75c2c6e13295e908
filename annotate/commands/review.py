"""The command that opens the review page: review."""

from contextlib import suppress
from typing import Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook

NAMELESS = "recorder"
"""Stands beside verdicts where neither the command nor the settings name anyone."""


@app.command("review")
def review(
    logbook: LogbookOption = None,
    port: Annotated[
        int | None,
        typer.Option(
            min=0, max=65535, help="Port to serve on. Without it: the first free one.", show_default=False
        ),
    ] = None,
    host: Annotated[
        str,
        typer.Option(
            help="Address to serve on. Any other than this computer's own gets a key in the page's address."
        ),
    ] = "127.0.0.1",
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print the address.")] = False,
    reviewer: Annotated[
        str,
        typer.Option(help="Who judges. Without it: the recorder of the settings.", show_default=False),
    ] = "",
    second: Annotated[
        bool, typer.Option("--second", help="Judge again, blind, what others have judged.")
    ] = False,
    dismissed_one_in: Annotated[
        int, typer.Option(min=1, metavar="N", help="With --second: of the dismissed only one in N.")
    ] = 1,
) -> None:
    """Judge the candidates in the browser, one at a time; records arise from what is confirmed.

    Where a second person, judging blind, says something else than the first, the candidate counts as unsure, and makes no
    record, until everyone who judged it says the same.
    """
    from annotate.errors import AnnotateError
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.second_reading import ReadingPlan, check_second
    from annotate.web.app import build_app
    from annotate.web.serving import open_browser, open_port, serve

    if dismissed_one_in > 1 and not second:
        raise AnnotateError(
            f"--dismissed-one-in: expected it together with --second; found {dismissed_one_in} without; "
            "add --second, or leave it out"
        )
    with open_logbook(choose_logbook(logbook)) as opened:
        name = " ".join(reviewer.split()) or opened.settings.recorder.name or NAMELESS
        plan = ReadingPlan(dismissed_one_in=dismissed_one_in) if second else None
        if plan is not None:
            check_second(opened, name)
        opening = open_port(host, port)
        what = "second reading" if second else "review"
        print(f"The {what} of {opened.folder.name} is open at {opening.address}")
        if opening.door.key and plan is None:
            print(f"On a phone under the trees: {opening.address.replace('/?', '/by-eye?')}")
        print("Stop it with Ctrl+C; every verdict is saved as it is given.", flush=True)
        if not no_browser:
            open_browser(opening.address)
        # Interrupting is how a review ends, and nothing is cut short; whether the server lets it through is a matter of moments.
        with suppress(KeyboardInterrupt):
            serve(build_app(opened, reviewer=name, door=opening.door, second=plan), opening)
        print("Closed.")

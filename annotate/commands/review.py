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
) -> None:
    """Judge the candidates in the browser, one at a time; records arise from what is confirmed."""
    from annotate.logbook.opening import open_logbook
    from annotate.web.app import build_app
    from annotate.web.serving import open_browser, open_port, serve

    with open_logbook(choose_logbook(logbook)) as opened:
        opening = open_port(host, port)
        name = " ".join(reviewer.split()) or opened.settings.recorder.name or NAMELESS
        print(f"The review of {opened.folder.name} is open at {opening.address}")
        if opening.door.key:
            print(f"On a phone under the trees: {opening.address.replace('/?', '/by-eye?')}")
        print("Stop it with Ctrl+C; every verdict is saved as it is given.", flush=True)
        if not no_browser:
            open_browser(opening.address)
        # Interrupting is how a review ends, and nothing is cut short; whether the server lets it through is a matter of moments.
        with suppress(KeyboardInterrupt):
            serve(build_app(opened, reviewer=name, door=opening.door), opening)
        print("Closed.")

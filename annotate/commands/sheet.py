"""The command that prints a field sheet: a PDF for the next visit of a site."""

from pathlib import Path
from typing import Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import say_count

MOST_LETTERS_NAMED = 5


@app.command("sheet")
def sheet(
    more_trees: Annotated[
        list[str] | None,
        typer.Argument(metavar="TREE...", help="More trees, after --trees.", show_default=False),
    ] = None,
    site: Annotated[
        str,
        typer.Option(
            "--site", "-s", help="The site, by its code. Without it: the only one.", show_default=False
        ),
    ] = "",
    visit_date: Annotated[
        str,
        typer.Option(
            "--visit-date",
            help="Day of the visit, such as 2026-05-17. Without it: today.",
            show_default=False,
        ),
    ] = "",
    out: Annotated[Path, typer.Option("--out", "-o", help="Where the sheet is written.")] = Path(
        "field-sheet.pdf"
    ),
    paper: Annotated[str, typer.Option("--paper", help="A4 or Letter.")] = "A4",
    trees: Annotated[
        list[str] | None,
        typer.Option("--trees", "-t", help="Only these trees: --trees OT03 OT05.", show_default=False),
    ] = None,
    font: Annotated[
        Path | None,
        typer.Option(
            "--font", help="A TrueType font, for letters that the usual one lacks.", show_default=False
        ),
    ] = None,
    logbook: LogbookOption = None,
) -> None:
    """Write a field sheet for the next visit of a site: trees in walking order, known finds, cautions, room to write.

    It tells of each tree what was found and where, what was searched in vain, and which stages are in season on the day.
    """
    from datetime import UTC, datetime

    from annotate.field.field_sheet import choose_site, gather_sheet
    from annotate.field.field_sheet_pages import list_lacking_letters, write_field_sheet
    from annotate.field.pdf_pages import find_paper_name
    from annotate.field.visits import read_date
    from annotate.logbook.opening import open_logbook
    from annotate.zones import find_local_date, write_date

    codes = [code for one in (*(trees or ()), *(more_trees or ())) for code in one.split(",") if code.strip()]
    with open_logbook(choose_logbook(logbook)) as opened:
        chosen = choose_site(opened, site)
        day = read_date(visit_date) if visit_date else find_local_date(datetime.now(UTC), chosen.zone)
        gathered = gather_sheet(opened, chosen, day=day, codes=codes)
    sheets = find_paper_name(paper, what="a field sheet")
    write_field_sheet(out, gathered, paper=paper, font=font)
    count = say_count(len(gathered.trees), "tree")
    print(f"Wrote the field sheet of {gathered.site} for {write_date(day)}, {count}, to {out}, on {sheets}.")
    lacking = list_lacking_letters(gathered, font)
    if lacking:
        named = ", ".join(f"{letter} (U+{ord(letter):04X})" for letter in lacking[:MOST_LETTERS_NAMED])
        print(
            f"Its font lacks {say_count(len(lacking), 'letter')}, such as {named}; they stand as numbers. Name a font that has "
            "them with: --font FILE.ttf"
        )
    print("It shows where animals live that may be protected: do not leave it lying about.")

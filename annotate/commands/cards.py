"""The command that prints tree cards: a PDF with a page for each tree, true to size."""

from pathlib import Path
from typing import Annotated

import typer

from annotate.commands.base import LogbookOption, app, choose_logbook
from annotate.commands.notebook import say_count


@app.command("cards")
def cards(
    file: Annotated[Path, typer.Argument(metavar="FILE.pdf", help="Where the cards are written.")] = Path(
        "tree-cards.pdf"
    ),
    site: Annotated[
        str,
        typer.Option("--site", "-s", help="Only the trees of this site, by its code.", show_default=False),
    ] = "",
    tree: Annotated[
        list[str] | None,
        typer.Option(
            "--tree",
            "-t",
            help="Only this tree, by its code; may be given several times.",
            show_default=False,
        ),
    ] = None,
    paper: Annotated[str, typer.Option("--paper", help="A4 or Letter; the card is the same size.")] = "A4",
    font: Annotated[
        Path | None,
        typer.Option(
            "--font",
            help="A TrueType font, where codes have letters beyond those of Western Europe.",
            show_default=False,
        ),
    ] = None,
    logbook: LogbookOption = None,
) -> None:
    """Write a card for each tree to a PDF, to be printed at 100 % and shown to the camera under the tree.

    Held up before its tree is filmed, a card names the tree and cuts the footage there; and by its known size it gives the
    scale. A tree gets its marker once and keeps it: cards printed earlier stay good.
    """
    from annotate.errors import AnnotateError
    from annotate.field.pdf_pages import check_pdf_name, find_paper_name
    from annotate.field.tree_cards import check_letters, write_cards
    from annotate.field.trees import sort_by_walk
    from annotate.logbook.opening import open_logbook
    from annotate.logbook.places import assign_markers, find_tree, list_sites, list_trees
    from detect.cards import NUMBERS

    check_pdf_name(file, usual="tree-cards.pdf")
    sheets = find_paper_name(paper, what="a card")
    with open_logbook(choose_logbook(logbook)) as opened:
        wanted = sort_by_walk(
            [find_tree(opened, code) for code in tree] if tree else list_trees(opened, site=site)
        )
        if not wanted:
            raise AnnotateError(
                f"cards: expected trees{f' of site {site!r}' if site else ''}; found none; see them with: leafshade trees"
            )
        names = {one.code: one.name for one in list_sites(opened)}
        check_letters([text for one in wanted for text in (one.code, names[one.site] or one.site)], font)
        new = assign_markers(opened, [one.id for one in wanted], markers=NUMBERS)
        ids = [one.id for one in wanted]
        marked = {one.id: one for one in list_trees(opened)}
        write_cards(file, [marked[number] for number in ids], paper=paper, site_names=names, font=font)
    given = f" {say_count(new, 'tree')} got a number just now, to be kept." if new else ""
    print(f"Wrote {say_count(len(ids), 'card')} to {file}, on {sheets}.{given}")
    print(
        "Print them at 100 %, check the ruler on the first one, and hold each up for 3 seconds before its tree is filmed."
    )

"""The field sheet of a site as a PDF, made when it is asked for; nothing of it is kept here."""

from datetime import UTC, datetime

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from annotate.field.field_sheet import choose_site, gather_sheet
from annotate.field.field_sheet_pages import draw_field_sheet
from annotate.field.visits import read_date
from annotate.web.desk import find_desk
from annotate.zones import find_local_date

FRESH = {"Content-Disposition": 'attachment; filename="field-sheet.pdf"', "Cache-Control": "no-store"}
"""A plain name: a site's code may hold letters that a header cannot. What is found tomorrow stands on tomorrow's sheet."""


async def send_sheet(request: Request) -> Response:
    """Send the sheet of a site: for `date`, or today there, on `paper`."""
    return await run_in_threadpool(_send_sheet, request)


def _send_sheet(request: Request) -> Response:
    logbook = find_desk(request).logbook
    site = choose_site(logbook, request.query_params.get("site", ""))
    typed = request.query_params.get("date", "")
    day = read_date(typed) if typed else find_local_date(datetime.now(UTC), site.zone)
    data = draw_field_sheet(
        gather_sheet(logbook, site, day=day), paper=request.query_params.get("paper", "A4")
    )
    return Response(data, media_type="application/pdf", headers=FRESH)


ROUTES = (Route("/field-sheet.pdf", send_sheet),)

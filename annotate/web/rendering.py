"""Templates to pages: Jinja2 with escaping always on, and JSON that can stand inside a page."""

import json
from collections.abc import Callable, Mapping
from contextvars import ContextVar
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse

from annotate.field.site_plan import say_scale
from annotate.web.wording import ANSWER_WORDS, KIND_WORDS

STATIC_FOLDER = Path(__file__).parent / "static"

PAGES = (
    ("Review", "/"),
    ("All", "/all"),
    ("By eye", "/by-eye"),
    ("Observations", "/observations"),
    ("Trees", "/trees"),
    ("Visits", "/visits"),
    ("Filming", "/reach"),
)

Pages = tuple[tuple[str, str], ...]
"""(name, address) of what the navigation leads to."""

choose_pages: ContextVar[Callable[[], Pages]] = ContextVar("choose_pages", default=lambda: PAGES)
"""What one request's page leads to; the app sets it for each request, and it is asked only where a page is rendered."""


def render(template: str, values: Mapping[str, Any], *, status: int = 200) -> HTMLResponse:
    """Return the page made of a template and its values; a value that the template wants and lacks is an error."""
    whole = {"pages": choose_pages.get()(), **values}
    return HTMLResponse(_environment().get_template(template).render(whole), status_code=status)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("annotate.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(answer_words=ANSWER_WORDS, kind_words=KIND_WORDS)
    environment.filters["json_in_page"] = write_json_in_page
    environment.filters["say_scale"] = say_scale
    return environment


def write_json_in_page(value: object) -> Markup:
    """Return JSON that can stand in a script element: nothing in it can close the element or open a comment."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    for mark, code in (
        ("<", "\\u003c"),
        (">", "\\u003e"),
        ("&", "\\u0026"),
        ("\u2028", "\\u2028"),
        ("\u2029", "\\u2029"),
    ):
        text = text.replace(mark, code)
    return Markup(text)

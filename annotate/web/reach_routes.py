"""The page on filming: how far a lens reaches, as a table and a drawing, what to do about it, and what a searched clip covered.

It only shows. What is asked for stands in the address, so that a page can be kept and sent; a value that cannot be is an error in
its place, with everything else that was typed kept.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from annotate.errors import AnnotateError
from annotate.lengths.clip_coverage import tell_coverage
from annotate.lengths.reach import (
    ASSUMPTIONS,
    CAUTIONS,
    COVERED_CHANCE,
    POOR_CHANCE,
    PRESETS_MM,
    Reach,
    ReachCell,
    ReachOrder,
    advise,
    check_frame,
    load_curve,
    measure_reach,
    spread_heights,
)
from annotate.lengths.taxon_profiles import find_profile, list_profiles
from annotate.logbook.clips import list_clips
from annotate.logbook.opening import Logbook
from annotate.web.desk import find_desk
from annotate.web.rendering import render
from detect.errors import DetectError
from models.errors import ModelsError

USUAL = {
    "focal": "26",
    "width": "3840",
    "height": "2160",
    "from": "1",
    "to": "6",
    "crop": "1",
    "sharpness": "fair",
    "looks": "8",
    "clip": "",
}
LONGEST_VALUE = 200
SHARPNESS_CHOICES = (("soft", "soft"), ("fair", "fair, usual"), ("sharp", "sharp"))

PLOT_WIDTH, PLOT_HEIGHT = 640.0, 320.0
PLOT_LEFT, PLOT_RIGHT, PLOT_TOP, PLOT_BOTTOM = 52.0, 70.0, 14.0, 44.0
"""Room for the numbers beside the drawing, the names at the ends of the lines, and the words under it."""

NAME_GAP = 15.0
"""Names at the ends of lines stand at least so far apart."""


async def show_reach(request: Request) -> Response:
    """Show how far a lens reaches."""
    return await run_in_threadpool(_show_reach, request)


def _show_reach(request: Request) -> Response:
    logbook = find_desk(request).logbook
    asked = {
        name: request.query_params.get(name, usual)[:LONGEST_VALUE].strip() for name, usual in USUAL.items()
    }
    values: dict[str, Any] = {
        "page": "Filming",
        "heading": "Filming",
        "sense": "",
        "asked": asked,
        "presets": [f"{focal:g}" for focal in PRESETS_MM],
        "sharpness_choices": SHARPNESS_CHOICES,
        "clips": [clip.name for clip in list_clips(logbook)],
        "assumptions": ASSUMPTIONS,
        "cautions": CAUTIONS,
        "trouble": "",
        "reach": None,
        "coverage": (),
        "coverage_trouble": "",
    }
    status = 200
    try:
        values |= _measure(logbook, asked)
    except (AnnotateError, DetectError, ModelsError) as error:
        values |= {"trouble": f"{error}.", "sense": "Nothing can be said yet: see below."}
        status = 422
    if asked["clip"]:
        values |= _cover(logbook, asked["clip"])
    return render("reach.html", values, status=status)


def _measure(logbook: Logbook, asked: Mapping[str, str]) -> dict[str, Any]:
    curve, weights = load_curve(logbook)
    profile = find_profile(list_profiles(logbook.folder), logbook.settings.record.taxon)
    frame = (int(_read_number(asked, "height")), int(_read_number(asked, "width")))
    order = ReachOrder(
        _read_number(asked, "focal"),
        check_frame(frame),
        spread_heights(_read_number(asked, "from"), _read_number(asked, "to")),
        _read_number(asked, "crop"),
        asked["sharpness"],
        int(_read_number(asked, "looks")),
    )
    reach = measure_reach(order, curve, profile)
    return {
        "reach": reach,
        "rows": _describe_rows(reach),
        "plot": draw_plot(reach),
        "advice": advise(order, curve, profile),
        "weights": weights,
        "sense": _tell_sense(reach),
    }


def _read_number(asked: Mapping[str, str], name: str) -> float:
    text = asked[name].replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e6:
        raise AnnotateError(f"{name}: expected a number; found {asked[name][:40]!r}; correct it")
    return value


def _cover(logbook: Logbook, name: str) -> dict[str, Any]:
    try:
        return {"coverage": tell_coverage(logbook, name)}
    except (AnnotateError, DetectError) as error:
        return {"coverage_trouble": f"{error}."}


def _describe_rows(reach: Reach) -> list[dict[str, Any]]:
    """Return a row for each height: what the frame covers there, and a cell in words for each instar."""
    return [
        {
            "height": f"{height:g} m",
            "field": f"{reach.field_m[at][0]:.1f} × {reach.field_m[at][1]:.1f} m",
            "cells": [_describe_cell(row[at]) for row in reach.cells],
        }
        for at, height in enumerate(reach.heights_m)
    ]


def _describe_cell(cell: ReachCell) -> dict[str, str]:
    interval = ""
    if cell.in_look.low is not None and cell.in_look.high is not None:
        interval = f"{cell.in_look.low:.2f} to {cell.in_look.high:.2f}"
    return {
        "px": f"{cell.length_px:.0f} px",
        "look": f"{cell.in_look.value:.2f}",
        "interval": interval if cell.in_look.is_measured else "by the curve alone",
        "clip": "" if cell.in_clip is None else f"{cell.in_clip.value:.2f}",
        "covered": cell.covered,
        "mark": {"covered": "full", "covered poorly": "half", "not covered": "none"}[cell.covered],
    }


@dataclass(frozen=True, slots=True)
class PlotLine:
    """One instar's line: its points as an SVG path, its dash, and where its name stands."""

    name: str
    path: str
    dash: str
    x: float
    y: float


@dataclass(frozen=True, slots=True)
class ReachPlot:
    """The drawing: lines, and ticks as (place, text) along height (x) and chance (y), levels as (place, text)."""

    lines: tuple[PlotLine, ...]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    levels: tuple[tuple[float, str], ...]


DASHES = ("", "9 4", "2 4", "12 4 2 4", "5 3")
"""Lines are told apart by dash and name, never by colour alone."""


def draw_plot(reach: Reach) -> ReachPlot:
    """Return the drawing of a reach: the chance to be noticed in one look against the height above the lens."""
    low, high = reach.heights_m[0], reach.heights_m[-1]
    span = max(high - low, 1e-6)

    def place_x(height_m: float) -> float:
        return PLOT_LEFT + (height_m - low) / span * (PLOT_WIDTH - PLOT_LEFT - PLOT_RIGHT)

    def place_y(chance: float) -> float:
        return PLOT_HEIGHT - PLOT_BOTTOM - chance * (PLOT_HEIGHT - PLOT_TOP - PLOT_BOTTOM)

    paths = [
        "M" + "L".join(f"{place_x(cell.height_m):.1f} {place_y(cell.in_look.value):.1f}" for cell in row)
        for row in reach.cells
    ]
    ends = _spread_names([place_y(row[-1].in_look.value) for row in reach.cells])
    lines = tuple(
        PlotLine(row[0].stage, path, DASHES[at % len(DASHES)], place_x(high) + 8, end + 5)
        for at, (row, path, end) in enumerate(zip(reach.cells, paths, ends, strict=True))
    )
    step = max(1, len(reach.heights_m) // 6)
    return ReachPlot(
        lines,
        tuple((place_x(height), f"{height:g}") for height in reach.heights_m[::step]),
        tuple((place_y(chance / 4), f"{chance / 4:g}") for chance in range(5)),
        ((place_y(COVERED_CHANCE), "covered from here up"), (place_y(POOR_CHANCE), "not covered below")),
    )


def _spread_names(places: list[float]) -> list[float]:
    """Return places (y) pushed upwards until no two are nearer than `NAME_GAP`, in the same order as given."""
    spread = list(places)
    last = PLOT_HEIGHT - PLOT_BOTTOM + NAME_GAP
    for at in sorted(range(len(places)), key=lambda one: -places[one]):
        spread[at] = min(places[at], last - NAME_GAP)
        last = spread[at]
    return spread


def _tell_sense(reach: Reach) -> str:
    """Return one sentence: up to which height each of the older instars is covered."""
    parts = []
    for row in reach.cells[-3:]:
        covered = [cell.height_m for cell in row if cell.covered == "covered"]
        parts.append(f"{row[0].stage} to {covered[-1]:g} m" if covered else f"{row[0].stage} nowhere")
    return f"With {reach.focal_equivalent_mm:g} mm the search covers {', '.join(parts)} above the lens."

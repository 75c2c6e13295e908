"""The figures of an evaluation as tables a person reads: rows of text, and the same as Markdown.

Tables are made from the figures that an evaluation writes as JSON; a table whose figures are missing is left out.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

Figures = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Table:
    """A titled table of text; the first column holds names, the others figures. `notes` are sentences under it."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


def list_tables(figures: Figures) -> list[Table]:
    """Return every table that the figures allow."""
    tables: list[Table] = []
    if "search" in figures:
        tables += [_list_found(figures["search"]), _list_poses(figures["search"]), _list_measures(figures)]
    if "frames" in figures:
        tables += _list_finders(figures["frames"])
    if figures.get("detection"):
        tables.append(_list_chances(figures["detection"]))
    if "photographs" in figures:
        tables.append(_list_photos(figures["photographs"]))
    if "leaflets" in figures:
        tables.append(_list_leaflets(figures["leaflets"]))
    return tables


def write_markdown(figures: Figures) -> str:
    """Return all tables as Markdown, each under its title."""
    parts = [f"Measured with {figures['scorer']}.\n"]
    for table in list_tables(figures):
        lines = [f"### {table.title}\n"]
        if table.rows:
            lines.append("| " + " | ".join(table.headings) + " |")
            lines.append("|" + " --- |" + " ---: |" * (len(table.headings) - 1))
            lines += ["| " + " | ".join(row) + " |" for row in table.rows]
        lines += [f"\n{note}" for note in table.notes]
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def _list_found(search: Figures) -> Table:
    classes = list(search["at"]["default"]["found_by_length_px"])
    rows = []
    for name, row in search["at"].items():
        for what, key in _KINDS:
            counts = row[f"found_by_length_px{key}"]
            rows.append(
                (
                    what or name,
                    "" if what else f"{row['threshold']:.3f}",
                    *(_count(counts[one]) for one in classes),
                    "" if what else _show(row["false_per_minute"], 2),
                )
            )
    title = (
        f"Larvae found in {search['minutes']:.1f} minutes of clips: {search['larvae']} larvae, "
        f"of which {search['larvae_that_stand_out']} stand out"
    )
    headings = ("Threshold", "Score", *(f"{one} px" for one in classes), "False a minute")
    return Table(title, headings, tuple(rows))


_KINDS = (("", ""), ("– that stand out", "_of_those_that_stand_out"))
"""Every count of larvae is followed by that of the larvae which stand out: name of the row, end of the figures' name."""


def _list_poses(search: Figures) -> Table:
    rows = [
        (name, *map(_count, row["found_by_pose_16_px_and_over"].values()))
        for name, row in search["at"].items()
    ]
    poses = search["at"]["default"]["found_by_pose_16_px_and_over"]
    return Table("Larvae of 16 px and over, by what they do", ("Threshold", *poses), tuple(rows))


def _list_measures(figures: Figures) -> Table:
    search = figures["search"]
    feeding = search["feeding"]
    rows = [
        ("Body length, median error, %", _show(search["length_error_median_percent"], 1)),
        ("Outline, median overlap (IoU)", _show(search["outline_iou_median"], 2)),
        ("Score of a candidate, expected error", _show(search["calibration"]["expected_error"], 3)),
    ]
    if "frames" in figures:
        error = figures["frames"]["search"]["calibration"]["expected_error"]
        rows.append(("Score of one frame, expected error", _show(error, 3)))
    rows += [
        (
            "Chewed leaves found (5 % gone or more)",
            f"{feeding['chewed_leaves_found']}/{feeding['chewed_leaves']}",
        ),
        (
            "Feeding candidates, true and false",
            f"{feeding['true_candidates']} and {feeding['false_candidates']}",
        ),
    ]
    return Table("Measures and scores", ("Of whole clips", "Value"), tuple(rows))


def _list_finders(frames: Figures) -> Iterator[Table]:
    rows = []
    equal = frames.get("at_equal_recall")
    for name, row in frames.items():
        if name == "at_equal_recall":
            continue
        at = row["recall_at_false_per_picture"]
        false = [_show(equal["false_per_picture"][name], 2)] if equal else []
        rows.append(
            (
                name,
                *(_show(at[rate], 2) for rate in ("0.5", "1.0", "5.0")),
                *false,
                _show(row["average_precision"], 3),
                _show(row["outline_iou_median"], 2),
                _show(row["seconds_per_picture"], 3),
            )
        )
    headings = ["Finder", "Recall at 0.5", "at 1", "at 5 false a frame"]
    headings += [f"False a frame at recall {equal['recall']:.2f}"] if equal else []
    headings += ["Average precision", "Outline IoU", "Seconds a frame"]
    yield Table("Single frames, side by side", tuple(headings), tuple(rows))
    classes = list(frames["search"]["recall_by_length_px"])
    by_length = [
        (
            what or name,
            *(_count(row["at_1_false_per_picture"][f"recall_by_length_px{key}"][one]) for one in classes),
        )
        for name, row in frames.items()
        if name != "at_equal_recall"
        for what, key in _KINDS
    ]
    yield Table(
        "Found in single frames, by body length, with one false mark a frame",
        ("Finder", *(f"{one} px" for one in classes)),
        tuple(by_length),
    )


def _list_chances(detection: Figures) -> Table:
    columns = list(dict.fromkeys(tuple(row["sharpness"]) for row in detection["table"]))
    rows = []
    for low, high in dict.fromkeys(tuple(row["length_px"]) for row in detection["table"]):
        name = f"{low:.0f} and over" if high is None else f"{low:.0f}-{high:.0f}"
        inside = [row for row in detection["table"] if tuple(row["length_px"]) == (low, high)]
        rows.append((f"{name} px", *(_count_expected(row) for row in inside)))
    notes = [
        f"Curve of one frame: explains {100 * detection['explained']:.0f} % of the log-likelihood, expected error "
        f"{detection['expected_error']:.3f}, ceiling {detection['ceiling']:.2f}."
    ]
    return Table(
        f"Found in one frame by length and sharpness, and what the curve expects: {detection['larvae']} larvae",
        ("Body length", *(f"sharpness {low:g} to {high:g}" for low, high in columns)),
        tuple(rows),
        tuple(notes),
    )


def _list_photos(photographs: Figures) -> Table:
    false = photographs["by_picture"]
    rows = [
        ("Pictures", str(len(false))),
        ("False silhouettes a picture", _show(photographs["false_silhouettes_per_picture"], 2)),
        ("Pictures with any", str(sum(count > 0 for count in false.values()))),
    ]
    return Table("Real photographs without larvae", ("", "Value"), tuple(rows))


def _list_leaflets(leaflets: Figures) -> Table:
    rows = [
        ("Leaves", str(leaflets["leaves"])),
        ("Mean absolute error, points", _show(leaflets["mean_absolute_error_points"], 2)),
        ("Bias, points", _show(leaflets["bias_points"], 2)),
    ]
    return Table("Missing leaf area, scanned leaflets", ("", "Value"), tuple(rows))


def _count(counts: Figures) -> str:
    return f"{counts['found']}/{counts['of']}" if counts["of"] else "none"


def _count_expected(row: Figures) -> str:
    return f"{_count(row)} ({_show(row['expected'], 1)})" if row["of"] else "none"


def _show(value: float | None, digits: int) -> str:
    """Return a figure as text; a dash where there is none."""
    return "–" if value is None or not isfinite(value) else f"{value:.{digits}f}"


def shorten_figures(figures: Figures) -> dict[str, Any]:
    """Return what of the figures stands in a model card: counts and errors, without curves, tables and single clips."""
    long = {"curve", "table", "by_clip", "froc", "by_picture", "detection", "detection_missing"}

    def shorten(value: Any) -> Any:
        if isinstance(value, Mapping):
            return {key: shorten(some) for key, some in value.items() if key not in long}
        return value

    short: dict[str, Any] = clean_figures(shorten(figures))
    return short


def clean_figures(figures: Any) -> Any:
    """Return figures with None for what is no number, as JSON has it, and plain lists for tuples."""
    if isinstance(figures, Mapping):
        return {str(key): clean_figures(value) for key, value in figures.items()}
    if isinstance(figures, Sequence) and not isinstance(figures, str):
        return [clean_figures(value) for value in figures]
    if isinstance(figures, float) and not isfinite(figures):
        return None
    return figures

"""Plots of an evaluation for a person to read, on screen and in print: what is found, at what cost, and how far scores hold.

Drawn from the figures that an evaluation writes as JSON, each as PNG and SVG under a name of its own; a plot whose figures are
missing is left out. Needs matplotlib, which is an extra. Colours are told apart by colour-blind people (Okabe & Ito 2008), and
every line also by its mark or dash. Nothing is measured here.
"""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from models.cards import DetectionCurve
from models.detectability import SHARPNESS_CLASSES, SHARPNESS_LEVELS, SHARPNESS_NAMES, find_chance
from models.errors import ModelsError
from models.metrics import find_interval
from models.whole_files import drafted

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#000000")
"""Okabe & Ito 2008, "Color universal design", the strongest on white first."""

MARKS = ("o", "s", "^", "D", "v", "P", "X")
DASHES = ("-", "--", ":", "-.")

SIZE_INCH = (6.4, 4.2)
DOTS_PER_INCH = 160

MOST_SHOWN_RATE = 10.0
"""False candidates a minute up to which larvae found are drawn: what a person may still look through."""

Figures = Mapping[str, Any]


def draw_plots(figures: Figures, folder: Path, *, curve: DetectionCurve | None) -> list[Path]:
    """Draw every plot that the figures allow into a folder, made where it is not there; return the files.

    Raises
    ------
    ModelsError
        Where matplotlib is not installed or the folder cannot be written to.
    """
    check_plotting()
    from matplotlib import rc_context

    drawn: list[Path] = []
    with rc_context(STYLE):  # type: ignore[arg-type]  # it wants each name of a setting as a type of its own
        for name, draw in _choose_plots(figures, curve).items():
            figure, axes = _start_plot()
            draw(axes)
            drawn += _save(figure, folder, name)
    return drawn


def check_plotting() -> None:
    """Raise a ModelsError where matplotlib is not installed."""
    try:
        import matplotlib  # noqa: F401
    except ImportError as error:
        raise ModelsError(
            "plots cannot be drawn; expected matplotlib, found that it is not installed; "
            "install it with pip install 'leafshade[evaluation]'"
        ) from error


STYLE: dict[str, Any] = {
    "font.size": 10,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": "#555555",
    "axes.titlesize": 11,
    "axes.titlelocation": "left",
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#e4e4e4",
    "grid.linewidth": 0.7,
    "legend.frameon": False,
    "lines.linewidth": 1.8,
    "lines.markersize": 6,
    "svg.fonttype": "path",
    "svg.hashsalt": "leafshade",
}
"""Calm enough for print; SVG files are the same for the same figures."""


def _choose_plots(figures: Figures, curve: DetectionCurve | None) -> dict[str, Callable[["Axes"], None]]:
    plots: dict[str, Callable[[Axes], None]] = {}
    search, frames = figures.get("search"), figures.get("frames")
    if search and search["larvae"]:
        plots["larvae-found"] = lambda axes: _draw_found(axes, search)
    if frames and frames["search"]["larvae"]:
        plots["recall-by-length"] = lambda axes: _draw_recall(axes, frames)
    if search and frames:
        tables = {
            "one frame": frames["search"]["calibration"],
            "a candidate": search["calibration"],
        }
        if any(calibration["table"] for calibration in tables.values()):
            plots["reliability"] = lambda axes: _draw_reliability(axes, tables)
    if curve is not None:
        plots["recall-by-px"] = lambda axes: _draw_chances(axes, curve)
    return plots


def _start_plot() -> tuple["Figure", "Axes"]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZE_INCH, layout="constrained", facecolor="white")
    return figure, figure.add_subplot()


def _save(figure: "Figure", folder: Path, name: str) -> list[Path]:
    paths = [folder / f"{name}.png", folder / f"{name}.svg"]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in paths:
            kind = path.suffix.removeprefix(".")
            # Without a date the same figures give the same file.
            metadata = {"Date": None} if kind == "svg" else {}
            with drafted(path) as draft:
                figure.savefig(draft, format=kind, dpi=DOTS_PER_INCH, metadata=metadata)
    except OSError as error:
        raise ModelsError(
            f"{folder}: expected a folder for plots, found: {error.strerror}; give another with --plots"
        ) from error
    return paths


def _draw_found(axes: "Axes", search: Figures) -> None:
    """Draw larvae found against false candidates a minute, of all larvae and of those that stand out."""
    kinds = (
        ("all larvae", "larvae", "larvae_found"),
        ("those that stand out", "larvae_that_stand_out", "larvae_found_of_those_that_stand_out"),
    )
    rates = [point["false_per_minute"] for point in search["curve"]]
    for (label, total, found), colour, dash in zip(kinds, COLOURS, DASHES, strict=False):
        if not search[total]:
            continue
        shares = [100 * point[found] / search[total] for point in search["curve"]]
        axes.step(
            [*rates, max(MOST_SHOWN_RATE, rates[-1])],
            [*shares, shares[-1]],
            where="post",
            color=colour,
            linestyle=dash,
            label=f"{label} ({search[total]})",
        )
    rate, default = (search["at"]["default"][key] for key in ("false_per_minute", "threshold"))
    if rate <= MOST_SHOWN_RATE:
        axes.axvline(rate, color="#888888", linewidth=1, linestyle=":")
        axes.annotate(
            f"default threshold {default:.2f}",
            (rate, 2),
            xytext=(4, 0),
            textcoords="offset points",
            color="#555555",
            fontsize=9,
        )
    axes.set(
        xlabel="false candidates per minute of footage",
        ylabel="larvae found, %",
        xlim=(0, MOST_SHOWN_RATE),
        ylim=(0, 100),
        title=f"Larvae found in {search['minutes']:.0f} min of footage",
    )
    axes.legend(loc="upper right")


def _draw_recall(axes: "Axes", frames: Figures) -> None:
    """Draw recall by length of every finder, each where it marks one false place a frame."""
    finders = {name: row for name, row in frames.items() if name != "at_equal_recall"}
    classes = list(frames["search"]["recall_by_length_px"])
    spread = np.linspace(-0.3, 0.3, len(finders)) if len(finders) > 1 else np.zeros(1)
    for number, (name, row) in enumerate(finders.items()):
        counts = row["at_1_false_per_picture"]["recall_by_length_px"]
        held = [(at, counts[key]) for at, key in enumerate(classes) if counts[key]["of"]]
        places = [at + spread[number] for at, _ in held]
        shares = np.array([100 * count["found"] / count["of"] for _, count in held])
        ends = np.array([find_interval(count["found"], count["of"]) for _, count in held]) * 100
        axes.errorbar(
            places,
            shares,
            yerr=np.abs(ends.reshape(-1, 2).T - shares),
            linestyle="none",
            marker=MARKS[number % len(MARKS)],
            color=COLOURS[number % len(COLOURS)],
            elinewidth=1,
            clip_on=False,
            label=name,
        )
    counts = frames["search"]["recall_by_length_px"]
    axes.set_xticks(range(len(classes)), [f"{key} px\n({counts[key]['of']})" for key in classes])
    axes.set(
        xlabel="body length (larvae in single frames)",
        ylabel="found, %, with 95 % interval",
        ylim=(0, 100),
        title="Found in single frames, one false mark a frame",
    )
    axes.grid(visible=False, axis="x")
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.24), ncols=2, fontsize=9)


def _draw_reliability(axes: "Axes", tables: Mapping[str, Figures]) -> None:
    """Draw the share that was right against the score, of single frames and of candidates."""
    axes.plot([0, 1], [0, 1], color="#888888", linewidth=1, label="as it should be")
    for number, (name, calibration) in enumerate(tables.items()):
        rows = calibration["table"]
        if not rows:
            continue
        shares = np.array([row["share_right"] for row in rows])
        ends = np.array(
            [find_interval(round(row["share_right"] * row["count"]), row["count"]) for row in rows]
        )
        axes.errorbar(
            [row["mean_score"] for row in rows],
            shares,
            yerr=np.abs(ends.T - shares),
            marker=MARKS[number],
            linestyle=DASHES[number],
            linewidth=1.2,
            elinewidth=1,
            clip_on=False,
            color=COLOURS[number],
            label=f"score of {name}\n(expected error {calibration['expected_error']:.3f})",
        )
    axes.set(
        xlabel="score, mean of each tenth",
        ylabel="share that showed a larva, with 95 % interval",
        xlim=(0, 1),
        ylim=(0, 1),
        title="How often a score is right",
    )
    axes.set_aspect("equal")
    axes.legend(loc="lower left", bbox_to_anchor=(1.02, 0), fontsize=9)


def _draw_chances(axes: "Axes", curve: DetectionCurve) -> None:
    """Draw the chance of one frame against length at three sharpness levels, with the counts it was fitted on."""
    lengths = np.geomspace(6, max(64.0, curve.most_length_px), 80)
    for number, (level, name, ends) in enumerate(
        zip(SHARPNESS_LEVELS, SHARPNESS_NAMES, SHARPNESS_CLASSES, strict=True)
    ):
        colour, mark = COLOURS[number], MARKS[number]
        chances = [100 * find_chance(curve, length, level) for length in lengths]
        label = f"{name} (blur {1 / level - 1:.1f} px)"
        axes.plot(lengths, chances, color=colour, linestyle=DASHES[number], label=label)
        rows = [row for row in curve.table if row.sharpness == ends and row.of]
        middles = [(row.length_px[0] * (row.length_px[1] or 2 * row.length_px[0])) ** 0.5 for row in rows]
        shares = np.array([100 * row.found / row.of for row in rows])
        limits = np.array([find_interval(row.found, row.of) for row in rows]).reshape(-1, 2) * 100
        # Set apart a little, so that the three intervals of a class do not hide one another.
        axes.errorbar(
            np.array(middles) * 1.04 ** (number - 1),
            shares,
            yerr=np.abs(limits.T - shares),
            linestyle="none",
            marker=mark,
            color=colour,
            elinewidth=1,
            clip_on=False,
        )
    axes.set_xscale("log", base=2)
    ticks: Sequence[int] = [px for px in (6, 8, 10, 16, 24, 32, 48, 64, 96, 128) if px <= lengths[-1]]
    axes.set_xticks(ticks, [str(px) for px in ticks])
    axes.minorticks_off()
    axes.set(
        xlabel="body length, px",
        ylabel="found in one frame, %",
        ylim=(0, 100),
        title=f"Chance to find a larva in one frame ({curve.larvae} larvae, {curve.looks} looks)",
    )
    axes.legend(loc="lower right")

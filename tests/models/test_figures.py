"""Figures of an evaluation become plots and tables that are whole: drawn, not blank, and the same for the same figures."""

import builtins
import json
import xml.etree.ElementTree as ElementTree
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from models.canopy.truth import FrameTruth, LarvaMark
from models.cards import DetectionCurve
from models.detectability import Look, fit_detection
from models.errors import ModelsError
from models.evaluate import Picture, compare_at_equal_recall, evaluate_finders
from models.figure_plots import check_plotting, draw_plots
from models.figure_tables import clean_figures, list_tables, shorten_figures, write_markdown
from models.metrics import find_interval


def make_frames(rng: np.random.Generator) -> dict[str, Any]:
    """Two finders on eight blank pictures with five marks each, one of them much surer of true places."""
    from models.alternatives import NO_OUTLINE, Found

    pictures = []
    places: dict[int, list[tuple[float, float, float]]] = {}
    for number in range(8):
        rgb = np.full((200, 400, 3), number, np.uint8)
        spots = [
            (30.0 + 35 * n, 40.0 + 75 * n, float(length)) for n, length in enumerate((7, 12, 20, 28, 50))
        ]
        places[number] = spots
        marks = []
        for n, (row, column, length) in enumerate(spots):
            half = length / 2
            box = (int(row - 2), int(column - half), int(row + 3), int(column + half + 1))
            outline = np.float32(
                [
                    [row - 2, column - half],
                    [row - 2, column + half],
                    [row + 2, column + half],
                    [row + 2, column - half],
                ]
            )
            marks.append(LarvaMark(f"L{n}", box, outline, length, 1.0, 0.6))
        truth = FrameTruth(number, number / 30, tuple(marks), ())
        pictures.append(Picture(f"picture {number}", lambda rgb=rgb: rgb, truth))

    def make_finder(luck: float):
        def find(rgb: np.ndarray) -> list[Found]:
            found = []
            for row, column, length in places[int(rgb[0, 0, 0])]:
                if rng.random() < min(0.95, luck * length / 20):
                    found.append(Found(row, column, length, float(rng.uniform(0.4, 0.95)), NO_OUTLINE))
            found += [Found(190, 5 + 9 * n, 9, float(rng.uniform(0, 0.6)), NO_OUTLINE) for n in range(4)]
            return found

        return find

    reports = evaluate_finders({"search": make_finder(1.2), "blobs": make_finder(0.5)}, pictures)
    figures: dict[str, Any] = {name: report.summarise(threshold=0.5) for name, report in reports.items()}
    figures["search"]["calibration"] = reports["search"].summarise_calibration()
    figures["at_equal_recall"] = compare_at_equal_recall(reports, ours="search")
    return figures


def make_search() -> dict[str, Any]:
    at = {
        "threshold": 0.5,
        "false_per_minute": 1.0,
        "found_by_length_px": {"6-10": {"found": 3, "of": 5}, "32 and over": {"found": 0, "of": 0}},
        "found_by_length_px_of_those_that_stand_out": {
            "6-10": {"found": 3, "of": 4},
            "32 and over": {"found": 0, "of": 0},
        },
        "found_by_pose_16_px_and_over": {"on-midrib": {"found": 2, "of": 3}},
    }
    curve = [
        {
            "threshold": 0.9 - 0.08 * n,
            "false_per_minute": float(n),
            "larvae_found": 2 + n // 3,
            "larvae_found_of_those_that_stand_out": 2 + n // 4,
        }
        for n in range(10)
    ]
    rows = [{"from": 0.1, "to": 0.2, "count": 20, "mean_score": 0.15, "share_right": 0.2}]
    return {
        "minutes": 2.0,
        "larvae": 5,
        "larvae_that_stand_out": 4,
        "at": {"default": at},
        "curve": curve,
        "calibration": {"expected_error": 0.05, "table": rows},
        "length_error_median_percent": 6.25,
        "outline_iou_median": None,
        "feeding": {
            "true_candidates": 2,
            "false_candidates": 1,
            "chewed_leaves_found": 2,
            "chewed_leaves": 7,
        },
        "by_clip": [{"clip": "one"}],
    }


def make_curve(rng: np.random.Generator) -> DetectionCurve:
    looks = []
    for n in range(400):
        length, sharpness = 6 * 10 ** rng.random(), rng.uniform(0.3, 0.75)
        chance = 0.95 / (1 + np.exp(-2.5 * np.log2(length / 14) - 6 * (sharpness - 0.5)))
        looks.append(Look(f"larva {n // 8}", float(length), float(sharpness), bool(rng.random() < chance)))
    return fit_detection(looks, follow_score=0.05)


@pytest.fixture(scope="module")
def curve() -> DetectionCurve:
    return make_curve(np.random.default_rng(8))


@pytest.fixture(scope="module")
def figures(curve: DetectionCurve) -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "scorer": "made up 12ab",
        "clips": 1,
        "photos": 2,
        "search": make_search(),
        "frames": make_frames(np.random.default_rng(4)),
        "detection": asdict(curve),
        "photographs": {"false_silhouettes_per_picture": 0.5, "by_picture": {"a.jpg": 1, "b.jpg": 0}},
        "leaflets": {"leaves": 3, "mean_absolute_error_points": 0.4, "bias_points": -0.1},
    }


NAMES = ["larvae-found", "recall-by-length", "recall-by-px", "reliability"]


def test_plots_are_drawn_and_not_blank(
    tmp_path: Path, figures: dict[str, Any], curve: DetectionCurve
) -> None:
    """Four plots as PNG and SVG, each with ink and with colour, nothing else in the folder."""
    drawn = draw_plots(figures, tmp_path / "new" / "plots", curve=curve)
    assert sorted(path.name for path in drawn) == sorted(
        f"{n}.{end}" for n in NAMES for end in ("png", "svg")
    )
    assert sorted(drawn) == sorted((tmp_path / "new" / "plots").iterdir())
    for path in drawn:
        if path.suffix == ".svg":
            paths = list(ElementTree.parse(path).iter("{http://www.w3.org/2000/svg}path"))
            assert len(paths) > 30, path.name
            continue
        picture = cv2.imread(str(path)).astype(int)
        inked = picture.min(axis=2) < 200
        coloured = np.ptp(picture, axis=2) > 60
        assert picture.shape[1] > 900 and 0.005 < inked.mean() < 0.3, path.name
        assert coloured.mean() > 0.001, path.name


def test_the_same_figures_give_the_same_plot(
    tmp_path: Path, figures: dict[str, Any], curve: DetectionCurve
) -> None:
    """Byte for byte, so that a plot in the project changes only when its figures do."""
    for folder in ("one", "two"):
        draw_plots(figures, tmp_path / folder, curve=curve)
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


def test_what_was_not_measured_is_not_drawn(tmp_path: Path, figures: dict[str, Any]) -> None:
    """Photographs alone give no plot and two tables; no clips and no curve are no error."""
    part = {"scorer": "made up", "photographs": figures["photographs"], "leaflets": figures["leaflets"]}
    assert draw_plots(part, tmp_path, curve=None) == []
    assert [table.title for table in list_tables(part)] == [
        "Real photographs without larvae",
        "Missing leaf area, scanned leaflets",
    ]


def test_a_missing_library_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without matplotlib the error says how to install it."""
    real = builtins.__import__

    def refuse(name: str, *others: Any, **named: Any) -> Any:
        if name.split(".")[0] == "matplotlib":
            raise ImportError(name)
        return real(name, *others, **named)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(ModelsError, match=r"pip install 'leafshade\[evaluation\]'"):
        check_plotting()


def test_intervals_are_those_published() -> None:
    """Clopper-Pearson 95 %: 81 of 263, 15 of 148, 0 of 20, 1 of 29 (Newcombe 1998, from memory; run)."""
    for found, of, low, high in (
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0, 0.1684),
        (1, 29, 0.0009, 0.1776),
    ):
        assert find_interval(found, of) == pytest.approx((low, high), abs=5e-5)
    assert find_interval(5, 5)[1] == 1.0


def test_tables_are_markdown_with_equal_columns(figures: dict[str, Any]) -> None:
    """Each table has as many cells in every row as headings; figures stand where they belong, a dash where there are none."""
    text = write_markdown(figures)
    for part in text.split("### ")[1:]:
        rows = [line for line in part.splitlines() if line.startswith("|")]
        assert len(rows) > 2 and len({line.count("|") for line in rows}) == 1, part
    assert "| default | 0.500 | 3/5 | none | 1.00 |" in text
    assert "| – that stand out |  | 3/4 | none |  |" in text
    assert "| Outline, median overlap (IoU) | – |" in text
    assert "| Chewed leaves found (5 % gone or more) | 2/7 |" in text


def test_figures_for_the_card_are_short_and_plain(figures: dict[str, Any]) -> None:
    """Curves, tables and single clips are left out, counts stay, and what is no number becomes null."""
    short = shorten_figures({**figures, "worst": float("inf")})
    assert json.loads(json.dumps(short, allow_nan=False)) == short
    assert short["worst"] is None and short["search"]["at"]["default"]["threshold"] == 0.5
    assert "curve" not in short["search"] and "detection" not in short
    assert short["frames"]["search"]["calibration"].keys() == {"expected_error"}
    assert clean_figures({"a": (1.0, float("nan"))}) == {"a": [1.0, None]}


def test_finders_are_compared_at_equal_recall(figures: dict[str, Any]) -> None:
    """At the recall of the best other finder, the false marks of both are read from their own curves."""
    equal = figures["frames"]["at_equal_recall"]
    assert equal["best_other"] == "blobs" and 0 < equal["recall"] < 1
    for name in ("search", "blobs"):
        curve = figures["frames"][name]["froc"]
        false = min(point["false_per_picture"] for point in curve if point["recall"] >= equal["recall"])
        assert equal["false_per_picture"][name] == pytest.approx(false)
    assert equal["false_per_picture"]["search"] < equal["false_per_picture"]["blobs"]

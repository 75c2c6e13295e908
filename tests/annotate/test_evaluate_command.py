"""`leafshade evaluate` as a person types it: figures as counted by hand, files whole or not there, errors of one line."""

import json
import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from annotate.commands import evaluate as evaluate_command
from annotate.commands.base import run
from detect.clips import open_clip
from detect.evaluation import LOWEST_SCORE
from detect.light import LitFrame
from detect.network_scoring import load_network_scorer
from detect.regions import Kind, Region, ScoredRegion
from detect.search import SearchSettings, search_clip
from models.canopy import held_out
from models.canopy.presets import WALK_UNDER, fit_frame
from models.canopy.truth import (
    FrameTruth,
    LarvaMark,
    LarvaTruth,
    Truth,
    find_truth_path,
    read_truth,
    write_truth,
)
from models.canopy.write import write_clip
from models.cards import DEFAULT_WEIGHTS, find_card_path, read_card
from models.detectability import find_chance
from models.metrics import LENGTH_CLASSES_PX

ROWS, COLUMNS, RATE_HZ, FRAMES = 240, 360, 10, 20
BODIES = {"A": (60, 80, 40), "B": (150, 120, 20)}
"""Painted and in the truth: (row, column, length in px)."""

PLAIN = ("C", (120, 280, 12))
"""In the truth, and nothing is painted there."""

STRANGER = (200, 300, 26)
"""Painted, and not in the truth."""


def paint(index: int) -> np.ndarray:
    picture = np.full((ROWS, COLUMNS, 3), (110, 185, 60), np.uint8)
    rng = np.random.default_rng(3)
    for _ in range(40):
        start, end = (tuple(int(v) for v in rng.integers(0, COLUMNS, 2)) for _ in range(2))
        cv2.line(picture, start, end, (122, 200, 74), 2, cv2.LINE_AA)
    for row, column, length in (*BODIES.values(), STRANGER):
        cv2.ellipse(picture, ((float(column), float(row)), (length, 8.0), 0.0), (20, 24, 18), -1, cv2.LINE_AA)
    return picture


class DarkScorer:
    """Finds what is dark, and is surer of what is longer: 40 px is 0.95, 26 px 0.83, 20 px 0.75."""

    name = "dark"

    def find(self, lit: LitFrame, *, with_feeding: bool = True) -> list[Region]:
        dark = (lit.rgb[..., 1] < 90).astype(np.uint8)
        regions = []
        for contour in cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
            x, y, width, height = cv2.boundingRect(contour)
            outline = contour[:, 0, ::-1].astype(np.float32)
            box = (y, x, y + height, x + width)
            regions.append(Region("silhouette", box, outline, width, height, 0.0, np.zeros(1, np.float32)))
        return [region for region in regions if region.length_px > 10]

    def score(self, lit: LitFrame, regions: Sequence[Region]) -> list[ScoredRegion]:
        return [ScoredRegion(region, min(0.95, 0.5 + region.length_px / 80)) for region in regions]

    def combine(self, kind: Kind, scores: Sequence[float], *, most_views: int) -> float:
        return float(np.mean(scores))


def mark(larva_id: str, row: int, column: int, length: int) -> LarvaMark:
    half = length // 2
    box = (row - 4, column - half, row + 5, column + half + 1)
    around = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    outline = np.column_stack([row + 4 * np.sin(around), column + half * np.cos(around)])
    return LarvaMark(larva_id, box, outline.astype(np.float32), float(length), 1.0, 0.6)


@pytest.fixture
def three(make_clip: Callable[..., Path]) -> Path:
    """A clip of two seconds with three larvae in its truth, one of them nowhere to be seen, and a dark thing beside them."""
    clip = make_clip("three.mp4", times_s=FRAMES, rate_hz=RATE_HZ, size_px=(ROWS, COLUMNS), paint=paint)
    marks = tuple(mark(name, *place) for name, place in (*BODIES.items(), PLAIN))
    known = tuple(LarvaTruth(m.larva_id, "L4", 20.0, "healthy", "on-midrib") for m in marks)
    frames = tuple(FrameTruth(n, n / RATE_HZ, marks, ()) for n in range(FRAMES))
    write_truth(find_truth_path(clip), Truth(clip.name, (ROWS, COLUMNS), RATE_HZ, "", known, frames))
    return clip


@pytest.fixture
def evaluate(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Return a way to type the command: its exit code, what it printed, and its errors."""

    def call(*arguments: str | Path) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["leafshade", "evaluate", *map(str, arguments)])
        monkeypatch.setenv("COLUMNS", "160")
        try:
            code = run()
        except SystemExit as end:
            code = int(end.code or 0)
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return call


@pytest.fixture
def dark(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the command search with the scorer of this file."""
    monkeypatch.setattr("detect.network_scoring.load_network_scorer", lambda path: DarkScorer())


def read_strictly(path: Path) -> Any:
    """Read JSON as any program does: NaN and Infinity are no JSON."""

    def refuse(name: str) -> None:
        raise AssertionError(f"{name} in {path}")

    return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)


def test_figures_are_those_of_a_hand_count(
    three: Path, tmp_path: Path, evaluate: Callable[..., tuple[int, str, str]], dark: None
) -> None:
    """Three truths, two painted, and a stranger: two found, one false in two seconds; two stand out and both are found."""
    code, out, err = evaluate(three, "--json", tmp_path / "f.json")
    assert code == 0, err
    figures = read_strictly(tmp_path / "f.json")
    search, frames = figures["search"], figures["frames"]["search"]
    assert (search["larvae"], search["larvae_that_stand_out"], search["minutes"]) == (
        3,
        2,
        pytest.approx(2 / 60, rel=0.06),
    )
    default = search["at"]["default"]
    assert default["found_by_length_px"] == {
        "6-10": {"found": 0, "of": 0},
        "10-16": {"found": 0, "of": 1},
        "16-32": {"found": 1, "of": 1},
        "32 and over": {"found": 1, "of": 1},
    }
    assert default["found_by_length_px_of_those_that_stand_out"]["10-16"] == {"found": 0, "of": 0}
    assert default["false_per_minute"] == pytest.approx(1 / search["minutes"])
    # Of the scores 0.95, 0.83 and 0.75 the middle one is false: one larva before it, two with it.
    assert [p["larvae_found"] for p in search["curve"]] == [1, 2]
    assert [p["false_per_minute"] for p in search["curve"]] == [0, pytest.approx(1 / search["minutes"])]
    strict = search["at"]["at 1 false a minute"]
    assert strict["false_per_minute"] == 0 and strict["found_by_length_px"]["16-32"]["found"] == 0
    assert sum(row["count"] for row in search["calibration"]["table"]) == 3
    assert search["outline_iou_median"] > 0.7 and search["length_error_median_percent"] < 15
    assert search["feeding"] == {
        "true_candidates": 0,
        "false_candidates": 0,
        "chewed_leaves_found": 0,
        "chewed_leaves": 0,
    }
    # One frame every two seconds is one frame of this clip.
    assert (frames["pictures"], frames["larvae"], frames["larvae_that_stand_out"]) == (1, 3, 2)
    assert frames["recall_by_length_px"]["16-32"] == {"found": 1, "of": 1}
    assert frames["false_per_picture"] == 1.0
    assert [point["recall"] for point in frames["froc"]] == pytest.approx([1 / 3, 1 / 3, 2 / 3])
    # Precision 1 up to a third of the larvae, 2/3 up to two thirds, then none: 34, 33 and 34 of 101 recalls.
    assert frames["average_precision"] == pytest.approx((34 + 33 * 2 / 3) / 101)
    detection = figures["detection"]
    assert (detection["larvae"], detection["looks"], detection["found"]) == (3, 12, 8)
    assert "Larvae found in 0.0 minutes of clips: 3 larvae, of which 2 stand out" in out


def test_what_was_measured_is_kept_with_the_weights(
    three: Path, tmp_path: Path, evaluate: Callable[..., tuple[int, str, str]], dark: None
) -> None:
    """With --keep the card holds the curve and the counts; tables and plots are written where asked."""
    for path in (DEFAULT_WEIGHTS, find_card_path(DEFAULT_WEIGHTS)):
        shutil.copy(path, tmp_path / path.name)
    weights = tmp_path / DEFAULT_WEIGHTS.name
    before = read_card(find_card_path(weights))
    options = ("--weights", weights, "--keep", "--table", tmp_path / "t.md", "--plots", tmp_path / "plots")
    code, _, err = evaluate(three, *options)
    assert code == 0, err
    card = read_card(find_card_path(weights))
    assert card.detection is not None and card.detection.found == 8
    assert find_chance(card.detection, 40, 0.6) > 0.8 > 0.2 > find_chance(card.detection, 12, 0.6)
    assert card.numbers["evaluation"]["search"]["larvae"] == 3
    assert {name: card.numbers[name] for name in before.numbers if name != "evaluation"} == {
        name: value for name, value in before.numbers.items() if name != "evaluation"
    }
    assert "| – that stand out |" in (tmp_path / "t.md").read_text(encoding="utf-8")
    assert len(list((tmp_path / "plots").iterdir())) == 8
    assert not list(tmp_path.rglob("*.part"))


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A really drawn clip of 1.5 seconds, small, with truth."""
    path = tmp_path_factory.mktemp("drawn") / "drawn.mp4"
    larvae = replace(WALK_UNDER.larvae, count=(6, 6), length_px=(14.0, 60.0), hidden_share=0.0)
    settings = replace(
        fit_frame(WALK_UNDER, size_px=(360, 640)), duration_s=1.5, frame_rate_hz=10.0, larvae=larvae
    )
    write_clip(path, settings, rng=np.random.default_rng(700_900))
    return path


def count_by_hand(path: Path) -> tuple[set[str], int]:
    """Search with the real scorer and count by the written rule, anew: larvae found by default, and false candidates."""
    settings = SearchSettings()
    truth = read_truth(find_truth_path(path))
    marks = {frame.index: frame.larvae for frame in truth.frames}
    counted = {
        larva.larva_id
        for larva in truth.larvae
        if sum(m.visible >= 0.5 for f in truth.frames for m in f.larvae if m.larva_id == larva.larva_id)
        >= truth.frame_rate_hz
    }
    found, false = set(), 0
    low = replace(settings, silhouette_score=LOWEST_SCORE)
    for candidate in search_clip(open_clip(path), low, scorer=load_network_scorer()).candidates:
        if candidate.kind != "silhouette" or candidate.score < settings.silhouette_score:
            continue
        hits: dict[str, int] = {}
        for view in candidate.views:
            row, column = (view.box[0] + view.box[2] - 1) / 2, (view.box[1] + view.box[3] - 1) / 2
            for m in marks[view.frame_index]:
                away = np.hypot((m.box[0] + m.box[2] - 1) / 2 - row, (m.box[1] + m.box[3] - 1) / 2 - column)
                if away <= max(6, m.length_px / 2):
                    hits[m.larva_id] = hits.get(m.larva_id, 0) + 1
        best = max(hits, key=lambda name: hits[name], default=None)
        if best is None or hits[best] < len(candidate.views) / 2:
            false += 1
        elif best in counted:
            found.add(best)
    return found, false


def test_a_drawn_clip_is_measured_with_the_real_scorer(
    drawn: Path, tmp_path: Path, evaluate: Callable[..., tuple[int, str, str]]
) -> None:
    """A folder with one drawn clip and the weights that come with the project: as counted anew, every class adding up."""
    code, _, err = evaluate(drawn.parent, "--json", tmp_path / "f.json")
    assert code == 0, err
    figures = read_strictly(tmp_path / "f.json")
    search = figures["search"]
    found, false = count_by_hand(drawn)
    assert figures["scorer"] == load_network_scorer().name
    assert (search["by_clip"][0]["larvae_found"], search["by_clip"][0]["false_silhouettes"]) == (
        len(found),
        false,
    )
    assert search["larvae"] > 0
    assert len(search["at"]["default"]["found_by_length_px"]) == len(LENGTH_CLASSES_PX)
    in_classes = sum(count["of"] for count in search["at"]["default"]["found_by_length_px"].values())
    assert in_classes == search["larvae"] >= search["larvae_that_stand_out"]
    assert "detection" in figures and {"search", "hand-made"} <= figures["frames"].keys()


def test_photographs_and_leaflets_are_measured_alone(
    tmp_path: Path, evaluate: Callable[..., tuple[int, str, str]], dark: None
) -> None:
    """Without clips: a picture with three dark things has three false silhouettes, and an unharmed leaflet no error."""
    photos, scans = tmp_path / "photos", tmp_path / "scans"
    photos.mkdir()
    cv2.imwrite(str(photos / "leaf.png"), cv2.cvtColor(paint(0), cv2.COLOR_RGB2BGR))
    cv2.imwrite(str(photos / "sky.png"), np.full((90, 120, 3), 220, np.uint8))
    leaf = np.zeros((300, 300), np.uint8)
    cv2.ellipse(leaf, ((150, 150), (120, 240), 0), 255, -1)
    for name, picture in (
        ("rgb/leaflet1.jpg", np.where(leaf[..., None] > 0, (60, 140, 70), (250, 250, 250)).astype(np.uint8)),
        ("leaf_mask/leaflet1.png", leaf),
        ("damage_mask/leaflet1.png", np.zeros_like(leaf)),
    ):
        (scans / name).parent.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(scans / name), picture)
    code, out, err = evaluate(
        "--draw",
        0,
        "--photos",
        photos,
        "--leaflets",
        scans,
        "--json",
        tmp_path / "f.json",
        "--folder",
        tmp_path / "e",
    )
    assert code == 0, err
    figures = read_strictly(tmp_path / "f.json")
    assert figures["photographs"]["by_picture"] == {"leaf.png": 3, "sky.png": 0}
    assert figures["photographs"]["false_silhouettes_per_picture"] == 1.5
    assert figures["leaflets"]["leaves"] == 1 and figures["leaflets"]["mean_absolute_error_points"] < 0.3
    assert "search" not in figures and "False silhouettes a picture" in out


def test_bad_input_is_one_line_and_leaves_nothing(
    three: Path, tmp_path: Path, evaluate: Callable[..., tuple[int, str, str]], dark: None
) -> None:
    """Each fault: exit code 2, one line with what, expected, found and what to do, before anything is searched or written."""
    (empty := tmp_path / "empty").mkdir()
    alone = tmp_path / "alone.mp4"
    shutil.copy(three, alone)
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(b"no clip")
    shutil.copy(find_truth_path(three), find_truth_path(broken))
    half = tmp_path / "half.mp4"
    shutil.copy(three, half)
    find_truth_path(half).write_text(find_truth_path(three).read_text()[:500])
    taken = tmp_path / "taken"
    taken.mkdir()
    before = sorted(tmp_path.rglob("*"))
    for arguments, words in (
        ((alone,), "alone.truth.json"),
        ((empty,), "found no clip"),
        ((tmp_path / "nowhere.mp4",), "nowhere.mp4"),
        ((broken,), "broken.mp4"),
        ((half,), "half.truth.json"),
        ((three, "--json", taken), "found a folder"),
        ((three, "--json", tmp_path / "no" / "f.json"), "no folder to write in"),
        ((three, "--table", taken), "--table"),
        ((three, "--plots", alone), "found a file"),
        ((three, "--photos", empty), "JPEG or PNG"),
        ((three, "--leaflets", empty), "rgb/leafletN.jpg"),
        (("--draw", 0, "--keep"), "expected clips"),
        (("--draw", 1, "--folder", alone), "--folder"),
    ):
        code, out, err = evaluate(*arguments)
        lines = [line for line in err.splitlines() if line.strip()]
        assert code == 2 and out == "", arguments
        assert len(lines) == 1 and lines[0].startswith("leafshade: "), err
        assert words in lines[0] and "expected" in lines[0] and "found" in lines[0] and ";" in lines[0], lines
        assert sorted(tmp_path.rglob("*")) == before, arguments


def test_the_help_says_the_number_of_clips_that_are_drawn() -> None:
    """It is written twice, so that help stays instant, and is the same both times."""
    assert held_out.DEFAULT_CLIPS == evaluate_command.DEFAULT_CLIPS >= 60


def test_a_curve_that_cannot_be_fitted_is_not_kept(
    three: Path,
    tmp_path: Path,
    evaluate: Callable[..., tuple[int, str, str]],
    dark: None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where no larva is found in any frame, the figures say why there is no curve, and --keep leaves the card as it was."""
    monkeypatch.setattr(DarkScorer, "find", lambda self, lit, *, with_feeding=True: [])
    for path in (DEFAULT_WEIGHTS, find_card_path(DEFAULT_WEIGHTS)):
        shutil.copy(path, tmp_path / path.name)
    weights = tmp_path / DEFAULT_WEIGHTS.name
    before = find_card_path(weights).read_bytes()
    code, out, err = evaluate(three, "--weights", weights, "--keep", "--json", tmp_path / "f.json")
    assert code == 2 and "nothing was written into the card" in err
    assert find_card_path(weights).read_bytes() == before
    figures = read_strictly(tmp_path / "f.json")
    assert figures["detection"] is None and "both found and missed" in figures["detection_missing"]
    assert "No curve by length and sharpness" in out

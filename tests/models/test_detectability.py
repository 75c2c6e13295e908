"""The chance to find a larva is recovered from simulated looks, rises with length and sharpness, and survives in the card."""

import json
import shutil
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from models.cards import (
    DEFAULT_WEIGHTS,
    ClipChance,
    DetectionCurve,
    WeightsError,
    find_card_path,
    keep_measured,
    read_card,
)
from models.detectability import (
    PIXEL_BLUR_PX,
    Look,
    Showing,
    find_chance,
    find_clip_chance,
    fit_clip_chance,
    fit_detection,
)
from models.errors import ModelsError

TRUE = DetectionCurve(
    length=1.8,
    blur=-1.3,
    both=0.2,
    offset=0.4,
    ceiling=0.9,
    most_length_px=80.0,
    most_sharpness=0.8,
    follow_score=0.05,
    larvae=0,
    looks=0,
    found=0,
    explained=0.0,
    expected_error=0.0,
    table=(),
)


def simulate_looks(count: int, rng: np.random.Generator, curve: DetectionCurve = TRUE) -> list[Look]:
    lengths = 6 * (80 / 6) ** rng.random(count)
    sharpness = rng.uniform(0.2, 0.8, count)
    drawn = rng.random(count)
    return [
        Look(f"clip {n // 10}", float(length), float(sharp), bool(u < find_chance(curve, length, sharp)))
        for n, (length, sharp, u) in enumerate(zip(lengths, sharpness, drawn, strict=True))
    ]


@pytest.fixture(scope="module")
def fitted() -> DetectionCurve:
    return fit_detection(simulate_looks(20_000, np.random.default_rng(5)), follow_score=0.05)


def test_known_weights_are_recovered(fitted: DetectionCurve) -> None:
    """From 20,000 simulated looks every weight comes back within 0.15 and every chance within 0.02."""
    for name in ("length", "blur", "both", "offset"):
        assert getattr(fitted, name) == pytest.approx(getattr(TRUE, name), abs=0.15), name
    assert fitted.ceiling == pytest.approx(0.9, abs=0.01)
    for length_px in (6, 9, 14, 25, 60):
        for sharpness in (0.25, 0.5, 0.75):
            truth = find_chance(TRUE, length_px, sharpness)
            assert find_chance(fitted, length_px, sharpness) == pytest.approx(truth, abs=0.02)
    assert 0.2 < fitted.explained < 0.6 and fitted.expected_error < 0.02


def test_the_formula_is_as_written() -> None:
    """At 16 px and a blur that makes 1 px with the pixel's own, the chance is the ceiling times the squashed offset."""
    sharpness = 1 / (1 + (1 - PIXEL_BLUR_PX**2) ** 0.5)
    assert find_chance(TRUE, 16, sharpness) == pytest.approx(0.9 / (1 + np.exp(-0.4)))


def test_counts_stand_beside_the_curve(fitted: DetectionCurve) -> None:
    """The table holds every look once, and what the curve expects adds up to what was found."""
    assert sum(row.of for row in fitted.table) == fitted.looks == 20_000
    assert sum(row.found for row in fitted.table) == fitted.found
    assert sum(row.expected for row in fitted.table) == pytest.approx(fitted.found, rel=0.01)
    assert fitted.larvae == 2000 and len(fitted.table) == 12
    assert fitted.table[-1].length_px == (32.0, None)


@pytest.mark.parametrize("seed", range(8))
def test_longer_and_sharper_is_never_less_likely(seed: int) -> None:
    """Also from 40 looks of pure chance, where a free fit would fall with length, at any length and sharpness."""
    rng = np.random.default_rng(seed)
    looks = [replace(look, is_found=bool(rng.random() < 0.5)) for look in simulate_looks(40, rng)]
    curve = fit_detection(looks, follow_score=0.05)
    lengths, levels = (3, 5, 8, 13, 21, 34, 55, 89, 144), (0.01, 0.1, 0.25, 0.5, 0.75, 1.0)
    chances = np.array([[find_chance(curve, px, level) for level in levels] for px in lengths])
    assert (np.diff(chances, axis=0) >= -1e-6).all()
    assert (np.diff(chances, axis=1) >= -1e-6).all()


def test_looks_that_agree_teach_no_chance() -> None:
    """All found, none found and no look at all are refused in words."""
    found = [Look("A", 20.0, 0.5, True)] * 5
    for looks in (found, [replace(look, is_found=False) for look in found], []):
        with pytest.raises(ModelsError, match="both found and missed"):
            fit_detection(looks, follow_score=0.05)
        with pytest.raises(ModelsError, match="both found and missed"):
            fit_clip_chance(
                TRUE, [Showing(20.0, 0.5, 9, look.is_found) for look in looks], silhouette_score=0.5
            )


def test_the_chance_of_a_clip_is_recovered() -> None:
    """Simulated larvae give back the chance of whole clips; more looks never lessen it, and no look finds nothing."""
    truth = replace(TRUE, clip=ClipChance(0.8, 0.6, 0.3, 0, 0, 0.5))
    rng = np.random.default_rng(2)
    showings = []
    for look in simulate_looks(5000, rng):
        looks = int(rng.integers(1, 17))
        chance = find_clip_chance(truth, look.length_px, look.sharpness, looks=looks)
        showings.append(Showing(look.length_px, look.sharpness, looks, bool(rng.random() < chance)))
    fitted = fit_clip_chance(TRUE, showings, silhouette_score=0.5)
    for looks in (1, 4, 16):
        expected = find_clip_chance(truth, 14, 0.5, looks=looks)
        assert find_clip_chance(fitted, 14, 0.5, looks=looks) == pytest.approx(expected, abs=0.03)
    chances = [find_clip_chance(fitted, 14, 0.5, looks=looks) for looks in range(17)]
    assert chances[0] == 0 and (np.diff(chances) >= 0).all()
    with pytest.raises(ModelsError, match="whole clips"):
        find_clip_chance(TRUE, 14, 0.5, looks=3)


def copy_weights(folder: Path) -> Path:
    for path in (DEFAULT_WEIGHTS, find_card_path(DEFAULT_WEIGHTS)):
        shutil.copy(path, folder / path.name)
    return folder / DEFAULT_WEIGHTS.name


def test_the_curve_is_kept_in_the_card(tmp_path: Path, fitted: DetectionCurve) -> None:
    """What was measured comes back as written, beside what the card said before; no draft is left."""
    weights = copy_weights(tmp_path)
    before = read_card(find_card_path(weights))
    curve = replace(fitted, clip=ClipChance(0.8, 0.6, 0.3, 80, 60, 0.5))
    kept = keep_measured(weights, numbers={"evaluation": {"clips": 3}}, detection=curve)
    assert kept.detection == curve
    assert kept.numbers == {**before.numbers, "evaluation": {"clips": 3}}
    assert replace(kept, numbers=before.numbers, detection=before.detection) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["leafshade.json", "leafshade.pt"]


def test_a_card_from_before_is_read(tmp_path: Path) -> None:
    """A card without the field has no curve; one whose curve is broken is refused in words."""
    card_path = find_card_path(copy_weights(tmp_path))
    body = json.loads(card_path.read_text())
    body.pop("detection", None)
    card_path.write_text(json.dumps(body))
    assert read_card(card_path).detection is None
    broken = {**asdict(TRUE), "ceiling": "high"}
    card_path.write_text(json.dumps({**body, "detection": broken}))
    with pytest.raises(WeightsError, match="incomplete"):
        read_card(card_path)


def test_what_belongs_to_other_weights_is_not_kept(tmp_path: Path) -> None:
    """Numbers measured with weights that are not the card's are refused, and the card stays as it was."""
    weights = copy_weights(tmp_path)
    before = find_card_path(weights).read_bytes()
    weights.write_bytes(b"other")
    with pytest.raises(WeightsError, match="written for"):
        keep_measured(weights, numbers={}, detection=None)
    assert find_card_path(weights).read_bytes() == before

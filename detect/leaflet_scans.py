"""How well the missing area of single leaves is measured: scanned leaflets with masks of the whole leaf and of what is gone.

A folder of scans holds `rgb/NAME.jpg`, `leaf_mask/NAME.png` (white where the leaf was before it was eaten) and
`damage_mask/NAME.png` (white where tissue is missing); names are `leafletN`. What is measured is the colour photo; the truth is
the share of the leaf mask that the damage mask covers, specks under 20 px left out.
"""

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from detect.errors import DetectError
from detect.leaf_damage import mask_leaf, measure_leaf

LEAST_TRUE_PART_PX = 20
"""Smaller specks at the base of a leaf are often no damage: the masks were made half by hand."""

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class MeasuredLeaf:
    """One leaf: its name, true and measured missing share in per cent, and the time it took."""

    name: str
    true_percent: float
    found_percent: float
    took_s: float

    @property
    def error(self) -> float:
        """Measured less true, in points."""
        return self.found_percent - self.true_percent


@dataclass(frozen=True, slots=True)
class AreaErrors:
    """Errors of several leaves in points: mean absolute, mean signed, root mean square; and the middle time in ms."""

    count: int
    mean_absolute: float
    bias: float
    root_mean_square: float
    middle_ms: float


def list_leaflets(folder: Path) -> list[str]:
    """Return the names of the scans in a folder, by number.

    Raises
    ------
    DetectError
        Where the folder holds no scan.
    """
    names = [path.stem for path in (folder / "rgb").glob("leaflet*.jpg") if _find_number(path.stem) >= 0]
    if not names:
        raise DetectError(
            f"{folder}: expected scanned leaflets as rgb/leafletN.jpg with leaf_mask/ and damage_mask/ beside, found none; "
            "give the folder that holds these three"
        )
    return sorted(names, key=_find_number)


def measure_leaflets(folder: Path, names: Sequence[str]) -> Iterator[MeasuredLeaf]:
    """Measure leaflets from their photos, one by one.

    Raises
    ------
    DetectError
        Where a photo or mask is missing or cannot be read.
    """
    for name in names:
        rgb = cv2.cvtColor(_read(folder / "rgb" / f"{name}.jpg", cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
        leaf = read_mask(folder / "leaf_mask" / f"{name}.png")
        damage = _drop_specks(read_mask(folder / "damage_mask" / f"{name}.png"))
        true_percent = 100 * np.count_nonzero(damage & leaf) / max(1, np.count_nonzero(leaf))
        start = time.perf_counter()
        found = measure_leaf(mask_leaf(np.asarray(rgb, np.uint8)))
        yield MeasuredLeaf(name, float(true_percent), found.missing_percent, time.perf_counter() - start)


def summarise_leaves(measured: Sequence[MeasuredLeaf]) -> AreaErrors:
    """Return the errors of several leaves together."""
    errors = np.array([leaf.error for leaf in measured])
    return AreaErrors(
        count=len(errors),
        mean_absolute=float(np.abs(errors).mean()),
        bias=float(errors.mean()),
        root_mean_square=float(np.sqrt((errors**2).mean())),
        middle_ms=1000 * float(np.median([leaf.took_s for leaf in measured])),
    )


def read_mask(path: Path) -> Mask:
    """Return a mask picture as bool (rows, columns), True where it is white."""
    return np.asarray(_read(path, cv2.IMREAD_GRAYSCALE) > 127)


def _read(path: Path, flags: int) -> NDArray[np.uint8]:
    picture = cv2.imread(str(path), flags) if path.is_file() else None
    if picture is None:
        raise DetectError(
            f"{path}: expected a picture of a scanned leaflet, found {'no picture' if path.exists() else 'no file'}; "
            "copy the folder of scans again"
        )
    return np.asarray(picture, np.uint8)


def _find_number(name: str) -> int:
    """Return N of "leafletN", -1 for another name."""
    number = name.removeprefix("leaflet")
    return int(number) if number.isdecimal() else -1


def _drop_specks(damage: Mask) -> Mask:
    _, labels, stats, _ = cv2.connectedComponentsWithStats(damage.astype(np.uint8), connectivity=8)
    return np.asarray(np.r_[False, stats[1:, cv2.CC_STAT_AREA] >= LEAST_TRUE_PART_PX][labels])

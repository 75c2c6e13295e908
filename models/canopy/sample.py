"""The sample that comes with the project: a clip and pictures of Otterholt Wood, an invented copse, and its list of trees.

Drawn from fixed seeds, so that it can be drawn again. The position is invented and lies in the open North Sea. This
file holds what is drawn; `leafshade draw --sample FOLDER` writes it.
"""

import csv
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np

from models.canopy.clip import film, list_larvae, prepare_filming
from models.canopy.presets import SAMPLE
from models.canopy.truth import Truth, find_truth_path, write_truth
from models.canopy.write import EncodingSettings, write_clip
from models.whole_files import drafted, write_whole

CLIP_NAME = "otterholt-ot03.mp4"
CLIP_SEED = 54
"""The first from 50 on with every larva clear to see: three quarters of what lies about it is brighter. Chosen by the truth
alone, not by what a search makes of it."""

CLIP_TREE = "OT03"
RECORDED_AT = datetime(2026, 5, 17, 11, 42, tzinfo=UTC)
ENCODING = EncodingSettings(mbit_s=2.6, preset="slow")
"""A tenth of a phone's bit rate, since the clip travels with the project."""

PICTURE_SEEDS = {
    "otterholt-ot05-1.jpg": ("OT05", 11),
    "otterholt-ot05-2.jpg": ("OT05", 12),
    "otterholt-ot08-1.jpg": ("OT08", 13),
}
PICTURE_QUALITY = 76

TREES_NAME = "otterholt-trees.csv"
TREES_HEADER = (
    "site",
    "code",
    "host_taxon",
    "latitude_deg",
    "longitude_deg",
    "accuracy_m",
    "height_m",
    "notes",
    "cautions",
)
SITE_NAME = "Otterholt Wood"
POSITION_DEG = (55.8000, 3.2000)
"""Open North Sea, so that nobody's wood is meant."""


@dataclass(frozen=True, slots=True)
class SampleTree:
    """One invented tree: place in metres north and east of the first one."""

    code: str
    host_taxon: str
    north_m: float
    east_m: float
    accuracy_m: float
    height_m: float
    notes: str = ""
    cautions: str = ""


ASPEN_NAME, SALLOW_NAME, GREY_NAME = "Populus tremula", "Salix caprea", "Salix cinerea"
TREES = (
    SampleTree("OT01", ASPEN_NAME, 0, 0, 4, 9.5, "by the gate"),
    SampleTree("OT02", SALLOW_NAME, 14, 22, 4, 5.0),
    SampleTree("OT03", SALLOW_NAME, 31, 40, 3, 6.5, "low branches over the ride"),
    SampleTree("OT04", SALLOW_NAME, 38, 61, 5, 6.0),
    SampleTree("OT05", ASPEN_NAME, 66, 58, 4, 11.0, "suckers on the north side"),
    SampleTree("OT06", GREY_NAME, 71, 95, 6, 4.0, "", "wet ground"),
    SampleTree("OT07", SALLOW_NAME, 90, 102, 4, 7.5),
    SampleTree("OT08", ASPEN_NAME, 118, 99, 5, 13.0, "twin stem"),
    SampleTree("OT09", ASPEN_NAME, 131, 126, 5, 12.0, "", "dead limb above"),
    SampleTree("OT10", SALLOW_NAME, 140, 160, 4, 5.5),
    SampleTree("OT11", GREY_NAME, 163, 171, 8, 3.5, "position by pacing"),
    SampleTree("OT12", SALLOW_NAME, 177, 205, 4, 6.0, "last before the fence"),
)
METRES_PER_DEGREE = 111_320.0
INVENTED = "position invented (open sea)"


def draw_sample(folder: Path) -> list[Path]:
    """Write the sample into an existing folder and return what was written."""
    clip = folder / CLIP_NAME
    write_clip(
        clip,
        SAMPLE,
        rng=np.random.default_rng(CLIP_SEED),
        encoding=ENCODING,
        tree=CLIP_TREE,
        recorded_at=RECORDED_AT,
    )
    written = [clip, find_truth_path(clip)]
    for name, (tree, seed) in PICTURE_SEEDS.items():
        written += draw_still(folder / name, seed=seed, tree=tree)
    written.append(list_trees(folder / TREES_NAME))
    return written


def draw_still(path: Path, *, seed: int, tree: str) -> list[Path]:
    """Draw one JPEG of the sample with its truth."""
    rng = np.random.default_rng(seed)
    filming = prepare_filming(replace(SAMPLE, duration_s=1 / SAMPLE.frame_rate_hz), rng)
    frame, truth = next(film(filming, rng))
    bgr = cv2.cvtColor(frame, cv2.COLOR_RGB2BGR)
    _, packed = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, PICTURE_QUALITY])
    write_whole(path, packed.tobytes())
    beside = find_truth_path(path)
    size = (frame.shape[0], frame.shape[1])
    write_truth(beside, Truth(path.name, size, 0.0, tree, list_larvae(filming.scene), (truth,)))
    return [path, beside]


def list_trees(path: Path) -> Path:
    """Write the list of trees as CSV."""
    latitude, longitude = POSITION_DEG
    shrink = float(np.cos(np.deg2rad(latitude)))
    with drafted(path) as draft, draft.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(TREES_HEADER)
        for tree in TREES:
            north = latitude + tree.north_m / METRES_PER_DEGREE
            east = longitude + tree.east_m / (METRES_PER_DEGREE * shrink)
            notes = "; ".join(part for part in (tree.notes, INVENTED) if part)
            place = (f"{north:.5f}", f"{east:.5f}", f"{tree.accuracy_m:g}", f"{tree.height_m:g}")
            writer.writerow((SITE_NAME, tree.code, tree.host_taxon, *place, notes, tree.cautions))
    return path

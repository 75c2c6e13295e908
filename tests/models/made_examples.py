"""Examples for the tests of what learns, made and on disk."""

from pathlib import Path

import numpy as np

from models.canopy.truth import FrameTruth, LarvaTruth, Truth, find_truth_path, write_truth
from models.examples import Example, LayingSettings, lay_larvae, save_picture

LARGE = LayingSettings(count=(5, 7), length_px=(20, 40), body_light=(0.02, 0.05), larva_share=0.8)
NONE = LayingSettings(count=(0, 0))


def make_leaf(seed: int, settings: LayingSettings = LARGE, *, side: int = 256) -> Example:
    """One lit leaf that fills the picture, with drawn larvae laid on it."""
    rng = np.random.default_rng(seed)
    leaf = np.array([90, 175, 50]) + rng.normal(0, 4, (side, side, 3))
    empty = Example("leaf", np.clip(leaf, 0, 255).astype(np.uint8), FrameTruth(0, 0.0, (), ()))
    return lay_larvae(empty, settings, rng)


def write_example(folder: Path, number: int, example: Example) -> None:
    """Write a picture with its truth beside it into a folder."""
    path = folder / f"leaf-{number:02d}.jpg"
    save_picture(path, example.rgb, quality=95)
    known = tuple(
        LarvaTruth(mark.larva_id, "L4", 20.0, "healthy", "on-midrib") for mark in example.truth.larvae
    )
    size_px = (example.rgb.shape[0], example.rgb.shape[1])
    write_truth(find_truth_path(path), Truth(path.name, size_px, 0.0, "", known, (example.truth,)))

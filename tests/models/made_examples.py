"""Examples on disk for the tests of what learns."""

from pathlib import Path

from models.canopy.truth import LarvaTruth, Truth, find_truth_path, write_truth
from models.examples import Example, save_picture


def write_example(folder: Path, number: int, example: Example) -> None:
    """Write a picture with its truth beside it into a folder."""
    path = folder / f"leaf-{number:02d}.jpg"
    save_picture(path, example.rgb, quality=95)
    known = tuple(
        LarvaTruth(mark.larva_id, "L4", 20.0, "healthy", "on-midrib") for mark in example.truth.larvae
    )
    size_px = (example.rgb.shape[0], example.rgb.shape[1])
    write_truth(find_truth_path(path), Truth(path.name, size_px, 0.0, "", known, (example.truth,)))

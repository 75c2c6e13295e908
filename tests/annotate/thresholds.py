"""Logbooks of tests that offer more than is usual, so that no test hangs on how sure the shipped weights happen to be."""

import re
from pathlib import Path

from annotate.logbook.settings import SETTINGS_NAME


def lower_threshold(folder: Path, *, silhouette_score: float = 0.3) -> None:
    """Have a new logbook offer silhouettes from so low a score on."""
    settings = folder / SETTINGS_NAME
    asked = f"silhouette_score = {silhouette_score}"
    text, changes = re.subn(r"# silhouette_score = [\d.]+", asked, settings.read_text(encoding="utf-8"))
    assert changes == 1
    settings.write_text(text, encoding="utf-8")

"""What an evaluation compares the search with: the generic deep detector where it is there, and a line that says why not."""

from functools import partial
from io import StringIO

import numpy as np
from rich.console import Console

from annotate.commands.evaluate import _load_generic
from models.generic import HEAD, NAME, build_detector, load_detector
from models.head_cards import save_head


def test_without_weights_one_line_says_why(tmp_path, monkeypatch):
    """Where the head's weights are not there, no finder is added and the reason is one line."""
    monkeypatch.setattr("models.generic.load_detector", partial(load_detector, tmp_path / "none.pt"))
    console = Console(width=80, file=StringIO())
    assert _load_generic(console) == {}
    (line,) = console.file.getvalue().splitlines()
    assert line.startswith(f"{NAME} is left out: ") and "none.json: cannot be read" in line


def test_with_weights_it_is_one_of_the_finders(tmp_path, monkeypatch):
    """Where the head's weights are there, the detector is named and offers places in a picture."""
    path = tmp_path / "head.pt"
    save_head(path, HEAD, build_detector(seed=0).head, data={}, numbers={})
    monkeypatch.setattr("models.generic.load_detector", partial(load_detector, path))
    ((name, find),) = _load_generic(Console(quiet=True)).items()
    assert name == NAME
    rgb = np.random.default_rng(0).integers(0, 255, (96, 128, 3), dtype=np.uint8)
    found = find(rgb)
    assert found and all(0 < place.score < 1 for place in found)

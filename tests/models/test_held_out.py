"""Clips for evaluation are drawn once by several processes, the same whatever their number, and never taken half written."""

import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from models.canopy.held_out import FIRST_SEED, HELD_OUT, draw_held_out, find_missing, list_held_out
from models.canopy.presets import fit_frame
from models.canopy.truth import find_truth_path, read_truth
from models.errors import ModelsError

SMALL = replace(fit_frame(HELD_OUT, size_px=(180, 320)), duration_s=0.2, frame_rate_hz=10.0)


def test_clips_are_drawn_once_and_the_same(tmp_path: Path) -> None:
    """Two processes draw what one draws; what is there is not drawn again; a clip without its truth is."""
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    paths = list_held_out(tmp_path / "two", 2)
    assert [path.name for path in paths] == [f"held-out-{FIRST_SEED}.mp4", f"held-out-{FIRST_SEED + 1}.mp4"]
    assert find_missing(paths) == paths
    assert sorted(draw_held_out(paths, workers=2, settings=SMALL)) == paths
    assert find_missing(paths) == []
    alone = list_held_out(tmp_path / "one", 2)
    assert list(draw_held_out(alone[1:], workers=1, settings=SMALL)) == alone[1:]
    for one, two in ((alone[1], paths[1]), (find_truth_path(alone[1]), find_truth_path(paths[1]))):
        assert one.read_bytes() == two.read_bytes()
    assert len(read_truth(find_truth_path(paths[0])).frames) == 2
    find_truth_path(paths[0]).unlink()
    paths[1].with_name(paths[1].name + ".part").write_bytes(b"half")
    assert find_missing(paths) == paths[:1]


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    """What cannot be written is one error in words, not a trace from another process."""
    with pytest.raises(ModelsError, match="drawn clips, found"):
        list(draw_held_out(list_held_out(tmp_path / "nowhere", 1), workers=1, settings=SMALL))


DRAWING = """
import sys
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

from models.canopy.held_out import HELD_OUT, draw_held_out, list_held_out
from models.canopy.presets import fit_frame

if __name__ == "__main__":
    long = replace(fit_frame(HELD_OUT, size_px=(180, 320)), duration_s=600.0)
    list(draw_held_out(list_held_out(Path(sys.argv[1]), 2), workers=2, settings=long))
"""


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="processes are listed in /proc")
def test_drawing_processes_end_with_the_one_that_began_them(tmp_path: Path) -> None:
    """Under SIGKILL no worker stays behind, at work or waiting, and no clip is taken for whole."""
    script = tmp_path / "draw.py"
    script.write_text(DRAWING, encoding="utf-8")
    drawing = subprocess.Popen(
        [sys.executable, str(script), str(tmp_path)], env=os.environ | {"PYTHONPATH": ROOT}
    )
    workers = wait_for(
        lambda: len(found := list_workers(drawing.pid)) == 2 and list(tmp_path.glob("*.part*")) and found
    )
    drawing.kill()
    drawing.wait()
    try:
        wait_for(lambda: not any(is_running(pid) for pid in workers) or None)
    finally:
        for pid in filter(is_running, workers):
            os.kill(pid, signal.SIGKILL)
    assert len(find_missing(list_held_out(tmp_path, 2))) == 2


ROOT = str(Path(__file__).parents[2])


def wait_for(ask):
    """Return what `ask` gives as soon as it gives something; a minute of patience."""
    latest = time.monotonic() + 60
    while time.monotonic() < latest:
        answer = ask()
        if answer:
            return answer
        time.sleep(0.05)
    raise AssertionError("it never came about")


def list_workers(parent: int) -> list[int]:
    """Return the drawing processes that a process began."""
    children = Path(f"/proc/{parent}/task/{parent}/children").read_text(encoding="ascii").split()
    return [int(pid) for pid in children if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]


def is_running(pid: int) -> bool:
    """Tell whether a process is there and no zombie."""
    try:
        return ") Z " not in Path(f"/proc/{pid}/stat").read_text(encoding="utf-8")
    except OSError:
        return False

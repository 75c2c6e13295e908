"""The SDK for label servers brings a second OpenCV into the same folder: `cv2` goes on working, whichever was installed first."""

import os
import subprocess
import sys
import venv
from importlib.metadata import requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parent.parent
SDK = "label-studio-sdk"
SHARED = {"numpy", "opencv-python", "opencv-python-headless"}
"""What both sides pin and what lies in one folder; the rest of the SDK touches neither and is in the main environment."""

INSTALL_S = 600

TRY = """
import sys
from importlib.metadata import version

import cv2
import numpy as np

assert version("opencv-python") == version("opencv-python-headless"), "two OpenCVs of different versions in one folder"
assert cv2.__version__ in version("opencv-python")
picture = np.full((120, 160, 3), 200, np.uint8)
cv2.ellipse(picture, (80, 60), (30, 10), 0, 0, 360, (40, 90, 40), -1)
fine, coded = cv2.imencode(".jpg", cv2.GaussianBlur(picture, (5, 5), 0))
back = cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE)
moved = cv2.warpAffine(back, np.float32([[1, 0, 5], [0, 1, -3]]), (160, 120), borderValue=200)
contours, _ = cv2.findContours((moved < 150).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
(left, top, width, height) = cv2.boundingRect(max(contours, key=cv2.contourArea))
assert fine and abs(left + width / 2 - 85) < 2 and abs(top + height / 2 - 57) < 2, (left, top, width, height)
clip = cv2.VideoCapture(sys.argv[1])
whole, frame = clip.read()
assert whole and frame.ndim == 3, "the clip could not be read"
print(cv2.__version__, frame.shape)
"""


def list_shared(package: str) -> list[str]:
    """What a package of this environment asks for of the shared ones, as it says it."""
    asked = [Requirement(text) for text in requires(package) or ()]
    return [
        str(one).split(";")[0]
        for one in asked
        if one.name in SHARED and (one.marker is None or one.marker.evaluate({"extra": ""}))
    ]


def run_pip(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pip", *arguments, "--disable-pip-version-check"],
        capture_output=True,
        text=True,
        timeout=INSTALL_S,
    )


@pytest.fixture(scope="module")
def registry(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Skip where nothing can be installed: no pip, or no registry within reach."""
    pytest.importorskip("label_studio_sdk", reason=f"{SDK} is not installed: pip install '.[test]'")
    folder = tmp_path_factory.mktemp("probe")
    tried = run_pip("download", "--quiet", "--no-deps", "--retries", "0", "-d", str(folder), "packaging")
    if tried.returncode:
        pytest.skip(f"no registry to install from: {tried.stderr.strip().splitlines()[-1:]}")


@pytest.mark.slow
@pytest.mark.usefixtures("registry")
@pytest.mark.parametrize("first", ["ours", "theirs"])
def test_cv2_works_in_a_fresh_environment(tmp_path: Path, first: str) -> None:
    """Ours and then the SDK's, or the SDK's and then ours: the pins agree, and cv2 draws, codes and reads a clip."""
    ours, theirs = list_shared("leafshade"), list_shared(SDK)
    assert len(ours) == len(theirs) == 2
    venv.create(tmp_path / "fresh", with_pip=False)
    python = tmp_path / "fresh" / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    for packages in (ours, theirs) if first == "ours" else (theirs, ours):
        done = run_pip("--python", str(python), "install", "--quiet", *packages)
        assert done.returncode == 0, done.stderr
    checked = run_pip("--python", str(python), "check")
    assert checked.returncode == 0, checked.stdout
    clip = ROOT / "sample_frames" / "otterholt-ot03.mp4"
    done = subprocess.run(
        [python, "-I", "-c", TRY, str(clip)], capture_output=True, text=True, timeout=60, cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("4.12.")

"""What is built holds everything the program needs, and nothing that grows on a developer's disk."""

import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
DATA_ENDINGS = {".html", ".css", ".js", ".mp4", ".json", ".csv", ".jpg", ".mako", ".toml", ".pt", ".typed"}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel and the source archive with hatchling alone; nothing is downloaded."""
    folder = tmp_path_factory.mktemp("dist")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-d", str(folder)],
        cwd=ROOT,
        check=True,
        capture_output=True,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    return folder


def list_shipped() -> set[str]:
    """Every file of the packages that git would ship: code and data."""
    found = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "detect", "annotate", "models", "sample_frames"],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split("\n")
    return {name for name in found if name and (ROOT / name).is_file()}


def test_wheel_holds_every_file_of_the_packages(built: Path) -> None:
    """Code, pages, migrations, the sample and the weights are all in the wheel; tests and caches are not."""
    (wheel,) = built.glob("*.whl")
    names = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    assert names == list_shipped()
    assert any(Path(name).suffix in DATA_ENDINGS for name in names)


def test_source_archive_holds_the_packages_and_the_tests(built: Path) -> None:
    """From the source archive everything can be built and tested again."""
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as tar:
        names = {name.split("/", 1)[1] for name in tar.getnames() if "/" in name}
    assert list_shipped() <= names
    assert {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "tests/test_imports.py"} <= names

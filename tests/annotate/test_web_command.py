"""`leafshade review` as it is typed: it says where the page is, serves it, and ends when interrupted."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from annotate.logbook.opening import Logbook
from annotate.logbook.verdicts import give_verdict
from tests.annotate import asking
from tests.annotate.made_pages import RECORDED_AT

COMMAND = [
    sys.executable,
    "-W",
    "error::DeprecationWarning:annotate",
    "-m",
    "annotate.commands",
    "review",
    "--no-browser",
]
PATIENCE_S = 30


def start(*arguments: str, folder: Path) -> subprocess.Popen[str]:
    """Start the command in a folder."""
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    environment.pop("LEAFSHADE_LOGBOOK", None)
    return subprocess.Popen(
        [*COMMAND, *arguments],
        cwd=folder,
        env={**environment, "PYTHONPATH": str(Path(__file__).parents[2])},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_the_page_opens_and_closes(otterholt: Logbook) -> None:
    """Inside a logbook the command prints the address, serves the page under the name given, and Ctrl+C ends it well."""
    inside = otterholt.folder / "evidence"
    with start("--reviewer", "  Jonas   Ried ", "--port", "0", folder=inside) as running:
        assert running.stdout is not None
        first = running.stdout.readline()
        found = re.fullmatch(r"The review of Otterholt is open at (http://127\.0\.0\.1:\d+)/\n", first)
        assert found, first
        page = asking.get(f"{found[1]}/")
        assert page.status_code == 200
        assert 'value="Jonas Ried"' in page.text
        running.send_signal(signal.SIGINT)
        output, errors = running.communicate(timeout=PATIENCE_S)
    assert running.returncode == 0
    assert output.endswith("Closed.\n")
    assert errors == ""


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "expected one here or above"),
        (("--logbook", "nowhere"), "expected a folder with settings.toml and logbook.db; found no folder"),
    ],
)
def test_without_a_logbook_it_says_what_to_do(tmp_path: Path, arguments: tuple[str, ...], said: str) -> None:
    """One line on what was expected and found, exit code 2, and nothing left behind."""
    with start(*arguments, folder=tmp_path) as running:
        output, errors = running.communicate(timeout=PATIENCE_S)
    assert running.returncode == 2
    assert output == ""
    assert errors.count("\n") == 1
    assert said in errors
    assert list(tmp_path.iterdir()) == []


def test_a_host_that_is_none_is_said(otterholt: Logbook) -> None:
    """An address of another computer cannot be served on, and the message says so in one line."""
    with start("--host", "203.0.113.7", "--port", "0", folder=otterholt.folder) as running:
        _, errors = running.communicate(timeout=PATIENCE_S)
    assert running.returncode == 2
    assert "review: expected port 0 on 203.0.113.7" in errors
    assert errors.count("\n") == 1


def test_a_second_reading_opens_where_somebody_else_has_judged(otterholt: Logbook) -> None:
    """Alone it is refused in a sentence; after the verdict of another its pages are served, and only they."""
    for arguments, said in (
        (("--second", "--reviewer", "Tove"), "expected verdicts by somebody else than Tove; found none"),
        (("--dismissed-one-in", "4"), "expected it together with --second; found 4 without"),
    ):
        with start(*arguments, folder=otterholt.folder) as running:
            output, errors = running.communicate(timeout=PATIENCE_S)
        assert running.returncode == 2 and output == ""
        assert said in errors and errors.count("\n") == 1
    give_verdict(otterholt, 1, answer="dismiss", reviewer="Maren", at=RECORDED_AT)
    arguments = ("--second", "--reviewer", "Tove", "--dismissed-one-in", "1", "--port", "0")
    with start(*arguments, folder=otterholt.folder) as running:
        assert running.stdout is not None
        first = running.stdout.readline()
        found = re.fullmatch(
            r"The second reading of Otterholt is open at (http://127\.0\.0\.1:\d+)/\n", first
        )
        assert found, first
        assert "Second reading: 0 of 1 read" in asking.get(f"{found[1]}/").text
        assert asking.get(f"{found[1]}/all").status_code == 404
        running.send_signal(signal.SIGINT)
        running.communicate(timeout=PATIENCE_S)
    assert running.returncode == 0

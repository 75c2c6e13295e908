"""Ctrl-C at any moment of a command ends with one line that says how to go on, and the code that shells expect."""

import signal
import subprocess
import sys

import pytest

STOPPED = "leafshade: stopped; run the same command again to go on\n"

PRESSED = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # tests begun in the background inherit that it is ignored
from annotate.commands import base, main

def press(*_, **__):
    os.kill(os.getpid(), signal.SIGINT)

{where}
sys.argv = ["leafshade", {typed}]
main()
"""
"""Presses Ctrl-C really, at a place of which the test says where it is."""


@pytest.mark.parametrize(
    ("where", "typed"),
    [
        ("base.import_module = press", '"--help"'),
        ("import importlib.metadata; importlib.metadata.version = press", '"--version"'),
        ("import annotate.logbook.opening as room; room.find_logbook = press", '"trees"'),
    ],
    ids=["while commands are loaded", "before a command begins", "within a command"],
)
def test_ctrl_c_is_answered_in_one_line(where: str, typed: str) -> None:
    """However early it is pressed, nothing but the one line is said, and the code is 128 and the signal's number."""
    script = PRESSED.format(where=where, typed=typed)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=600)
    assert (done.returncode, done.stderr, done.stdout) == (128 + signal.SIGINT, STOPPED, "")

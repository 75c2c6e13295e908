"""`leafshade` as typed, run in this process: the same way in and the same border as the program, without starting one.

What only a process can show, a kill, a full disk, bytes that are piped, is tested with the program itself.
"""

import io
import os
import sys
from contextlib import redirect_stderr, redirect_stdout
from unittest.mock import patch

from annotate.commands.base import run

COLUMNS = "200"
"""Width of the terminal: no line of a table is broken."""


def run_typed(*arguments: str) -> tuple[int, str, str]:
    """Run `leafshade` with these words; return its exit code and what it said, on standard output and on standard error."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="") for _ in range(2))
    with (
        patch.object(sys, "argv", ["leafshade", *arguments]),
        patch.dict(os.environ, {"COLUMNS": COLUMNS}),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            code = run()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
    said = []
    for stream in (out, err):
        stream.flush()
        said.append(stream.buffer.getvalue().decode("utf-8"))  # type: ignore[attr-defined]
    return code, said[0], said[1]

"""The command line. It only calls the rooms beside it; nothing imports it, and only here is anything printed.

Each file adds the commands of one part of the work. Heavy imports happen inside the commands, so help is instant.
"""

import sys

from annotate.commands.base import app, run

__all__ = ["app", "main"]


def main() -> None:
    """Run the command line; an error a person can put right becomes one line and exit code 2."""
    sys.exit(run())

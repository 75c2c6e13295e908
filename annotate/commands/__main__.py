"""Lets `python -m annotate.commands` stand for `leafshade`."""

from annotate.commands import main

main()

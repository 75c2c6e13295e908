"""Commands: search."""

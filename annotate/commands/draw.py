"""Commands: draw."""

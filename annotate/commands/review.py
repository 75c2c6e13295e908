"""Commands: review."""

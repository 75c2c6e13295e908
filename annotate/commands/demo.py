"""Commands: demo."""

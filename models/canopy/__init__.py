"""The drawn canopy: pictures and clips of a tree crown seen from below, with known truth."""

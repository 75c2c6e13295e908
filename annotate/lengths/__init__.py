"""From px to mm and stages, and how far a lens reaches."""

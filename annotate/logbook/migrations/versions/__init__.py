"""One file a step, named by its number; a step once shipped is never changed."""

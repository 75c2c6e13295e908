"""Commands for the logbook's records."""

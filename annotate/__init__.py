"""From candidates to records: logbook, review page, season, sharing and the command line."""

"""From a clip to candidates. No database and no web page."""

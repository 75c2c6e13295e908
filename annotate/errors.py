"""The root of the errors this package raises; each message gives four facts: what, expected, found, what to do."""


class AnnotateError(ValueError):
    """Something about a logbook, its records or a command that the person can put right."""

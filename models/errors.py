"""The root of the errors this package raises; each message gives four facts: what, expected, found, what to do."""


class ModelsError(ValueError):
    """Something about pictures, weights or drawing that the caller can put right."""

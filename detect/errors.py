"""The root of the errors this package raises; each message gives four facts: what, expected, found, what to do."""


class DetectError(ValueError):
    """Something about a clip or a search that the caller can put right."""


class ClipError(DetectError):
    """A clip or photo that cannot be read as asked."""

"""The exception family of the imaging room."""


class ImagingError(Exception):
    """A film that cannot be used; the message says what was found, what was expected and what to do."""


class FilmUnreadableError(ImagingError):
    """The bytes are no film, or a damaged one."""


class FilmRefusedError(ImagingError):
    """A readable file that is not a single frontal chest film."""

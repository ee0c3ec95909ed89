"""What can go wrong with the logbook."""


class LogbookError(Exception):
    """The logbook cannot do what was asked; the message says what was found, expected and to do."""


class ConflictError(LogbookError):
    """The entry to be corrected has been corrected already."""

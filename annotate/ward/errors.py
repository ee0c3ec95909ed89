"""What can go wrong in the ward's service."""


class WardError(Exception):
    """Says what was found, what was expected and what to do; never whose film it was."""


class NoRoomError(WardError):
    """A film cannot be taken now; its sender shall keep it and send it again."""


class NotAnObjectError(WardError):
    """What was sent is no DICOM object with its identifier."""


class ChangedMeanwhileError(WardError):
    """Somebody else has answered the film since the page was shown."""

"""The exception family of the measure room."""


class MeasureError(ValueError):
    """A quantity that cannot be measured with; the message says what was found, expected, and what to do."""

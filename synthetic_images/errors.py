"""The exception family of the synthetic_images room."""


class SyntheticError(ValueError):
    """A film that cannot be made as asked; the message says what was found, expected, and what to do."""

"""What can stop an audit."""


class AuditError(Exception):
    """A source, a results folder or a scheduler that is not as expected; the message says what to do."""

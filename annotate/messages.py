"""What the tool tells of its inside on standard error; never whose film it is."""

from __future__ import annotations

import logging
import traceback

from annotate.words.printable import printable

LOG = logging.getLogger("lipmark")


class _PrintableFormatter(logging.Formatter):
    """What a message quotes may come from a file."""

    def format(self, record: logging.LogRecord) -> str:
        return printable(super().format(record))


def tell(verbose: bool) -> None:
    """Send our own messages, and with `verbose` our debugging ones, to standard error."""
    logging.basicConfig(format="%(name)s: %(message)s", level=logging.WARNING)
    for handler in logging.getLogger().handlers:
        if type(handler) is logging.StreamHandler:
            handler.setFormatter(_PrintableFormatter("%(name)s: %(message)s"))
    LOG.setLevel(logging.DEBUG if verbose else logging.WARNING)


def tell_unforeseen(error: Exception) -> None:
    """Log where an error came from; its own words are left out, since they may name the patient."""
    where = "".join(traceback.format_tb(error.__traceback__))
    LOG.debug("unforeseen %s while reading a film\n%s", type(error).__name__, where)

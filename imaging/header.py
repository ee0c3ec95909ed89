"""Plain values out of a DICOM header, tolerant of the ways in which writers get them wrong.

Text attributes are read as the file holds them, without pydicom's conversion, so that one malformed value
neither stops the film nor prints a warning that quotes it.
"""

from __future__ import annotations

import logging
import math
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

_ONE_READER = threading.Lock()


@contextmanager
def quiet() -> Iterator[None]:
    """Keep the file libraries' warnings off the screen and out of logs: pydicom's may quote identifiers.

    The warning filters belong to the process, so only one thread reads a file at a time.
    """
    logger = logging.getLogger("pydicom")
    with _ONE_READER, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        before, logger.disabled = logger.disabled, True
        try:
            yield
        finally:
            logger.disabled = before


def texts(dataset: Dataset, keyword: str) -> tuple[str, ...]:
    """Return the values of a text attribute, stripped; empty where absent or empty.

    Parameters
    ----------
    dataset : Dataset
        A header.
    keyword : str
        The attribute's keyword in PS3.6, of a text value representation (AS, CS, DA, DS, IS, LO, SH, UI).
    """
    from pydicom.datadict import tag_for_keyword

    tag = tag_for_keyword(keyword)
    if tag is None or tag not in dataset:
        return ()
    value = dataset.get_item(tag).value
    if value is None:
        return ()
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    parts = value.split("\\") if isinstance(value, str) else _as_list(value)
    stripped = tuple(str(part).strip(" \0\t\r\n") for part in parts)
    return stripped if any(stripped) else ()


def _as_list(value: object) -> list[object]:
    """Return the members of a multi-valued element, or the value alone."""
    if isinstance(value, (list, tuple)) or type(value).__name__ == "MultiValue":
        return list(value)  # type: ignore[call-overload, no-any-return]
    return [value]


LONGEST_CODE_STRING = 16
"""Characters of a CS value (PS3.5 6.2)."""


def quoted(value: str, longest: int = LONGEST_CODE_STRING) -> str:
    """Return a value fit for a message.

    In a damaged header a value can run on into those after it, which may be identifiers: what is too long
    or not plain text is not shown.
    """
    return repr(value) if len(value) <= longest and value.isprintable() else "an unreadable value"


def text(dataset: Dataset, keyword: str) -> str:
    """Return the first value of a text attribute, or an empty string."""
    return next(iter(texts(dataset, keyword)), "")


def decimals(dataset: Dataset, keyword: str) -> tuple[float, ...]:
    """Return the values of a decimal or integer string; what is no number becomes NaN."""
    return tuple(_decimal(part) for part in texts(dataset, keyword))


def _decimal(part: str) -> float:
    try:
        return float(part)
    except ValueError:
        return math.nan


def decimal(dataset: Dataset, keyword: str) -> float | None:
    """Return the first value of a decimal string, or None where absent or no finite number."""
    value = next(iter(decimals(dataset, keyword)), math.nan)
    return value if math.isfinite(value) else None


def integer(dataset: Dataset, keyword: str, default: int) -> int:
    """Return the first value of a binary or text integer, or the default where it has none."""
    try:
        value = dataset.get(keyword)
    except (ValueError, TypeError):
        return default
    if isinstance(value, (list, tuple)) or type(value).__name__ == "MultiValue":
        value = next(iter(value), None)
    try:
        return default if value in (None, "", b"") else int(value)
    except (TypeError, ValueError):
        return default


def code_of(dataset: Dataset, keyword: str) -> tuple[str, str]:
    """Return code value and meaning (in lower case) of a sequence's first item, empty where absent."""
    sequence = dataset.get(keyword)
    if not sequence:
        return "", ""
    return text(sequence[0], "CodeValue"), text(sequence[0], "CodeMeaning").lower()

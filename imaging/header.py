"""Plain values out of a DICOM header, tolerant of the ways in which writers get them wrong.

Text attributes are read as the file holds them, without pydicom's conversion, so that one malformed value
neither stops the film nor prints a warning that quotes it.
"""

from __future__ import annotations

import logging
import math
import threading
import warnings
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

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
    if tag is None or _too_long(dataset, keyword):
        return ()
    value = dataset.get_item(tag).value if tag in dataset else None
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


LONGEST_VALUE_BYTES = 1_000_000
"""Longer values are not converted (ours): the longest that a film needs is a table of 131,072."""


def _too_long(dataset: Dataset, keyword: str) -> bool:
    """Tell whether a value as the file holds it is longer than any film needs."""
    if keyword not in dataset:
        return False
    value = dataset.get_item(keyword).value
    return isinstance(value, bytes) and len(value) > LONGEST_VALUE_BYTES


def value_of(dataset: Dataset, keyword: str) -> Any:
    """Return an attribute's value as pydicom converts it, or None where absent or of absurd length."""
    return None if _too_long(dataset, keyword) else dataset.get(keyword)


def shown(value: str, known: Collection[str]) -> str:
    """Return a value fit for a message: itself where it is one of the known ones.

    All else is not shown. A value may be an identifier that was put, or in a damaged header ran on, into the
    wrong place, or a sequence that controls the terminal.
    """
    return repr(value) if value in known else "an unknown value"


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
        value = value_of(dataset, keyword)
    except (ValueError, TypeError, ArithmeticError):
        return default
    if isinstance(value, (list, tuple)) or type(value).__name__ == "MultiValue":
        value = next(iter(value), None)
    try:
        return default if value in (None, "", b"") else int(value)
    except (TypeError, ValueError, ArithmeticError):
        return default


def code_of(dataset: Dataset, keyword: str) -> tuple[str, str]:
    """Return code value and meaning (in lower case) of a sequence's first item, empty where absent."""
    sequence = value_of(dataset, keyword)
    if not sequence:
        return "", ""
    return text(sequence[0], "CodeValue"), text(sequence[0], "CodeMeaning").lower()

"""Text for a spreadsheet's cells."""

from __future__ import annotations

DANGEROUS = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes text that begins so for a formula."""


def harmless(text: str) -> str:
    """The text as a cell that a spreadsheet takes for no formula."""
    return f"'{text}" if text.startswith(DANGEROUS) else text

"""A word out of a closed set, and the right one told where it is nearly met."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from enum import StrEnum
from typing import TypeVar

from measure.errors import MeasureError

Kind = TypeVar("Kind", bound=StrEnum)


def chosen(kind: type[Kind], word: str, subject: str = "", *, among: Iterable[Kind] | None = None) -> Kind:
    """The member of an enum that a word names.

    Parameters
    ----------
    kind : type of StrEnum
        The closed set.
    word : str
        A member's value, or the member itself; small or capital letters.
    subject : str
        What is chosen, for the message.
    among : iterable of members, optional
        Those that may be chosen here; all of them by default.

    Raises
    ------
    MeasureError
        Where it names none.

    Examples
    --------
    >>> from measure.patient import Sex
    >>> chosen(Sex, "Female", "sex")
    <Sex.FEMALE: 'female'>
    >>> chosen(Sex, "femal", "sex")
    Traceback (most recent call last):
    ...
    measure.errors.MeasureError: sex: 'femal' found; female or male expected: did you mean female?
    """
    choices = tuple(kind if among is None else among)
    found = next((member for member in choices if member.lower() == word.strip().lower()), None)
    if found is None:
        raise unknown_word(word, choices, subject)
    return found


def unknown_word(word: str, choices: Iterable[str], subject: str = "", *, or_else: str = "") -> MeasureError:
    """What to say of a word that is none of the choices; `or_else` tells what is taken beside them."""
    known = tuple(map(str, choices))
    expected = or_list((*known, or_else) if or_else else known)
    about = f"{subject}: " if subject else ""
    return MeasureError(f"{about}{word!r} found; {expected} expected{did_you_mean(word, known)}")


def nearest(word: str, choices: Iterable[str]) -> str | None:
    """The choice that a word with a slip in it stands for; None where none is near."""
    known = {str(choice).lower(): str(choice) for choice in choices}
    return next((known[found] for found in get_close_matches(word.lower(), known, n=1)), None)


def did_you_mean(word: str, choices: Iterable[str]) -> str:
    """The end of a sentence: a question with the nearest choice, or the full stop alone."""
    meant = nearest(word, choices)
    return "." if meant is None else f": did you mean {meant}?"


def or_list(words: Iterable[str]) -> str:
    """Words with commas between them and "or" before the last."""
    *first, last = words
    return f"{', '.join(first)} or {last}" if first else last

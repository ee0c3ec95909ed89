"""Which command the words mean: one word, or a group and what to do in it; and how it was spelled before."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from measure.choice import did_you_mean, nearest, or_list

USUAL = MappingProxyType({"ward": "run"})
"""What a group does where no action is named."""

BEFORE = MappingProxyType({"audit": "run", "practice": "run"})
"""What a group did where no action was named, until version 0.1; understood for one version more."""

AFTER_OPTIONS = MappingProxyType({"practice": "report"})
"""Actions that stood after the options of their group as well."""

HELP = ("-h", "--help")


class WrongUsageError(Exception):
    """No command is meant; the message says which there are."""


@dataclass(frozen=True, slots=True)
class Spelled:
    """A command as it is called today.

    Parameters
    ----------
    name : str
        A command, or a group whose help is asked for.
    rest : tuple of str
        The words after it.
    hint : str
        How to spell it from now on; empty where it was spelled so.
    """

    name: str
    rest: tuple[str, ...]
    hint: str = ""


def actions_of(group: str, commands: Iterable[str]) -> tuple[str, ...]:
    """What can be done in a group: the second words of its commands."""
    return tuple(name.partition(" ")[2] for name in commands if name.startswith(f"{group} "))


def spelled(words: Sequence[str], commands: Iterable[str]) -> Spelled:
    """The command that is meant.

    Parameters
    ----------
    words : sequence of str
        The first names the command.
    commands : iterable of str
        Those that there are, of one word or two.

    Raises
    ------
    WrongUsageError
        Where the words name none.
    """
    commands = tuple(commands)
    name, rest = words[0], tuple(words[1:])
    if rest and f"{name} {rest[0]}" in commands:
        return Spelled(f"{name} {rest[0]}", rest[1:])
    if name in commands:
        return Spelled(name, rest)
    actions = actions_of(name, commands)
    if not actions:
        raise _unknown(name, dict.fromkeys(command.partition(" ")[0] for command in commands))
    if rest and rest[0] in HELP:
        return Spelled(name, rest)
    if name in USUAL and not _mistyped(rest, actions):
        return Spelled(f"{name} {USUAL[name]}", rest)
    if name not in BEFORE or _mistyped(rest, actions):
        raise _unknown(rest[0] if rest else "", actions, name)
    return _as_before(name, rest)


def _mistyped(rest: tuple[str, ...], actions: tuple[str, ...]) -> bool:
    """Whether the first word is an action with a slip in it, and no file that was meant in the old spelling."""
    return bool(rest) and nearest(rest[0], actions) is not None and not Path(rest[0]).exists()


def _as_before(name: str, rest: tuple[str, ...]) -> Spelled:
    """The old spelling: no action named, or named after the options."""
    action, late = BEFORE[name], AFTER_OPTIONS.get(name)
    if late in rest and not rest[(place := rest.index(late)) - 1].startswith("--"):
        action, rest = late, (*rest[:place], *rest[place + 1 :])
    now = f"{name} {action}"
    hint = f"lipmark {name} is spelled lipmark {now} now; the old spelling goes with the next version."
    return Spelled(now, rest, hint)


def _unknown(word: str, choices: Iterable[str], group: str = "") -> WrongUsageError:
    known = tuple(choices)
    found = f"{word!r} found" if word else "nothing more found"
    where = f"lipmark {group}" if group else "lipmark"
    meant = did_you_mean(word, known)
    return WrongUsageError(f"{where}: {found}; {or_list(known)} expected{meant} {where} --help tells more.")

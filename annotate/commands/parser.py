"""The parser of every command: an error is one line."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import NoReturn

from annotate.words.printable import printable
from measure.choice import did_you_mean


class Parser(argparse.ArgumentParser):
    """A parser whose errors are one line: what was found, what was expected, the nearest right word."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong, with no page of usage before it, and exit with 2."""
        self.exit(2, printable(f"{self.prog}: {_told_once(message.removeprefix('argument '))}") + "\n")

    def refuse_unknown_options(self, words: Sequence[str]) -> None:
        """Stop at the first option that there is not: before a wrong word makes another one seem to be missing."""
        for word in words:
            name = word.partition("=")[0]
            if word == "--":
                return
            if name.startswith("--") and not any(known.startswith(name) for known in self._option_string_actions):
                meant = did_you_mean(name, self._option_string_actions)
                self.error(f"{name} found, no option of this command{meant} {self.prog} --help lists them.")


def _told_once(message: str) -> str:
    """Without the subject of a room's own error where the option has named it: "--mandible: mandible: ..."."""
    option, _, complaint = message.partition(": ")
    subject = option.removeprefix("--").replace("-", " ")
    return (
        f"{option}: {complaint.removeprefix(f'{subject}: ')}" if option.startswith("--") and complaint else message
    )

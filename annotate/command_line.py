"""The one command, `lipmark`, and its subcommands."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version
from types import MappingProxyType
from typing import NoReturn, TextIO, cast

from annotate.messages import tell
from annotate.words.printable import PrintableStream, printable

DESCRIPTION = """\
How far the tip of an endotracheal tube sits above the carina on a chest film,
whether that is acceptable, and the new centimetre mark at the lip.
"""

EPILOG = """\
start with:  lipmark demo
then:        lipmark read --help

Supports a clinician's judgement and does not replace it. Confirm the tube by auscultation and capnography;
local protocol decides.
"""

INTERRUPTED, NOBODY_READS = 130, 141
"""What shells give for SIGINT and SIGPIPE."""

COMMANDS = MappingProxyType(
    {
        "read": "measure one film or many",
        "place": "place or correct the points of films in a window, and keep the readings",
        "log": "look into the logbook: list, show, export, trend, verify",
        "demo": "make an invented film, read it, write the picture and the Reading",
        "synthesise": "make chest films with a known truth",
        "audit": "measure all films of a folder, a manifest or the logbook",
        "audit report": "rates, charts and agreement of an audit, as one page and a CSV",
        "audit plan": "how many films an audit needs",
        "audit demo": "audit an invented unit's year and report it",
        "practice": "learn to measure on films with a known truth",
        "formulas": "published insertion depths for a patient",
    }
)
"""Each is a module of `annotate.commands` with EXAMPLES, add_arguments() and run(); only the one asked for is
imported.

A command of two words is a module with an underscore between them.
"""


class _Parser(argparse.ArgumentParser):
    """One whose complaints, which quote what was typed and found, are printable."""

    def error(self, message: str) -> NoReturn:
        super().error(printable(message))


def build_parser(asked: str | None = None) -> argparse.ArgumentParser:
    """The command's parser, with the options of the one subcommand that is asked for."""
    parser = _Parser(
        prog="lipmark",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"lipmark {version('lipmark')}")
    parser.add_argument("--verbose", action="store_true", help="tell on standard error what happens inside")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, summary in COMMANDS.items():
        command = commands.add_parser(
            name,
            help=summary,
            description=f"{summary[0].upper()}{summary[1:]}.",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        if name == asked:
            module = import_module(f"annotate.commands.{name.replace(' ', '_')}")
            command.epilog = module.EXAMPLES
            module.add_arguments(command)
            command.set_defaults(run=module.run, parser=command)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; the exit status is 0 where everything was answered, 2 on wrong usage.

    What is printed is escaped where it is not printable: names and texts come from files. Interrupted, or with
    nobody left to read what it prints, the command ends without more words.
    """
    out, sys.stdout = sys.stdout, cast(TextIO, PrintableStream(sys.stdout))
    try:
        status = _run(argv)
        out.flush()
    except KeyboardInterrupt:
        print("lipmark: stopped.", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # Else the interpreter would complain of it once more at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), out.fileno())
        return NOBODY_READS
    finally:
        sys.stdout = out
    return status


def _run(argv: Sequence[str] | None) -> int:
    words = _joined(sys.argv[1:] if argv is None else list(argv))
    asked = next((word for word in words if not word.startswith("-")), None)
    args = build_parser(asked).parse_args(words)
    tell(args.verbose)
    status: int = args.run(args, args.parser)
    return status


def _joined(words: list[str]) -> list[str]:
    """The same words, with the two of a command of two words as one."""
    first = next((place for place, word in enumerate(words) if not word.startswith("-")), len(words))
    both = " ".join(words[first : first + 2])
    return [*words[:first], both, *words[first + 2 :]] if both in COMMANDS else words

"""The one command, `lipmark`, and its subcommands."""

from __future__ import annotations

import argparse
import logging
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version

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

COMMANDS = ("read", "demo", "synthesise", "formulas")
"""Each is a module of this room with SUMMARY, EXAMPLES, add_arguments() and run()."""


def build_parser() -> argparse.ArgumentParser:
    """The parser of the command and of every subcommand."""
    parser = argparse.ArgumentParser(
        prog="lipmark",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"lipmark {version('lipmark')}")
    parser.add_argument("--verbose", action="store_true", help="tell on standard error what happens inside")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
        module = import_module(f"annotate.{name}")
        command = commands.add_parser(
            name,
            help=module.SUMMARY,
            description=module.SUMMARY.capitalize() + ".",
            epilog=module.EXAMPLES,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        module.add_arguments(command)
        command.set_defaults(run=module.run, parser=command)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; the exit status is 0 where everything was answered, 2 on wrong usage."""
    args = build_parser().parse_args(argv)
    logging.basicConfig(format="%(name)s: %(message)s", level=logging.DEBUG if args.verbose else logging.WARNING)
    status: int = args.run(args, args.parser)
    return status

"""The one command, `lipmark`, and what it can do."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from types import MappingProxyType
from typing import TextIO, cast

from annotate.commands.parser import Parser
from annotate.commands.spelling import Spelled, WrongUsageError, actions_of, spelled
from annotate.messages import tell
from annotate.words.printable import PrintableStream, printable
from measure.choice import or_list

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

PRIVATE = 0o077
"""What a command makes derives from patients' films, or may: it is its owner's alone, until that one shares it."""

LINEAR_ALGEBRA_THREADS = "OPENBLAS_NUM_THREADS"
"""How many threads numpy starts as it is loaded: else one a core, which cost a command more than they save it."""

INTERRUPTED, NOBODY_READS = 130, 141
"""What shells give for SIGINT and SIGPIPE."""

COMMANDS = MappingProxyType(
    {
        "read": "measure one film or many",
        "place": "place or correct the points of films in a window, and keep the readings",
        "log list": "what was read before, one line an entry",
        "log show": "one entry of the logbook",
        "log trend": "a patient's films over time",
        "log export": "entries of the logbook as a file",
        "log verify": "whether anything in the logbook was changed, removed or put in",
        "demo": "make an invented film, read it, write the picture and the Reading",
        "synthesise": "make chest films with a known truth",
        "audit run": "measure all films of a folder, a manifest or the logbook",
        "audit report": "rates, charts and agreement of an audit, as one page and a CSV",
        "audit plan": "how many films an audit needs",
        "audit demo": "audit an invented unit's year and report it",
        "practice run": "learn to measure on films with a known truth",
        "practice report": "what your answers in practice show, as an HTML page",
        "ward run": "receive films as they are taken, show them on a page, send readings back",
        "ward account": "who may sign in to the ward's page",
        "formulas": "published insertion depths for a patient",
    }
)
"""Each is a module of `annotate.commands` with EXAMPLES, add_arguments() and run(); only the one asked for is
imported.

A command of two words, a group and what to do in it, is a module with an underscore between them.
"""

GROUPS = MappingProxyType(
    {
        "log": "look into the logbook",
        "audit": "measure many films, and report on them",
        "practice": "learn to measure, and see how far you are",
        "ward": "films arrive by themselves, readings go back",
    }
)
"""First words of the commands of two words."""

EXTRAS = MappingProxyType(
    {
        "audit run": "audit",
        "audit report": "audit",
        "audit demo": "audit",
        "place": "window",
        "practice run": "window",
        "ward run": "ward",
        "ward account": "ward",
    }
)
"""What must be installed beside the core, for the commands that need it."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; the exit status is 0 where everything was answered, 2 on wrong usage.

    What is printed is escaped where it is not printable: names and texts come from files. Interrupted, or with
    nobody left to read what it prints, the command ends without more words.
    """
    out, sys.stdout = sys.stdout, cast(TextIO, PrintableStream(sys.stdout))
    before = os.umask(PRIVATE)
    try:
        status = _main(argv)
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
        os.umask(before)
    return status


def _main(argv: Sequence[str] | None) -> int:
    words = sys.argv[1:] if argv is None else list(argv)
    first = next((place for place, word in enumerate(words) if not word.startswith("-")), len(words))
    top = _top_parser()
    options = top.parse_args(words[:first])
    if first == len(words):
        top.error("no COMMAND found; lipmark --help lists them, lipmark demo shows what they are for.")
    try:
        asked = spelled(words[first:], COMMANDS)
    except WrongUsageError as error:
        top.exit(2, f"{printable(str(error))}\n")
    if asked.hint:
        print(asked.hint, file=sys.stderr)
    return _run(asked, verbose=options.verbose)


def _run(asked: Spelled, *, verbose: bool) -> int:
    if asked.name in GROUPS:
        _group_parser(asked.name).parse_args(asked.rest)
    parser = _parser(f"lipmark {asked.name}", _sentence(COMMANDS[asked.name]))
    try:
        return _run_command(asked, parser, verbose=verbose)
    except ModuleNotFoundError as error:
        if asked.name not in EXTRAS:
            raise
        parser.error(f"{error.name} found missing; pip install 'lipmark[{EXTRAS[asked.name]}]' brings it.")


def _run_command(asked: Spelled, parser: Parser, *, verbose: bool) -> int:
    os.environ.setdefault(LINEAR_ALGEBRA_THREADS, "1")
    module = import_module(f"annotate.commands.{asked.name.replace(' ', '_')}")
    parser.epilog = module.EXAMPLES
    module.add_arguments(parser)
    parser.add_argument("--verbose", action="store_true", default=verbose, help=argparse.SUPPRESS)
    parser.refuse_unknown_options(asked.rest)
    args = parser.parse_args(asked.rest)
    tell(args.verbose)
    status: int = module.run(args, parser)
    return status


class _Version(argparse.Action):
    """Tells the version; only then is it looked up."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: object,
        option_string: str | None = None,
    ) -> None:
        """Print it, and end."""
        from importlib.metadata import version

        print(f"lipmark {version('lipmark')}")
        parser.exit()


def _top_parser() -> Parser:
    summaries = {name: text for name, text in COMMANDS.items() if " " not in name}
    summaries |= {name: f"{text}: {or_list(actions_of(name, COMMANDS))}" for name, text in GROUPS.items()}
    parser = _parser("lipmark", DESCRIPTION, f"{_listed('commands', summaries)}\n{EPILOG}")
    parser.usage = "lipmark [--verbose] COMMAND ..."
    parser.add_argument("--version", action=_Version, nargs=0, help="show the program's version and end")
    parser.add_argument("--verbose", action="store_true", help="tell on standard error what happens inside")
    return parser


def _group_parser(group: str) -> Parser:
    """Of use for its help alone: a group does nothing by itself."""
    summaries = {name: COMMANDS[name] for name in COMMANDS if name.startswith(f"{group} ")}
    listed = _listed("what to do", {f"lipmark {name}": text for name, text in summaries.items()})
    told = f"{listed}\nlipmark {group} ACTION --help tells more, with examples.\n"
    parser = _parser(f"lipmark {group}", _sentence(GROUPS[group]), told)
    parser.usage = f"lipmark {group} {{{','.join(actions_of(group, COMMANDS))}}} ..."
    return parser


def _parser(name: str, description: str, epilog: str = "") -> Parser:
    return Parser(
        prog=name,
        description=description,
        epilog=epilog,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def _listed(title: str, summaries: dict[str, str]) -> str:
    width = max(map(len, summaries))
    return "\n".join((f"{title}:", *(f"  {name:<{width}}  {text}" for name, text in summaries.items()), ""))


def _sentence(summary: str) -> str:
    return f"{summary[0].upper()}{summary[1:]}."

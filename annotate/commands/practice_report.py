"""`lipmark practice report`: what the answers of all rounds show."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from annotate.commands.arguments import add_overwrite
from annotate.writing import OutputError, write_text

EXAMPLES = """\
example:
  lipmark practice report --out practice.html --reader AB
      bias, agreement, verdicts, learning curve and the films to look at again, as one page

Synthetic films are nobody's. Good figures here are no proof of skill on patients' films.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark practice report`."""
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="HTML page to write")
    add_overwrite(parser)
    add_whose(parser)


def add_whose(parser: argparse.ArgumentParser) -> None:
    """Add the options that say whose practice it is, and where it is kept."""
    parser.add_argument("--reader", metavar="NAME", help="whose answers; default LIPMARK_READER or your login")
    parser.add_argument("--logbook", metavar="URL", help="file or postgresql://...; default your own")


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Write the page and say where it lies."""
    from annotate.logbook.errors import LogbookError
    from annotate.logbook.record import default_reader

    try:
        return _report(args.reader or default_reader(), args.logbook, args.out, overwrite=args.overwrite)
    except (LogbookError, OutputError, OSError) as error:
        parser.error(str(error))


def _report(reader: str, url: str | None, out: Path, *, overwrite: bool) -> int:
    from annotate.logbook.errors import LogbookError
    from annotate.logbook.store import Logbook
    from annotate.practice.keeping import kept, trainees
    from annotate.practice.progress import progress_of
    from annotate.practice.report import write_report

    with Logbook.open(url) as logbook:
        records = kept(logbook, reader)
        if not records:
            others = ", ".join(trainees(logbook)) or "nobody"
            raise LogbookError(
                f"no practice of {reader} found in the logbook (there is that of {others}); see --reader."
            )
    write_text(out, write_report(progress_of(records), reader, datetime.now(UTC)), overwrite=overwrite)
    print(f"{len(records)} films of {reader}: {out}")
    return 0

"""`lipmark audit run`: a Reading for each of many films, in parallel, to be gone on with after a stop."""

from __future__ import annotations

import argparse
import csv
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.commands.arguments import add_choice, add_overwrite, add_range, count
from annotate.words.cells import harmless
from annotate.words.printable import printable
from annotate.writing import OutputError, text_in, whole_file
from measure.accepted_range import AcceptedRange
from measure.case import Bedside
from measure.posture import NeckPosture

if TYPE_CHECKING:
    from collections.abc import Callable

    from annotate.audit.auditing import BadFilm, Option, Tally
    from annotate.audit.sources import Source
    from annotate.audit.workers import Workers

EXAMPLES = """\
examples:
  lipmark audit run ward/ --out results
      every film of a folder
  lipmark audit run films.csv --out results
      a manifest: one line a film, with time, unit, tube, lip mark, a hand's marks ... (docs/audit.md)
  lipmark audit run logbook --out results
      the current readings of your logbook; sqlite:///FILE or postgresql://... name another
  lipmark audit run films.parquet --out s3://bucket/results --scheduler tls://10.0.0.5:8786
      on a Dask cluster that others keep; films' paths as its workers see them

then:
  lipmark audit report results     rates, charts, agreement: one page and a CSV of every figure
  lipmark audit plan --help        how many films an audit needs
  lipmark audit demo               what all this looks like, with an invented unit

Stopped or killed, the same command goes on where it was. The results hold no name, number or path; they do hold
ages, times and units: keep them as you keep the films.
Supports a clinician's judgement and does not replace it; local protocol decides.
"""

FILMS_PER_PART = 20
BAD_SHOWN = 10


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark audit run`."""
    parser.add_argument("source", metavar="SOURCE", help="folder of films, manifest (.csv, .parquet), or logbook")
    parser.add_argument("--out", required=True, metavar="DIR", help="results: a folder or any fsspec URL")
    _add_measuring(parser.add_argument_group("measuring"))
    _add_work(parser.add_argument_group("work"))


def _add_measuring(group: argparse._ArgumentGroup) -> None:
    add_range(group)
    add_choice(
        group,
        "--neck",
        NeckPosture,
        default=NeckPosture.UNKNOWN,
        explain="posture on films of which the source tells none; default unknown, which widens the interval",
    )
    group.add_argument(
        "--believe-resolution", action="store_true", help="take a picture file's resolution tag for its pixel size"
    )
    group.add_argument(
        "--hand-only", action="store_true", help="no proposals for films where a hand placed both points"
    )
    group.add_argument(
        "--skip-bad-rows", action="store_true", help="count a manifest's bad rows as bad films instead of stopping"
    )


def _add_work(group: argparse._ArgumentGroup) -> None:
    place = group.add_mutually_exclusive_group()
    place.add_argument(
        "--workers", type=count, default=os.cpu_count() or 1, help="processes on this machine; default one a core"
    )
    place.add_argument(
        "--scheduler", metavar="tls://HOST:PORT", help="a Dask scheduler with TLS; its workers need lipmark"
    )
    group.add_argument(
        "--insecure-scheduler",
        action="store_true",
        help="let the scheduler be one without TLS (tcp://): whoever reaches it can run code as you",
    )
    group.add_argument(
        "--films-per-part",
        type=count,
        default=FILMS_PER_PART,
        metavar="N",
        help=f"films in one file of the results, what a stop can cost; default {FILMS_PER_PART}",
    )
    group.add_argument(
        "--list-bad",
        type=Path,
        metavar="CSV",
        help="also write the paths of bad films there; they are never in the results",
    )
    add_overwrite(group)


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Measure every film and say what it came to; 0 if all were answered, whatever the answers are."""
    from annotate.audit.errors import AuditError
    from annotate.audit.sources import open_source

    try:
        source = open_source(
            args.source,
            Bedside(accepted_range=args.range, posture=args.neck),
            believe_resolution=args.believe_resolution,
            hand_only=args.hand_only,
            skip_bad_rows=args.skip_bad_rows,
        )
        print(summary(audit_source(args, source), args.out, source.left_out))
    except (AuditError, OutputError) as error:
        parser.error(str(error))
    except KeyboardInterrupt:
        print("Stopped; the same command goes on where it was.", file=sys.stderr)
        return 130
    return 0


def audit_source(args: argparse.Namespace, source: Source) -> Tally:
    """Measure every film of a source with a bar, telling the bad ones.

    Raises
    ------
    AuditError
        Where source, results or workers are not as expected.
    """
    from annotate.audit.auditing import Tally, run_audit
    from annotate.audit.results import Results

    tally = Tally()
    with ExitStack() as stack:
        tell_bad = stack.enter_context(_bad_films(args.list_bad, overwrite=args.overwrite))
        bar = stack.enter_context(_bar(source.count))
        steps = run_audit(
            source,
            Results(args.out),
            _options(args),
            args.films_per_part,
            _workers(args),
            verbose=args.verbose,
        )
        for tally, bad in steps:
            bar(tally.entries)
            tell_bad(bad)
    return tally


def _options(args: argparse.Namespace) -> dict[str, Option]:
    accepted = args.range
    if isinstance(accepted, AcceptedRange):
        accepted = f"{accepted.low_cm.value:g}-{accepted.high_cm.value:g}"
    return {
        "range": accepted,
        "neck": args.neck.value,
        "believe_resolution": args.believe_resolution,
        "hand_only": args.hand_only,
        "skip_bad_rows": args.skip_bad_rows,
    }


def _workers(args: argparse.Namespace) -> Callable[[], AbstractContextManager[Workers]]:
    from annotate.audit.workers import local_workers, scheduler_at

    if args.scheduler:
        return partial(scheduler_at, args.scheduler, plain=args.insecure_scheduler)
    return partial(local_workers, args.workers)


def summary(tally: Tally, out: str, left_out: Sequence[Path] = ()) -> str:
    """What a run came to, in a few lines; `left_out` are files of the source that are no films."""
    from annotate.films.find import left_out_in_words

    kept = f" ({tally.kept} of them by an earlier run)" if tally.kept else ""
    verdicts = ", ".join(f"{count} {verdict}" for verdict, count in tally.verdicts.most_common())
    bad = f"{tally.bad} could not be read" if tally.bad else "all could be read"
    others = f"{left_out_in_words(left_out)}.\n" if left_out else ""
    return (
        f"{tally.entries} entries{kept}, {bad}; {tally.readings} readings: {verdicts}.\n{others}"
        f"Results: {out}. Next: lipmark audit report {out}"
    )


@contextmanager
def _bar(count: int) -> Iterator[Callable[[int], None]]:
    """A bar on a terminal, nothing elsewhere."""
    from tqdm import tqdm

    with tqdm(total=count, desc="auditing", unit="entry", file=sys.stderr, disable=not sys.stderr.isatty()) as bar:

        def show(done: int) -> None:
            bar.update(done - bar.n)

        yield show


@contextmanager
def _bad_films(path: Path | None, *, overwrite: bool) -> Iterator[Callable[[list[BadFilm]], None]]:
    """Tells the first bad films on standard error, and writes all of them where asked to."""
    from tqdm import tqdm

    told = 0
    with ExitStack() as stack:
        lines = None
        if path is not None:
            file = stack.enter_context(whole_file(path, overwrite=overwrite))
            lines = csv.writer(stack.enter_context(text_in(file)))
        if lines is not None:
            lines.writerow(("entry", "film", "error"))

        def tell(bad: list[BadFilm]) -> None:
            nonlocal told
            for film in bad:
                if lines is not None:
                    lines.writerow((film.entry, harmless(film.place), harmless(film.error)))
                if told < BAD_SHOWN:
                    tqdm.write(printable(f"bad film: {film.place}: {film.error}"), file=sys.stderr)
                told += 1

        yield tell
    if told > BAD_SHOWN and path is None:
        print(f"... and {told - BAD_SHOWN} more bad films; --list-bad FILE.csv lists all", file=sys.stderr)

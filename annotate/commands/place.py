"""`lipmark place`: films in a window, points placed or corrected, readings kept."""

from __future__ import annotations

import argparse
from pathlib import Path

from annotate.commands.arguments import add_scale

FILMS_AHEAD = 2
"""Of the list, loaded and searched while one is read: with the film before, four are held (ours)."""

EXAMPLES = """\
examples:
  lipmark place film.dcm
      see what is proposed, drag the two points, save with Ctrl+S
  lipmark place ward/ --reader AB
      one film after the other: N and P turn, F1 shows every key
  lipmark place ward/ --second --reader CD
      read again without sight of the first reader's marks or the proposal, to audit agreement
  lipmark place today.dcm --beside yesterday.dcm
      the film before at the same level and size (Y), and what explains the difference

Saved readings go to the logbook (lipmark log). What is not saved stays as a draft on this machine and is taken up
when the film is opened again. Supports a clinician's judgement and does not replace it; local protocol decides.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark place`."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="film, folder or pattern; DICOM, PNG, JPEG, TIFF")
    parser.add_argument("--reader", metavar="NAME", help="who reads; default LIPMARK_READER, else the login name")
    parser.add_argument("--second", action="store_true", help="second reading: nothing shown before you saved")
    parser.add_argument("--beside", metavar="FILE", help="the patient's film before, to be seen beside (Y)")
    add_scale(parser)
    parser.add_argument("--logbook", metavar="URL", help="another logbook; default LIPMARK_LOGBOOK, else your own")


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Open the window, and wait until it is closed."""
    from annotate.films.find import find_films

    paths = find_films(args.files)
    if not paths:
        parser.error(f"no film found in {' '.join(args.files)}; give a film, a folder of films or a pattern")
    from annotate.window.application import NoWindowError, application

    try:
        application()
    except NoWindowError as error:
        parser.error(str(error))
    from annotate.logbook.record import default_reader
    from annotate.window.drafts import Drafts
    from annotate.window.main_window import MarkingWindow
    from annotate.window.purpose import FirstReading, SecondReading
    from annotate.window.session import Session

    reader = args.reader or default_reader()
    purpose = (SecondReading if args.second else FirstReading)(reader, args.logbook)
    beside = None if args.beside is None else Path(args.beside)
    session = Session(paths, purpose, Drafts(purpose.key, reader), ahead=FILMS_AHEAD, beside=beside)
    MarkingWindow(session, args.scale).run()
    return 0

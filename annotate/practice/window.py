"""A round of practice in the marking window."""

from __future__ import annotations

from collections.abc import Sequence

from annotate.practice.lesson import Practice
from annotate.practice.lesson_words import round_in_words
from annotate.practice.progress import progress_of
from annotate.practice.rounds import Round
from annotate.practice.supply import Supply


def practise(round_: Round, reader: str, logbook: str | None, scale: float | None = None) -> Round:
    """Show the round's films that are left, until the window is closed.

    Parameters
    ----------
    round_ : Round
        New, or left off.
    reader : str
        Whose answers.
    logbook : str or None
        URL; None for the user's own.
    scale : float or None
        Of the window's type and controls; None lets the screen's height decide.

    Returns
    -------
    Round
        With what was answered.

    Raises
    ------
    NoWindowError
        Where the window's libraries or a screen are missing.
    """
    from annotate.window.application import application

    application()
    from annotate.window.drafts import Drafts
    from annotate.window.main_window import MarkingWindow
    from annotate.window.session import Session

    with Supply() as supply:
        practice = Practice(round_, reader, logbook, supply)
        session = Session(practice.paths, practice, Drafts(practice.key, reader), practice.load)
        MarkingWindow(session, scale).run()
    return practice.round


def said_at_the_end(round_: Round) -> Sequence[str]:
    """What the terminal says when the window is closed."""
    if not round_.done:
        return ("No film was answered.",)
    left = round_.settings.length - len(round_.done)
    lines = [f"{label + ':':<22}{text}" for label, text in round_in_words(progress_of(round_.done))]
    if left:
        films = "1 film is" if left == 1 else f"{left} films are"
        lines.append(f"{films} left: lipmark practice run goes on.")
    return (*lines, "All rounds: lipmark practice report --out FILE.html")

"""The films behind the report's numbers: a list in the page that its numbers lead to, and all of them as a CSV."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.audit.figures import COUNTED, MALPOSITION, OUTCOMES, OVERALL, ROUGH, SILENT, events_of
from annotate.audit.report_films import FACTORS, Audit
from annotate.writing import whole_file

if TYPE_CHECKING:
    import numpy as np
    import pyarrow
    from numpy.typing import NDArray

FILMS_FILE = "films.csv"

MOST_LISTED = 2000
"""More would make the page slow to open; the CSV holds all (ours)."""

LEAST_CHANCE = 0.01
"""A film whose chance of an outcome is smaller is not listed under it (ours)."""

SHOWN_WITHOUT_SCRIPT = 50

NAMES = (COUNTED, *OUTCOMES)
LENGTHS = ("on_film_cm", "move_cm")


@dataclass(frozen=True, slots=True)
class FilmList:
    """Films for the page.

    Parameters
    ----------
    first : tuple of tuple of str
        The first of them as lines of the table: key, entry, height, chance outside, action.
    data : str
        All of them as JSON that is safe inside a page, for its script.
    listed, films : int
        How many are in the list, and how many there are.
    """

    first: tuple[tuple[str, ...], ...]
    data: str
    listed: int
    films: int


def list_films(audit: Audit) -> FilmList:
    """The films that most need a look first: without a rate, or likely outside their range."""
    import numpy as np

    events = events_of(audit.films)
    worth_a_look = np.maximum.reduce([events[name] for name in (ROUGH, SILENT, MALPOSITION)])
    order = np.argsort(-worth_a_look, kind="stable")[:MOST_LISTED]
    lines = [_line(audit, events, int(place)) for place in order]
    levels = {factor: sorted(set(audit.films[factor])) for factor in FACTORS}
    data = {
        "overall": OVERALL,
        "least": LEAST_CHANCE,
        "factors": list(FACTORS.values()),
        "levels": list(levels.values()),
        "outcomes": list(NAMES),
        "films": [
            {
                "line": line,
                "levels": [found.index(audit.films[factor].iat[place]) for factor, found in levels.items()],
                "events": [round(float(events[name][place]), 3) for name in NAMES],
            }
            for place, line in zip(order, lines, strict=True)
        ],
    }
    text = json.dumps(data, separators=(",", ":")).replace("<", "\\u003c")
    first = tuple(map(tuple, lines[:SHOWN_WITHOUT_SCRIPT]))
    return FilmList(first, text, len(lines), len(audit.films))


HEAD = ("film", "entry", "on the film, cm", "outside", "near the carina", "action")


def _line(audit: Audit, events: Mapping[str, NDArray[np.float64]], place: int) -> Sequence[str]:
    """A film as the table shows it."""
    film = audit.films.iloc[place]
    height, action, urgency = film["on_film_cm"], film["action"], film["urgency"]
    shares = ("", "")
    if events[COUNTED][place]:
        shares = (
            f"{100.0 * (1.0 - film['chance_within_range']):.0f} %",
            f"{100.0 * film['chance_near_carina']:.0f} %",
        )
    known = isinstance(action, str)
    words = str(film["no_action_because"] or film["verdict"]) if not known else str(action)
    if known and film["move_cm"]:
        words = f"{action} {abs(film['move_cm']):g} cm, {urgency}"
    if film["rough"]:
        words = f"{words} ({ROUGH})"
    told = "" if height != height or height is None else f"{height:.1f}"
    return (audit.keys[int(film["film"])], str(int(film["entry"])), told, *shares, words)


def write_films(audit: Audit, path: Path, *, overwrite: bool = False) -> None:
    """Every film that counts, one a line: key, entry, patient, groups, and what it adds to each number.

    Raises
    ------
    OutputError
        Where it may not, or cannot, be written.
    """
    import pyarrow
    from pyarrow import csv

    films, events = audit.films, events_of(audit.films)
    columns: dict[str, pyarrow.Array] = {
        "film": audit.keys.take(films["film"].to_numpy()),
        "entry": pyarrow.array(films["entry"].to_numpy("int64")),
        **{name: _text(films[name]) for name in ("patient", *FACTORS, "verdict", "action", "urgency")},
        **{
            name: pyarrow.array(films[name].to_numpy(float), from_pandas=True)
            for name in ("on_film_cm", "move_cm")
        },
        **{name: pyarrow.array(events[name].round(4)) for name in NAMES},
    }
    with whole_file(path, overwrite=overwrite) as file:
        csv.write_csv(pyarrow.table(columns), file)


def _text(column: Iterable[object]) -> pyarrow.Array:
    """Words that no spreadsheet takes for a formula."""
    import pyarrow

    from annotate.words.cells import harmless

    return pyarrow.array([harmless(word) if isinstance(word, str) else None for word in column], pyarrow.string())

"""The films behind the report's numbers: a list in the page that its numbers lead to, and all of them as a CSV."""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from annotate.audit.figures import COUNTED, MALPOSITION, OUTCOMES, OVERALL, ROUGH, SILENT, Events, events_of
from annotate.audit.report_films import FACTORS, Audit
from annotate.writing import whole_file

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
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
    import pandas as pd

    events = events_of(audit.films)
    worth_a_look = np.maximum(np.maximum(events[ROUGH], events[SILENT]), events[MALPOSITION])
    order = np.argsort(-worth_a_look, kind="stable")[:MOST_LISTED]
    chosen = audit.films.iloc[order]
    levels = {factor: sorted(map(str, audit.films[factor].unique())) for factor in FACTORS}
    codes = [pd.Categorical(chosen[factor], categories=found).codes.tolist() for factor, found in levels.items()]
    parts = [events[name][order].astype(float).round(3).tolist() for name in NAMES]
    keys = _keys(audit, order)
    lines = [
        _line(film, key, counted > 0.0)
        for film, key, counted in zip(chosen.to_dict("records"), keys, parts[0], strict=True)
    ]
    data = {
        "overall": OVERALL,
        "least": LEAST_CHANCE,
        "factors": list(FACTORS.values()),
        "levels": list(levels.values()),
        "outcomes": list(NAMES),
        "films": [
            {"line": line, "levels": of, "events": adds}
            for line, of, adds in zip(lines, zip(*codes, strict=True), zip(*parts, strict=True), strict=True)
        ],
    }
    text = json.dumps(data, separators=(",", ":")).replace("<", "\\u003c")
    return FilmList(tuple(lines[:SHOWN_WITHOUT_SCRIPT]), text, len(lines), len(audit.films))


def _keys(audit: Audit, places: NDArray[np.int64]) -> list[str]:
    """Keys of the films of these numbers."""
    import numpy as np

    found, begin, wanted = dict[int, str](), 0, np.sort(places)
    for keys in audit.film_keys():
        here = wanted[(wanted >= begin) & (wanted < begin + len(keys))]
        found.update(zip(here.tolist(), keys.take(here - begin).to_pylist(), strict=True))
        begin += len(keys)
    return [found[place] for place in places.tolist()]


HEAD = ("film", "entry", "on the film, cm", "outside", "near the carina", "action")


def _line(film: Mapping[Hashable, Any], key: str, counted: bool) -> tuple[str, ...]:
    """A film as the table shows it."""
    height, action = film["on_film_cm"], film["action"]
    shares = ("", "")
    if counted:
        shares = (f"{1.0 - film['chance_within_range']:.0%}", f"{film['chance_near_carina']:.0%}")
    if not isinstance(action, str):
        why = film["no_action_because"]
        words = why if isinstance(why, str) else str(film["verdict"])
    else:
        words = f"{action} {abs(film['move_cm']):g} cm, {film['urgency']}" if film["move_cm"] else action
    told = f"{words} ({ROUGH})" if film["rough"] else words
    return (
        key,
        str(int(film["entry"])),
        f"{height:.1f}" if isinstance(height, float) and height == height else "",
        *shares,
        told,
    )


def write_films(audit: Audit, path: Path, *, overwrite: bool = False) -> None:
    """Every film that counts, one a line: key, entry, patient, groups, and what it adds to each number.

    Raises
    ------
    OutputError
        Where it may not, or cannot, be written.
    """
    from pyarrow import csv

    events, begin = events_of(audit.films), 0
    with whole_file(path, overwrite=overwrite) as file, ExitStack() as stack:
        lines: csv.CSVWriter | None = None
        for keys in audit.film_keys():
            here = slice(begin, begin + len(keys))
            table = _table(keys, audit.films[here], {name: events[name][here] for name in NAMES})
            if lines is None:
                lines = stack.enter_context(csv.CSVWriter(file, table.schema))
            lines.write(table)
            begin += len(keys)


def _table(keys: pyarrow.Array, films: pd.DataFrame, events: Events) -> pyarrow.Table:
    import pyarrow

    return pyarrow.table(
        {
            "film": keys,
            "entry": pyarrow.array(films["entry"].to_numpy("int64")),
            **{name: _text(films[name]) for name in ("patient", *FACTORS, "verdict", "action", "urgency")},
            **{name: pyarrow.array(films[name].to_numpy(float), from_pandas=True) for name in LENGTHS},
            **{name: pyarrow.array(events[name].astype(float).round(4)) for name in NAMES},
        }
    )


def _text(column: pd.Series[str]) -> pyarrow.Array:
    """Words that no spreadsheet takes for a formula, each looked at once."""
    import pyarrow

    from annotate.words.cells import harmless

    found = pyarrow.array(column.astype(object), pyarrow.string(), from_pandas=True).dictionary_encode()
    safe = pyarrow.array([harmless(word) for word in found.dictionary.to_pylist()], pyarrow.string())
    return pyarrow.DictionaryArray.from_arrays(found.indices, safe).cast(pyarrow.string())

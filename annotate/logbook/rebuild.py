"""An entry's inputs and landmarks become the Case that they were: the way back from `exact`."""

from __future__ import annotations

from annotate.logbook.entry import Entry
from annotate.logbook.errors import LogbookError
from measure.case import Case
from measure.errors import MeasureError
from measure.plain import from_plain

ELSEWHERE = ("film", "landmarks", "notes", "previous")
"""Not in the inputs, or only partly: the film before is told without its name."""


def case_of_entry(entry: Entry) -> Case:
    """What was known of the film, to be measured again; without the film before.

    Raises
    ------
    LogbookError
        Where the entry does not hold what a Case needs, or its values cannot be.
    """
    known = {name: value for name, value in entry.inputs.items() if name not in ELSEWHERE}
    try:
        return from_plain({**known, "film": f"entry {entry.number}", "landmarks": entry.landmarks}, Case)
    except MeasureError as error:
        raise LogbookError(f"logbook: entry {entry.number} cannot be measured again: {error}") from error

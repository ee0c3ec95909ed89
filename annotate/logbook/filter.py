"""Which entries of the logbook are asked for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from annotate.logbook.entry import Kind

Value = str | datetime


@dataclass(frozen=True, slots=True)
class Filter:
    """Which entries; None for any.

    Parameters
    ----------
    kind, patient, reader, film, verdict
        As in the entry.
    since : datetime or None
        Written at this time or later.
    current_only : bool
        Leave out those that a later one corrects.
    """

    kind: Kind | None = None
    patient: str | None = None
    reader: str | None = None
    film: str | None = None
    verdict: str | None = None
    since: datetime | None = None
    current_only: bool = True

    def condition(self) -> tuple[str, dict[str, Value]]:
        """What stands behind WHERE in a query of the table `entry`, and its parameters by name."""
        texts = {name: getattr(self, name) for name in ("kind", "patient", "reader", "film", "verdict")}
        values: dict[str, Value] = {name: str(value) for name, value in texts.items() if value is not None}
        conditions = [f"entry.{name} = :{name}" for name in values]
        if self.since is not None:
            values["since"] = self.since
            conditions.append("entry.time >= :since")
        if self.current_only:
            conditions.append("NOT EXISTS (SELECT 1 FROM entry AS later WHERE later.supersedes = entry.number)")
        return " AND ".join(conditions) or "1 = 1", values


EVERYTHING = Filter(current_only=False)

"""One page and a CSV of every figure, from the results of an audit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from annotate.audit.report_films import Period, Readings, read_audit
from annotate.writing import write_text

if TYPE_CHECKING:
    from annotate.audit.report_page import Wishes

PAGE, FIGURES = "report.html", "figures.csv"
"""Beside them `films.csv`, unless small counts are to be hidden."""


def write_report(
    results: str,
    out: Path,
    wishes: Wishes | None = None,
    *,
    counted: Readings = Readings.BEST,
    period: Period = Period.MONTH,
    overwrite: bool = False,
) -> tuple[int, Path]:
    """Write report.html, figures.csv and films.csv; the same results give the same bytes.

    Parameters
    ----------
    results : str
        Folder or URL of an audit's results.
    out : Path
        Folder, made where missing.
    wishes : Wishes, optional
    counted, period
        As `read_audit`.
    overwrite : bool
        Whether they may take the place of files that are there.

    Returns
    -------
    films : int
    page : Path

    Raises
    ------
    AuditError
        Where the results are not as expected.
    OutputError
        Where files may not, or cannot, be written there.
    """
    from annotate.audit.report_list import FILMS_FILE, write_films
    from annotate.audit.report_page import Wishes, chapters, page
    from annotate.audit.report_tables import as_csv

    wishes = wishes or Wishes()
    audit = read_audit(results, counted, period)
    found = chapters(audit, wishes)
    write_text(out / PAGE, page(audit, found, wishes), overwrite=overwrite)
    write_text(out / FIGURES, as_csv(f for chapter in found for f in chapter.figures), overwrite=overwrite)
    if wishes.least is None:
        write_films(audit, out / FILMS_FILE, overwrite=overwrite)
    return len(audit.films), out / PAGE

"""The practice report: one HTML page that needs nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from annotate.drawing.charts import Picture
from annotate.practice.course import to_practise
from annotate.practice.progress import (
    BEGINNER,
    FALSE_ALARM_FILMS,
    FAR_OFF_MM,
    LEAST_FOR_INTERVALS,
    MASTER,
    Progress,
    Verdicts,
    worst,
)
from annotate.practice.record import Record
from annotate.practice.report_charts import cusum_chart, distance_chart, learning_chart, offsets_chart
from annotate.practice.report_films import film_picture
from annotate.practice.teaching import move_in_short
from annotate.reports.page import page
from measure.cautions import ALWAYS
from measure.statistics.agreement import Kappa
from measure.statistics.interval import Interval
from measure.statistics.rates import wilson

WORST_FILMS = 6
"""Films that are drawn (ours)."""

NO_PROOF = (
    "Practice on synthetic or marked films. It shows how you measure there, and is no proof of skill on patients' "
    "films."
)


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the page; the first cell of a row is its heading."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: str = ""


@dataclass(frozen=True, slots=True)
class DrawnFilm:
    """A film with what was said and what it teaches."""

    picture: Picture
    facts: tuple[tuple[str, str], ...]
    sentence: str


def write_report(progress: Progress, reader: str, now: datetime) -> str:
    """The page.

    Parameters
    ----------
    progress : Progress
    reader : str
        Whose it is.
    now : datetime
        When it is written.
    """
    values = {
        "title": f"Practice report: {reader}",
        "written": f"{now:%Y-%m-%d %H:%M} UTC",
        "progress": progress,
        "figures": figures_table(progress),
        "offsets": offsets_table(progress),
        "rounds": rounds_table(progress),
        "zones": verdict_table(progress.zones, "Where the tip lies"),
        "answers": verdict_table(progress.answers, "All answers"),
        "actions": actions_table(progress),
        "course": course_table(progress),
        "practise": to_practise(progress.course),
        "few": few_words(progress),
        "mistakes": mistakes_table(progress),
        "repeats": repeats_table(progress),
        "distance": distance_chart(progress),
        "marks": offsets_chart(progress),
        "learning": learning_chart(progress.records),
        "cusum": cusum_chart(progress),
        "films": tuple(_films(progress)),
        "cautions": (NO_PROOF, *ALWAYS),
        "cusum_words": CUSUM_WORDS,
    }
    return page("annotate.practice", values)


CUSUM_WORDS = (
    f"A film counts as missed where your distance is more than {FAR_OFF_MM:g} mm off, or a tube was overlooked or "
    f"made up. The solid line gathers evidence that you miss {MASTER:.0%} rather than {BEGINNER:.0%} of films, "
    f"the dashed one the other way round; chance alone gives a signal about once in {FALSE_ALARM_FILMS:g} films. "
    "After a signal the sum starts anew. Harder films are missed more often: read it beside the difficulty."
)


def figures_table(progress: Progress) -> Table:
    """The main figures with their intervals."""
    rows: list[tuple[str, str, str]] = []
    if progress.actions.right.films:
        right = progress.actions.right
        few = right.films < LEAST_FOR_INTERVALS
        share = "" if few else f" ({_percent(wilson(right))})"
        rows.append(
            ("right actions", f"{right.events:.0f} of {right.films:.0f}{share}", "withdraw, leave or advance")
        )
    if progress.distance is not None:
        found = progress.distance
        rows += [
            ("bias", _mm(found.bias), "your distance less the true one, on average; above 0: too long"),
            ("lower limit of agreement", _mm(found.lower_limit), "95 % of your errors lie above it"),
            ("upper limit of agreement", _mm(found.upper_limit), "95 % of your errors lie below it"),
        ]
    if progress.mean_absolute_error_mm is not None:
        rows.append(
            (
                "mean absolute error",
                _mm(progress.mean_absolute_error_mm, signed=False),
                "radiologists differ from each other by 7.0 mm (J Digit Imaging 2021;34:846-852)",
            )
        )
    for name, verdicts in (
        ("weighted kappa of the four zones", progress.zones),
        ("kappa of all answers", progress.answers),
    ):
        if verdicts.kappa is not None:
            rows.append((name, _kappa(verdicts.kappa), f"{verdicts.kappa.pairs} films; 1 is full agreement"))
    if progress.seconds:
        low, middle, high = progress.seconds
        rows.append(("time a film, median", f"{middle:.0f} s", f"half of them {low:.0f} to {high:.0f} s"))
    return Table("Figures", ("figure", "value (95 % interval)", "what it says"), tuple(rows))


def offsets_table(progress: Progress) -> Table:
    """Bias and limits of each mark along and across the airway."""
    rows = [
        (name, str(found.pairs), _mm(found.bias), _mm(found.lower_limit), _mm(found.upper_limit))
        for name, found in progress.offsets.items()
    ]
    return Table(
        "Errors of the two marks, mm on the film",
        ("mark", "films", "bias", "lower limit", "upper limit"),
        tuple(rows),
        "Along the airway, above 0 is too low; across it, above 0 is too far to the patient's left.",
    )


def rounds_table(progress: Progress) -> Table:
    """One row a round."""
    rows = [
        (
            item.settings.ident.replace("T", " ")[:16],
            f"{item.films} of {item.settings.length}",
            f"{item.solved} ({_percent(item.solved_share)})",
            "" if item.mean_absolute_error_mm is None else f"{item.mean_absolute_error_mm:.1f}",
            f"{item.median_seconds:.0f}",
            f"{item.difficulty:.2f}{' fixed' if item.settings.difficulty is not None else ''}",
        )
        for item in progress.rounds
    ]
    columns = ("round (UTC)", "films", "solved", "mean absolute error, mm", "median time, s", "difficulty reached")
    return Table("Rounds", columns, tuple(rows))


def verdict_table(verdicts: Verdicts, title: str) -> Table:
    """Counts, rows by the trainee and columns by the truth; empty rows and columns are left out."""
    used = [
        index
        for index in range(len(verdicts.categories))
        if verdicts.table[index].any() or verdicts.table[:, index].any()
    ]
    rows = [(verdicts.categories[i].value, *(str(int(verdicts.table[i, j])) for j in used)) for i in used]
    return Table(title, ("you said, true:", *(verdicts.categories[j].value for j in used)), tuple(rows))


def actions_table(progress: Progress) -> Table:
    """What the trainee would have done against what was right; empty rows and columns are left out."""
    found = progress.actions
    used = [n for n in range(len(found.categories)) if found.table[n].any() or found.table[:, n].any()]
    rows = [(found.categories[i], *(str(int(found.table[i, j])) for j in used)) for i in used]
    return Table(
        "What to do with the tube",
        ("you said, right:", *(found.categories[j] for j in used)),
        tuple(rows),
        "By its direction; the films' own sentences tell of its size.",
    )


def course_table(progress: Progress) -> Table:
    """Each stage of the course, and how it stands."""
    rows = tuple(
        (item.stage.title, item.stage.looks_at, str(item.films), item.words, f"--course {item.stage.key}")
        for item in progress.course
    )
    return Table("The course", ("stage", "what counts", "films", "how it stands", "to practise it"), rows)


def few_words(progress: Progress) -> str:
    """What is told in place of intervals while films are few."""
    errors = [record.error_mm for record in progress.records if record.error_mm is not None]
    if len(errors) >= LEAST_FOR_INTERVALS:
        return ""
    told = ", ".join(f"{error:+.0f}" for error in errors)
    so_far = f" Your distances so far, less the true ones: {told} mm." if errors else ""
    words = f"Bias and limits of agreement are told once {LEAST_FOR_INTERVALS} films have both points marked."
    return f"{words}{so_far}"


def mistakes_table(progress: Progress) -> Table:
    """What they were about; films that were well read are left out."""
    rows = tuple((mistake.value, str(count)) for mistake, count in progress.mistakes)
    return Table("What the sentences of teaching were about", ("subject", "films"), rows)


def repeats_table(progress: Progress) -> Table:
    """Films that come again."""
    rows = tuple((item.film, f"{item.due:%Y-%m-%d}", item.why) for item in progress.repeats)
    return Table("Films to repeat", ("film", "due", "why"), rows)


def _films(progress: Progress) -> Iterator[DrawnFilm]:
    for number, record in enumerate(worst(progress.records, WORST_FILMS), start=1):
        picture = film_picture(number, record)
        if picture is not None:
            yield DrawnFilm(picture, tuple(_facts(record)), record.sentence)


def _facts(record: Record) -> Iterator[tuple[str, str]]:
    yield "You said", f"{record.choice.value}, {_move(record.withdraw_cm)}"
    yield "Right", f"{record.expected.value}, {_move(record.expected_withdraw_cm)}"
    if record.true_mm is not None and record.marked_mm is not None:
        yield "Distance on the film", f"{record.marked_mm / 10:.1f} cm marked, {record.true_mm / 10:.1f} cm true"


def _move(withdraw_cm: float | None) -> str:
    return "no action" if withdraw_cm is None else move_in_short(withdraw_cm)


def _mm(interval: Interval, signed: bool = True) -> str:
    sign = "+" if signed else ""
    if math.isnan(interval.low):
        return f"{interval.value:{sign}.1f} mm"
    return f"{interval.value:{sign}.1f} mm ({interval.low:{sign}.1f} to {interval.high:{sign}.1f})"


def _kappa(found: Kappa) -> str:
    """At full agreement the large-sample interval has no width, and says nothing of the next films."""
    interval = found.kappa
    if not interval.defined:
        return interval.undefined
    if interval.value == 1.0:
        return "1.00, not once apart yet"
    return f"{interval.value:.2f} ({interval.low:.2f} to {interval.high:.2f})"


def _percent(interval: Interval) -> str:
    return f"{interval.value:.0%}, {interval.low:.0%} to {interval.high:.0%}"

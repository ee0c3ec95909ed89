"""What the lesson says before and after an answer, and at the end of a round."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from annotate.practice.compare import ZONES, Choice, Comparison, Offset, withdraw_cm, zone_of
from annotate.practice.course import to_practise
from annotate.practice.progress import Progress
from annotate.practice.task import Task
from annotate.practice.teaching import move_in_short, span
from annotate.words.answer import likeliest_in_words
from measure.accepted_range import DEFAULT_RANGE, AcceptedRange, range_for
from measure.errors import MeasureError
from measure.posture import NeckPosture
from measure.reading import Reading

SHOWN_MM = 1.0
"""Less is not told (ours)."""


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the comparison: the trainee's, and the truth's; empty where there is none."""

    label: str
    yours: str
    true: str = ""


def told_before(task: Task) -> Iterator[tuple[str, str]]:
    """What is known of the patient before the film is answered; nothing that gives the tube away."""
    patient, case = task.case.patient, task.case
    if patient.age_years is not None:
        sex = "" if patient.sex is None else f", {patient.sex.value}"
        yield "Patient", f"{_age(patient.age_years)}{sex}"
    if patient.height_cm is not None:
        yield "Height", f"{patient.height_cm:.0f} cm"
    yield "Neck", "not known" if case.posture is NeckPosture.UNKNOWN else case.posture.value
    if (accepted := accepted_for(task)) is not None:
        yield "Accepted here", f"{'' if case.grown else 'about '}{span(accepted)} on the film"
    if task.film.spacing is None:
        yield "Spacing", "not known"


def told_after(c: Comparison) -> Iterator[Row]:
    """Zone, action, distance and the errors of the marks."""
    yield Row("The tip lies", c.answer.choice.value, c.expected.value)
    if c.zone_right and c.answer.choice is not c.expected:
        yield Row("", "no hand can tell these two apart here: right as well")
    yield Row("Action", _move(c.answer.withdraw_cm), _action(c.truth))
    if c.truth.accepted_range is not None and c.expected in ZONES:
        yield Row("Accepted here", f"{span(c.truth.accepted_range)}, neck {c.task.case.posture.value}")
    yield from _at_the_lip(c)
    if c.expected is not Choice.NO_TUBE:
        yield Row("Your marks give", f"{likeliest_in_words(c.from_marks) or 'no zone'}; {_action(c.from_marks)}")
    if c.truth.distance is not None:
        yield Row("On the film", _height(c.from_marks), _height(c.truth))
    yield from (Row(f"Your {name}", _offset(off)) for name, off in (("tip", c.tip), ("carina", c.carina)) if off)


def _at_the_lip(c: Comparison) -> Iterator[Row]:
    lands, accepted = c.lands_on_film_cm, c.truth.accepted_range
    if lands is not None and accepted is not None and c.answer.withdraw_cm:
        yield Row("It leads to", f"{_signed(lands)}: {zone_of(lands, accepted).value}")
    mark, adjusted = c.task.case.lip_mark_cm, c.truth.adjustment
    if mark is not None:
        new = None if c.answer.withdraw_cm is None else mark - c.answer.withdraw_cm
        yield Row(
            "Mark at the lip", _marks(mark, new), "" if adjusted is None else _marks(mark, adjusted.to_mark_cm)
        )


def _marks(now_cm: float, new_cm: float | None) -> str:
    return f"{now_cm:g} cm" if new_cm in (None, now_cm) else f"{now_cm:g} to {new_cm:g} cm"


def round_in_words(progress: Progress) -> Iterator[tuple[str, str]]:
    """The round's figures."""
    solved = sum(record.solved for record in progress.records)
    yield "Solved", f"{solved} of {len(progress.records)} films"
    if progress.distance is not None:
        bias = progress.distance.bias
        yield "Bias", f"{bias.value:+.1f} mm (95 %: {bias.low:+.1f} to {bias.high:+.1f})"
        lower, upper = progress.distance.lower_limit, progress.distance.upper_limit
        yield "Limits of agreement", f"{lower.value:+.1f} to {upper.value:+.1f} mm"
    if progress.mean_absolute_error_mm is not None:
        yield "Mean absolute error", f"{progress.mean_absolute_error_mm.value:.1f} mm"
    if progress.answers.kappa is not None and progress.answers.kappa.kappa.defined:
        yield "Kappa of the answers", f"{progress.answers.kappa.kappa.value:.2f}"
    if progress.actions.right.films:
        yield "Right actions", f"{progress.actions.right.events:.0f} of {progress.actions.right.films:.0f} films"
    if progress.seconds:
        yield "Time a film", f"{progress.seconds[1]:.0f} s (median)"
    if progress.rounds:
        yield "Difficulty reached", f"{progress.rounds[-1].difficulty:.2f} of 1"
    if progress.repeats:
        count = len(progress.repeats)
        films = "1 film" if count == 1 else f"{count} films"
        yield "To repeat", f"{films}, the first on {progress.repeats[0].due:%Y-%m-%d}"
    if (stage := to_practise(progress.course)) is not None:
        yield "To practise", f"{stage.title}: lipmark practice run --course {stage.key}"


def move_named(move_cm: float | None) -> str:
    """The move as it stands while the film is not answered."""
    return "not named yet" if move_cm is None else _move(move_cm)


def accepted_for(task: Task) -> AcceptedRange | None:
    """The range for this patient and neck; None where it hangs on the film's own points, or there is none.

    It is told with every film alike, so that it gives no tube away.
    """
    case = task.case
    try:
        factor = task.film.magnification.factor
        return None if case.newborn else range_for(case.patient, case.posture, DEFAULT_RANGE, factor)
    except MeasureError:
        return None


def _action(reading: Reading) -> str:
    """The right action and how soon; "no action" where none is possible."""
    move, advised = withdraw_cm(reading), reading.adjustment
    if move is None or advised is None:
        return "no action"
    return move_in_short(move) if move == 0.0 else f"{move_in_short(move)}, {advised.urgency.value}"


def _move(move_cm: float | None) -> str:
    return "no action" if move_cm is None else move_in_short(move_cm)


def _height(reading: Reading) -> str:
    return "not measured" if reading.distance is None else _signed(reading.distance.on_film.value)


def _signed(height_cm: float) -> str:
    return f"{height_cm:.1f} cm" if height_cm >= 0.0 else f"{-height_cm:.1f} cm below the carina"


def _offset(off: Offset) -> str:
    parts = []
    if abs(off.along_mm) >= SHOWN_MM:
        parts.append(f"{abs(off.along_mm):.0f} mm too {'low' if off.along_mm > 0.0 else 'high'}")
    if abs(off.across_mm) >= SHOWN_MM:
        parts.append(f"{abs(off.across_mm):.0f} mm to the patient's {'left' if off.across_mm > 0.0 else 'right'}")
    return ", ".join(parts) or "less than 1 mm off"


def _age(years: float) -> str:
    return f"{years:.0f} years" if years >= 1.0 else f"{years * 365.25:.0f} days"

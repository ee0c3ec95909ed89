"""A Reading as one screen of text: the verdict and the move first."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence

from imaging.film import Identifiers
from measure.accepted_range import AcceptedRange
from measure.adjustment import Action, Adjustment
from measure.estimate import Estimate
from measure.reading import DepthCheck, Reading
from measure.spacing import Spacing
from measure.verdict import Probabilities, Verdict

LABEL_WIDTH = 16
MOST_WIDTH = 100
SHOWN_CHANCE = 0.005


def screen(reading: Reading, width: int = MOST_WIDTH, bold: bool = False) -> str:
    """One screen for one film."""
    width = min(width, MOST_WIDTH)
    headline = headline_of(reading)
    lines = [reading.film, f"\033[1m{headline}\033[0m" if bold else headline]
    lines += textwrap.wrap(reading.error or reading.reason, width)
    rows = list(_rows(reading))
    if rows:
        lines.append("")
    previous = ""
    for label, text in rows:
        shown = "" if label == previous else label
        lines += textwrap.wrap(
            text, width, initial_indent=f"  {shown:<{LABEL_WIDTH}}", subsequent_indent=" " * (LABEL_WIDTH + 2)
        )
        previous = label
    if reading.cautions:
        lines += ["", "Mind"]
    for caution in reading.cautions:
        lines += textwrap.wrap(caution, width, initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(lines)


def one_line(reading: Reading) -> str:
    """One film of many on one line."""
    distance = "" if reading.distance is None else f"{interval_in_words(reading.distance.on_film)} on the film; "
    return f"{reading.film}: {headline_of(reading)}; {distance}{reading.error or reading.reason}"


def headline_of(reading: Reading) -> str:
    """Verdict and move, for instance "TOO LOW: withdraw 2 cm, from 24 to 22 cm at the lip"."""
    verdict = reading.verdict.value.upper()
    if reading.adjustment is not None:
        return f"{verdict}: {move_in_words(reading.adjustment)}"
    return f"{verdict}: no move suggested" if reading.verdict is Verdict.NEAR_A_LIMIT else verdict


def move_in_words(move: Adjustment) -> str:
    """The move at the lip in words."""
    if move.action is Action.LEAVE:
        return "leave the tube" + ("" if move.from_mark_cm is None else f" at {move.from_mark_cm:g} cm at the lip")
    words = f"{move.action.value} {move.by_cm:g} cm"
    if move.from_mark_cm is None or move.to_mark_cm is None:
        return f"{words} at the lip"
    return f"{words}, from {move.from_mark_cm:g} to {move.to_mark_cm:g} cm at the lip"


def identifiers_in_words(identifiers: Identifiers) -> str:
    """What could tell whose film it is; only for a user who asked for it."""
    known = {
        "name": identifiers.patient_name,
        "ID": identifiers.patient_id,
        "born": identifiers.birth_date,
        "study": identifiers.study_date,
        "accession": identifiers.accession_number,
    }
    return ", ".join(f"{label} {value}" for label, value in known.items() if value) or "none in the file"


def _rows(reading: Reading) -> Iterator[tuple[str, str]]:
    if reading.distance is not None:
        how = "along the marked airway" if reading.distance.follows_path else "straight"
        yield "on the film", f"{interval_in_words(reading.distance.on_film)} above the carina, {how}"
        yield "in the patient", f"{interval_in_words(reading.distance.in_patient)} along the airway"
    if reading.accepted_range is not None:
        yield "accepted", range_in_words(reading.accepted_range)
    if reading.probabilities is not None:
        yield "chances", chances_in_words(reading.probabilities)
    for text in reading.settles:
        yield "to settle it", text
    if reading.adjustment is not None and reading.adjustment.action is not Action.LEAVE:
        yield "aims at", f"{reading.adjustment.target_on_film_cm:.1f} cm above the carina on the film"
        yield from (("limit", limit) for limit in reading.adjustment.limits)
    yield from _cross_checks(reading)
    yield from _geometry(reading)


def _cross_checks(reading: Reading) -> Iterator[tuple[str, str]]:
    if reading.insertion_depth:
        yield "lip mark", depths_in_words(reading.insertion_depth)
    if reading.change is not None:
        change = reading.change
        by_mark = (
            "lip marks not known"
            if change.by_lip_mark_cm is None
            else f"lip marks {_signed(change.by_lip_mark_cm)}"
        )
        yield (
            "since last film",
            f"{_signed(change.change_cm)} on the film: {by_mark}, neck {_signed(change.by_posture_cm)}, "
            f"unexplained {_signed(change.unexplained_cm)} cm",
        )


def _geometry(reading: Reading) -> Iterator[tuple[str, str]]:
    if reading.inputs is None:
        return
    if reading.inputs.spacing is not None:
        yield "spacing", spacing_in_words(reading.inputs.spacing)
        factor = reading.inputs.magnification.factor
        yield (
            "magnification",
            f"{factor.value:.2f} ({factor.low:.2f} to {factor.high:.2f}), {reading.inputs.magnification.source}",
        )
        yield "neck", f"{reading.inputs.neck_posture.value} ({reading.inputs.neck_posture_source})"


def spacing_in_words(spacing: Spacing) -> str:
    """Size of a pixel, where it holds and on whose word."""
    size = f"{spacing.row_mm:.4g} mm"
    if not math.isclose(spacing.row_mm, spacing.column_mm, rel_tol=1e-6):
        size = f"{spacing.row_mm:.4g} mm down, {spacing.column_mm:.4g} mm across"
    note = f" ({spacing.note})" if spacing.note else ""
    plane = {"detector": "at the detector", "patient": "in the patient", "unknown": "plane not known"}
    return f"{size} a pixel, {plane[spacing.plane.value]}, by {spacing.source.value}{note}"


def range_in_words(accepted: AcceptedRange) -> str:
    """The accepted range, for whom, by whom."""
    low, high = accepted.low_cm.value, accepted.high_cm.value
    span = f"from {low:.1f} cm up" if math.isinf(high) else f"{low:.1f} to {high:.1f} cm"
    neck = f", neck {accepted.posture.value}" if accepted.depends_on_posture else ""
    return f"{span} on the film; {accepted.age_group.value}{neck}; {accepted.source}"


def depths_in_words(checks: Sequence[DepthCheck]) -> str:
    """The lip mark against the published depths; `lipmark formulas` and the JSON have them one by one."""
    same_aim = [check for check in checks if check.brought_to_cm is not None]
    no_aim = [check for check in checks if check.brought_to_cm is None]
    parts = []
    if same_aim:
        depths = [check.depth_cm for check in same_aim]
        parts.append(f"for this target {_span(depths)} cm by {_names(same_aim)}{_deeper(same_aim)}")
    if no_aim:
        depths = [check.depth_cm for check in no_aim]
        parts.append(f"as published {_span(depths)} cm by {_names(no_aim)}{_deeper(no_aim)}")
    return "; ".join(parts)


def _names(checks: Sequence[DepthCheck]) -> str:
    return ", ".join(check.formula for check in checks)


def _span(values: Sequence[float]) -> str:
    low, high = f"{min(values):.1f}", f"{max(values):.1f}"
    return low if low == high else f"{low} to {high}"


def _deeper(checks: Sequence[DepthCheck]) -> str:
    """How the mark compares, where it is known."""
    over = [check.lip_mark_minus_depth_cm for check in checks if check.lip_mark_minus_depth_cm is not None]
    if not over:
        return ""
    if min(over) >= 0.0:
        return f" (the mark is {_span(over)} cm deeper)"
    if max(over) <= 0.0:
        return f" (the mark is {_span([-value for value in over])} cm less deep)"
    return f" (the mark is {-min(over):.1f} cm less deep to {max(over):.1f} cm deeper)"


def chances_in_words(chances: Probabilities) -> str:
    """Probability of each zone that has one worth telling."""
    zones = {
        "main bronchus": chances.in_a_main_bronchus,
        "too low": chances.too_low,
        "within range": chances.within_range,
        "too high": chances.too_high,
    }
    return ", ".join(f"{name} {_percent(share)}" for name, share in zones.items() if share >= SHOWN_CHANCE)


def _percent(share: float) -> str:
    return "> 99 %" if share > 1.0 - SHOWN_CHANCE else f"{share:.0%}".replace("%", " %")


def interval_in_words(height: Estimate) -> str:
    """A height and its 95 % interval."""
    return f"{height.value:.1f} cm ({height.low:.1f} to {height.high:.1f})"


def _signed(change: Estimate) -> str:
    return f"{change.value:+.1f} ({change.low:+.1f} to {change.high:+.1f})"

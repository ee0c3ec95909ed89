"""A Reading as one screen of text: what to do first."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from annotate.words.answer import (
    SHOWN_CHANCE,
    headline_of,
    height_in_words,
    near_carina_in_words,
    percent,
    place_of,
    reason_in_words,
)
from imaging.film import Identifiers
from measure.accepted_range import AcceptedRange
from measure.advice import Action
from measure.estimate import Estimate
from measure.reading import Reading
from measure.spacing import Spacing
from measure.verdict import Chances

LABEL_WIDTH = 16
MOST_WIDTH = 100


def screen(reading: Reading, width: int = MOST_WIDTH, bold: bool = False) -> str:
    """One screen for one film."""
    width = min(width, MOST_WIDTH)
    headline = headline_of(reading)
    first = textwrap.wrap(headline, width)
    lines = [reading.film, *(f"\033[1m{line}\033[0m" if bold else line for line in first)]
    lines += [line for text in _below_headline(reading) for line in textwrap.wrap(text, width)]
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


def _below_headline(reading: Reading) -> Iterator[str]:
    if reading.error:
        yield reading.error
        return
    if place := place_of(reading):
        yield place
    if reason := reason_in_words(reading):
        yield reason
    if reading.adjustment is not None and reading.adjustment.check:
        yield reading.adjustment.check


def _rows(reading: Reading) -> Iterator[tuple[str, str]]:
    move = reading.adjustment
    if reading.probabilities is not None:
        yield "chances now", chances_in_words(reading.probabilities, reading)
    if move is not None and move.action is not Action.LEAVE:
        yield "after the move", chances_in_words(move.chances_after, reading)
        yield "lands at", f"{height_in_words(move.lands_on_film_cm)} on the film"
    if move is not None:
        yield from (("limit", limit) for limit in move.limits)
    for text in reading.settles:
        yield "would sharpen", text
    if reading.distance is not None:
        how = "along the marked airway" if reading.distance.follows_path else "up the film"
        yield "on the film", f"{height_in_words(reading.distance.on_film)}, {how}"
        yield "in the patient", f"{height_in_words(reading.distance.in_patient)} along the airway"
    if reading.accepted_range is not None:
        yield "accepted", range_in_words(reading.accepted_range)
    yield from _cross_checks(reading)
    yield from _geometry(reading)


def _cross_checks(reading: Reading) -> Iterator[tuple[str, str]]:
    if reading.insertion_depth:
        yield "lip mark", depths_in_words(reading)
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
            f"unexplained {_signed(change.unexplained_cm)} cm; moved by 1 cm or more beyond what they explain: "
            f"{percent(change.probability_moved)}",
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


def depths_in_words(reading: Reading) -> str:
    """The lip mark against the published depths in one plain sentence; the JSON has them one by one."""
    checks = reading.insertion_depth
    aimed = [check.depth_cm for check in checks if check.brought_to_cm is not None]
    depths = aimed or [check.depth_cm for check in checks]
    low, high = f"{min(depths):.0f}", f"{max(depths):.0f}"
    span = low if low == high else f"{low} to {high}"
    aim = "for the middle of the range" if aimed else "as a rule"
    mark = None if reading.inputs is None else reading.inputs.lip_mark_cm
    given = f"published formulas give {span} cm {aim} ({len(checks)} of them)"
    if mark is None:
        return f"{given[0].upper()}{given[1:]}."
    off = max(mark - max(depths), 0.0) - max(min(depths) - mark, 0.0)
    if abs(off) < 0.5:
        return f"The mark of {mark:g} cm agrees: {given}."
    return f"The mark of {mark:g} cm is {abs(off):.0f} cm {'deeper' if off > 0.0 else 'less deep'}: {given}."


def chances_in_words(chances: Chances, reading: Reading) -> str:
    """Probability of each zone that has one worth telling."""
    zones = {
        "main bronchus": chances.in_a_main_bronchus,
        near_carina_in_words(reading): chances.near_carina,
        "too low": chances.too_low,
        "within range": chances.within_range,
        "too high": chances.too_high,
        "cuff at the cords": chances.cuff_at_the_cords or 0.0,
    }
    return ", ".join(f"{name} {percent(share)}" for name, share in zones.items() if share >= SHOWN_CHANCE)


def _signed(change: Estimate) -> str:
    return f"{change.value:+.1f} ({change.low:+.1f} to {change.high:+.1f})"

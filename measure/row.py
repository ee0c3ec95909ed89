"""A Reading as one flat row: the same columns in the audit's results and in the logbook's exports."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from measure.advice import Action
from measure.anatomy import size_group
from measure.patient import Patient, Sex
from measure.spacing import SpacingSource

Cell = None | bool | float | str

CHANCES = MappingProxyType(
    {
        "in_main_bronchus": "in_a_main_bronchus",
        "near_carina": "near_carina",
        "too_low": "too_low",
        "within_range": "within_range",
        "too_high": "too_high",
        "cuff_at_cords": "cuff_at_the_cords",
    }
)
"""Column and name of each probability."""

PLACES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        **{
            f"{point}_{what}": (point, what)
            for point in ("tip", "carina")
            for what in ("row", "column", "sd_px", "source", "confidence")
        },
        **{
            f"{plane}_{end}cm": ("distance", f"{plane}_{end}cm")
            for plane in ("on_film", "in_patient")
            for end in ("", "low_", "high_")
        },
        "verdict": ("verdict",),
        "action": ("adjustment", "action"),
        "urgency": ("adjustment", "urgency"),
        "to_mark_cm": ("adjustment", "to_mark_cm"),
        "first_step_only": ("adjustment", "first_step_only"),
        "no_action_because": ("no_action_because",),
        **{f"chance_{column}": ("probabilities", name) for column, name in CHANCES.items()},
        **{f"after_{column}": ("adjustment", "chances_after", name) for column, name in CHANCES.items()},
        "range_low_cm": ("accepted_range", "low_cm", "value"),
        "range_high_cm": ("accepted_range", "high_cm", "value"),
        "accepted_range": ("accepted_range", "name"),
        "moved_unexplained": ("change", "probability_moved"),
        "lip_mark_cm": ("inputs", "lip_mark_cm"),
        "tube_size_mm": ("inputs", "tube", "size_mm"),
        "sex": ("inputs", "patient", "sex"),
        "height_cm": ("inputs", "patient", "height_cm"),
        "age_years": ("inputs", "patient", "age_years"),
        "neck": ("inputs", "neck_posture"),
        "view": ("inputs", "view"),
        "spacing": ("inputs", "spacing", "source"),
        "reason": ("reason",),
        "error": ("error",),
        "schema_version": ("schema_version",),
    }
)
"""Column and where its value stands in the Reading's JSON; docs/reading.md says what each holds."""

COMPUTED = ("move_cm", "age_group", "rough")
"""The move with its sign (a withdrawal is negative), the patient's age group, whether the scale is a rough one."""

COLUMNS = (*PLACES, *COMPUTED)

TRUTHS = ("first_step_only", "rough")


def column_type(name: str) -> str:
    """Arrow's name of a column's type."""
    if name in TRUTHS:
        return "bool"
    numbers = ("_cm", "_px", "_mm", "_row", "_column", "_confidence", "_years", "moved_unexplained")
    return "double" if name.endswith(numbers) or name.startswith(("chance_", "after_")) else "string"


def flat(plain: Mapping[str, object]) -> dict[str, Cell]:
    """The row of a Reading's JSON object, of this schema version or an older one; what is not known is None."""
    row: dict[str, Cell] = {name: _cell(within(plain, *place)) for name, place in PLACES.items()}
    return row | {
        "move_cm": _move_cm(row["action"], within(plain, "adjustment", "by_cm")),
        "age_group": _age_group(row) if plain.get("inputs") else None,
        "rough": row["spacing"] == SpacingSource.ANATOMY.value,
    }


def within(value: object, *place: str) -> object:
    """What a nested mapping holds there; None where it holds nothing."""
    for name in place:
        value = value.get(name) if isinstance(value, Mapping) else None
    return value


def _cell(value: object) -> Cell:
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value  # type: ignore[return-value]


def _move_cm(action: object, by_cm: object) -> float | None:
    if not isinstance(by_cm, int | float):
        return None
    return float(by_cm) if action == Action.ADVANCE.value else 0.0 - by_cm


def _age_group(row: Mapping[str, Cell]) -> str | None:
    age_years, height_cm = (
        it if isinstance(it := row[name], float) else None for name in ("age_years", "height_cm")
    )
    sex = row["sex"]
    group = size_group(Patient(age_years, None if sex is None else Sex(str(sex)), height_cm))
    return None if group is None else group.value

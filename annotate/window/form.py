"""What is typed beside the film: patient, tube, spacing; each field checked by itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from annotate.words.typed import age_years, number, pixel_mm
from measure.assess import Case
from measure.cuff import CuffPressure
from measure.patient import Sex
from measure.posture import NeckPosture


@dataclass(frozen=True, slots=True)
class Known:
    """What the form says, as the measurement takes it."""

    case: Case = field(default_factory=lambda: Case(""))
    mm_per_pixel: float | tuple[float, float] | None = None
    object_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form.

    Parameters
    ----------
    key, label, hint : str
        In a draft, before the field, and in it while it is empty.
    why : str
        What it is good for, as its tool tip.
    put : function
        What is known with this field's text in it.
    choices : tuple of str
        Closed set; the empty text is always allowed beside them.
    """

    key: str
    label: str
    hint: str
    why: str
    put: Callable[[Known, str], Known]
    choices: tuple[str, ...] = ()


def read_form(texts: Mapping[str, str]) -> tuple[Known, dict[str, str]]:
    """What is known, and what is wrong with the fields that could not be used.

    A field that cannot be, or contradicts one before it, is left out and told; the others hold.
    """
    known, problems = Known(), {}
    for item in FIELDS:
        text = texts.get(item.key, "").strip()
        if not text:
            continue
        try:
            known = item.put(known, text)
        except ValueError as error:
            problems[item.key] = str(error)
    return known, problems


def _lip_mark(known: Known, text: str) -> Known:
    return replace(known, case=replace(known.case, lip_mark_cm=number(text)))


def _neck(known: Known, text: str) -> Known:
    return replace(known, case=replace(known.case, posture=NeckPosture(text)))


def _size(known: Known, text: str) -> Known:
    return replace(known, case=replace(known.case, tube=replace(known.case.tube, size_mm=number(text))))


def _outside(known: Known, text: str) -> Known:
    tube = replace(known.case.tube, outside_diameter_mm=number(text))
    return replace(known, case=replace(known.case, tube=tube))


def _pressure(known: Known, text: str) -> Known:
    return replace(known, case=replace(known.case, cuff_pressure=CuffPressure.parse(text)))


def _age(known: Known, text: str) -> Known:
    return replace(known, case=replace(known.case, patient=replace(known.case.patient, age_years=age_years(text))))


def _sex(known: Known, text: str) -> Known:
    return replace(known, case=replace(known.case, patient=replace(known.case.patient, sex=Sex(text))))


def _height(known: Known, text: str) -> Known:
    patient = replace(known.case.patient, height_cm=number(text))
    return replace(known, case=replace(known.case, patient=patient))


def _spacing(known: Known, text: str) -> Known:
    return replace(known, mm_per_pixel=pixel_mm(text))


def _object(known: Known, text: str) -> Known:
    return replace(known, object_mm=number(text))


FIELDS = (
    Field("lip_mark", "Lip mark, cm", "23", "Gives the new mark at the lip.", _lip_mark),
    Field(
        "neck",
        "Neck",
        "not known",
        "The tip moves by about 2 cm with the neck; not known, it widens the interval.",
        _neck,
        tuple(posture.value for posture in NeckPosture if posture is not NeckPosture.UNKNOWN),
    ),
    Field(
        "tube_size",
        "Tube size, mm",
        "8",
        "Inside diameter, the large number on the tube; tells where the cuff is.",
        _size,
    ),
    Field("tube_outside", "Outside, mm", "11", "Outside diameter (OD) as printed on the tube.", _outside),
    Field("age", "Age", "64, 18m", "Chooses the accepted range; years, or 18m, 6w, 10d.", _age),
    Field("sex", "Sex", "not known", "For the height of the cords and the depth formulas.", _sex, tuple(Sex)),
    Field("height", "Height, cm", "170", "For the height of the cords and the depth formulas.", _height),
    Field(
        "cuff_pressure",
        "Cuff pressure",
        "25, 2.4kPa",
        "For instance 25, 2.4kPa, 18mmHg; cmH2O if no unit is given.",
        _pressure,
    ),
    Field(
        "mm_per_pixel",
        "mm per pixel",
        "0.143",
        "At the detector. Goes before what the file says; a picture file says nothing that can be trusted.",
        _spacing,
    ),
    Field(
        "object_mm",
        "Object, mm",
        "11",
        "True length between the two points of the object of known length.",
        _object,
    ),
)
"""In the order in which they stand; a later one that contradicts an earlier one is the one that is told."""

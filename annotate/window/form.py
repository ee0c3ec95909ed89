"""What is typed beside the film: patient, tube, spacing; each field checked by itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from annotate.words.typed import age_years, mandible, number, pixel_mm
from imaging.film import Film
from measure.anatomy import size_group
from measure.case import Bedside
from measure.cuff import CuffPressure
from measure.patient import AgeGroup, Sex
from measure.posture import NeckPosture
from measure.tube import TubeKind


@dataclass(frozen=True, slots=True)
class Known:
    """What the form says, as the measurement takes it."""

    case: Bedside = field(default_factory=Bedside)
    mm_per_pixel: float | tuple[float, float] | None = None
    object_mm: float | None = None
    mandible_row: float | None = None
    clear: bool = False


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form.

    Parameters
    ----------
    key, label, hint : str
        In a draft, before the field, and in it while it is empty: an example that looks like one.
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


def _kind(known: Known, text: str) -> Known:
    return replace(known, case=replace(known.case, tube=replace(known.case.tube, kind=TubeKind(text))))


def _mandible(known: Known, text: str) -> Known:
    level = mandible(text)
    if isinstance(level, float):
        return replace(known, mandible_row=level)
    return replace(known, case=replace(known.case, mandible=level))


def _clear(known: Known, text: str) -> Known:
    return replace(known, clear=text == CLEAR)


NECK, MANDIBLE, CLEARLY, OBJECT = "neck", "mandible", "clear", "object_mm"
CLEAR = "yes"

FIELDS = (
    Field(
        NECK,
        "Neck",
        "not known",
        "The tip moves by about 2 cm with the neck; not known, it widens the interval.",
        _neck,
        tuple(posture.value for posture in NeckPosture if posture is not NeckPosture.UNKNOWN),
    ),
    Field(
        MANDIBLE,
        "Mandible",
        "e.g. C5",
        "The short way to the neck: the vertebra that its lower border lies over, its row, or absent.",
        _mandible,
    ),
    Field("lip_mark", "Lip mark, cm", "e.g. 23", "Gives the new mark at the lip.", _lip_mark),
    Field("age", "Age", "e.g. 64, 18m", "Chooses the accepted range; years, or 18m, 6w, 10d.", _age),
    Field(
        "tube_size",
        "Tube size, mm",
        "e.g. 8",
        "Inside diameter, the large number on the tube; tells where the cuff is.",
        _size,
    ),
    Field(
        "tube_kind",
        "Tube kind",
        TubeKind.SINGLE_LUMEN.value,
        "Double-lumen and tracheostomy tubes have other rules: for them there is no advice.",
        _kind,
        tuple(kind.value for kind in TubeKind if kind is not TubeKind.SINGLE_LUMEN),
    ),
    Field("sex", "Sex", "not known", "For the height of the cords and the depth formulas.", _sex, tuple(Sex)),
    Field("height", "Height, cm", "e.g. 170", "For the height of the cords and the depth formulas.", _height),
    Field("tube_outside", "Outside, mm", "e.g. 11", "Outside diameter (OD) as printed on the tube.", _outside),
    Field(
        "cuff_pressure",
        "Cuff pressure",
        "e.g. 25, 2.4kPa",
        "For instance 25, 2.4kPa, 18mmHg; cmH2O if no unit is given.",
        _pressure,
    ),
    Field(
        "mm_per_pixel",
        "mm per pixel",
        "e.g. 0.143",
        "At the detector. Goes before what the file says; a picture file says nothing that can be trusted.",
        _spacing,
    ),
    Field(
        OBJECT,
        "Object, mm",
        "e.g. 11",
        "True length between the two points of the object of known length.",
        _object,
    ),
    Field(
        CLEARLY,
        "Points",
        "with usual doubt",
        "Seen without doubt: the intervals become narrower.",
        _clear,
        (CLEAR,),
    ),
)
"""In the order in which they stand; a later one that contradicts an earlier one is the one that is told."""

SMALL_PATIENT_HINTS = {
    "lip_mark": "e.g. 9.5",
    "age": "e.g. 10d, 18m",
    "tube_size": "e.g. 3.5",
    "height": "e.g. 52",
}
"""Examples for a newborn or a child: an adult's would mislead."""

NOT_SHOWN = frozenset({NECK, CLEARLY})
"""Fields that have buttons of their own."""


def hints_of(film: Film) -> dict[str, str]:
    """What an empty field shows: what the film's header says, marked as such, or an example of the right size."""
    patient = film.patient
    small = size_group(patient) not in (AgeGroup.ADULT, None)
    hints = dict(SMALL_PATIENT_HINTS) if small else {}
    if patient.age_years is not None:
        hints["age"] = f"film: {_age_in_words(patient.age_years)}"
    if patient.sex is not None:
        hints["sex"] = f"film: {patient.sex.value}"
    if patient.height_cm is not None:
        hints["height"] = f"film: {patient.height_cm:.0f}"
    if film.spacing is not None:
        hints["mm_per_pixel"] = f"film: {film.spacing.column_mm:.3g}"
    return hints


def _age_in_words(years: float) -> str:
    if years >= 2.0:
        return f"{years:.0f}"
    months = years * 12.0
    return f"{months:.0f}m" if months >= 2.0 else f"{years * 365.25:.0f}d"

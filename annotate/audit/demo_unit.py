"""An invented intensive care unit over a year: what its films would show, as rows of a manifest."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from measure.landmarks import HAND_SD_MM
from measure.magnification import PLAUSIBLE, View
from measure.patient import Sex
from measure.posture import ICU_MOVEMENT_CM, NeckPosture

if TYPE_CHECKING:
    from synthetic_images.batch import BatchResult

YEAR = 2025
CHANGED_ON = datetime(YEAR, 7, 1)
"""From this day on the unit sets the tube by the patient's height instead of by 21 and 23 cm."""

MM_PER_PIXEL = 0.143
CARINA_PX = (1180.0, 1240.0)
SECOND_READER_SHARE = 0.15
READERS = ("first", "second")

HEIGHT_CM: Mapping[Sex, tuple[float, float]] = MappingProxyType({Sex.FEMALE: (163.0, 6.5), Sex.MALE: (176.0, 7.0)})
"""Mean and standard deviation of adults (from memory)."""

BY_SEX_CM: Mapping[Sex, float] = MappingProxyType({Sex.FEMALE: 21.0, Sex.MALE: 23.0})
"""Marks at the lip by the rule of thumb (common practice)."""

AIRWAY_SD_CM: Mapping[Sex, float] = MappingProxyType({Sex.FEMALE: 1.3, Sex.MALE: 1.5})
"""Of the cords' height above the carina, J Med Assoc Thai 2005;88(6); here of the whole way from the lip."""

LIP_TO_5_CM = (1.0 / 5.0, -13.0)
"""Depth at the mouth's angle that brings the tip 5 cm above the carina, by height: Cherng C-H et al. J Clin Anesth
2002;14:271-274."""

AIM_IN_PATIENT_CM = 4.5
"""What the invented unit aims at after the change."""

LEAN_DEG = (20.6, 6.9)
"""Backward lean of the trachea: Zanella A et al. Respir Care 2015;60:561-566."""

NECKS = MappingProxyType({NeckPosture.NEUTRAL: 0.62, NeckPosture.FLEXED: 0.13, NeckPosture.EXTENDED: 0.05})
"""Invented shares; the rest of the films say nothing of the neck."""

GRADES = MappingProxyType({"consultant": (0.25, 0.6), "resident": (0.55, 1.0), "prehospital": (0.20, 1.5)})
"""Invented: share of the tubes, and standard deviation in cm of the mark about the one that was meant."""

CHECKED_SHARE, CHECKED_SD = 0.4, 0.5
"""Invented: after the change so many tubes are checked by bronchoscope, which leaves this share of the spread."""


@dataclass(frozen=True, slots=True)
class Patient:
    """One invented patient with a tube.

    Parameters
    ----------
    sex, height_cm, age_years
    lip_to_carina_cm : float
        Along the airway.
    """

    sex: Sex
    height_cm: float
    age_years: float
    lip_to_carina_cm: float


def marked_rows(count: int, random: np.random.Generator) -> Iterator[dict[str, object]]:
    """Rows of films of which only the marks are known; some twice, by a second reader."""
    for number in range(count):
        time = _time(random)
        patient = _patient(random)
        grade = str(random.choice(list(GRADES), p=[share for share, _ in GRADES.values()]))
        height_cm, lip_mark_cm = _placed(patient, grade, time >= CHANGED_ON, random)
        neck = _neck(random)
        known = (
            _where(time, random)
            | _worn(patient, random)
            | {
                "film_label": f"film {number + 1}",
                "operator_grade": grade,
                "lip_mark_cm": lip_mark_cm,
                "neck": neck.value,
                "view": View.AP.value,
                "mm_per_pixel": MM_PER_PIXEL,
            }
        )
        true = _points(_on_film_cm(height_cm, neck, random), random)
        readers = READERS if random.random() < SECOND_READER_SHARE else READERS[:1]
        for reader in readers:
            yield known | _marks(true, MM_PER_PIXEL, random) | {"reader": reader}


def film_rows(made: BatchResult, random: np.random.Generator) -> Iterator[dict[str, object]]:
    """Rows of synthetic films, with a hand's marks drawn about the truth; the network's come in the audit."""
    for line in made.truth.read_text(encoding="utf-8").splitlines():
        said = json.loads(line)
        points = said["truth"]["points"]
        true = {name: (points[name]["row"], points[name]["column"]) for name in HAND_SD_MM}
        yield {
            "film": str(Path(made.folder.name) / said["film"]),
            **_where(_time(random), random),
            "neck": said["recipe"]["neck"]["posture"],
            **_marks(true, said["recipe"]["pitch_mm"], random),
            "reader": READERS[0],
        }


def _patient(random: np.random.Generator) -> Patient:
    sex = Sex.FEMALE if random.random() < 0.42 else Sex.MALE
    height_cm = float(random.normal(*HEIGHT_CM[sex]))
    slope, offset = LIP_TO_5_CM
    lip_to_carina_cm = slope * height_cm + offset + 5.0 + float(random.normal(0.0, AIRWAY_SD_CM[sex]))
    return Patient(sex, round(height_cm), round(float(np.clip(random.normal(64, 14), 18, 95))), lip_to_carina_cm)


def _time(random: np.random.Generator) -> datetime:
    return datetime(YEAR, 1, 1) + timedelta(minutes=int(random.integers(365 * 24 * 60)))


def _where(time: datetime, random: np.random.Generator) -> dict[str, object]:
    return {
        "time": time.isoformat(timespec="minutes"),
        "unit": str(random.choice(["beds 1 to 8", "beds 9 to 16"])),
        "shift": "day" if 7 <= time.hour < 15 else "evening" if 15 <= time.hour < 23 else "night",
    }


def _worn(patient: Patient, random: np.random.Generator) -> dict[str, object]:
    size = 7.5 if patient.sex is Sex.FEMALE else 8.0
    return {
        "tube_size_mm": size + float(random.choice([-0.5, 0.0, 0.0, 0.5])),
        "sex": patient.sex.value,
        "height_cm": patient.height_cm,
        "age_years": patient.age_years,
    }


def _placed(patient: Patient, grade: str, changed: bool, random: np.random.Generator) -> tuple[float, float]:
    """Height above the carina in the patient with the neck neutral, and the mark at the lip."""
    slope, offset = LIP_TO_5_CM
    meant = slope * patient.height_cm + offset + 5.0 - AIM_IN_PATIENT_CM if changed else BY_SEX_CM[patient.sex]
    meant += float(random.normal(0.0, GRADES[grade][1]))
    if changed and random.random() < CHECKED_SHARE:
        best = patient.lip_to_carina_cm - AIM_IN_PATIENT_CM
        meant = best + CHECKED_SD * (meant - best)
    lip_mark_cm = round(2.0 * meant) / 2.0
    return patient.lip_to_carina_cm - lip_mark_cm, lip_mark_cm


def _neck(random: np.random.Generator) -> NeckPosture:
    known, shares = list(NECKS), list(NECKS.values())
    return NeckPosture(str(random.choice([*known, NeckPosture.UNKNOWN], p=[*shares, 1.0 - sum(shares)])))


def _on_film_cm(height_cm: float, neck: NeckPosture, random: np.random.Generator) -> float:
    """The height as the film draws it: moved with the neck, magnified, foreshortened."""
    moved = {
        NeckPosture.FLEXED: ICU_MOVEMENT_CM[NeckPosture.FLEXED],
        NeckPosture.EXTENDED: ICU_MOVEMENT_CM[NeckPosture.EXTENDED],
        NeckPosture.UNKNOWN: float(random.normal(0.0, ICU_MOVEMENT_CM[NeckPosture.EXTENDED] / 2.0)),
    }
    magnification = float(random.uniform(*PLAUSIBLE[View.AP]))
    return (height_cm + moved.get(neck, 0.0)) * magnification * math.cos(math.radians(random.normal(*LEAN_DEG)))


def _points(on_film_cm: float, random: np.random.Generator) -> dict[str, tuple[float, float]]:
    row, column = (middle + float(random.normal(0.0, 60.0)) for middle in CARINA_PX)
    length_px, slant = 10.0 * on_film_cm / MM_PER_PIXEL, float(random.normal(0.0, 0.05))
    return {
        "tip": (row - length_px * math.cos(slant), column + length_px * math.sin(slant)),
        "carina": (row, column),
    }


def _marks(
    true: Mapping[str, tuple[float, float]], mm_per_pixel: float, random: np.random.Generator
) -> dict[str, object]:
    """A hand's marks about the true points."""
    return {
        f"{name}_{axis}": round(value + float(random.normal(0.0, HAND_SD_MM[name] / mm_per_pixel)), 1)
        for name, point in true.items()
        for axis, value in zip(("row", "column"), point, strict=True)
    }

"""Every dial of a film, and how a seed turns them.

A `FilmRecipe` says all that the film will show; `synthetic_images.film.make_film` adds nothing random but
texture, bone shape and noise, which come from the recipe's own seed. Numbers without a source are ours.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from typing import Any

import numpy as np

from measure.anatomy import (
    BACKWARD_LEAN_DEG,
    RIGHTWARD_LEAN_DEG,
    SUBCARINAL_ANGLE_DEG,
    cords_to_carina_cm,
    height_from_age_cm,
)
from measure.magnification import View
from measure.patient import AgeGroup, Patient, Sex
from measure.posture import CHILD_MOVEMENT, ICU_MOVEMENT_CM, NeckPosture
from measure.tube import BEVEL_ANGLE_DEG, BEVEL_TO_CUFF_MM, CUFF_LENGTH_MM, MEASURED_SIZE_MM
from synthetic_images.errors import SyntheticError
from synthetic_images.projection import Stand
from synthetic_images.streams import stream, truncated_normal


class Placement(StrEnum):
    """Which lumen the tube's tip lies in."""

    TRACHEA = "trachea"
    RIGHT_BRONCHUS = "right main bronchus"
    LEFT_BRONCHUS = "left main bronchus"
    OESOPHAGUS = "oesophagus"


class HeaderGeometry(StrEnum):
    """What the DICOM header says of the geometry."""

    RIGHT = "right"
    LEFT_OUT = "left out"
    WRONG = "wrong"


class LinePattern(StrEnum):
    """The radio-opaque line in the tube's wall."""

    FULL = "full length"
    INTERRUPTED = "interrupted"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class BodyDials:
    """Shape of the body.

    Parameters
    ----------
    trachea_length_mm : float
        Vocal cords to carina along the airway.
    trachea_width_mm : float
        Coronal inside width.
    lean_deg, side_lean_deg : float
        Of the trachea as it descends: backwards out of the coronal plane; to the right within it.
    subcarinal_angle_deg : float
    right_share : float
        Share of the subcarinal angle on the right of the trachea's axis.
    carina_level : float
        Vertebral level of the carina: 6.0 is the middle of T6's body.
    habitus : float
        Soft tissue outside the ribs over the usual (1).
    inspiration : float
        0 = expiration, 1 = full inspiration.
    heart : float
        Size of the heart over the usual (1).
    kyphosis : float
        Depth of the thoracic spine's curve over the usual (1).
    scoliosis_mm : float
        Sideways bow of the thoracic spine, to the patient's left positive.
    bone : float
        Mineral content over the usual (1).
    arms_out_mm : float
        How far the arms lie off the chest.
    """

    trachea_length_mm: float
    trachea_width_mm: float
    lean_deg: float
    side_lean_deg: float
    subcarinal_angle_deg: float
    right_share: float
    carina_level: float
    habitus: float = 1.0
    inspiration: float = 0.7
    heart: float = 1.0
    kyphosis: float = 1.0
    scoliosis_mm: float = 0.0
    bone: float = 1.0
    arms_out_mm: float = 15.0


@dataclass(frozen=True, slots=True)
class NeckDials:
    """Posture, and how far it moved the tip along the airway (positive: away from the carina)."""

    posture: NeckPosture = NeckPosture.NEUTRAL
    shift_mm: float = 0.0
    head_turn_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class TubeDials:
    """The endotracheal tube.

    Parameters
    ----------
    size_mm, outside_diameter_mm : float
        Inside and outside diameter.
    neutral_distance_mm : float
        Tip above the carina along the airway with the neck neutral; negative is in a bronchus.
    placement : Placement
    bevel_angle_deg : float
        Between the bevel and the tube's axis.
    roll_deg : float
        Turn about its own axis from "bevel faces left".
    line : LinePattern
    line_angle_deg : float
        Where round the wall the line runs: 0 = patient's left, 90 = front.
    line_barium_mm : float
        Barium sulphate in the line's thickness, as solid.
    murphy_eye, armoured : bool
    depth_marks : bool
        Marks of opaque ink; most tubes' marks do not show on films.
    cuff : bool
    bevel_to_cuff_mm, cuff_length_mm, cuff_diameter_mm : float
    lateral_share, depth_share : float
        Where in the lumen the tube lies: -1 (right, front) to 1 (left, back) of the room it has.
    """

    size_mm: float
    outside_diameter_mm: float
    neutral_distance_mm: float
    placement: Placement = Placement.TRACHEA
    bevel_angle_deg: float = 45.0
    roll_deg: float = 0.0
    line: LinePattern = LinePattern.FULL
    line_angle_deg: float = 60.0
    line_barium_mm: float = 0.15
    murphy_eye: bool = True
    armoured: bool = False
    depth_marks: bool = False
    cuff: bool = True
    bevel_to_cuff_mm: float = 20.0
    cuff_length_mm: float = 37.0
    cuff_diameter_mm: float = 24.0
    lateral_share: float = 0.0
    depth_share: float = 0.3


@dataclass(frozen=True, slots=True)
class ExposureDials:
    """Beam, detector and presentation.

    Parameters
    ----------
    kvp : float
    quanta_per_mm2 : float
        Detected quanta in the open field.
    scatter_to_primary : float
        Behind the middle of the chest, after any grid.
    focal_spot_mm, detector_blur_mm : float
        Width of the focal spot; standard deviation of the detector's own blur.
    motion_mm : float
        Standard deviation of the heart's and breath's blur at the detector.
    latitude : float
        Optical-density range squeezed (0 = contrasty, 1 = flat).
    edge_gain : float
        Unsharp masking as vendors do it.
    brightness, contrast : float
        Shift of the presentation's middle; range of grey over the usual (1).
    collimation : tuple of float
        Share of the film cut off on the top, bottom, left and right.
    detail_gain : float
        Local contrast raised by a workstation: structures of some millimetres over their surroundings.
    shoulder : float
        Grey value from which on the presentation's curve flattens towards white.
    collimator_turn_deg : float
        Turn of the collimator against the film.
    shutter : bool
        What the collimator cut off is shown black; without, as white as it is.
    """

    kvp: float = 90.0
    quanta_per_mm2: float = 3_000_000.0
    scatter_to_primary: float = 0.8
    focal_spot_mm: float = 1.0
    detector_blur_mm: float = 0.15
    motion_mm: float = 0.2
    latitude: float = 0.5
    edge_gain: float = 0.4
    brightness: float = 0.0
    contrast: float = 1.0
    collimation: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    detail_gain: float = 0.0
    shoulder: float = 0.84
    collimator_turn_deg: float = 0.0
    shutter: bool = True


@dataclass(frozen=True, slots=True)
class DeviceDials:
    """What else lies on or in the patient: how many of each."""

    gastric_tube: int = 0
    central_lines: int = 0
    tracheostomy_tube: int = 0
    ecg_leads: int = 0
    temperature_probe: int = 0
    sternal_wires: int = 0
    pacemaker: int = 0
    spinal_hardware: int = 0
    drains: int = 0
    necklace: int = 0
    letters: int = 1


@dataclass(frozen=True, slots=True)
class PathologyDials:
    """What ails the patient: 0 = absent, 1 = severe; collapse, pneumothorax: negative right, positive left.

    `fork_filled` takes the air's shadow from the fork and all below it, as fluid in the air columns or dense
    tissue across them does; at 1 the fork cannot be seen. It is drawn by no seed.
    """

    opacities: float = 0.0
    effusion_right: float = 0.0
    effusion_left: float = 0.0
    collapse: float = 0.0
    pneumothorax: float = 0.0
    subcutaneous_air: float = 0.0
    fork_filled: float = 0.0


@dataclass(frozen=True, slots=True)
class FilmRecipe:
    """Everything that decides a film."""

    seed: int
    difficulty: float
    patient: Patient
    body: BodyDials
    neck: NeckDials
    stand: Stand
    tube: TubeDials | None
    exposure: ExposureDials = field(default_factory=ExposureDials)
    devices: DeviceDials = field(default_factory=DeviceDials)
    pathology: PathologyDials = field(default_factory=PathologyDials)
    header: HeaderGeometry = HeaderGeometry.RIGHT
    rows: int = 1024
    columns: int = 1024
    pitch_mm: float = 0.42

    @property
    def age_group(self) -> AgeGroup:
        """The patient's age group."""
        group = self.patient.age_group
        if group is None:
            raise SyntheticError("recipe: a patient without an age found; give age_years.")
        return group

    @property
    def tip_distance_mm(self) -> float | None:
        """Tip above the carina along the airway on this film: neutral distance plus the neck's shift."""
        return None if self.tube is None else self.tube.neutral_distance_mm + self.neck.shift_mm

    def to_dict(self) -> Mapping[str, Any]:
        """JSON-able form."""
        return asdict(self)


ADULT_AGES_YEARS = (18.0, 92.0)
HEIGHT_CM = {Sex.MALE: (175.0, 7.5), Sex.FEMALE: (162.0, 7.0)}
"""Mean and standard deviation of adults' height; common practice, from memory."""

TRACHEA_WIDTH_MM = {Sex.MALE: (19.0, 2.0), Sex.FEMALE: (15.5, 1.83)}
"""Middle and a sixth of the 3 SD limits of Breatnach E et al. AJR 1984;142:903-906 (seen)."""

TRACHEA_WIDTH_BIRTH_MM, TRACHEA_WIDTH_GROWN_MM = 5.0, 16.5
"""Coronal width at 50 and at 168 cm body height; from memory of CT growth studies."""

SUBCARINAL_DEG = (SUBCARINAL_ANGLE_DEG.value, SUBCARINAL_ANGLE_DEG.sd, 42.0, 118.0)
"""Mean, standard deviation, limits. Source: in vivo morphometry on 60 CT scans (seen), 36 to 121 degrees there."""

CARINA_LEVEL = (6.0, 0.62)
"""T5, T6 or T7 in 92 of 100 films (Goodman 1976, seen): a normal about T6 with this spread has 98 %."""

NECK_SHIFT_MM = {
    NeckPosture.NEUTRAL: 0.0,
    NeckPosture.FLEXED: 10.0 * ICU_MOVEMENT_CM[NeckPosture.FLEXED],
    NeckPosture.EXTENDED: 10.0 * ICU_MOVEMENT_CM[NeckPosture.EXTENDED],
}
"""Mean shift of the tip, away from the carina positive. Conrardy PA et al. Crit Care Med 1976;4:8-12 (seen)."""

NECK_SHIFT_SD_MM = 6.0
CHILD_SHIFT_SHARE = 0.5
"""Children: this share of the maxima of Weiss M et al. Br J Anaesth 2006;96:486-491 as the mean (ours)."""

POSTURE_ODDS = {NeckPosture.NEUTRAL: 0.6, NeckPosture.FLEXED: 0.22, NeckPosture.EXTENDED: 0.18}
FIELD_MM = (205.0, 410.0)
"""Side of the film for a patient of 50 and of 160 cm or more."""

CROP_SHARE = (0.85, 1.02)
"""Least and greatest side of a film over the usual: how closely a film is cut to the chest (ours)."""

PLACEMENT_ODDS = {
    Placement.TRACHEA: 0.92,
    Placement.RIGHT_BRONCHUS: 0.06,
    Placement.LEFT_BRONCHUS: 0.01,
    Placement.OESOPHAGUS: 0.01,
}


def draw_recipe(
    seed: int,
    *,
    difficulty: float = 0.3,
    age_group: AgeGroup = AgeGroup.ADULT,
    view: View | None = None,
    with_tube: bool | None = True,
    header: HeaderGeometry = HeaderGeometry.RIGHT,
    placement: Placement | None = None,
    posture: NeckPosture | None = None,
    rows: int = 1024,
    columns: int = 1024,
) -> FilmRecipe:
    """Turn a seed into a recipe.

    Parameters
    ----------
    seed : int
        Not negative. The same arguments give the same recipe.
    difficulty : float
        0 (clean textbook film) to 1 (rotated, wet, crowded with lines).
    age_group : AgeGroup
    view : View, optional
        AP in nine of ten films with a tube where left open.
    with_tube : bool or None
        None: seven of ten films have one.
    header : HeaderGeometry
    placement, posture : optional
        Drawn where left open.
    rows, columns : int
        Size of the film; the pixel pitch follows, so that the field stays the same.

    Raises
    ------
    SyntheticError
        Where the seed is negative or the difficulty not between 0 and 1.
    """
    if seed < 0 or not 0.0 <= difficulty <= 1.0:
        raise SyntheticError(
            f"recipe: seed {seed} and difficulty {difficulty:g} found; "
            "a seed from 0 and a difficulty from 0 to 1 are expected."
        )
    rng = stream(seed, "recipe")
    patient = _draw_patient(rng, age_group)
    body = _draw_body(rng, patient, difficulty)
    neck = _draw_neck(rng, patient, posture)
    has_tube = bool(rng.random() < 0.7) if with_tube is None else with_tube
    tube = _draw_tube(stream(seed, "tube"), patient, body, neck, placement) if has_tube else None
    size = _size_share(patient)
    cropped = float(stream(seed, "crop").uniform(*CROP_SHARE))
    field_mm = cropped * (FIELD_MM[0] + (FIELD_MM[1] - FIELD_MM[0]) * size)
    return FilmRecipe(
        seed=seed,
        difficulty=difficulty,
        patient=patient,
        body=body,
        neck=neck,
        stand=_draw_stand(stream(seed, "stand"), patient, view, difficulty, has_tube),
        tube=tube,
        exposure=_draw_look(stream(seed, "look"), _draw_exposure(stream(seed, "exposure"), difficulty)),
        devices=_draw_devices(stream(seed, "devices"), difficulty, has_tube, age_group),
        pathology=_draw_pathology(stream(seed, "pathology"), difficulty),
        header=header,
        rows=rows,
        columns=columns,
        pitch_mm=round(field_mm / max(rows, columns), 4),
    )


def _size_share(patient: Patient) -> float:
    return float(np.clip(((patient.height_cm or 170.0) - 50.0) / 110.0, 0.0, 1.0))


def _draw_patient(rng: np.random.Generator, group: AgeGroup) -> Patient:
    sex = Sex.MALE if rng.random() < 0.55 else Sex.FEMALE
    if group is AgeGroup.ADULT:
        age = round(float(rng.beta(3.0, 2.0)) * (ADULT_AGES_YEARS[1] - ADULT_AGES_YEARS[0]) + 18.0)
        height = truncated_normal(rng, *HEIGHT_CM[sex], 140.0, 205.0)
        return Patient(float(age), sex, round(height))
    if group is AgeGroup.NEONATE:
        days = int(rng.integers(0, 28))
        return Patient(days / 365.25, sex, round(truncated_normal(rng, 49.0, 2.5, 42.0, 55.0), 1))
    years = float(rng.integers(1, 17))
    usual = height_from_age_cm(years)
    return Patient(years, sex, round(truncated_normal(rng, usual.value, usual.sd * 0.7, 60.0, 185.0)))


def _draw_body(rng: np.random.Generator, patient: Patient, difficulty: float) -> BodyDials:
    length = cords_to_carina_cm(patient)
    share = _size_share(patient)
    if patient.age_group is AgeGroup.ADULT and patient.sex is not None:
        width = truncated_normal(rng, *TRACHEA_WIDTH_MM[patient.sex], 10.0, 25.0)
    else:
        middle = TRACHEA_WIDTH_BIRTH_MM + (TRACHEA_WIDTH_GROWN_MM - TRACHEA_WIDTH_BIRTH_MM) * share
        width = truncated_normal(rng, middle, 0.09 * middle)
    lean, side = BACKWARD_LEAN_DEG, RIGHTWARD_LEAN_DEG
    spread = float(np.clip(length.sd / length.value, 0.0, 0.12))
    return BodyDials(
        trachea_length_mm=10.0 * length.value * truncated_normal(rng, 1.0, spread, 0.72, 1.28),
        trachea_width_mm=width,
        lean_deg=truncated_normal(rng, lean.value, lean.sd, 3.0, 38.0),
        side_lean_deg=truncated_normal(rng, side.value, side.sd, -8.0, 16.0),
        subcarinal_angle_deg=truncated_normal(rng, *SUBCARINAL_DEG),
        right_share=truncated_normal(rng, 0.38, 0.05, 0.26, 0.5),
        carina_level=truncated_normal(rng, *CARINA_LEVEL, 4.4, 7.6),
        habitus=float(np.exp(rng.normal(0.0, 0.28))),
        inspiration=float(np.clip(rng.normal(0.72 - 0.3 * difficulty, 0.15), 0.05, 1.0)),
        heart=truncated_normal(rng, 1.0 + 0.08 * difficulty, 0.06 + 0.08 * difficulty, 0.82, 1.4),
        kyphosis=truncated_normal(rng, 1.0, 0.2, 0.5, 1.8),
        scoliosis_mm=float(rng.normal(0.0, 2.0 + 7.0 * difficulty)),
        bone=truncated_normal(rng, 1.0 - 0.1 * difficulty, 0.12, 0.6, 1.3),
        arms_out_mm=float(rng.uniform(5.0, 45.0)),
    )


def _draw_neck(rng: np.random.Generator, patient: Patient, posture: NeckPosture | None) -> NeckDials:
    drawn = list(POSTURE_ODDS)[rng.choice(len(POSTURE_ODDS), p=list(POSTURE_ODDS.values()))]
    posture = drawn if posture is None else posture
    noise = float(rng.normal())
    mean, sd = NECK_SHIFT_MM[posture], NECK_SHIFT_SD_MM
    if patient.age_group is not AgeGroup.ADULT and posture in CHILD_MOVEMENT:
        greatest_mm = 10.0 * CHILD_MOVEMENT[posture].at_age_cm(patient.age_years or 0.0)
        mean = math.copysign(CHILD_SHIFT_SHARE * greatest_mm, mean)
        sd = abs(mean) * 0.3
    shift = 0.0 if posture is NeckPosture.NEUTRAL else mean + sd * noise
    return NeckDials(posture, shift, float(rng.normal(0.0, 6.0)))


def _draw_stand(
    rng: np.random.Generator, patient: Patient, view: View | None, difficulty: float, has_tube: bool
) -> Stand:
    drawn = View.AP if rng.random() < (0.9 if has_tube else 0.4) else View.PA
    view = drawn if view is None else view
    size = _size_share(patient)
    unsure = 0.3 + difficulty
    distance = 1830.0 if view is View.PA else float(rng.choice([1000.0, 1050.0, 1100.0, 1200.0, 1300.0]))
    if size < 0.4:
        distance = 1000.0
    return Stand(
        view=view,
        source_to_detector_mm=distance,
        patient_to_detector_mm=(60.0 + 85.0 * size)
        + float(rng.uniform(0.0, 45.0)) * (0.3 + 0.7 * size)
        - (25.0 * size if view is View.PA else 0.0),
        centre_x_mm=float(rng.normal(0.0, 14.0 * unsure)) * (0.35 + 0.65 * size),
        centre_z_mm=float(rng.normal(-27.0, 14.0 * unsure)) * (0.35 + 0.65 * size),
        rotation_deg=float(rng.normal(0.0, 5.0 * unsure)),
        tilt_deg=float(rng.normal(2.0 if view is View.AP else 0.0, 5.0 * unsure)),
        roll_deg=float(rng.normal(0.0, 3.0 * unsure)),
        detector_tilt_deg=float(rng.normal(0.0, 2.0 * unsure)) if view is View.AP else 0.0,
    )


OUTSIDE_PER_SIZE = (1.35, 0.04)
"""Outside over inside diameter; size 8: 10.8 mm, makes differ by up to 2 mm (Ezri 2004, seen)."""

CUFF_DIAMETER_MM = (19.0, 32.0)
"""Size 8 cuffs measured 14.5 to 32 mm (PubMed 7198412, seen); below 19 mm are high-pressure cuffs (memory)."""


def _draw_size_mm(rng: np.random.Generator, patient: Patient) -> float:
    age = patient.age_years or 0.0
    if patient.age_group is AgeGroup.ADULT:
        middle = 8.0 if patient.sex is Sex.MALE else 7.5
        return float(middle + rng.choice([-1.0, -0.5, 0.0, 0.5, 1.0, 1.5], p=[0.08, 0.3, 0.4, 0.16, 0.05, 0.01]))
    if patient.age_group is AgeGroup.NEONATE:
        return float(rng.choice([2.5, 3.0, 3.5], p=[0.15, 0.45, 0.4]))
    return float(np.clip(round((age / 4.0 + 3.5) * 2.0) / 2.0 + rng.choice([-0.5, 0.0, 0.5]), 3.5, 7.5))


LARGEST_SHARE_OF_TRACHEA = 0.88
"""Outside diameter of the usual tube over the tracheal width above which a smaller one is taken (ours)."""

SMALLEST_SIZE_MM = 2.5


def _fitting_size_mm(size_mm: float, trachea_width_mm: float) -> float:
    """The next smaller size, in steps of 0.5, until the tube fits the trachea."""
    while (
        size_mm > SMALLEST_SIZE_MM and size_mm * OUTSIDE_PER_SIZE[0] > LARGEST_SHARE_OF_TRACHEA * trachea_width_mm
    ):
        size_mm -= 0.5
    return size_mm


def _draw_tube(
    rng: np.random.Generator, patient: Patient, body: BodyDials, neck: NeckDials, placement: Placement | None
) -> TubeDials:
    drawn = list(PLACEMENT_ODDS)[rng.choice(len(PLACEMENT_ODDS), p=list(PLACEMENT_ODDS.values()))]
    placement = drawn if placement is None else placement
    size = _fitting_size_mm(_draw_size_mm(rng, patient), body.trachea_width_mm)
    scale = size / MEASURED_SIZE_MM
    outside = size * truncated_normal(rng, *OUTSIDE_PER_SIZE, 1.27, 1.47)
    length = body.trachea_length_mm
    middle, spread = (0.36, 0.16) if patient.age_group is AgeGroup.ADULT else (0.38, 0.15)
    distance = length * truncated_normal(rng, middle, spread, 0.02, 0.97)
    if placement in (Placement.RIGHT_BRONCHUS, Placement.LEFT_BRONCHUS):
        distance = -float(rng.uniform(0.06, 0.22)) * length - max(neck.shift_mm, 0.0)
    return TubeDials(
        size_mm=size,
        outside_diameter_mm=round(outside, 2),
        neutral_distance_mm=_clear_of_ends(distance, neck.shift_mm, length, placement),
        placement=placement,
        bevel_angle_deg=float(rng.uniform(*BEVEL_ANGLE_DEG)),
        roll_deg=float(rng.normal(0.0, 18.0)),
        line=LinePattern(rng.choice([LinePattern.FULL, LinePattern.INTERRUPTED], p=[0.92, 0.08])),
        line_angle_deg=float(rng.choice([20.0, 90.0, 150.0]) + rng.normal(0.0, 20.0)),
        line_barium_mm=float(rng.uniform(0.05, 0.22)),
        murphy_eye=bool(rng.random() < 0.85),
        armoured=bool(rng.random() < 0.05),
        depth_marks=bool(rng.random() < 0.15),
        cuff=size >= 5.0 or bool(rng.random() < 0.6 and size > 3.4),
        bevel_to_cuff_mm=float(rng.uniform(*BEVEL_TO_CUFF_MM)) * scale,
        cuff_length_mm=float(rng.uniform(*CUFF_LENGTH_MM)) * scale,
        cuff_diameter_mm=float(rng.uniform(*CUFF_DIAMETER_MM)) * scale,
        lateral_share=float(rng.uniform(-0.9, 0.9)),
        depth_share=float(rng.uniform(-0.6, 0.9)),
    )


def _clear_of_ends(distance: float, shift: float, length: float, placement: Placement) -> float:
    """Keep the tip on this film between the cords and the carina, unless it is meant to be elsewhere."""
    if placement in (Placement.RIGHT_BRONCHUS, Placement.LEFT_BRONCHUS):
        return min(distance, -0.03 * length - shift)
    return float(np.clip(distance + shift, 0.01 * length, 0.98 * length)) - shift


def _draw_exposure(rng: np.random.Generator, difficulty: float) -> ExposureDials:
    cut = rng.uniform(0.0, 0.08, 4) * (rng.random(4) < 0.3)
    return ExposureDials(
        kvp=float(rng.choice([80.0, 85.0, 90.0, 100.0, 110.0, 120.0])),
        quanta_per_mm2=float(3_000_000.0 * np.exp(rng.normal(-1.3 * difficulty, 0.4))),
        scatter_to_primary=float(rng.uniform(0.5, 1.2 + 1.6 * difficulty)),
        focal_spot_mm=float(rng.choice([0.6, 1.2])),
        detector_blur_mm=float(rng.uniform(0.15, 0.3)),
        motion_mm=float(rng.uniform(0.0, 0.2 + 0.5 * difficulty)),
        latitude=float(np.clip(rng.normal(0.6 + 0.15 * difficulty, 0.2), 0.0, 1.0)),
        edge_gain=float(rng.uniform(0.0, 0.6)),
        brightness=float(rng.normal(0.0, 0.1)),
        collimation=(float(cut[0]), float(cut[1]), float(cut[2]), float(cut[3])),
    )


ENHANCED_SHARE = 0.4
"""Share of films shown with a workstation's strong detail enhancement (ours: about as in the two collections
that docs/synthetic-films.md compares with)."""


def _draw_look(rng: np.random.Generator, plain: ExposureDials) -> ExposureDials:
    """How a film is shown: like film, with a long shoulder, or flat with its details raised."""
    turn = float(rng.normal(0.0, 1.2))
    shutter = bool(rng.random() < 0.9)
    if rng.random() < ENHANCED_SHARE:
        return replace(
            plain,
            latitude=float(np.clip(rng.normal(0.9, 0.1), 0.5, 1.0)),
            edge_gain=float(rng.uniform(0.8, 3.5)),
            detail_gain=float(rng.uniform(0.4, 1.6)),
            quanta_per_mm2=plain.quanta_per_mm2 * float(rng.uniform(0.15, 0.6)),
            shoulder=float(rng.uniform(0.65, 0.9)),
            contrast=float(rng.uniform(0.6, 1.0)),
            brightness=plain.brightness - 0.13,
            collimator_turn_deg=turn,
            shutter=shutter,
        )
    return replace(
        plain,
        detail_gain=float(rng.uniform(0.0, 0.5)),
        shoulder=float(rng.uniform(0.5, 0.84)),
        contrast=float(rng.uniform(0.95, 1.6)),
        collimator_turn_deg=turn,
        shutter=shutter,
    )


def _draw_devices(rng: np.random.Generator, difficulty: float, has_tube: bool, group: AgeGroup) -> DeviceDials:
    ill = (0.25 + 0.75 * difficulty) * (1.0 if has_tube else 0.4)

    def chance(probability: float) -> int:
        return int(rng.random() < probability * ill)

    leads = int(rng.integers(3, 6)) if rng.random() < 0.9 * ill else 0
    grown = group is AgeGroup.ADULT
    return DeviceDials(
        gastric_tube=chance(0.9),
        central_lines=chance(0.8) + chance(0.35),
        tracheostomy_tube=0 if has_tube else chance(0.15),
        ecg_leads=leads,
        temperature_probe=chance(0.12),
        sternal_wires=chance(0.22) if grown else 0,
        pacemaker=chance(0.12) if grown else 0,
        spinal_hardware=chance(0.06) if grown else 0,
        drains=chance(0.3) + chance(0.1),
        necklace=chance(0.05),
        letters=1,
    )


def _draw_pathology(rng: np.random.Generator, difficulty: float) -> PathologyDials:
    def severity(probability: float) -> float:
        present = rng.random() < probability * difficulty**0.7
        drawn = float(rng.beta(1.6, 2.4))
        return drawn if present else 0.0

    def side() -> float:
        return float(rng.choice([-1.0, 1.0]))

    return PathologyDials(
        opacities=severity(0.9),
        effusion_right=severity(0.5),
        effusion_left=severity(0.5),
        collapse=side() * severity(0.22),
        pneumothorax=side() * severity(0.15),
        subcutaneous_air=severity(0.1),
    )

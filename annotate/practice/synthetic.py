"""Synthetic films as tasks."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from types import MappingProxyType

import numpy as np

from annotate.practice.task import FilmSpec, Key, Task
from imaging.load import load_film
from measure.assess import Case
from measure.insertion_depth import Route, brought_to, formulas_for
from measure.patient import AgeGroup
from measure.tube import Tube
from synthetic_images.batch import film_seed
from synthetic_images.film import SyntheticFilm, make_film
from synthetic_images.lines import ENDOTRACHEAL_TUBE, lines_on_film
from synthetic_images.recipe import FilmRecipe, Placement, draw_recipe
from synthetic_images.streams import stream

PLACEMENTS: MappingProxyType[Placement | None, float] = MappingProxyType(
    {
        Placement.TRACHEA: 0.72,
        Placement.RIGHT_BRONCHUS: 0.10,
        Placement.LEFT_BRONCHUS: 0.03,
        Placement.OESOPHAGUS: 0.03,
        None: 0.12,
    }
)
"""How often a round shows each, None being no tube: more of what must not be missed than on a ward (ours)."""

LIP_MARK_SD_CM = 1.0
LIP_MARK_STEP_CM = 0.5
"""Spread of an invented lip mark about the depth formula, and how finely it is read (ours)."""


def draw_spec(round_seed: int, index: int, difficulty: float, age_group: AgeGroup) -> FilmSpec:
    """The new film at a place of a round; only the difficulty depends on the answers before it."""
    seed = film_seed(round_seed, index)
    drawn = stream(seed, "practice placement").choice(len(PLACEMENTS), p=list(PLACEMENTS.values()))
    return FilmSpec(seed, round(difficulty, 4), list(PLACEMENTS)[drawn], age_group)


def recipe_of(spec: FilmSpec) -> FilmRecipe:
    """The recipe of a practice film."""
    recipe = draw_recipe(
        spec.seed,
        difficulty=spec.difficulty,
        age_group=spec.age_group,
        with_tube=spec.placement is not None,
        placement=spec.placement,
        posture=spec.posture,
    )
    return replace(recipe, pathology=replace(recipe.pathology, fork_filled=float(spec.fork_unseen)))


def make_task(spec: FilmSpec) -> Task:
    """Make the film, and its key; about half a second."""
    return task_of(spec, make_film(recipe_of(spec)))


def task_of(spec: FilmSpec, made: SyntheticFilm) -> Task:
    """A film that was made as a task; it is read like any other file, so that its header counts."""
    from synthetic_images.dicom_out import to_dataset

    file = BytesIO()
    to_dataset(made).save_as(file, enforce_file_format=True)
    film = load_film(file.getvalue())
    tube = made.recipe.tube
    case = Case(
        spec.ident,
        spacing=film.spacing,
        magnification=film.magnification,
        view=film.view,
        centre_row=film.centre_row,
        patient=made.recipe.patient,
        tube=Tube() if tube is None else Tube(size_mm=tube.size_mm),
        lip_mark_cm=_lip_mark_cm(made),
        posture=made.recipe.neck.posture,
        notes=film.notes,
    )
    return Task(spec.ident, film, case, key_of(made), spec)


def key_of(made: SyntheticFilm) -> Key:
    """What is true of a synthetic film."""
    lines = dict(lines_on_film(made.recipe))
    tube = lines.pop(ENDOTRACHEAL_TUBE, (None,))[0]
    return replace(Key.from_truth(made.truth), tube=tube, lines=lines)


def _lip_mark_cm(made: SyntheticFilm) -> float | None:
    """A mark that fits the patient and the tip's true height; None without a tube in the airway or a formula."""
    recipe, distance_mm = made.recipe, made.truth.distance_mm
    if recipe.tube is None or distance_mm is None:
        return None
    depths = [
        brought_to(advice, distance_mm / 10.0).depth_cm
        for advice in formulas_for(recipe.patient, Route.ORAL, recipe.tube.size_mm)
        if advice.aims_at_cm is not None
    ]
    if not depths:
        return None
    scatter = float(stream(recipe.seed, "practice lip mark").normal(0.0, LIP_MARK_SD_CM))
    size = min(1.0, float(np.mean(depths)) / 20.0)
    return max(round((float(np.mean(depths)) + scatter * size) / LIP_MARK_STEP_CM) * LIP_MARK_STEP_CM, 1.0)

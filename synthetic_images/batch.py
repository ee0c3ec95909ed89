"""Many films at once: files, a truth file, and a card that says what they are. Stopped, it goes on later."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from measure.magnification import View
from measure.patient import AgeGroup
from synthetic_images.errors import SyntheticError
from synthetic_images.recipe import FilmRecipe, HeaderGeometry, draw_recipe
from synthetic_images.streams import stream

TRUTH_FILE, SETTINGS_FILE, CARD_FILE = "truth.jsonl", "settings.json", "CARD.md"

MIXED_AGES = {AgeGroup.ADULT: 0.8, AgeGroup.CHILD: 0.12, AgeGroup.NEONATE: 0.08}
"""Shares of the age groups where none is chosen (ours)."""


LATERAL_DEG = 90.0
"""How far a patient is turned for a film from the side."""


class FileFormat(StrEnum):
    """How the films are written."""

    DICOM = "dicom"
    PNG = "png"


@dataclass(frozen=True, slots=True)
class BatchSettings:
    """What a batch is made of.

    Parameters
    ----------
    seed : int
        The same settings give the same bytes.
    difficulty : float
        0 to 1.
    age_group : AgeGroup, optional
        Mixed (`MIXED_AGES`) where left open.
    view : View, optional
    with_tube : bool or None
        None: seven of ten films have a tube.
    header : HeaderGeometry
    file_format : FileFormat
    size_px : int
        Rows and columns.
    lateral : bool
        Seen from the side, the left or the right one, instead of frontally.
    """

    seed: int = 0
    difficulty: float = 0.3
    age_group: AgeGroup | None = AgeGroup.ADULT
    view: View | None = None
    with_tube: bool | None = True
    header: HeaderGeometry = HeaderGeometry.RIGHT
    file_format: FileFormat = FileFormat.DICOM
    size_px: int = 1024
    lateral: bool = False

    def __post_init__(self) -> None:
        if self.seed < 0:
            raise SyntheticError(f"batch: seed {self.seed} found; a seed from 0 is expected.")


@dataclass(frozen=True, slots=True)
class BatchResult:
    """What a batch left behind.

    Parameters
    ----------
    folder, truth, card : Path
    made, kept : int
        Films made now, and films found from an earlier run.
    """

    folder: Path
    truth: Path
    card: Path
    made: int
    kept: int


Progress = Callable[[int, int], None]
"""Called with films done and films wanted."""


def make_batch(
    count: int,
    out: Path,
    settings: BatchSettings | None = None,
    *,
    workers: int = 1,
    progress: Progress | None = None,
) -> BatchResult:
    """Write `count` films to a folder, or the rest of them where some are there already.

    Parameters
    ----------
    count : int
        Films wanted in all.
    out : Path
        Made where it does not exist.
    settings : BatchSettings, optional
    workers : int
        Processes; each needs less than 1 GiB for films of 1024 by 1024.
    progress : callable, optional
        Called after each film with the number done and the number wanted.

    Raises
    ------
    SyntheticError
        Where the folder holds a batch of other settings, or count or workers are not positive.
    """
    settings = settings or BatchSettings()
    if count < 1 or workers < 1:
        raise SyntheticError(f"batch: {count} films by {workers} workers asked; at least one of each is needed.")
    out.mkdir(parents=True, exist_ok=True)
    _claim(out, settings)
    truth = out / TRUTH_FILE
    kept = _keep_finished(truth, out, count)
    with truth.open("a", encoding="utf-8") as lines, _mapper(workers) as run:
        jobs = ((settings, index, out) for index in range(kept, count))
        for done, line in enumerate(run(_make_one, jobs), start=kept + 1):
            lines.write(line + "\n")
            lines.flush()
            if progress is not None:
                progress(done, count)
    card = out / CARD_FILE
    card.write_text(card_text(settings, max(count, kept)), encoding="utf-8")
    return BatchResult(out, truth, card, max(count - kept, 0), kept)


def film_seed(seed: int, index: int) -> int:
    """The seed of one film of a batch."""
    return int(np.random.SeedSequence([seed, index]).generate_state(1)[0])


def batch_recipe(settings: BatchSettings, index: int) -> FilmRecipe:
    """The recipe of one film of a batch."""
    seed = film_seed(settings.seed, index)
    group = settings.age_group
    if group is None:
        drawn = stream(seed, "age group").choice(len(MIXED_AGES), p=list(MIXED_AGES.values()))
        group = list(MIXED_AGES)[drawn]
    recipe = draw_recipe(
        seed,
        difficulty=settings.difficulty,
        age_group=group,
        view=settings.view,
        with_tube=settings.with_tube,
        header=settings.header,
        rows=settings.size_px,
        columns=settings.size_px,
    )
    if not settings.lateral:
        return recipe
    aside_deg = recipe.stand.rotation_deg + (LATERAL_DEG if seed % 2 else -LATERAL_DEG)
    return replace(recipe, stand=replace(recipe.stand, rotation_deg=aside_deg))


def film_name(index: int, file_format: FileFormat) -> str:
    """File name of one film of a batch."""
    return f"film_{index:06d}{'.dcm' if file_format is FileFormat.DICOM else '.png'}"


def _make_one(job: tuple[BatchSettings, int, Path]) -> str:
    """Make, write, and answer with the line for the truth file."""
    from synthetic_images.dicom_out import write_dicom
    from synthetic_images.film import make_film
    from synthetic_images.lines import lines_on_film
    from synthetic_images.png_out import write_png

    settings, index, out = job
    film = make_film(batch_recipe(settings, index))
    name = film_name(index, settings.file_format)
    write = write_dicom if settings.file_format is FileFormat.DICOM else write_png
    unfinished = out / f".{name}"
    write(film, unfinished)
    unfinished.replace(out / name)
    lines = {
        name: [path.round(1).tolist() for path in paths] for name, paths in lines_on_film(film.recipe).items()
    }
    record = {"film": name, "truth": film.truth.to_dict(), "lines": lines, "recipe": film.recipe.to_dict()}
    return json.dumps(record, ensure_ascii=False, separators=(",", ":"))


def _claim(out: Path, settings: BatchSettings) -> None:
    """Write the settings, or see that they are those of the batch that is there."""
    path = out / SETTINGS_FILE
    wanted = json.dumps(asdict(settings), indent=2) + "\n"
    if not path.exists():
        path.write_text(wanted, encoding="utf-8")
    elif path.read_text(encoding="utf-8") != wanted:
        raise SyntheticError(
            f"{path}: a batch of other settings found; use the same settings to go on with it, or another folder."
        )


def _keep_finished(truth: Path, out: Path, count: int) -> int:
    """Drop what an interruption left half done; answer how many films stay."""
    if not truth.exists():
        return 0
    good: list[str] = []
    for line in truth.read_text(encoding="utf-8").splitlines():
        try:
            record: dict[str, Any] = json.loads(line)
        except json.JSONDecodeError:
            break
        if not (out / record["film"]).exists():
            break
        good.append(line)
    truth.write_text("".join(line + "\n" for line in good), encoding="utf-8")
    return len(good)


@contextmanager
def _mapper(workers: int) -> Iterator[Callable[..., Iterator[str]]]:
    """`map`, in this process or over several; results come in order."""
    if workers == 1:
        yield map
        return
    # Not forked: a fork of a process whose OpenCV has threads can wait for ever.
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_one_thread) as pool:
        yield pool.map


def _one_thread() -> None:
    """A worker uses one core: OpenCV would take them all."""
    import cv2

    cv2.setNumThreads(1)


def card_text(settings: BatchSettings, count: int) -> str:
    """What the data are, for whoever finds the folder."""
    group = settings.age_group
    ages = "adults, children and neonates" if group is None else f"{group.value} only"
    kind = f"{settings.size_px} x {settings.size_px} pixels, {settings.file_format.value.upper()}"
    return f"""# Synthetic chest films

{count} frontal chest films of {kind}, computed from a parametric body.
No person was imaged; every name, number and date in the headers is invented.

- Patients: {ages}. Difficulty {settings.difficulty:g} of 1. Seed {settings.seed}.
- Geometry in the header: {settings.header.value}.
- `{TRUTH_FILE}`: one JSON object a film, in the order of the files: `film` (file name), `truth` (landmarks in mm
  in the patient and in pixels on the film, and the distance from tip to carina along the airway in mm), `lines`
  (row and column of the points of every long line, by its name) and `recipe` (every dial that the film was made
  with).
- `{SETTINGS_FILE}`: the settings; the same settings give the same bytes.

Good for: training and testing software and people on the tip-to-carina distance. Not good for: any statement
about disease or anatomy in patients. How the films are made, and how they differ from real ones, is in the
project's docs/synthetic-films.md.
"""

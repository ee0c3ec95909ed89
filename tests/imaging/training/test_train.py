"""Two steps of training on tiny films, on the CPU; collected where PyTorch is installed (extra `train`)."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from imaging.film_kind import SIDE_PX, FilmKind
from imaging.training.config import Config, load
from imaging.training.export import export
from imaging.training.kinds import KINDS, Pictures, lesson
from imaging.training.pack import pack
from imaging.training.train import Pupil, train

SIDE = 128
COLUMNS = ["file", "width", "height", "patient", "has_ett", "tip_x", "tip_y", "tip_conf"]
COLUMNS += ["carina_x", "carina_y", "carina_conf", "note", "tracheostomy"]


@pytest.fixture
def config() -> Config:
    recipe = load()
    return replace(
        recipe,
        pack=replace(recipe.pack, side_px=SIDE),
        network=replace(recipe.network, side_px=SIDE, stem=4, channels=(4, 4, 4, 4, 4)),
        train=replace(recipe.train, batch=8, steps=2, overlays=2, minutes=5.0, folds=2),
    )


@pytest.fixture
def films(tmp_path: Path) -> Path:
    """A collection of eight noisy films and another of two."""
    rng = np.random.default_rng(0)
    for folder, count in (("", 8), ("hannover/", 2)):
        (tmp_path / folder / "marked").mkdir(parents=True)
        rows = []
        for k in range(count):
            name = f"marked/{k}.png"
            cv2.imwrite(str(tmp_path / folder / name), rng.integers(0, 255, (SIDE, SIDE), np.uint8))
            tip = [64, 40, 3] if k % 2 else ["", "", ""]
            rows.append([name, SIDE, SIDE, f"{folder}{k}", "yes" if k % 2 else "no", *tip, 64, 60, 3, "", "no"])
        with (tmp_path / folder / "marks.csv").open("w", newline="") as lines:
            csv.writer(lines).writerows([COLUMNS, *rows])
    (tmp_path / "unmarked.csv").write_text("file,patient\n")
    return tmp_path


def test_two_steps_leave_a_network_that_answers(films, config, tmp_path):
    pack(films, tmp_path / "packed", config)
    train(tmp_path / "packed", tmp_path / "none", tmp_path / "runs", config, Pupil("fold0a"), "cpu")
    export(tmp_path / "runs" / "fold0a.pt", tmp_path / "runs" / "fold0a.onnx", config)
    session = pytest.importorskip("onnxruntime").InferenceSession(str(tmp_path / "runs" / "fold0a.onnx"))
    maps, tubes = session.run(["maps", "tubes"], {"film": np.zeros((1, 1, SIDE, SIDE), np.float32)})
    assert maps.shape == (1, 9, SIDE // 4, SIDE // 4)
    assert np.isfinite(maps).all()
    assert tubes.shape == (1, 2)


@pytest.mark.parametrize(
    ("name", "fold", "origins"),
    [("fold3b", 3, ("nih", "hannover")), ("nih-a", -1, ("nih",)), ("all-b", -1, ("nih", "hannover"))],
)
def test_a_pupils_name_says_what_it_learns_from(name, fold, origins):
    pupil = Pupil(name)
    assert (pupil.fold, pupil.origins) == (fold, origins)


def test_a_batch_of_kinds_holds_every_kind_that_there_are_pictures_of():
    side = round(1.5 * SIDE_PX)
    pictures = [
        Pictures(kind, torch.randint(0, 255, (3, side, side), dtype=torch.uint8)) for kind in (KINDS[0], KINDS[5])
    ]
    film, kind = lesson(pictures, 40, torch.Generator().manual_seed(0))
    assert film.shape[1:] == (1, SIDE_PX, SIDE_PX)
    found = {KINDS[k] for k in kind.tolist()}
    assert found == {FilmKind.FRONTAL, FilmKind.ON_ITS_SIDE, FilmKind.UPSIDE_DOWN, FilmKind.NO_CHEST}

"""Two steps of training on tiny films, on the CPU; collected where PyTorch is installed (extra `train`)."""

from __future__ import annotations

import csv
from dataclasses import fields, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from imaging.film_kind import SIDE_PX, FilmKind
from imaging.training.augment import another_hospital
from imaging.training.compose import Dice
from imaging.training.config import Config, load
from imaging.training.export import export
from imaging.training.kinds import KINDS, Pictures, lesson
from imaging.training.model import MAPS, PLACES, SCORES
from imaging.training.pack import Entry, pack, unpack
from imaging.training.shelf import KNOWN, Shelf, draw_known
from imaging.training.synthetic import SyntheticFilm
from imaging.training.teacher import Desk, Lesson, Teacher
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
        train=replace(recipe.train, batch=4, made=8, lying=2, steps=2, overlays=2, minutes=5.0, folds=2),
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


@pytest.mark.filterwarnings("ignore:You are using the legacy")
def test_two_steps_leave_a_network_that_answers(films, config, tmp_path):
    pack(films, tmp_path / "packed", config)
    pupils = [Pupil("fold0a"), Pupil("all-a")]
    train(tmp_path / "packed", tmp_path / "none", tmp_path / "runs", config, pupils, "cpu")
    assert (tmp_path / "runs" / "all-a.pt").exists()
    export(tmp_path / "runs" / "fold0a.pt", tmp_path / "runs" / "fold0a.onnx", config)
    session = pytest.importorskip("onnxruntime").InferenceSession(str(tmp_path / "runs" / "fold0a.onnx"))
    maps, scores = session.run(["maps", "scores"], {"film": np.zeros((1, 1, SIDE, SIDE), np.float32)})
    assert maps.shape == (1, len(MAPS), SIDE // 4, SIDE // 4)
    assert np.isfinite(maps).all()
    assert scores.shape == (1, len(SCORES))


def test_no_learner_takes_a_film_of_its_test_fold_from_the_shared_desk(films, config, tmp_path):
    entries = pack(films, tmp_path / "packed", config)
    shelf = Shelf(*unpack(tmp_path / "packed", SIDE), [], torch.device("cpu"))
    generator = torch.Generator().manual_seed(0)
    desk = Desk(Teacher(shelf, config, generator), 4)
    for name in ("fold0a", "fold1a", "nih-a"):
        allowed = torch.tensor([Pupil(name).allowed(entry) for entry in entries])
        lesson = desk.take(allowed, 4, generator)
        assert allowed[lesson.which].all()
        assert lesson.film.shape == (4, 1, SIDE, SIDE)
    lying = {entries[k].fold for k in desk.lying["which"].flatten().tolist()}
    assert lying == {0, 1}


def test_the_desk_takes_turns():
    class Counting:
        def __init__(self):
            self.made = 0

        def lesson(self):
            self.made += 1
            return Lesson(*(torch.full((2,), float(self.made)) for _ in fields(Lesson)))

    desk = Desk(Counting(), 3)
    desk.renew()
    assert desk.lying["film"][:, 0].tolist() == [4.0, 2.0, 3.0]


def test_only_synthetic_films_teach_jaw_and_first_thoracic_vertebra(films, config, tmp_path):
    pack(films, tmp_path / "packed", config)
    made = synthetic_film()
    shelf = Shelf(*unpack(tmp_path / "packed", SIDE), [made], torch.device("cpu"))
    lesson = Teacher(shelf, config, torch.Generator().manual_seed(0)).lesson()
    synthetic = lesson.which == shelf.real
    assert synthetic.any()
    bones = [PLACES.index(name) for name in ("mandible", "T1")]
    assert (lesson.place_weight[~synthetic][:, bones] == 0.0).all()
    in_view = [SCORES.index(f"{name} in view") for name in ("mandible", "T1")]
    assert (lesson.score_weight[synthetic][:, in_view] > 0.0).all()
    assert (lesson.score_weight[~synthetic][:, in_view] == 0.0).all()
    seen = lesson.place_weight[synthetic][:, bones] > 0.0
    assert (seen == (lesson.scores[synthetic][:, in_view] == 1.0)).all()


def test_vertebrae_are_drawn_where_they_lie():
    bands = np.zeros((len(KNOWN), SIDE // 4, SIDE // 4), np.uint8)
    draw_known(bands, synthetic_film())
    rows, columns = np.nonzero(bands[KNOWN.index("vertebra")] > 127)
    assert (rows.mean() * 4 + 1.5, columns.mean() * 4 + 1.5) == pytest.approx((60.0, 66.0), abs=2.1)


def test_a_synthetic_film_takes_the_light_and_shade_of_a_real_one_and_keeps_its_shapes():
    at = torch.linspace(0.0, 1.0, SIDE)
    edge = (at > 0.5).float()
    real, synthetic = at[:, None].expand(SIDE, SIDE), (0.2 + 0.1 * edge)[None, :].expand(SIDE, SIDE)
    film = torch.stack([real] * 8 + [synthetic] * 8)
    made = torch.arange(16) >= 8
    mixed = another_hospital(Dice(16, film.device, torch.Generator().manual_seed(1)), film, made)
    assert torch.equal(mixed[:8], film[:8])
    changed = (mixed[8:] - film[8:]).abs().amax((1, 2)) > 0.02
    assert changed.any()
    assert not changed.all()
    step = mixed[8:, :, SIDE // 2 + 1].mean(1) - mixed[8:, :, SIDE // 2 - 1].mean(1)
    assert (step > 0.03).all()


def synthetic_film() -> SyntheticFilm:
    entry = Entry(
        "0/a.png", "", "synthetic", "synthetic plain", -2, None, (64.0, 80.0), 0, 3, 0, 0
    )  # fmt: skip
    spine = np.stack([np.full(5, 66.0), np.linspace(20.0, 100.0, 5)], 1)
    airway = np.array([[64.0, 20.0], [64.0, 80.0]])
    pixels = np.zeros((SIDE, SIDE), np.uint8)
    return SyntheticFilm(entry, pixels, airway, {}, spine, np.array([66.0, 40.0]), np.array([64.0, 10.0]))


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
        Pictures(kind, torch.randint(0, 255, (3, side, side), dtype=torch.uint8))
        for kind in (FilmKind.FRONTAL, FilmKind.NO_CHEST)
    ]
    film, kind = lesson(pictures, 40, torch.Generator().manual_seed(0))
    assert film.shape[1:] == (1, SIDE_PX, SIDE_PX)
    found = {KINDS[k] for k in kind.tolist()}
    assert found == {FilmKind.FRONTAL, FilmKind.ON_ITS_SIDE, FilmKind.UPSIDE_DOWN, FilmKind.NO_CHEST}

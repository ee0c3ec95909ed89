"""The front door: its examples run, on a film made on the spot, and it holds nothing of its own."""

import doctest
import inspect
from types import ModuleType

import pytest

import lipmark
from measure.posture import NeckPosture
from synthetic_images.dicom_out import write_dicom
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe

FUNCTIONS = [name for name in lipmark.__all__ if inspect.isfunction(getattr(lipmark, name))]


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    made = make_film(draw_recipe(73, difficulty=0.1, posture=NeckPosture.NEUTRAL))
    return write_dicom(made, tmp_path_factory.mktemp("door") / "film.dcm")


@pytest.mark.parametrize("name", ["lipmark", *FUNCTIONS])
def test_examples_run(film, monkeypatch, name):
    monkeypatch.chdir(film.parent)
    described = lipmark if name == "lipmark" else getattr(lipmark, name)
    names = {known: getattr(lipmark, known) for known in lipmark.__all__}
    example = doctest.DocTestParser().get_doctest(inspect.getdoc(described), names, name, None, 0)
    assert example.examples, f"{name} has no example"
    told = []
    doctest.DocTestRunner().run(example, out=told.append)
    assert not told, "".join(told)


def test_all_that_the_module_names_is_told_and_lives_elsewhere():
    own = {name for name, value in vars(lipmark).items() if not name.startswith("_")}
    assert own == set(lipmark.__all__)
    assert not any(isinstance(getattr(lipmark, name), ModuleType) for name in own)
    assert all(getattr(lipmark, name).__module__ != "lipmark" for name in own)
    assert all(getattr(lipmark, name).__doc__ for name in own)


def test_a_file_and_the_film_in_it_read_alike(film):
    given = {"tip": (439.0, 490.0), "carina": (463.0, 501.0), "lip_mark_cm": 24.0}
    by_name = lipmark.read(film, **given).to_dict()
    by_film = lipmark.read(lipmark.load_film(film), **given).to_dict()
    assert by_name.pop("film") == str(film)
    assert by_film.pop("film") == "film.dcm"
    assert by_name == by_film


def test_all_that_is_said_arrives_in_the_reading(film):
    before = lipmark.read(film, tip=(400, 490), carina=(463, 501), lip_mark_cm=22)
    reading = lipmark.read(
        film,
        tip=(439, 490),
        carina=(463, 501),
        marks={"aortic-arch": [(380, 560)], "T5": [(450, 500)]},
        lip_mark_cm=24,
        neck="flexed",
        patient=lipmark.Patient(64, lipmark.Sex.FEMALE, 163),
        tube=lipmark.Tube(size_mm=7.5),
        route="nasal",
        cuff_pressure=lipmark.CuffPressure.parse("35"),
        accepted_range="schwartz",
        previous=before,
        mm_per_pixel=0.4,
    )
    inputs = reading.inputs
    assert (inputs.lip_mark_cm, inputs.neck_posture, inputs.route) == (24, "flexed", "nasal")
    assert (inputs.patient.age_years, inputs.tube.size_mm, inputs.spacing.row_mm) == (64, 7.5, 0.4)
    assert reading.accepted_range.name == "schwartz"
    assert reading.cuff.pressure is not None
    assert reading.change is not None
    assert set(reading.landmarks.vertebrae) == {"T5"}
    assert reading.landmarks.aortic_arch.row == 380


@pytest.mark.parametrize(
    ("said", "complaint"),
    [
        ({"neck": "neutrl"}, "did you mean neutral"),
        ({"route": "oarl"}, "did you mean oral"),
        ({"accepted_range": "schwarz"}, "'schwarz' found"),
        ({"marks": {"aortic-arhc": [(1, 2)]}}, "did you mean aortic-arch"),
        ({"marks": {"tube-walls": [(1, 2)]}}, "1 points found, 2 expected"),
        ({"tip": (5000, 1)}, "outside a film"),
        ({"lip_mark_cm": 230}, "230 cm found"),
    ],
)
def test_what_cannot_be_is_refused_in_words(film, said, complaint):
    with pytest.raises(lipmark.MeasureError, match=complaint):
        lipmark.read(film, **said)


def test_a_file_that_is_no_film_is_refused(tmp_path):
    with pytest.raises(lipmark.FilmUnreadableError, match="missing"):
        lipmark.read(tmp_path / "missing.dcm")

import json
import stat

import jsonschema
import numpy as np
import pytest
from PIL import Image

from measure.assess import Case, assess
from measure.landmarks import Landmark, Landmarks, hand_sd_px
from measure.reading import SCHEMA_VERSION

CARINA_ROW, COLUMN = 900.0, 600.0
PIXEL_MM = 0.2
SECRET = "Secret^Bed"


def points(height_cm):
    """--tip and --carina for a tip so many cm above the carina on the film."""
    tip_row = CARINA_ROW - 10.0 * height_cm / PIXEL_MM
    return "--tip", f"{tip_row},{COLUMN}", "--carina", f"{CARINA_ROW},{COLUMN}"


@pytest.fixture(scope="module")
def schema(request):
    text = (request.config.rootpath / "docs" / "reading.schema.json").read_text(encoding="utf-8")
    return jsonschema.Draft202012Validator(json.loads(text))


def test_two_points_on_a_film_give_the_new_lip_mark(reading, dicom_film):
    answer = reading(dicom_film(), *points(1.5), "--lip-mark", 23, "--neck", "neutral")
    assert answer["distance"]["on_film_cm"] == pytest.approx(1.5)
    assert answer["verdict"] == "too low"
    adjusted = answer["adjustment"]
    assert adjusted["action"] == "withdraw"
    assert adjusted["to_mark_cm"] == 23 - adjusted["by_cm"]
    assert answer["error"] is None


def test_the_command_and_python_say_the_same_to_the_last_digit(reading, dicom_film):
    from imaging.load import load_film

    path = dicom_film()
    film = load_film(path)
    marks = Landmarks(
        Landmark(CARINA_ROW - 225.0, COLUMN, hand_sd_px("tip", PIXEL_MM)),
        Landmark(CARINA_ROW, COLUMN, hand_sd_px("carina", PIXEL_MM)),
    )
    case = Case(
        str(path),
        marks,
        film.spacing,
        film.magnification,
        film.centre_row,
        film.shape,
        notes=film.notes,
        view=film.view,
        patient=film.patient,
    )
    assert reading(path, *points(4.5)) == json.loads(json.dumps(assess(case).to_dict()))


def test_text_says_the_action_first_and_the_place_second(lipmark, dicom_film):
    status, out, _ = lipmark("read", dicom_film(), *points(1.5), "--lip-mark", 23, "--neck", "neutral")
    assert status == 0
    assert out.splitlines()[1].startswith("NOW: withdraw")
    assert "from 23 to" in out.splitlines()[1]
    assert out.splitlines()[2].startswith("1.5 cm (")
    assert "above the carina: too low" in out.splitlines()[2]
    assert len(out.splitlines()) <= 40


def test_identifiers_are_shown_only_on_request(lipmark, dicom_film):
    path = dicom_film()
    for form in ((), ("--json",), ("--jsonl",)):
        _, out, err = lipmark("read", path, *points(4.5), *form)
        assert "Secret" not in out + err
        assert "4711" not in out + err
        _, out, _ = lipmark("read", path, *points(4.5), *form, "--show-identifiers")
        assert "Secret" in out


def test_a_bad_film_is_an_answer_and_the_rest_go_on(lipmark, dicom_film, tmp_path, schema):
    good, bad, hand = dicom_film("a.dcm"), tmp_path / "b.dcm", dicom_film("c.dcm", BodyPartExamined="HAND")
    bad.write_bytes(good.read_bytes()[:5000])
    missing = tmp_path / "missing.dcm"
    status, out, _ = lipmark("read", good, bad, hand, missing, good, "--jsonl")
    answers = [json.loads(line) for line in out.splitlines()]
    assert status == 1
    assert [answer["film"] for answer in answers] == [str(p) for p in (good, bad, hand, missing, good)]
    assert [answer["error"] is None for answer in answers] == [True, False, False, False, True]
    assert all(answer["verdict"] == "cannot say" for answer in answers[1:4])
    for answer in answers:
        schema.validate(answer)
        assert answer["schema_version"] == SCHEMA_VERSION


def test_a_refused_film_is_an_answer_and_no_failure(lipmark, dicom_film):
    status, out, _ = lipmark("read", dicom_film("hand.dcm", BodyPartExamined="HAND"), "--jsonl")
    assert status == 0
    assert json.loads(out)["no_action_because"] == "film not readable"


def test_many_films_are_a_table(lipmark, dicom_film, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    status, out, _ = lipmark("read", dicom_film("a.dcm"), dicom_film("b.dcm"), "--neck", "neutral")
    assert status == 0
    assert out.splitlines()[0].startswith("film")
    assert out.count(".dcm") == 2
    assert max(map(len, out.splitlines())) <= 100


def test_the_unforeseen_is_an_answer_too(lipmark, dicom_film, monkeypatch):
    def burst(*_):
        raise RuntimeError(SECRET)

    monkeypatch.setattr("annotate.films.answers.assess", burst)
    status, out, err = lipmark("read", dicom_film(), *points(4.5), "--jsonl")
    assert status == 1
    assert "unforeseen RuntimeError" in json.loads(out)["error"]
    assert "Secret" not in out + err


def test_verbose_tells_where_it_went_wrong_but_not_whose_film(lipmark, dicom_film, monkeypatch, caplog):
    def burst(*_):
        raise RuntimeError(SECRET)

    monkeypatch.setattr("annotate.films.answers.assess", burst)
    lipmark("--verbose", "read", dicom_film(), *points(4.5))
    assert "in burst" in caplog.text
    assert "Secret" not in caplog.text


def test_a_folder_gives_its_films_and_nothing_else(lipmark, dicom_film, tmp_path):
    dicom_film("one.dcm")
    dicom_film("two.dcm")
    (tmp_path / "notes.txt").write_text("no film", encoding="utf-8")
    (tmp_path / ".hidden.dcm").write_bytes((tmp_path / "one.dcm").read_bytes())
    _, out, _ = lipmark("read", tmp_path, "--jsonl")
    assert [json.loads(line)["film"] for line in out.splitlines()] == [
        str(tmp_path / "one.dcm"),
        str(tmp_path / "two.dcm"),
    ]
    _, out, _ = lipmark("read", f"{tmp_path}/t*.dcm", f"{tmp_path}/o*.dcm", "--jsonl")
    assert len(out.splitlines()) == 2


def test_many_films_as_json_are_an_array(lipmark, dicom_film):
    _, out, _ = lipmark("read", dicom_film("a.dcm"), dicom_film("b.dcm"), "--json")
    assert len(json.loads(out)) == 2


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("--tip", "812"), "ROW,COL"),
        (("--mark", "nose", "1,2"), "or L1 expected"),
        (("--mark", "tracheal-walls", "1,2"), "2 expected"),
        (("--mark", "cords", "1,x"), "ROW,COL"),
        (("--known-object", "wide", "1,2", "3,4"), "MM"),
        (("--tube-size", "30"), "2.0 to 11.0 mm expected"),
        (("--height", "1.7"), "1.7 cm found"),
        (("--age", "old"), "18m"),
        (("--range", "5-3"), "LOW-HIGH"),
        (("--cuff-pressure", "25 psi"), "cmH2O"),
        (("--neck", "bent"), "extended or unknown expected"),
        (("--previous", "/nowhere.json"), "nowhere"),
        (("--lip-mark", "90"), "1 to 40 cm"),
    ],
)
def test_wrong_usage_exits_with_2_and_says_what_is_expected(lipmark, dicom_film, words, complaint):
    status, out, err = lipmark("read", dicom_film(), *words)
    assert status == 2
    assert complaint in err
    assert out == ""


def test_points_of_one_film_are_not_laid_on_many(lipmark, dicom_film):
    status, _, err = lipmark("read", dicom_film("a.dcm"), dicom_film("b.dcm"), *points(4.5))
    assert status == 2
    assert "one film" in err


def test_nothing_found_is_wrong_usage(lipmark, tmp_path):
    status, _, err = lipmark("read", tmp_path)
    assert status == 2
    assert "no film found" in err


def test_a_point_outside_the_film_is_told_with_its_size(lipmark, dicom_film):
    _, out, _ = lipmark("read", dicom_film(), "--tip", "5000,600", "--carina", "900,600", "--json")
    answer = json.loads(out)
    assert "1500 rows and 1200 columns" in answer["error"]


def test_a_picture_file_measures_once_it_is_told_its_pixel(reading, png_film):
    without = reading(png_film, *points(4.5))
    assert without["inputs"]["spacing"]["source"] == "rough scale from anatomy"
    assert any("Rough scale" in caution for caution in without["cautions"])
    child = reading(png_film, *points(4.5), "--age", "4")
    assert child["no_action_because"] == "scale unknown"
    assert "mm per pixel" in child["reason"]
    told = reading(png_film, *points(4.5), "--mm-per-pixel", "0.2")
    assert told["distance"]["on_film_cm"] == pytest.approx(4.5)
    assert told["inputs"]["spacing"]["source"] == "user"


def test_a_known_object_gives_the_spacing_in_the_patient(reading, png_film):
    answer = reading(png_film, *points(4.5), "--known-object", "11", "300,570", "300,625")
    assert answer["inputs"]["spacing"]["plane"] == "patient"
    assert answer["inputs"]["spacing"]["column_mm"] == pytest.approx(0.2)
    assert answer["distance"]["on_film_cm"] > 4.5


def test_the_tubes_walls_and_size_give_the_spacing_where_the_film_has_none(reading, png_film, dicom_film):
    walls = ("--mark", "tube-walls", "300,570", "300,625")
    printed = reading(png_film, *points(4.5), *walls, "--tube-outside-diameter", "11")
    assert printed["inputs"]["spacing"]["column_mm"] == pytest.approx(0.2)
    assert "outside diameter of 11.0 mm" in printed["inputs"]["spacing"]["note"]
    by_size = reading(png_film, *points(4.5), *walls, "--tube-size", "8")["distance"]
    wide, narrow = (
        one["on_film_high_cm"] - one["on_film_low_cm"] for one in (by_size, printed["distance"])
    )  # fmt: skip
    assert wide > narrow > 0.5
    unsized = reading(png_film, *points(4.5), *walls)["inputs"]["spacing"]
    assert unsized["source"] == "rough scale from anatomy"
    assert reading(dicom_film(), *points(4.5), *walls, "--tube-size", "8")["distance"]["on_film_cm"] == 4.5


def test_non_square_pixels_from_the_command_line(reading, png_film):
    answer = reading(png_film, "--tip", "600,500", "--carina", "900,900", "--mm-per-pixel", "0.2,0.1")
    assert answer["distance"]["on_film_cm"] == pytest.approx(6.0)
    assert answer["distance"]["straight_on_film_cm"] == pytest.approx(np.hypot(6.0, 4.0))
    assert answer["distance"]["aside_on_film_cm"] == pytest.approx(4.0)


def test_the_users_word_goes_before_the_header(reading, dicom_film):
    answer = reading(dicom_film(), *points(3.0), "--age", "4", "--sex", "male", "--height", "102")
    assert answer["inputs"]["patient"] == {"age_years": 4.0, "sex": "male", "height_cm": 102.0}
    assert answer["accepted_range"]["age_group"] == "child"


def test_other_landmarks_settle_the_posture(reading, dicom_film):
    marks = ("--mark", "mandible", "250,600", "--mark", "C5", "200,600", "--mark", "C7", "400,600")
    assert reading(dicom_film(), *points(4.5), *marks)["inputs"]["neck_posture"] == "neutral"
    assert reading(dicom_film(), *points(4.5))["inputs"]["neck_posture"] == "unknown"


@pytest.mark.parametrize(("where", "posture"), [("C6", "neutral"), ("t2", "flexed"), ("absent", "unknown")])
def test_the_mandible_is_the_short_way_to_the_posture(reading, dicom_film, where, posture):
    assert reading(dicom_film(), *points(4.5), "--mandible", where)["inputs"]["neck_posture"] == posture


def test_the_mandibles_row_is_held_against_the_carina(reading, dicom_film):
    low, high = (
        reading(dicom_film(), *points(4.5), "--mandible", row)["inputs"]["neck_flexed"] for row in ("600", "100")
    )
    assert low > 0.9 > 0.3 > high


def test_a_point_seen_without_doubt_narrows_the_interval(reading, dicom_film):
    routine, clear = (reading(dicom_film(), *points(4.5), *more)["distance"] for more in ((), ("--clear",)))
    assert clear["on_film_high_cm"] - clear["on_film_cm"] < 0.7 * (
        routine["on_film_high_cm"] - routine["on_film_cm"]
    )


@pytest.mark.parametrize("kind", ["tracheostomy", "double-lumen"])
def test_another_kind_of_tube_gets_no_move(reading, dicom_film, kind):
    answer = reading(dicom_film(), *points(4.5), "--tube-kind", kind)
    assert answer["adjustment"] is None
    assert kind in answer["no_action_because"]


@pytest.mark.parametrize("name", ["aortic-arch", "arch"])
def test_a_landmarks_name_of_before_is_understood(reading, dicom_film, name):
    marks = reading(dicom_film(), *points(4.5), "--mark", name, "400,700")["landmarks"]
    assert marks["aortic_arch"]["column"] == 700.0


def test_an_airway_path_is_followed(reading, dicom_film):
    path = ("--mark", "airway-path", "675,600", "750,630", "820,600")
    bent = reading(dicom_film(), *points(4.5), *path)["distance"]
    assert bent["follows_path"]
    assert bent["on_film_cm"] > bent["straight_on_film_cm"]


def test_the_previous_film_is_followed_up(lipmark, reading, dicom_film, tmp_path):
    _, out, _ = lipmark("read", dicom_film(), *points(3.5), "--lip-mark", 24, "--neck", "neutral", "--json")
    earlier = tmp_path / "earlier.json"
    earlier.write_text(out, encoding="utf-8")
    words = ("--lip-mark", 22, "--neck", "neutral", "--previous", earlier)
    change = reading(dicom_film(), *points(5.7), *words)["change"]
    assert change["change_cm"]["value"] == pytest.approx(2.2, abs=0.05)
    assert not change["flagged"]
    assert change["probability_moved"] < 0.25
    assert reading(dicom_film(), *points(0.2), *words)["change"]["flagged"]


def test_a_picture_shows_the_film_and_a_folder_takes_many(lipmark, dicom_film, tmp_path):
    target = tmp_path / "pictures" / "one.png"
    lipmark("read", dicom_film(), *points(4.5), "--picture", target)
    with Image.open(target) as picture:
        assert picture.width > 1000
        assert len(np.unique(np.asarray(picture).reshape(-1, 3), axis=0)) > 50
    lipmark("read", dicom_film("a.dcm"), dicom_film("b.dcm"), "--picture", tmp_path / "many")
    assert len(list((tmp_path / "many").glob("*.png"))) == 2


def test_a_picture_never_takes_the_place_of_the_film(lipmark, dicom_film, tmp_path):
    film = dicom_film()
    before = film.read_bytes()
    (tmp_path / "link.png").symlink_to(film)
    for target in (film, tmp_path / "link.png"):
        status, out, err = lipmark("read", film, *points(4.5), "--picture", target, "--overwrite", "--json")
        assert film.read_bytes() == before
        assert status == 1
        assert json.loads(out)["verdict"]
        assert f"{target}: " in err


def test_a_picture_that_is_there_stays_unless_asked(lipmark, dicom_film, tmp_path):
    target = tmp_path / "read.png"
    words = ("read", dicom_film(), *points(4.5), "--picture", target, "--json")
    assert lipmark(*words)[0] == 0
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    target.write_bytes(b"mine")
    status, out, err = lipmark(*words)
    assert (status, target.read_bytes()) == (1, b"mine")
    assert json.loads(out)["verdict"]
    assert "--overwrite" in err
    assert lipmark(*words, "--overwrite")[0] == 0
    assert target.read_bytes() != b"mine"


def test_cuff_and_tube_are_taken_up(reading, dicom_film):
    words = ("--cuff-pressure", "4 kPa", "--tube-size", "8", "--tube-outside-diameter", "11", "--cuff-edge", "6.2")
    answer = reading(dicom_film(), *points(4.5), *words)
    assert answer["cuff"]["pressure"]["finding"] == "cuff pressure high"
    assert answer["inputs"]["tube"]["cuff_upper_from_tip_cm"]["value"] == 6.2


def test_many_processes_say_what_one_says(lipmark, dicom_film):
    films = [dicom_film(f"{number}.dcm") for number in range(7)]
    alone = lipmark("read", *films, "--jsonl", "--workers", 1)
    assert lipmark("read", *films, "--jsonl", "--workers", 2) == alone
    assert len(alone[1].splitlines()) == 7

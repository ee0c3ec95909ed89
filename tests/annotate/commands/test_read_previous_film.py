"""`lipmark read --previous-film`: yesterday's carina on today's film, from its Reading or from the logbook."""

import json
from dataclasses import replace

import pytest

from synthetic_images.film import make_film
from synthetic_images.png_out import write_png
from synthetic_images.recipe import draw_recipe

SIDE_PX = 512


@pytest.fixture(scope="module")
def films(tmp_path_factory):
    """One body on two films, their paths and true carinas."""
    folder = tmp_path_factory.mktemp("films")
    yesterday = draw_recipe(8100, difficulty=0.3, rows=SIDE_PX, columns=SIDE_PX)
    stand = replace(yesterday.stand, centre_z_mm=yesterday.stand.centre_z_mm + 20.0, roll_deg=3.0)
    made = [make_film(yesterday), make_film(replace(yesterday, stand=stand, tube=None))]
    paths = [folder / "yesterday.png", folder / "today.png"]
    for film, path in zip(made, paths, strict=True):
        write_png(film, path)
    return [(path, film.truth.points["carina"]) for path, film in zip(paths, made, strict=True)]


def place(point):
    return f"{point.row},{point.column}"


def by_hand(films):
    path, carina = films[0]
    return path, "--carina", place(carina), "--tip", f"{carina.row - 50},{carina.column}", "--mm-per-pixel", 0.8


def test_the_carina_of_the_reading_before_is_weighed_in(reading, lipmark, films, tmp_path):
    earlier = tmp_path / "yesterday.json"
    earlier.write_text(json.dumps(reading(*by_hand(films))), encoding="utf-8")
    today, true = films[1]
    alone = reading(today, "--mm-per-pixel", 0.8)
    answer = reading(today, "--mm-per-pixel", 0.8, "--previous", earlier, "--previous-film", films[0][0])
    assert answer["carina"] != alone["carina"]
    assert abs(answer["carina"]["row"] - true.row) * 0.8 <= 10.0
    assert any("carried from the film before by the bones" in caution for caution in answer["cautions"])


def test_the_logbook_knows_the_carina_of_the_film_before(reading, lipmark, films, tmp_path):
    keep = ("--log", "--logbook", tmp_path / "log.sqlite", "--reader", "AB", "--patient-id", "demo 7")
    path, *words = by_hand(films)
    status, _, _ = lipmark("read", path, *words, *keep, "--json")
    assert status == 0
    answer = reading(films[1][0], "--mm-per-pixel", 0.8, "--previous-film", films[0][0], *keep)
    assert any("carried from the film before by the bones" in caution for caution in answer["cautions"])


@pytest.mark.parametrize("words", [(), ("--log",)])
def test_a_film_of_which_nothing_is_known_is_a_usage_error(lipmark, films, tmp_path, words):
    logbook = ("--logbook", tmp_path / "log.sqlite", "--reader", "AB") if words else ()
    status, _, err = lipmark("read", films[1][0], "--previous-film", films[0][0], *words, *logbook)
    assert status == 2
    assert "previous film: no Reading" in err


def test_a_proposed_carina_is_not_carried(reading, lipmark, films, tmp_path):
    earlier = tmp_path / "yesterday.json"
    earlier.write_text(json.dumps(reading(films[0][0], "--mm-per-pixel", 0.8)), encoding="utf-8")
    status, _, err = lipmark(
        "read", films[1][0], "--mm-per-pixel", 0.8, "--previous", earlier, "--previous-film", films[0][0]
    )
    assert status == 2
    assert "placed or confirmed by hand" in err

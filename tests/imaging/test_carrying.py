"""The carina of an earlier film on today's: synthetic films of one body, held and exposed otherwise."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from imaging.carrying import Earlier, carried_carina, with_carried_carina
from imaging.case import Request, case_of, read
from imaging.film import Film, Identifiers
from imaging.orientation import turned_film
from imaging.propose import Proposal
from imaging.registration import Fit, moved, soft_parts
from measure.assess import assess
from measure.errors import MeasureError
from measure.landmarks import Landmark, Landmarks, Seen, Source
from measure.turning import turned_landmark
from synthetic_images.film import SyntheticFilm, make_film
from synthetic_images.recipe import draw_recipe

SIDE_PX = 512
MM = 400.0 / SIDE_PX
SEEDS = (8100, 8101, 8102, 8103)


@cache
def pair(seed: int) -> tuple[SyntheticFilm, SyntheticFilm]:
    """One body twice: the second time another stand, exposure, tube, devices and lungs."""
    before = draw_recipe(seed, difficulty=0.3, rows=SIDE_PX, columns=SIDE_PX)
    other = draw_recipe(seed + 50, difficulty=0.5, rows=SIDE_PX, columns=SIDE_PX)
    today = replace(
        before,
        stand=replace(other.stand, centre_z_mm=before.stand.centre_z_mm + 15.0),
        exposure=other.exposure,
        devices=other.devices,
        pathology=replace(other.pathology, collapse=0.0),
        tube=None,
    )
    return make_film(before), make_film(today)


def film_of(made: SyntheticFilm) -> Film:
    return Film(made.pixels.astype(np.float32) / np.float32(4095.0))


def carina_of(made: SyntheticFilm, sd_px: float = 4.0) -> Landmark:
    true = made.truth.points["carina"]
    return Landmark(true.row, true.column, sd_px)


def earlier(seed: int) -> Earlier:
    before, _ = pair(seed)
    return Earlier(film_of(before), carina_of(before))


def miss_mm(mark: Landmark, seed: int) -> float:
    true = carina_of(pair(seed)[1])
    return math.hypot(mark.row - true.row, mark.column - true.column) * MM


def test_the_carina_is_carried_by_the_bones_or_the_reason_is_told():
    misses = []
    for seed in SEEDS:
        before, today = pair(seed)
        found = carried_carina(earlier(seed), film_of(today))
        if isinstance(found, str):
            assert "do not fit" in found
            continue
        assert miss_mm(carina_of(before), seed) > 8.0
        assert found.sd_px * MM >= 9.0
        assert found.source is Source.PROPOSED
        misses.append(miss_mm(found, seed))
    assert len(misses) >= 3
    assert max(misses) <= 10.0


def test_what_the_mediastinum_has_moved_against_the_bones_is_followed():
    before, sunk_mm = earlier(SEEDS[0]), 12
    soft = soft_parts(before.film)
    at = (before.carina.column * MM, before.carina.row * MM)
    sunk = moved(Fit(np.eye(3)[:2], 1.0), soft, np.roll(soft, sunk_mm, axis=0), at).carried(at)
    assert sunk == pytest.approx((at[0], at[1] + sunk_mm), abs=2.0)
    still = moved(Fit(np.eye(3)[:2], 1.0), soft, np.zeros_like(soft), at).carried(at)
    assert still == pytest.approx(at, abs=0.5)


@pytest.mark.parametrize("seed", [SEEDS[0], SEEDS[2]])
def test_a_carina_goes_with_the_mediastinum_where_ribs_and_spine_have_stayed(seed):
    before, sunk_mm = earlier(seed), 12.0
    soft = cv2.GaussianBlur(before.film.pixels, (0, 0), 5.0 / MM)
    sunk = np.roll(soft, round(sunk_mm / MM), axis=0)
    found = carried_carina(before, Film(np.clip(before.film.pixels - soft + sunk, 0.0, 1.0)))
    assert 0.5 * sunk_mm <= (found.row - before.carina.row) * MM <= sunk_mm
    assert found.column == pytest.approx(before.carina.column, abs=2.0 / MM)


def test_the_less_alike_the_bones_the_greater_the_doubt():
    before = earlier(SEEDS[0])
    grain = np.random.default_rng(5).normal(0.0, 0.3, before.film.shape)
    same = carried_carina(before, before.film)
    grained = carried_carina(before, Film(np.clip(before.film.pixels + grain, 0.0, 1.0).astype(np.float32)))
    assert same.sd_px < grained.sd_px
    assert same.confidence > grained.confidence >= 0.5


def test_pixels_that_are_not_square_give_the_same_place():
    before, today = pair(SEEDS[0])
    square = carried_carina(earlier(SEEDS[0]), film_of(today))
    flat = Film(film_of(before).pixels[::2], pixel_aspect=2.0)
    mark = carina_of(before)
    found = carried_carina(Earlier(flat, replace(mark, row=(mark.row - 0.5) / 2.0)), film_of(today))
    assert math.hypot(found.row - square.row, found.column - square.column) * MM <= 2.0


def test_films_that_do_not_fit_carry_nothing():
    noise = Film(np.random.default_rng(3).random((SIDE_PX, SIDE_PX), dtype=np.float32))
    assert "do not fit" in carried_carina(earlier(SEEDS[0]), noise)


def test_a_film_of_another_patient_by_its_header_is_not_even_tried():
    before, today = earlier(SEEDS[0]), film_of(pair(SEEDS[0])[1])
    before = replace(before, film=replace(before.film, identifiers=Identifiers(patient_id="A")))
    today = replace(today, identifiers=Identifiers(patient_id="B"))
    proposal = with_carried_carina(Proposal(Landmarks()), today, before)
    assert proposal.landmarks.carina is None
    assert "another patient" in proposal.reasons[-1]


def test_a_fork_that_is_hardly_seen_is_led_by_the_film_before():
    today, true = film_of(pair(SEEDS[0])[1]), carina_of(pair(SEEDS[0])[1])
    vague = Landmark(true.row + 22.0 / MM, true.column, 15.0 / MM, Source.PROPOSED, 0.3)
    proposal = Proposal(Landmarks(carina=vague), ("carina: unsure, 0.30 found ...",))
    found = with_carried_carina(proposal, today, earlier(SEEDS[0]))
    assert miss_mm(found.landmarks.carina, SEEDS[0]) <= 11.0
    assert found.landmarks.carina.confidence >= 0.5
    assert "film before" in found.landmarks.carina.note
    assert found.reasons == ()


def test_a_fork_that_is_not_seen_at_all_is_carried_and_measured_with():
    today, true = film_of(pair(SEEDS[0])[1]), carina_of(pair(SEEDS[0])[1])
    tip = Landmark(true.row - 40.0 / MM, true.column, 3.0 / MM, Source.PROPOSED, 0.9)
    reading = assess(
        case_of("today", today, Request(earlier=earlier(SEEDS[0])), Proposal(Landmarks(tip=tip), (), Seen.TUBE))
    )
    assert reading.distance is not None
    assert reading.distance.vertical_on_film.low < 4.0 < reading.distance.vertical_on_film.high
    assert any("film before" in caution for caution in reading.cautions)


def test_a_hand_on_this_film_is_not_overruled():
    today = film_of(pair(SEEDS[0])[1])
    case = case_of("today", today, Request(tip=(100.0, 250.0), carina=(210.0, 260.0), earlier=earlier(SEEDS[0])))
    assert (case.landmarks.carina.row, case.landmarks.carina.column) == (210.0, 260.0)


@pytest.mark.parametrize("turns", [1, 2])
def test_a_turned_film_gets_the_same_carina(turns):
    today = film_of(pair(SEEDS[2])[1])
    straight = with_carried_carina(Proposal(Landmarks()), today, earlier(SEEDS[2])).landmarks.carina
    proposal = Proposal(Landmarks(), (), Seen.TUBE, (-turns) % 4)
    turned = with_carried_carina(proposal, turned_film(today, turns), earlier(SEEDS[2])).landmarks.carina
    there = turned_landmark(straight, today.shape, turns)
    assert (turned.row, turned.column) == pytest.approx((there.row, there.column), abs=0.5)


@pytest.mark.parametrize("turns", [0, 2])
def test_a_tip_above_the_carried_carina_is_no_longer_called_below_it(turns):
    today, true = film_of(pair(SEEDS[0])[1]), carina_of(pair(SEEDS[0])[1])
    note = "it lies below the carina, on the side of the patient's right main bronchus; at the end of its line"
    tip = Landmark(true.row - 40.0 / MM, true.column, 3.0 / MM, Source.PROPOSED, 0.9, note)
    marks = Landmarks(tip=turned_landmark(tip, today.shape, turns))
    proposal = Proposal(marks, (), Seen.TUBE, (-turns) % 4)
    found = with_carried_carina(proposal, turned_film(today, turns), earlier(SEEDS[0]))
    assert found.landmarks.tip.note == "at the end of its line"


def test_an_inverted_film_gets_the_same_carina():
    today = film_of(pair(SEEDS[2])[1])
    dark = replace(today, pixels=np.float32(1.0) - today.pixels)
    straight = with_carried_carina(Proposal(Landmarks()), today, earlier(SEEDS[2])).landmarks.carina
    found = with_carried_carina(Proposal(Landmarks(), inverted=True), dark, earlier(SEEDS[2])).landmarks.carina
    assert (found.row, found.column) == pytest.approx((straight.row, straight.column), abs=1.0)


def test_only_a_carina_of_a_hand_is_carried():
    film, carina = earlier(SEEDS[0]).film, earlier(SEEDS[0]).carina
    proposed = replace(carina, source=Source.PROPOSED)
    for marks, found in ((Landmarks(), "none"), (Landmarks(carina=proposed), "only the program")):
        with pytest.raises(MeasureError, match=found):
            Earlier.of(film, assess(case_of("before", film, Request(), Proposal(marks))))
    with pytest.raises(MeasureError, match="no Reading"):
        read(film, tip=(100.0, 250.0), carina=(210.0, 260.0), previous_film=film)

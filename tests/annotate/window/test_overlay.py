from dataclasses import replace

import numpy as np
import pytest

from annotate.drawing.palette import CARINA, OTHER, PATH, TIP, ZONE
from annotate.drawing.ruler import RULER_CM
from annotate.window.asked import asked_of
from annotate.window.marking import Marking
from annotate.window.overlay import Weight, draw, nearest
from annotate.window.words import SIGNS, said_of, said_of_trouble
from imaging.load import load_film
from imaging.propose import Proposal
from measure.cautions import ALWAYS
from measure.estimate import Z95
from measure.landmarks import Landmark, Landmarks, Source
from measure.verdict import Verdict

MM = 0.2
PROPOSED = Landmarks(
    tip=Landmark(675.0, 600.0, 5.0, Source.PROPOSED, 0.9), carina=Landmark(900.0, 600.0, 8.0, Source.PROPOSED, 0.8)
)


@pytest.fixture
def marking(dicom_film):
    path = dicom_film()
    return Marking(str(path), load_film(path), Proposal(PROPOSED))


def test_the_ruler_has_centimetres_of_the_film(marking):
    ticks = [s for s in draw(marking, 1.0, tells=True).strokes if len(s.places) == 2 and s.weight is Weight.THIN]
    rows = sorted({float(s.places[0, 0]) for s in ticks if s.places[0, 0] == s.places[1, 0]}, reverse=True)
    assert rows == pytest.approx([900.0 - 10.0 * height / MM for height in range(RULER_CM + 1)])


def test_the_accepted_zone_is_that_of_the_reading(marking):
    drawing, accepted = draw(marking, 1.0, tells=True), marking.reading.accepted_range
    ends = 900.0 - 10.0 / MM * np.array([accepted.low_cm.value, accepted.high_cm.value])
    assert drawing.band[[0, len(drawing.band) // 2 - 1], 0] == pytest.approx(ends)
    brackets = np.vstack([stroke.places for stroke in drawing.strokes if stroke.colour == ZONE])
    assert drawing.band.min(axis=0) == pytest.approx(brackets.min(axis=0))
    assert drawing.band.max(axis=0) == pytest.approx(brackets.max(axis=0))
    assert sum(stroke.colour == ZONE for stroke in drawing.strokes) == 2


def test_a_rough_scale_has_a_ruler_that_is_called_rough(png_film):
    marking = Marking(str(png_film), load_film(png_film), Proposal(PROPOSED))
    words = [label.text for label in draw(marking, 1.0, tells=True).labels]
    assert marking.reading.inputs.spacing.rough
    assert {"~2", "~4", f"~{RULER_CM} cm, rough"} <= set(words)
    marking.type("mm_per_pixel", "0.2")
    assert f"{RULER_CM} cm" in [label.text for label in draw(marking, 1.0, tells=True).labels]


def test_the_interval_of_a_point_is_drawn_in_its_size(marking):
    rings = [s for s in draw(marking, 1.0, tells=True).strokes if s.colour == CARINA and len(s.places) > 2]
    assert np.ptp(rings[0].places[:, 0]) == pytest.approx(2.0 * Z95 * 8.0, rel=0.01)


def test_proposed_is_dashed_and_placed_by_hand_is_solid(marking):
    def dashed(colour):
        strokes = draw(marking, 1.0, tells=True).strokes
        return {s.dashed for s in strokes if s.colour == colour and not (colour == TIP and len(s.places) == 2)}

    assert dashed(TIP) == dashed(CARINA) == {True}
    marking.change(marking.moved("tip", 0, (700.0, 600.0)))
    assert dashed(TIP) == {False}
    assert dashed(CARINA) == {True}


def test_the_followed_line_has_ticks_beside_it_until_a_hand_takes_the_tip(dicom_film):
    line = tuple(Landmark(row, 600.0, 9.0, Source.PROPOSED) for row in (500.0, 560.0, 620.0))
    path = dicom_film()
    marking = Marking(str(path), load_film(path), Proposal(replace(PROPOSED, tube_line=line)))

    def ticks():
        strokes = draw(marking, 1.0, tells=True).strokes
        places = [s.places for s in strokes if s.colour == TIP and s.weight is Weight.THIN and len(s.places) == 2]
        return np.array(places).reshape(-1, 2, 2)

    assert sorted(set(ticks()[:, 0, 0])) == [500.0, 560.0, 620.0]
    assert np.abs(ticks()[:, :, 1] - 600.0).min() > 5.0
    marking.change(marking.moved("tip", 0, (700.0, 600.0)))
    assert not len(ticks())


def test_nothing_is_told_where_nothing_may_be(marking):
    drawing = draw(marking, 1.0, tells=False)
    assert drawing.band is None
    assert not any(stroke.colour == ZONE for stroke in drawing.strokes)


def test_other_landmarks_and_another_reader_are_drawn(marking):
    marking.change(
        marking.marks.put_all("airway-path", ((700.0, 600.0), (800.0, 600.0))).put("cords", 0, (200.0, 600.0))
    )
    drawing = draw(marking, 1.0, tells=True, selected="cords", other=PROPOSED)
    assert {PATH, OTHER} <= {stroke.colour for stroke in drawing.strokes}
    words = [label.text for label in drawing.labels]
    assert "vocal cords" in words
    assert words.count("tip, compared") == words.count("carina, compared") == 1


def test_the_mouse_takes_the_nearest_point_within_reach(marking):
    assert nearest(marking, (680.0, 605.0), 10.0) == ("tip", 0)
    assert nearest(marking, (780.0, 600.0), 10.0) is None
    assert nearest(marking, (880.0, 600.0), 400.0) == ("carina", 0)


def test_pixels_that_are_not_square_are_drawn_in_true_shape(marking):
    tall = Marking("tall", replace(marking.film, pixel_aspect=2.0), Proposal(PROPOSED))
    assert nearest(tall, (2.0 * 675.0, 600.0), 1.0) == ("tip", 0)


def test_the_panel_says_verdict_move_and_lip_marks(marking):
    marking.change(marking.moved("tip", 0, (850.0, 600.0)).put("carina", 0, (900.0, 600.0)))
    marking.type("lip_mark", "24")
    marking.type("neck", "neutral")
    said, move = said_of(marking, ()), marking.reading.adjustment
    assert said.verdict == f"▼ NOW: withdraw {move.by_cm:g} cm, from 24 to {move.to_mark_cm:g} cm at the lip"
    assert said.move.startswith("1.0 cm (")
    assert dict(said.facts)["Lands at"].startswith(f"{move.lands_on_film_cm.value:.1f} cm (")
    assert [odds.after for odds in said.odds if odds.zone == "within range"] != [""]


def test_the_panel_says_what_would_sharpen_the_answer(marking):
    unknown = " ".join(asked_of(marking))
    assert all(word in unknown for word in ("tip is only proposed", "The neck", "mark at the lip"))
    for key, text in (("neck", "neutral"), ("lip_mark", "23")):
        marking.type(key, text)
    assert "The neck" not in " ".join(asked_of(marking))


def test_every_answer_carries_the_cautions(marking):
    assert set(ALWAYS) <= set(said_of(marking, ()).cautions)
    assert set(ALWAYS) <= set(said_of_trouble("no film").cautions)
    assert set(SIGNS) == set(Verdict)
    assert len(set(SIGNS.values())) == len(Verdict)

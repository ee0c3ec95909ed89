import json
from dataclasses import replace

import pytest

from measure.assess import assess
from measure.case import Case
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.landmarks import VERTEBRAE, Landmark, Landmarks, Source, SpineSeen
from measure.patient import Patient
from measure.posture import UNKNOWN_SHARES, NeckPosture
from measure.reading import Reading
from measure.spacing import Plane, Spacing, SpacingSource
from measure.spine import (
    PITCH_MM,
    height_above_carina_mm,
    mm_per_row,
    posture_as_seen,
    posture_by_carina,
    reaches_c7,
)

MM_PER_ROW = Estimate(0.2, 0.0)
CARINA = Landmark(1500.0, 1000.0, 5.0)


def row_of(level):
    return CARINA.row - height_above_carina_mm(VERTEBRAE.index(level)).value / MM_PER_ROW.value


def test_a_vertebra_at_the_carina_measures_what_is_published():
    """Song YG et al. Br J Anaesth 2015;115:252-257: 22.6 +- 2.1 mm with its disc on the chest film, n = 524."""
    marks = Landmarks(vertebrae={"T5": Landmark(1000.0, 1.0, 0.0), "T7": Landmark(1000.0 + 2 * 226.0, 1.0, 0.0)})
    scale = mm_per_row(marks)
    assert scale is not None
    assert scale.value == pytest.approx(0.1)
    assert scale.sd / scale.value == pytest.approx(2.1 / 22.6)


@pytest.mark.parametrize("names", [(), ("T4",)])
def test_one_vertebra_is_no_ruler(names):
    assert mm_per_row(Landmarks(vertebrae={name: Landmark(1.0, 1.0, 1.0) for name in names})) is None


def test_vertebrae_upside_down_are_no_ruler():
    marks = Landmarks(vertebrae={"T4": Landmark(900.0, 1.0, 1.0), "T6": Landmark(500.0, 1.0, 1.0)})
    assert mm_per_row(marks) is None


def test_upper_vertebrae_are_shorter():
    levels = [height_above_carina_mm(VERTEBRAE.index(name)).value for name in ("C4", "C7", "T2", "T4", "T6")]
    assert levels == sorted(levels, reverse=True)
    assert levels[0] / (VERTEBRAE.index("T6") - VERTEBRAE.index("C4")) < PITCH_MM.value


@pytest.mark.parametrize(
    ("level", "likeliest"), [("C3", "extended"), ("C5", "neutral"), ("C6", "neutral"), ("T2", "flexed")]
)
def test_the_height_of_the_mandible_tells_the_posture_softly(level, likeliest):
    belief = posture_by_carina(Landmark(row_of(level), 1000.0, 5.0), CARINA, MM_PER_ROW)
    chances = {"neutral": belief.neutral, "flexed": belief.flexed, "extended": belief.extended}
    assert max(chances, key=chances.__getitem__) == likeliest
    assert sum(chances.values()) == pytest.approx(1.0)


def test_a_mandible_far_below_is_flexed_by_name():
    belief = posture_by_carina(Landmark(row_of("T4"), 1000.0, 5.0), CARINA, MM_PER_ROW)
    assert belief.posture is NeckPosture.FLEXED


@pytest.mark.parametrize(("above_mm", "reaches"), [(90.0, False), (130.0, False), (180.0, True)])
def test_whether_a_film_reaches_c7(above_mm, reaches):
    assert reaches_c7(Landmark(above_mm / 0.2, 1000.0, 5.0), MM_PER_ROW) is reaches


def seen(level, sd=0.3, confidence=0.9, **more):
    mark = Landmark(200.0, 500.0, 10.0, Source.PROPOSED, confidence)
    return SpineSeen(mandible=mark, mandible_level=Estimate(level, sd), **more)


@pytest.mark.parametrize(("name", "likeliest"), [("C3", "extended"), ("C6", "neutral"), ("T2", "flexed")])
def test_a_seen_mandible_makes_its_posture_likely_and_names_none(name, likeliest):
    belief = posture_as_seen(seen(VERTEBRAE.index(name)))
    assert getattr(belief, likeliest) > 0.85
    assert not belief.named
    assert name in belief.reason


def test_a_mandible_over_c7_leaves_neutral_and_flexed_open():
    belief = posture_as_seen(seen(VERTEBRAE.index("C7"), sd=0.1, confidence=1.0))
    assert belief.neutral == pytest.approx(0.5, abs=0.01)
    assert belief.flexed == pytest.approx(0.5, abs=0.01)


def test_doubt_about_the_mandible_leads_back_to_the_usual_shares():
    for level, confidence, sd in ((5.0, 0.0, 0.1), (3.0, 0.1, 0.1)):
        belief = posture_as_seen(seen(level, sd, confidence))
        assert belief.flexed == pytest.approx(UNKNOWN_SHARES[NeckPosture.FLEXED], abs=0.1)
        assert belief.extended == pytest.approx(UNKNOWN_SHARES[NeckPosture.EXTENDED], abs=0.1)
    vague = posture_as_seen(seen(VERTEBRAE.index("C6"), sd=3.0))
    assert max(vague.neutral, vague.flexed, vague.extended) < 0.7


def test_a_mandible_seen_to_be_absent_rules_out_flexion_as_far_as_that_is_sure():
    shares = [posture_as_seen(SpineSeen(mandible_absent=sure)).flexed for sure in (0.5, 0.9, 1.0)]
    assert shares == pytest.approx([0.1, 0.02, 0.0])
    assert posture_as_seen(SpineSeen()) is None


def case(**known):
    carina, spacing = Landmark(900.0, 500.0, 10.0), Spacing(0.2, 0.2, Plane.DETECTOR, SpacingSource.USER)
    spine = seen(VERTEBRAE.index("T2"))
    marks = Landmarks(tip=Landmark(700.0, 500.0, 8.0), carina=carina, spine=spine)
    return replace(Case("film", marks, spacing), **known)


def test_what_the_program_sees_is_used_and_told_where_nobody_says_anything():
    reading = assess(case())
    assert reading.inputs.neck_posture is NeckPosture.UNKNOWN
    assert reading.inputs.neck_flexed > 0.85
    assert any("as the program sees it" in caution for caution in reading.cautions)


@pytest.mark.parametrize(
    "known", [{"posture": NeckPosture.NEUTRAL}, {"mandible": "C5"}, {"mandible": "absent"}], ids=str
)
def test_what_is_told_goes_before_what_the_program_sees(known):
    reading = assess(case(**known))
    assert reading.inputs.neck_flexed < 0.25
    assert not any("as the program sees it" in caution for caution in reading.cautions)


def test_a_marked_mandible_goes_before_what_the_program_sees():
    marks = replace(case().landmarks, mandible=Landmark(20.0, 500.0, 10.0))
    assert assess(case(landmarks=marks)).inputs.neck_flexed < 0.3


def test_a_child_gets_no_posture_from_an_adults_spine():
    assert assess(case(patient=Patient(age_years=5.0))).inputs.neck_flexed == pytest.approx(0.2)


def test_the_seen_pitch_narrows_the_rough_scale_of_a_film_without_spacing():
    """PITCH_MM over 100 rows is 0.226 mm a row; the longer side of 2000 rows says 0.2."""
    marks = replace(case().landmarks, spine=SpineSeen(pitch_rows=Estimate(100.0, 3.5)))
    blind, with_spine = (
        assess(case(spacing=None, shape=(2000, 1600), landmarks=held)).inputs.spacing
        for held in (replace(marks, spine=None), marks)
    )
    assert blind.row_mm == pytest.approx(0.2)
    assert 0.21 < with_spine.row_mm < 0.226
    assert with_spine.relative_sd < 0.6 * blind.relative_sd
    assert "the program sees" in with_spine.note


def test_a_marked_scale_leaves_the_seen_pitch_aside():
    vertebrae = {"T3": Landmark(400.0, 500.0, 5.0), "T5": Landmark(600.0, 500.0, 5.0)}
    marks = replace(case().landmarks, vertebrae=vertebrae, spine=SpineSeen(pitch_rows=Estimate(50.0, 1.0)))
    assert assess(case(spacing=None, shape=(2000, 1600), landmarks=marks)).inputs.spacing.row_mm > 0.2


def test_what_is_seen_comes_back_from_json():
    marks = Landmarks(
        spine=seen(4.0, pitch_rows=Estimate(100.0, 4.0), vertebrae={"T1": Landmark(300.0, 500.0, 20.0)})
    )
    reading = assess(Case("film", marks))
    back = Reading.from_dict(json.loads(json.dumps(reading.to_dict())))
    assert back.landmarks.spine.mandible == marks.spine.mandible
    assert back.landmarks.spine.vertebrae == marks.spine.vertebrae
    assert back.landmarks.spine.pitch_rows.sd == pytest.approx(4.0, abs=1e-3)
    assert "spine" not in assess(Case("film")).to_dict()["landmarks"]


@pytest.mark.parametrize("values", [{"pitch_rows": Estimate(0.0, 1.0)}, {"mandible_absent": 1.5}], ids=str)
def test_what_cannot_be_seen_is_refused(values):
    with pytest.raises(MeasureError, match="spine"):
        SpineSeen(**values)

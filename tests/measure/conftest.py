import pytest

from measure.assess import Case
from measure.landmarks import Landmark, Landmarks
from measure.magnification import from_factor
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.spacing import Plane, Spacing, SpacingSource

PIXEL_MM = 0.14


@pytest.fixture
def detector_spacing():
    return Spacing(PIXEL_MM, PIXEL_MM, Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING)


@pytest.fixture
def case_at(detector_spacing):
    """A case whose tip lies `height_cm` above the carina on the film: an adult, neck neutral, geometry known."""

    def build(height_cm, sd_px=4.0, **changes):
        carina = Landmark(1500.0, 1000.0, sd_px)
        tip = Landmark(1500.0 - 10.0 * height_cm / PIXEL_MM, 1000.0, sd_px)
        known = {
            "film": "bed-07.dcm",
            "landmarks": Landmarks(tip=tip, carina=carina),
            "spacing": detector_spacing,
            "magnification": from_factor(1.15),
            "patient": Patient(60.0, Sex.MALE, 178.0),
            "posture": NeckPosture.NEUTRAL,
            "lip_mark_cm": 24.0,
        }
        return Case(**(known | changes))

    return build

"""The measurement against a real chest CT: known airway, known tube, known perspective.

Truth comes from the CT's own label volume and from pinhole geometry, not from our synthetic films.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from measure.anatomy import BACKWARD_LEAN_DEG
from measure.assess import Case, assess
from measure.landmarks import Landmark, Landmarks
from measure.magnification import View, from_distances
from measure.patient import Patient
from measure.reading import Distance
from measure.spacing import Plane, Spacing, SpacingSource

pytestmark = pytest.mark.outside

TIPS_MM = (10.0, 20.0, 30.0, 40.0, 50.0)
AGREES_WITHIN_MM = 2.0
"""What the outside check has to reach; a real tip is read to about 7 mm (J Digit Imaging 2021;34:846-852)."""


def exact(point) -> Landmark:
    return Landmark(float(point[0]), float(point[1]), sd_px=0.0)


def measured(film, *, with_geometry: bool, with_path: bool = False) -> Distance:
    """The Reading's distance for the true marks, which bring no error of their own."""
    path = tuple(exact(point) for point in film.airway[:-1]) if with_path else ()
    case = Case(
        film="chest CT",
        landmarks=Landmarks(tip=exact(film.tip), carina=exact(film.carina), airway_path=path),
        spacing=Spacing(film.pixel_mm, film.pixel_mm, Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING),
        view=View.AP,
        centre_row=(film.pixels.shape[0] - 1) / 2.0,
        patient=Patient(age_years=60.0),
        **({"magnification": from_distances(film.sid_mm, film.sod_mm)} if with_geometry else {}),
    )
    distance = assess(case).distance
    assert distance is not None
    return distance


def test_the_trachea_leans_as_published(chest_ct):
    # Zanella 2015: 20.6 +- 6.9 degrees; read independently on this CT as 23 degrees.
    assert chest_ct.lean_degrees == pytest.approx(23.0, abs=1.0)
    assert abs(chest_ct.lean_degrees - BACKWARD_LEAN_DEG.value) < BACKWARD_LEAN_DEG.sd


def test_the_carina_is_where_the_projected_airway_forks(chest_ct, ct_geometry, project_volume):
    airway = project_volume(chest_ct.trachea.astype(np.float32))
    row, column = np.round(ct_geometry.pixel(chest_ct.carina)).astype(int)

    def branches(at_row: int) -> int:
        return int(ndimage.label(airway[at_row] > 0.5)[1])

    assert branches(row - 20) == 1
    assert branches(row + 20) == 2
    assert airway[row + 20, column] < 0.5


def test_the_midline_runs_down_the_middle_of_the_projected_airway(chest_ct, ct_geometry, project_volume):
    airway = project_volume(chest_ct.trachea.astype(np.float32))
    for above_mm in (20.0, 30.0, 40.0, 50.0, 60.0):
        row, column = ct_geometry.pixel(chest_ct.at(above_mm))
        profile = airway[round(row)]
        middle = float((profile * np.arange(profile.size)).sum() / profile.sum())
        assert middle == pytest.approx(column, abs=2.0 / 0.4)


@pytest.mark.parametrize("tip_mm", TIPS_MM)
@pytest.mark.parametrize("with_path", [False, True], ids=["straight", "along the path"])
def test_true_marks_and_geometry_give_the_true_distance(ct_film, tip_mm, with_path):
    distance = measured(ct_film(tip_mm), with_geometry=True, with_path=with_path)
    assert 10.0 * distance.in_patient.value == pytest.approx(tip_mm, abs=AGREES_WITHIN_MM)


@pytest.mark.parametrize("tip_mm", TIPS_MM)
@pytest.mark.parametrize("with_geometry", [True, False], ids=["geometry known", "geometry unknown"])
def test_the_interval_contains_the_truth(ct_film, tip_mm, with_geometry):
    inside = measured(ct_film(tip_mm), with_geometry=with_geometry).in_patient
    assert inside.low < tip_mm / 10.0 < inside.high


def test_without_geometry_the_interval_is_wider(ct_film):
    film = ct_film(50.0)
    known, unknown = (measured(film, with_geometry=known).in_patient for known in (True, False))
    assert unknown.sd > known.sd


def test_the_tube_ends_on_the_film_where_the_truth_says(ct_film, ct_tube):
    film = ct_film(30.0)
    tube = ct_tube(30.0)
    rows = np.flatnonzero(tube.max(axis=1) > 0.05)
    # A square end, leaning: its lower rim lies at most one radius times sin(lean), 2 mm, below the midline's end.
    assert film.tip[0] - 1.0 <= rows[-1] <= film.tip[0] + 3.0 * film.magnification / film.pixel_mm

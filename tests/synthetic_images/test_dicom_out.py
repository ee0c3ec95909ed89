"""The DICOM that we write, against the validator of David Clunie's dicom3tools and against pydicom."""

from __future__ import annotations

import os
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
import pytest

from measure.magnification import View
from synthetic_images.dicom_out import write_dicom
from synthetic_images.film import make_film
from synthetic_images.recipe import HeaderGeometry, draw_recipe

VALIDATOR = shutil.which("dciodvfy")
WITHOUT_VALIDATOR = "LIPMARK_WITHOUT_DCIODVFY"
"""Set this variable to 1 where Debian's dicom3tools cannot be installed."""


@pytest.fixture(scope="module")
def film():
    return make_film(draw_recipe(7, rows=256, columns=256))


@pytest.mark.outside
@pytest.mark.skipif(os.environ.get(WITHOUT_VALIDATOR) == "1", reason=f"{WITHOUT_VALIDATOR}=1")
@pytest.mark.parametrize("header", list(HeaderGeometry))
@pytest.mark.parametrize("view", [View.AP, View.PA])
def test_dciodvfy_finds_no_error(film, tmp_path: Path, header: HeaderGeometry, view: View) -> None:
    assert VALIDATOR, f"dciodvfy is missing: install Debian's dicom3tools, or set {WITHOUT_VALIDATOR}=1"
    recipe = replace(film.recipe, header=header, stand=replace(film.recipe.stand, view=view))
    path = write_dicom(replace(film, recipe=recipe), tmp_path / "film.dcm")
    found = subprocess.run([VALIDATOR, path], capture_output=True, text=True, check=False)
    said = found.stdout + found.stderr
    assert "DXImageForPresentation" in said
    assert "Error" not in said, said


def test_pixels_and_geometry_survive(film, tmp_path: Path) -> None:
    data = pydicom.dcmread(write_dicom(film, tmp_path / "film.dcm"))
    assert np.array_equal(data.pixel_array, film.pixels)
    assert float(data.ImagerPixelSpacing[0]) == film.recipe.pitch_mm
    assert float(data.EstimatedRadiographicMagnificationFactor) == pytest.approx(
        film.truth.carina_magnification, abs=1e-4
    )
    assert float(data.DistanceSourceToDetector) == film.recipe.stand.source_to_detector_mm
    assert list(data.PatientOrientation) == ["L", "F"]
    assert str(data.PatientName).startswith("Unit^Bed")


def test_same_seed_same_bytes(film, tmp_path: Path) -> None:
    again = make_film(draw_recipe(7, rows=256, columns=256))
    first = write_dicom(film, tmp_path / "a.dcm").read_bytes()
    assert write_dicom(again, tmp_path / "b.dcm").read_bytes() == first
    other = make_film(draw_recipe(8, rows=256, columns=256))
    assert write_dicom(other, tmp_path / "c.dcm").read_bytes() != first


def test_wrong_header_differs_from_the_truth(film) -> None:
    from synthetic_images.dicom_out import to_dataset

    wrong = to_dataset(replace(film, recipe=replace(film.recipe, header=HeaderGeometry.WRONG)))
    right = to_dataset(film)
    names = ("ImagerPixelSpacing", "DistanceSourceToPatient", "EstimatedRadiographicMagnificationFactor")
    assert any(wrong[name].value != right[name].value for name in names)

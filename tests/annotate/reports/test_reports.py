"""Structured report, capture and FHIR, checked by software that is not ours: dciodvfy, dcmtk, fhir.resources."""

import copy
import io
import json
import os
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pydicom
import pytest
from fhir.resources.R4B.bundle import Bundle

from annotate.films.answers import answer
from annotate.reports.dicom_capture import secondary_capture
from annotate.reports.dicom_marks import presentation_state
from annotate.reports.dicom_sr import structured_report
from annotate.reports.fhir import bundle
from annotate.reports.marks_of_ours import is_ours
from annotate.reports.source import Reported, ReportError, header_of
from imaging.case import Request
from imaging.film import Identifiers, Turn
from imaging.load import load_film
from imaging.orientation import turned
from measure.assess import Case
from measure.posture import NeckPosture
from measure.reading import unreadable
from synthetic_images.dicom_out import write_dicom
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe

TIP, CARINA = (180.25, 250.5), (260.125, 255.0)


@pytest.fixture(scope="module")
def film_path(tmp_path_factory):
    made = make_film(draw_recipe(73, difficulty=0.1, rows=512, columns=512))
    return write_dicom(made, tmp_path_factory.mktemp("film") / "film.dcm")


@pytest.fixture(scope="module")
def reported(film_path):
    known = Case("", lip_mark_cm=24.0, posture=NeckPosture.NEUTRAL)
    done = answer(film_path, Request(tip=TIP, carina=CARINA, known=known))
    film = load_film(film_path)
    return Reported(header_of(film_path.read_bytes()), film.shape, film.turn, done.reading, "AB")


@pytest.fixture(scope="module")
def written(reported, film_path, tmp_path_factory):
    folder = tmp_path_factory.mktemp("reports")
    structured_report(reported).save_as(folder / "report.dcm")
    secondary_capture(reported, load_film(film_path)).save_as(folder / "capture.dcm")
    presentation_state(reported).save_as(folder / "marks.dcm")
    return folder


@pytest.mark.outside
@pytest.mark.skipif("LIPMARK_WITHOUT_DCIODVFY" in os.environ, reason="dciodvfy is not there")
@pytest.mark.parametrize("name", ["report", "capture", "marks"])
def test_dciodvfy_finds_no_error(written, name):
    run = subprocess.run(["dciodvfy", written / f"{name}.dcm"], capture_output=True, text=True)
    told = (run.stdout + run.stderr).splitlines()
    assert [line for line in told if line.startswith("Error")] == []
    # A private coding scheme cannot be a defined term.
    assert [line for line in told if line.startswith("Warning") and "99LIPMARK" not in line] == []


@pytest.mark.outside
@pytest.mark.skipif(shutil.which("dsrdump") is None, reason="dcmtk is not installed")
def test_dsrdump_reads_what_was_found(written, reported):
    run = subprocess.run(["dsrdump", "+Pl", written / "report.dcm"], capture_output=True, text=True, check=True)
    height = reported.reading.distance.on_film
    said = (
        f'"Tip above carina, on the film")="{round(height.value, 2):g}" (cm,UCUM,"cm")',
        f'"Tip above carina, on the film, lower 95% limit")="{round(height.low, 2):g}" (cm,UCUM,"cm")',
        f'"{reported.reading.verdict.value}"',
        f'"{reported.reading.adjustment.action.value}"',
        '"confirmed by a reader"',
        'PNAME:(,,"Person Observer Name")="AB^"',
        '"Algorithm Name")="lipmark"',
    )
    for words in said:
        assert words in run.stdout
    assert "POINT,251/180.75" in run.stdout  # The first pixel's outer corner is 0: half a pixel more.
    assert "POINT,255.5/260.625" in run.stdout


def test_all_belong_to_the_film_s_study_and_are_known_as_ours(written, film_path):
    film = pydicom.dcmread(film_path, stop_before_pixels=True)
    assert not is_ours(film)
    series = {film.SeriesInstanceUID}
    for name in ("report", "capture", "marks"):
        ours = pydicom.dcmread(written / f"{name}.dcm")
        assert is_ours(ours)
        assert ours.StudyInstanceUID == film.StudyInstanceUID
        assert ours.PatientID == film.PatientID
        series.add(ours.SeriesInstanceUID)
    assert len(series) == 4


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_a_point_finds_its_stored_pixel_however_the_film_was_turned(reported, mirrored, quarter_turns):
    turn = Turn(mirrored, quarter_turns)
    stored = np.arange(12.0).reshape(3, 4)
    upright = turned(stored, turn)
    about = Reported(reported.header, upright.shape, turn, reported.reading)
    for row, column in np.ndindex(upright.shape):
        x, y = about.stored_point(row, column)
        assert stored[int(y), int(x)] == upright[row, column]
        assert (x % 1.0, y % 1.0) == (0.5, 0.5)


@pytest.mark.outside
@pytest.mark.skipif(shutil.which("dcmpschk") is None, reason="dcmtk is not installed")
@pytest.mark.parametrize(("photometric", "shape"), [("MONOCHROME1", "INVERSE"), ("MONOCHROME2", "IDENTITY")])
def test_dcmtk_takes_the_marks_and_shows_no_film_as_its_negative(reported, photometric, shape, tmp_path):
    header = copy.deepcopy(reported.header)
    header.PhotometricInterpretation = photometric
    state = presentation_state(replace(reported, header=header))
    state.save_as(tmp_path / "marks.dcm")
    run = subprocess.run(["dcmpschk", "-v", tmp_path / "marks.dcm"], capture_output=True, text=True)
    told = (run.stdout + run.stderr).splitlines()
    # Beside errors (E:) it gives what it finds wrong, what it looks at and its verdict as warnings (W:).
    worth = [line for line in told if line.startswith(("E:", "W:"))]
    assert worth == [f"W: Testing: {tmp_path / 'marks.dcm'}", "W: Test passed."]
    assert state.PresentationLUTShape == shape


def test_a_coloured_film_has_its_marks_in_the_capture_alone(reported):
    header = copy.deepcopy(reported.header)
    header.PhotometricInterpretation, header.SamplesPerPixel = "RGB", 3
    assert presentation_state(replace(reported, header=header)) is None


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
def test_marks_lie_on_the_stored_film_however_it_was_turned(reported, mirrored, quarter_turns):
    about = replace(reported, turn=Turn(mirrored, quarter_turns))
    annotation = presentation_state(about).GraphicAnnotationSequence[0]
    ring, fork = (np.reshape(drawn.GraphicData, (-1, 2)) for drawn in annotation.GraphicObjectSequence)
    assert tuple(ring[0]) == pytest.approx(about.stored_point(*TIP))
    assert tuple(fork[1]) == pytest.approx(about.stored_point(*CARINA))
    assert np.linalg.norm(ring[1] - ring[0]) == pytest.approx(0.012 * 512)


def test_a_mark_at_the_film_s_edge_is_drawn_within_it(reported):
    landmarks = reported.reading.landmarks
    edge = replace(landmarks, tip=replace(landmarks.tip, row=0.0, column=0.0))
    edge = replace(edge, carina=replace(landmarks.carina, row=511.0, column=511.0))
    state = presentation_state(replace(reported, reading=replace(reported.reading, landmarks=edge)))
    for drawn in state.GraphicAnnotationSequence[0].GraphicObjectSequence:
        assert 0.0 <= min(drawn.GraphicData) <= max(drawn.GraphicData) <= 512.0


def test_a_proposal_is_reported_as_one(film_path):
    done = answer(film_path, Request())
    film = load_film(film_path)
    report = structured_report(Reported(header_of(film_path.read_bytes()), film.shape, film.turn, done.reading))
    about = Reported(header_of(film_path.read_bytes()), film.shape, film.turn, done.reading)
    (words,) = presentation_state(about).GraphicAnnotationSequence[0].TextObjectSequence
    assert "confirmed by nobody" in words.UnformattedTextValue
    assert report.CompletionFlag == "PARTIAL"
    assert "not confirmed" in str(report)
    assert report.VerificationFlag == "UNVERIFIED"


def test_a_film_without_distance_has_a_report_too(film_path, reported):
    done = answer(film_path, Request(tip=TIP))
    lone = Reported(reported.header, reported.shape, reported.turn, unreadable("film", "made up"), "AB")
    for reading in (done.reading, lone.reading):
        about = Reported(reported.header, reported.shape, reported.turn, reading, "AB")
        held = io.BytesIO()
        structured_report(about).save_as(held)
        presentation_state(about).save_as(io.BytesIO())


def test_no_report_without_a_study(film_path):
    film = pydicom.dcmread(film_path)
    del film.StudyInstanceUID
    held = io.BytesIO()
    film.save_as(held)
    with pytest.raises(ReportError, match="StudyInstanceUID"):
        header_of(held.getvalue())
    with pytest.raises(ReportError, match="DICOM film is expected"):
        header_of(b"no DICOM")


@pytest.mark.outside
def test_fhir_holds_against_the_model_and_says_the_same(reported):
    who = Identifiers(patient_name="Secret^Bed", patient_id="ID-4711", sop_instance_uid="1.2.3")
    text = bundle(reported.reading, who, "AB", datetime(2026, 1, 2, 3, 4, tzinfo=UTC))
    Bundle.model_validate_json(text)
    report, observation = (entry["resource"] for entry in json.loads(text)["entry"])
    height = reported.reading.distance.on_film
    assert observation["valueQuantity"] == {
        "value": round(height.value, 2),
        "unit": "cm",
        "system": "http://unitsofmeasure.org",
        "code": "cm",
    }
    assert observation["component"][0]["valueQuantity"]["value"] == round(height.low, 2)
    assert (report["status"], observation["status"]) == ("final", "final")
    assert report["result"][0]["reference"].endswith(observation["id"])
    assert observation["subject"]["identifier"]["value"] == "ID-4711"
    assert "Secret" not in text


@pytest.mark.outside
def test_fhir_of_a_proposal_is_preliminary_and_of_nothing_measured_says_why(film_path):
    for request in (Request(), Request(tip=TIP, carina=None)):
        done = answer(film_path, request)
        text = bundle(done.reading, Identifiers(), "", datetime.now(UTC))
        Bundle.model_validate_json(text)
        assert json.loads(text)["entry"][1]["resource"]["status"] == "preliminary"
    text = bundle(unreadable("film", "made up"), Identifiers(), "", datetime.now(UTC))
    Bundle.model_validate_json(text)
    observation = json.loads(text)["entry"][1]["resource"]
    assert observation["dataAbsentReason"]["text"] == "made up"
    assert "valueQuantity" not in observation


def test_by_command(lipmark, film_path, tmp_path):
    words = ("--tip", "180,250", "--carina", "260,255", "--reader", "AB", "--report-dicom", tmp_path / "dicom")
    status, _, err = lipmark("read", film_path, *words, "--report-fhir", tmp_path / "reading.json")
    assert status == 0, err
    names = sorted(path.name for path in (tmp_path / "dicom").iterdir())
    assert names == ["0001-capture.dcm", "0001-marks.dcm", "0001-report.dcm"]
    assert pydicom.dcmread(tmp_path / "dicom" / "0001-report.dcm").CompletionFlag == "COMPLETE"
    Bundle.model_validate_json((tmp_path / "reading.json").read_text())
    written = [*(tmp_path / "dicom").iterdir(), tmp_path / "reading.json"]
    assert {path.stat().st_mode & 0o777 for path in written} == {0o600}
    again = (*words, "--report-fhir", tmp_path / "reading.json")
    assert lipmark("read", film_path, *again)[0] == 1
    assert lipmark("read", film_path, *again, "--overwrite")[0] == 0


def test_a_picture_file_has_no_report_and_that_is_told(lipmark, png_film, tmp_path, caplog):
    words = (
        "--mm-per-pixel",
        "0.2",
        "--tip",
        "500,600",
        "--carina",
        "800,610",
        "--report-dicom",
        tmp_path / "out",
    )
    status, out, _ = lipmark("read", png_film, *words)
    assert status == 1
    assert "above" in out
    assert "DICOM film is expected" in caplog.text

"""Patient, identifiers and manners of the DICOM reader."""

from __future__ import annotations

import logging
import subprocess
import sys
import warnings

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.tag import Tag

from imaging.dicom import read_identifiers
from imaging.errors import ImagingError
from imaging.load import load_film
from measure.patient import AgeGroup, Sex


@pytest.mark.parametrize(
    ("text", "years"),
    [("034Y", 34.0), ("018M", 1.5), ("003W", 21 / 365.25), ("010D", 10 / 365.25), ("000D", 0.0), ("34y", 34.0)],
)
def test_age_string(text, years, dicom):
    # PS3.5 6.2, AS: nnnD, nnnW, nnnM, nnnY.
    assert load_film(dicom(PatientAge=text)).patient.age_years == pytest.approx(years)


def test_age_string_of_a_newborn_is_a_neonates(dicom):
    assert load_film(dicom(PatientAge="010D")).patient.age_group is AgeGroup.NEONATE


def test_age_from_birth_and_study_date(dicom):
    film = load_film(dicom(PatientBirthDate="19800615", StudyDate="20200614"))
    assert film.patient.age_years == pytest.approx(40.0, abs=0.01)
    assert film.notes == ()


@pytest.mark.parametrize(
    "header",
    [
        {"PatientAge": "ABC"},
        {"PatientAge": "200Y"},
        {"PatientBirthDate": "20300101", "StudyDate": "20200101"},
        {"PatientBirthDate": "18000101", "StudyDate": "20200101"},
    ],
    ids=str,
)
def test_impossible_age_is_not_used(header, dicom):
    film = load_film(dicom(**header))
    assert film.patient.age_years is None
    assert len(film.notes) == 1


def test_age_that_contradicts_the_birth_date_is_flagged(dicom):
    film = load_film(dicom(PatientAge="005Y", PatientBirthDate="19500101", StudyDate="20200101"))
    assert film.patient.age_years == 5.0
    assert "contradict" in film.notes[0]


@pytest.mark.parametrize("dates", [("", "20200101"), ("1980", "20200101"), ("19801399", "20200101")])
def test_no_date_gives_no_age(dates, dicom):
    assert load_film(dicom(PatientBirthDate=dates[0], StudyDate=dates[1])).patient.age_years is None


@pytest.mark.parametrize(("letter", "sex"), [("F", Sex.FEMALE), ("M", Sex.MALE), ("O", None), ("", None)])
def test_sex(letter, sex, dicom):
    assert load_film(dicom(PatientSex=letter)).patient.sex is sex


@pytest.mark.parametrize(
    ("size", "height_cm", "flagged"),
    [("1.72", 172.0, False), ("0.48", 48.0, False), ("172", 172.0, True), ("9", None, True), ("0", None, False)],
)
def test_height_is_in_metres(size, height_cm, flagged, dicom):
    # PS3.3 C.7.2.2 (0010,1020): length or size of the patient, in metres.
    film = load_film(dicom(PatientSize=size))
    assert film.patient.height_cm == (None if height_cm is None else pytest.approx(height_cm))
    assert bool(film.notes) == flagged


SECRETS = {
    "PatientName": "Invented^Person",
    "PatientID": "SECRET-77",
    "PatientBirthDate": "19810203",
    "StudyDate": "20210304",
    "AccessionNumber": "ACC-99",
}


def test_identifiers_are_kept_apart(dicom):
    film = load_film(dicom(**SECRETS))
    kept = film.identifiers
    assert kept.patient_name == SECRETS["PatientName"]
    assert (kept.patient_id, kept.birth_date, kept.study_date, kept.accession_number) == (
        "SECRET-77",
        "19810203",
        "20210304",
        "ACC-99",
    )
    shown = repr(film) + " ".join(film.notes)
    assert not any(secret in shown for secret in (*SECRETS.values(), kept.sop_instance_uid))


def spoilt(dataset, file_bytes):
    """A film whose identifying attributes break the rules that pydicom warns of."""
    film = dataset(**SECRETS)
    for tag, vr, value in (
        (0x00100030, "DA", b"SECRET-DATE-OF-BIRTH"),
        (0x00100020, "LO", b"SECRET-" + b"9" * 80),
        (0x00080005, "CS", b"SECRET_CHARSET"),
        (0x00181110, "DS", b"SECRET-DISTANCE "),
    ):
        film[tag] = RawDataElement(Tag(tag), vr, len(value), value, 0, False, True)
    return file_bytes(film)


def test_nothing_is_warned_of_or_logged(dataset, file_bytes, caplog, capfd):
    data = spoilt(dataset, file_bytes)
    caplog.clear()  # Writing such a file is what pydicom warned of so far.
    with caplog.at_level(logging.DEBUG), warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        film = load_film(data)
    assert film.shape == (40, 30)
    assert not warned
    assert not caplog.records
    assert capfd.readouterr() == ("", "")


def test_fresh_process_prints_nothing(dataset, file_bytes, tmp_path):
    path = tmp_path / "film"
    path.write_bytes(spoilt(dataset, file_bytes))
    run = subprocess.run(
        [sys.executable, "-c", "import sys; from imaging.load import load_film; load_film(sys.argv[1])", path],
        capture_output=True,
        text=True,
        check=True,
    )
    assert (run.stdout, run.stderr) == ("", "")


@given(data=st.data())
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damage_anywhere_gives_a_film_or_a_reason(data, dicom):
    whole = bytearray(dicom(**SECRETS, ImagerPixelSpacing=[0.2, 0.2], WindowCenter=2000, WindowWidth=4000))
    for _ in range(data.draw(st.integers(1, 6))):
        whole[data.draw(st.integers(128, 900))] = data.draw(st.integers(0, 255))
    try:
        film = load_film(bytes(whole))
    except ImagingError as raised:
        reason = str(raised)
        assert "expected" in reason
        assert "Invented" not in reason
    else:
        assert np.isfinite(film.pixels).all()
        assert film.pixels.min() >= 0.0
        assert film.pixels.max() <= 1.0


@pytest.mark.parametrize(("value", "told"), [("YES", True), ("NO", False), (None, False)])
def test_text_burned_into_the_picture_is_told(value, told, dicom):
    film = load_film(dicom(**({} if value is None else {"BurnedInAnnotation": value})))
    assert any("burned into" in note for note in film.notes) == told


@pytest.mark.parametrize(
    ("found", "taken"),
    [
        ({"AcquisitionDateTime": "20260302063015.123456"}, "20260302063015"),
        ({"AcquisitionDate": "20260302", "AcquisitionTime": "063015.5"}, "20260302063015"),
        ({"StudyDate": "2026.03.02", "StudyTime": "06:30:15"}, "20260302063015"),
        ({"StudyDate": "20260302"}, ""),
    ],
)
def test_when_the_film_was_taken(found, taken):
    dataset = Dataset()
    for keyword, value in found.items():
        setattr(dataset, keyword, value)
    assert read_identifiers(dataset).taken == taken

"""What is taken for a chest film, and what is refused, with found, expected and what to do."""

from __future__ import annotations

import pydicom
import pytest
from pydicom.data import get_testdata_file

from imaging.errors import FilmRefusedError, FilmUnreadableError
from imaging.load import load_film

SAYS_ALL = r"found; a single frontal chest film \(CR, DX or secondary capture\) is expected\. \w"


@pytest.mark.parametrize("part", ["CHEST", "THORAX", "Lung", "PORT CHEST", "CHESTABDOMEN", "TORAX", "", None])
def test_chest_is_taken(part, dicom):
    film = load_film(dicom(BodyPartExamined=part))
    assert film.notes == ()


@pytest.mark.parametrize("part", ["HAND", "SKULL", "ABDOMEN", "TSPINE", "THORACIC SPINE", "KNEE", "FOOT"])
def test_other_body_part_is_refused(part, dicom):
    with pytest.raises(FilmRefusedError, match=f"body part '{part.replace(' ', '')}' was {SAYS_ALL}"):
        load_film(dicom(BodyPartExamined=part))


def test_anatomic_region_counts_where_the_body_part_is_absent(dicom):
    item = pydicom.Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = "85562004", "SCT", "Hand"
    with pytest.raises(FilmRefusedError, match="body part 'HAND'"):
        load_film(dicom(BodyPartExamined=None, AnatomicRegionSequence=[item]))


@pytest.mark.parametrize("modality", ["CR", "DX", "RG", "OT", ""])
def test_radiograph_is_taken(modality, dicom):
    assert load_film(dicom(Modality=modality)).format == "DICOM"


@pytest.mark.parametrize("modality", ["PX", "MG", "CT", "MR", "US", "XA", "RF", "IO", "XC"])
def test_other_modality_is_refused(modality, dicom):
    with pytest.raises(FilmRefusedError, match=f"modality '{modality}' was {SAYS_ALL}"):
        load_film(dicom(Modality=modality))


@pytest.mark.parametrize(
    "sop_class",
    [
        pydicom.uid.ComputedRadiographyImageStorage,
        pydicom.uid.DigitalXRayImageStorageForPresentation,
        pydicom.uid.DigitalXRayImageStorageForProcessing,
        pydicom.uid.SecondaryCaptureImageStorage,
    ],
    ids=lambda uid: uid.name,
)
def test_class_is_taken(sop_class, dicom):
    assert load_film(dicom(SOPClassUID=sop_class)).shape == (40, 30)


@pytest.mark.parametrize(
    "name",
    [
        "CT_small.dcm",
        "MR_small.dcm",
        "rtplan.dcm",
        "rtdose.dcm",
        "test-SR.dcm",
        "waveform_ecg.dcm",
        "SC_rgb_rle_2frame.dcm",
        "SC_rgb_rle_32bit.dcm",
    ],
)
def test_other_objects_are_refused(name):
    with pytest.raises(FilmRefusedError, match="expected"):
        load_film(get_testdata_file(name, download=False))


def test_several_frames_are_refused(dicom):
    with pytest.raises(FilmRefusedError, match=f"2 frames were {SAYS_ALL}"):
        load_film(dicom(NumberOfFrames=2))
    assert load_film(dicom(NumberOfFrames=1)).shape == (40, 30)


@pytest.mark.parametrize("syntax", [pydicom.uid.MPEG2MPML, pydicom.uid.MPEG4HP41, pydicom.uid.HEVCMP51])
def test_video_is_refused(syntax, dataset, file_bytes):
    film = dataset()
    film.PixelData = pydicom.encaps.encapsulate([b"\0" * 8])
    film["PixelData"].VR = "OB"
    film["PixelData"].is_undefined_length = True
    with pytest.raises(FilmRefusedError, match=f"a video .* was {SAYS_ALL}"):
        load_film(file_bytes(film, syntax=syntax))


def test_film_without_its_pixels_is_unreadable(dataset, file_bytes):
    film = dataset()
    del film.PixelData
    with pytest.raises(FilmUnreadableError, match="cut short"):
        load_film(file_bytes(film))

import json

import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom.dataset import FileMetaDataset
from pydicom.uid import DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian, generate_uid

from annotate.command_line import main

PIXEL_MM = 0.2
ROWS, COLUMNS = 1500, 1200


def grey_film():
    """A smooth invented film with a little noise; enough for marks placed by hand."""
    random = np.random.default_rng(2)
    down = np.linspace(0.0, 1.0, ROWS)[:, None]
    return (8000 + 40000 * down + random.normal(0.0, 300.0, (ROWS, COLUMNS))).astype(np.uint16)


@pytest.fixture
def dicom_film(tmp_path):
    """A valid enough DX film of an invented adult; attributes may be changed by keyword."""

    def write(name="film.dcm", **attributes):
        dataset = pydicom.Dataset()
        dataset.file_meta = FileMetaDataset()
        dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        dataset.SOPClassUID = DigitalXRayImageStorageForPresentation
        dataset.SOPInstanceUID = generate_uid()
        dataset.file_meta.MediaStorageSOPClassUID = dataset.SOPClassUID
        dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
        known = {
            "Modality": "DX",
            "ViewPosition": "AP",
            "BodyPartExamined": "CHEST",
            "PatientOrientation": ["L", "F"],
            "PatientName": "Secret^Bed",
            "PatientID": "ID-4711",
            "PatientAge": "060Y",
            "PatientSex": "F",
            "ImagerPixelSpacing": [PIXEL_MM, PIXEL_MM],
            "DistanceSourceToDetector": 1100,
            "DistanceSourceToPatient": 950,
            "EstimatedRadiographicMagnificationFactor": 1100 / 950,
            "Rows": ROWS,
            "Columns": COLUMNS,
            "SamplesPerPixel": 1,
            "BitsAllocated": 16,
            "BitsStored": 16,
            "HighBit": 15,
            "PixelRepresentation": 0,
            "PhotometricInterpretation": "MONOCHROME2",
            "PixelData": grey_film().tobytes(),
        }
        for keyword, value in (known | attributes).items():
            setattr(dataset, keyword, value)
        path = tmp_path / name
        dataset.save_as(path, enforce_file_format=True)
        return path

    return write


@pytest.fixture
def png_film(tmp_path):
    path = tmp_path / "film.png"
    Image.fromarray(grey_film()).save(path)
    return path


@pytest.fixture
def lipmark(capsys):
    """Runs the command line here; gives exit status, standard output and standard error."""

    def run(*words):
        capsys.readouterr()
        try:
            status = main([str(word) for word in words])
        except SystemExit as stop:
            status = stop.code
        printed = capsys.readouterr()
        return status, printed.out, printed.err

    return run


@pytest.fixture
def reading(lipmark):
    """The JSON object that `lipmark read --json` prints."""

    def run(*words):
        status, out, err = lipmark("read", *words, "--json")
        assert status == 0, err
        return json.loads(out)

    return run

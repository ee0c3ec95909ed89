"""A film as a DICOM file: Digital X-Ray Image, For Presentation (PS3.3 A.26). Every attribute is invented."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from measure.magnification import View
from measure.patient import Sex
from synthetic_images.detector import GREY_LEVELS
from synthetic_images.film import SyntheticFilm
from synthetic_images.recipe import HeaderGeometry
from synthetic_images.streams import stream

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

MAKER = "lipmark synthetic films"
STUDY_DATE = "20000101"
"""One date for all: a film that was never taken has no day."""

WRONG_GEOMETRY = ("swapped distances", "spacing off", "no magnification")


def uid(seed: int, subject: str) -> str:
    """A unique identifier from a seed (PS3.5 B.2: 2.25. and a number of up to 128 bits)."""
    digest = hashlib.sha256(f"{MAKER}/{seed}/{subject}".encode()).digest()
    return f"2.25.{int.from_bytes(digest[:15], 'big')}"


def to_dataset(film: SyntheticFilm) -> Dataset:
    """The film as a data set with file meta information, ready to be written."""
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import UID, DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian

    identity = _identity(film)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = DigitalXRayImageStorageForPresentation
    meta.MediaStorageSOPInstanceUID = UID(uid(identity, "instance"))
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(uid(0, "implementation"))
    meta.ImplementationVersionName = "LIPMARK"
    data = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    data.SOPClassUID = meta.MediaStorageSOPClassUID
    data.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    _patient_and_study(data, film, identity)
    _series_and_equipment(data, film, identity)
    _image(data, film)
    _anatomy_and_view(data, film)
    _detector(data, film)
    _geometry(data, film)
    return data


def write_dicom(film: SyntheticFilm, path: Path) -> Path:
    """Write the film as DICOM; the same film gives the same bytes.

    Returns
    -------
    Path
        The file written.
    """
    to_dataset(film).save_as(path, enforce_file_format=True)
    return path


def _identity(film: SyntheticFilm) -> int:
    """A number that only the same recipe and pixels share."""
    digest = hashlib.sha256(repr(film.recipe).encode() + film.pixels.tobytes()).digest()
    return int.from_bytes(digest[:8], "big")


def _patient_and_study(data: Dataset, film: SyntheticFilm, identity: int) -> None:
    recipe = film.recipe
    patient = recipe.patient
    data.PatientName = f"Unit^Bed {recipe.seed % 97 + 1:02d}"
    data.PatientID = f"SYN{recipe.seed:08d}"
    data.PatientBirthDate = ""
    data.PatientSex = {Sex.FEMALE: "F", Sex.MALE: "M", None: ""}[patient.sex]
    data.PatientAge = _age(patient.age_years)
    if patient.height_cm is not None:
        data.PatientSize = f"{patient.height_cm / 100.0:.3f}"
    data.PatientComments = "Synthetic: no patient, no examination"
    data.StudyInstanceUID = uid(identity, "study")
    data.StudyDate = data.SeriesDate = data.ContentDate = data.AcquisitionDate = STUDY_DATE
    data.StudyTime = data.ContentTime = data.AcquisitionTime = "120000"
    data.ReferringPhysicianName = ""
    data.StudyID = f"{recipe.seed % 10**12}"
    data.AccessionNumber = ""
    data.StudyDescription = "Synthetic chest film"


def _age(years: float | None) -> str:
    if years is None:
        return ""
    if years < 28.0 / 365.25:
        return f"{round(years * 365.25):03d}D"
    return f"{round(years):03d}Y" if years >= 2.0 else f"{round(years * 12.0):03d}M"


def _series_and_equipment(data: Dataset, film: SyntheticFilm, identity: int) -> None:
    data.Modality = "DX"
    data.PresentationIntentType = "FOR PRESENTATION"
    data.SeriesInstanceUID = uid(identity, "series")
    data.SeriesNumber = 1
    data.InstanceNumber = 1
    data.SeriesDescription = f"Chest {film.recipe.stand.view.value}"
    data.Manufacturer = MAKER
    data.ManufacturerModelName = "parametric chest"
    data.DeviceSerialNumber = "0"
    data.SoftwareVersions = "1"
    data.InstitutionName = ""


def _image(data: Dataset, film: SyntheticFilm) -> None:
    data.ImageType = ["DERIVED", "PRIMARY"]
    data.DerivationDescription = "Computed from a parametric body; not an image of a person"
    data.SamplesPerPixel = 1
    data.PhotometricInterpretation = "MONOCHROME2"
    data.Rows, data.Columns = film.pixels.shape
    data.BitsAllocated = 16
    data.BitsStored = 12
    data.HighBit = 11
    data.PixelRepresentation = 0
    data.PixelIntensityRelationship = "LOG"
    data.PixelIntensityRelationshipSign = -1
    data.RescaleIntercept, data.RescaleSlope, data.RescaleType = "0", "1", "US"
    data.PresentationLUTShape = "IDENTITY"
    data.LossyImageCompression = "00"
    data.BurnedInAnnotation = "NO"
    data.WindowCenter, data.WindowWidth = str(GREY_LEVELS // 2), str(GREY_LEVELS)
    data.PixelData = film.pixels.astype("<u2").tobytes()


def _code(value: str, scheme: str, meaning: str) -> Dataset:
    from pydicom.dataset import Dataset as Item

    item = Item()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


VIEW_CODES = {
    View.AP: ("399348003", "antero-posterior"),
    View.PA: ("399074003", "postero-anterior"),
}
"""SNOMED CT codes of PS3.16 CID 4010 (DX View); from memory."""


def _anatomy_and_view(data: Dataset, film: SyntheticFilm) -> None:
    view = film.recipe.stand.view
    data.BodyPartExamined = "CHEST"
    data.AnatomicRegionSequence = [_code("51185008", "SCT", "Chest")]
    data.ImageLaterality = "U"
    data.ViewPosition = view.value
    data.ViewCodeSequence = [_code(VIEW_CODES[view][0], "SCT", VIEW_CODES[view][1])]
    data.ViewCodeSequence[0].ViewModifierCodeSequence = []
    data.PatientOrientation = ["L", "F"]
    data.AcquisitionContextSequence = []


def _detector(data: Dataset, film: SyntheticFilm) -> None:
    recipe = film.recipe
    data.PositionerType = "NONE"
    data.DetectorType = "SCINTILLATOR"
    data.DetectorConfiguration = "AREA"
    data.DetectorDescription = "computed"
    data.KVP = f"{recipe.exposure.kvp:g}"
    data.FocalSpots = f"{recipe.exposure.focal_spot_mm:g}"
    data.FieldOfViewShape = "RECTANGLE"
    data.FieldOfViewDimensions = [
        round(film.pixels.shape[1] * recipe.pitch_mm),
        round(film.pixels.shape[0] * recipe.pitch_mm),
    ]
    data.FieldOfViewOrigin = ["0", "0"]
    data.FieldOfViewRotation = "0"
    data.FieldOfViewHorizontalFlip = "NO"


def _decimal(value: float) -> str:
    return f"{value:.6g}"


def _geometry(data: Dataset, film: SyntheticFilm) -> None:
    """What the header says of sizes: right, nothing but the detector's pixels, or wrong."""
    recipe = film.recipe
    pitch = [_decimal(recipe.pitch_mm)] * 2
    data.ImagerPixelSpacing = pitch
    if recipe.header is HeaderGeometry.LEFT_OUT:
        return
    to_detector = recipe.stand.source_to_detector_mm
    to_carina = to_detector / film.truth.carina_magnification
    factor = film.truth.carina_magnification
    if recipe.header is HeaderGeometry.WRONG:
        kind = WRONG_GEOMETRY[int(stream(recipe.seed, "header").integers(len(WRONG_GEOMETRY)))]
        if kind == "swapped distances":
            to_detector, to_carina, factor = to_carina, to_detector, 1.0 / factor
        elif kind == "spacing off":
            data.ImagerPixelSpacing = [_decimal(10.0 * recipe.pitch_mm)] * 2
        else:
            to_carina, factor = to_detector, 1.0
    data.DistanceSourceToDetector = _decimal(to_detector)
    data.DistanceSourceToPatient = _decimal(to_carina)
    data.EstimatedRadiographicMagnificationFactor = _decimal(factor)

"""Small films made for the tests; every attribute invented."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pydicom import Dataset, dcmwrite
from pydicom.dataset import FileMetaDataset
from pydicom.uid import (
    DigitalXRayImageStorageForPresentation,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    generate_uid,
)

ROWS, COLUMNS = 40, 30


def _pixels() -> NDArray[np.uint16]:
    """A 12-bit gradient with a bright corner, so that every one of the eight turns looks different."""
    pixels = np.arange(ROWS * COLUMNS, dtype=np.uint16).reshape(ROWS, COLUMNS) * 3
    pixels[:6, :4] = 4095
    pixels[-1, -1] = 0
    return pixels


@pytest.fixture(scope="session")
def stored() -> NDArray[np.uint16]:
    return _pixels()


def _dataset(pixels: NDArray[np.integer[Any]] | None = None, **attributes: object) -> Dataset:
    pixels = _pixels() if pixels is None else pixels
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.SOPClassUID = DigitalXRayImageStorageForPresentation
    dataset.SOPInstanceUID = generate_uid()
    dataset.Modality = "DX"
    dataset.BodyPartExamined = "CHEST"
    dataset.ViewPosition = "AP"
    dataset.PatientOrientation = ["L", "F"]
    dataset.Rows, dataset.Columns = pixels.shape[:2]
    dataset.SamplesPerPixel = 1 if pixels.ndim == 2 else 3
    dataset.PhotometricInterpretation = "MONOCHROME2" if pixels.ndim == 2 else "RGB"
    if pixels.ndim == 3:
        dataset.PlanarConfiguration = 0
    dataset.BitsAllocated = pixels.dtype.itemsize * 8
    dataset.BitsStored = 12 if dataset.BitsAllocated == 16 else 8
    dataset.HighBit = dataset.BitsStored - 1
    dataset.PixelRepresentation = int(pixels.dtype.kind == "i")
    for keyword, value in attributes.items():
        if value is None:
            delattr(dataset, keyword)
        else:
            setattr(dataset, keyword, value)
    data = pixels.tobytes()
    dataset.PixelData = data + b"\0" * (len(data) % 2)
    dataset["PixelData"].VR = "OB" if dataset.BitsAllocated == 8 else "OW"
    return dataset


@pytest.fixture(scope="session")
def dataset() -> Callable[..., Dataset]:
    """Make a DX data set: `dataset(pixels, Keyword=value, ...)`; None removes an attribute."""
    return _dataset


def _file_bytes(film: Dataset, *, preamble: bool = True, syntax: str | None = None) -> bytes:
    buffer = io.BytesIO()
    if syntax is not None:
        film.file_meta.TransferSyntaxUID = syntax
        if syntax == ExplicitVRBigEndian and film.BitsAllocated == 16:
            film.PixelData = np.frombuffer(film.PixelData, "<u2").astype(">u2").tobytes()
    film.file_meta.MediaStorageSOPClassUID = film.SOPClassUID
    film.file_meta.MediaStorageSOPInstanceUID = film.SOPInstanceUID
    dcmwrite(buffer, film, enforce_file_format=True)
    return buffer.getvalue() if preamble else buffer.getvalue()[132:]


@pytest.fixture(scope="session")
def file_bytes() -> Callable[..., bytes]:
    """Write a data set to bytes: `file_bytes(film, preamble=True, syntax=None)`."""
    return _file_bytes


@pytest.fixture(scope="session")
def dicom() -> Callable[..., bytes]:
    """Make a DICOM file: `dicom(pixels, Keyword=value, ...)`."""
    return lambda pixels=None, **attributes: _file_bytes(_dataset(pixels, **attributes))

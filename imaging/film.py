"""A chest film as the rest of the tool sees it."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from imaging.errors import ImagingError
from measure.magnification import Magnification, View, plausible
from measure.patient import Patient
from measure.spacing import Spacing


@dataclass(frozen=True, slots=True)
class Identifiers:
    """What could tell whose film it is; kept apart so that nothing prints it by accident."""

    patient_name: str = ""
    patient_id: str = ""
    birth_date: str = ""
    study_date: str = ""
    accession_number: str = ""
    sop_instance_uid: str = ""
    issuer_of_patient_id: str = ""
    taken: str = ""

    def contradict(self, other: Identifiers) -> bool:
        """Whether the two name two patients; what one does not say is no difference."""
        pairs = (
            (self.patient_id, other.patient_id),
            (self.issuer_of_patient_id, other.issuer_of_patient_id),
        )
        return any(here.strip() and there.strip() and here.strip() != there.strip() for here, there in pairs)


@dataclass(frozen=True, slots=True)
class Turn:
    """How the stored pixels were turned to stand upright: first mirrored left to right, then rotated.

    Parameters
    ----------
    mirrored : bool
        Columns reversed.
    quarter_turns : int
        Counter-clockwise quarter turns, as `numpy.rot90` counts them.
    proven : bool
        True where the header says how the stored pixels lie; False where they are taken as they are.
    """

    mirrored: bool = False
    quarter_turns: int = 0
    proven: bool = False


@dataclass(frozen=True, eq=False)
class Film:
    """One frontal chest film, upright.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, columns)
        0 to 1, bright = dense, whatever the file's photometric interpretation.
    name : str
        The file's name, for messages.
    format : str
        What the bytes were: "DICOM", "PNG", "JPEG" or "TIFF".
    spacing : Spacing or None
        None where the file proves none.
    pixel_aspect : float
        Row spacing over column spacing, also where the spacing itself is not known.
    view : View
        Direction of the beam.
    magnification : Magnification
        At the trachea, from the header or from the view's plausible range.
    patient : Patient
        Age, sex, height where the header has them.
    turn : Turn
        How the stored pixels were turned.
    notes : tuple of str
        What the reader of the film must be told (doubts about spacing, orientation, resolution tags).
    identifiers : Identifiers
        Kept out of `repr`.
    stored_sha256 : str
        `pixel_sha256` of the values as stored, before any window, turned upright; empty where not known.
    """

    pixels: NDArray[np.float32]
    name: str = ""
    format: str = ""
    spacing: Spacing | None = None
    pixel_aspect: float = 1.0
    view: View = View.UNKNOWN
    magnification: Magnification = field(default_factory=lambda: plausible(View.UNKNOWN))
    patient: Patient = field(default_factory=Patient)
    turn: Turn = field(default_factory=Turn)
    notes: tuple[str, ...] = ()
    identifiers: Identifiers = field(default_factory=Identifiers, repr=False)
    stored_sha256: str = ""

    def __post_init__(self) -> None:
        if self.pixels.ndim != 2 or not np.issubdtype(self.pixels.dtype, np.floating):
            raise ImagingError(
                f"film: an array of shape {self.pixels.shape} and type {self.pixels.dtype} found; rows and "
                "columns of floats from 0 to 1 expected."
            )
        if not (0.0 < self.pixel_aspect < math.inf):
            raise ImagingError(f"film: pixel aspect of {self.pixel_aspect} found, a positive number expected.")

    @property
    def fingerprint(self) -> str:
        """SHA-256 of pixels and SOP Instance UID, in hexadecimal: the same film wherever its file lies.

        The pixels are those stored, before any window; where these are not known, the film's own.
        """
        pixels = self.stored_sha256 or pixel_sha256(self.pixels)
        return hashlib.sha256(f"{pixels} {self.identifiers.sop_instance_uid}".encode()).hexdigest()

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, columns = self.pixels.shape
        return rows, columns

    @property
    def centre_row(self) -> float:
        """Row of the film's centre."""
        return (self.shape[0] - 1) / 2.0


def pixel_sha256(pixels: NDArray[np.generic]) -> str:
    """SHA-256 of an array's type, shape and little-endian values, row by row, in hexadecimal.

    Parameters
    ----------
    pixels : ndarray, shape (rows, columns)
        Stored values or grey values.
    """
    little = np.ascontiguousarray(pixels, pixels.dtype.newbyteorder("<"))
    digest = hashlib.sha256(f"{little.dtype.kind}{little.dtype.itemsize} {little.shape}".encode())
    digest.update(little.data)
    return digest.hexdigest()

"""The film that a report is about, as reports need it."""

from __future__ import annotations

from dataclasses import dataclass

from pydicom.dataset import Dataset

from imaging.film import Turn
from measure.reading import Reading

INHERITED = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
)
"""Attributes of type 2 in the Patient and General Study modules (PS3.3 C.7.1.1, C.7.2.1): empty at worst, never
absent."""


class ReportError(Exception):
    """A report cannot be made of this film; says why."""


@dataclass(frozen=True, slots=True)
class Reported:
    """One answered film, to be reported.

    Parameters
    ----------
    header : Dataset
        Of the film as it was received; its pixels are not needed.
    shape : (int, int)
        Rows and columns of the upright film.
    turn : Turn
        How it was turned to stand upright.
    reading : Reading
        The answer.
    reader : str
        Who confirmed it; empty for what the program proposes.
    """

    header: Dataset
    shape: tuple[int, int]
    turn: Turn
    reading: Reading
    reader: str = ""

    @property
    def reader_as_name(self) -> str:
        """Who confirmed it, without the characters that part a DICOM name (PS3.5 6.2.1)."""
        return self.reader.replace("^", " ").replace("=", " ")

    def stored_point(self, row: float, column: float) -> tuple[float, float]:
        """Column and row of a point of the upright film in the pixels as stored.

        The origin is the outer corner of the first pixel, as PS3.3 C.18.6.1.2 has it, not its centre.
        """
        rows, columns = self.shape
        row, column = row + 0.5, column + 0.5
        for _ in range(self.turn.quarter_turns % 4):  # Back, one clockwise quarter after the other.
            row, column = column, rows - row
            rows, columns = columns, rows
        return (columns - column if self.turn.mirrored else column), row


def header_of(content: bytes) -> Dataset:
    """The header of a received film, ready to be inherited from.

    Raises
    ------
    ReportError
        Where it is no DICOM object of a study.
    """
    import io

    import pydicom

    try:
        header = pydicom.dcmread(io.BytesIO(content), stop_before_pixels=True)
    except Exception as damage:  # pydicom raises whatever it likes; its words may name the patient.
        raise ReportError(
            f"report: no DICOM file was found ({type(damage).__name__}); a DICOM film is expected."
        ) from None
    missing = [name for name in ("StudyInstanceUID", "SOPInstanceUID", "SOPClassUID") if not header.get(name)]
    if missing:
        raise ReportError(
            f"report: a film without {missing[0]} was found; one that belongs to a study is expected."
        )
    for keyword in INHERITED:
        if keyword not in header:
            setattr(header, keyword, "")
    return header

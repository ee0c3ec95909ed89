"""The film with its marks as a DICOM secondary capture, for archives that show no report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from annotate.drawing.picture import annotated_picture
from annotate.reports.marks_of_ours import series_of_ours
from annotate.reports.source import Reported
from imaging.film import Film

if TYPE_CHECKING:
    import highdicom as hd


def secondary_capture(reported: Reported, film: Film) -> hd.sc.SCImage:
    """The annotated picture in the film's study, in a series of its own.

    Parameters
    ----------
    reported : Reported
        An answered film.
    film : Film
        With its pixels.
    """
    import highdicom as hd
    from pydicom.uid import ExplicitVRLittleEndian

    picture = np.asarray(annotated_picture(film, reported.reading).convert("RGB"))
    capture = hd.sc.SCImage.from_ref_dataset(
        ref_dataset=reported.header,
        pixel_array=picture,
        photometric_interpretation="RGB",
        bits_allocated=8,
        coordinate_system="PATIENT",
        patient_orientation=("L", "F"),
        **series_of_ours(1),
        series_description="Tube position, marks" if reported.reader else "Tube position, proposed marks",
        transfer_syntax_uid=ExplicitVRLittleEndian,
    )
    capture.BodyPartExamined = "CHEST"  # Not paired: there is no laterality to tell (PS3.3 C.7.3.1).
    capture.BurnedInAnnotation = "YES"  # Words and marks are; no identifier is.
    return capture

"""Answers on their way to the screen are reported in DICOM and FHIR."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import fhir.resources  # noqa: F401  # Both are asked for here, so that their lack is told before a film is read.
import highdicom  # noqa: F401

from annotate.films.answers import Answer
from annotate.messages import LOG, tell_unforeseen
from annotate.reports.dicom_capture import secondary_capture
from annotate.reports.dicom_sr import structured_report
from annotate.reports.fhir import bundle, bundles
from annotate.reports.source import Reported, ReportError, header_of
from imaging.film import Identifiers
from imaging.load import load_film
from measure.landmarks import Source
from measure.reading import Reading


class Reporter:
    """Writes reports; what cannot be written is told, and still answered.

    Parameters
    ----------
    dicom_folder : Path or None
        Where reports and captures go, numbered in the order of the films.
    fhir_file : Path or None
        Where the FHIR resources go: one bundle, or an array of them.
    reader : str
        Who placed the points; a reading with a proposed point is reported as a proposal.

    Attributes
    ----------
    failed : int
        Films without their report, films that could not be read apart.
    """

    def __init__(self, dicom_folder: Path | None, fhir_file: Path | None, reader: str) -> None:
        self._dicom_folder, self._fhir_file, self._reader = dicom_folder, fhir_file, reader
        self.failed = 0

    def report(self, answers: Iterator[Answer]) -> Iterator[Answer]:
        """The same answers."""
        found: list[str] = []
        for number, item in enumerate(answers, start=1):
            if item.case is not None:
                self._report(number, item, found)
            yield item
        if self._fhir_file is not None and found:
            self._fhir_file.parent.mkdir(parents=True, exist_ok=True)
            self._fhir_file.write_text(bundles(found), encoding="utf-8")

    def _report(self, number: int, item: Answer, found: list[str]) -> None:
        reader = self._reader if _by_hand(item.reading) else ""
        try:
            if self._fhir_file is not None:
                found.append(bundle(item.reading, item.identifiers or Identifiers(), reader, datetime.now(UTC)))
            if self._dicom_folder is not None:
                self._write_dicom(number, item.reading, reader)
        except (ReportError, OSError) as error:
            LOG.error("%s: not reported. %s", item.reading.film, error)
            self.failed += 1
        except Exception as error:  # The reading must reach the screen, whatever goes wrong with its report.
            tell_unforeseen(error)
            LOG.error("%s: not reported: unforeseen %s", item.reading.film, type(error).__name__)
            self.failed += 1

    def _write_dicom(self, number: int, reading: Reading, reader: str) -> None:
        assert self._dicom_folder is not None
        path = Path(reading.film)
        header = header_of(path.read_bytes())
        film = load_film(path)
        reported = Reported(header, film.shape, film.turn, reading, reader)
        self._dicom_folder.mkdir(parents=True, exist_ok=True)
        structured_report(reported).save_as(self._dicom_folder / f"{number:04d}-report.dcm")
        secondary_capture(reported, film).save_as(self._dicom_folder / f"{number:04d}-capture.dcm")


def _by_hand(reading: Reading) -> bool:
    """Whether a hand placed both points."""
    marks = (reading.landmarks.tip, reading.landmarks.carina)
    return all(mark is not None and mark.source is Source.HAND for mark in marks)

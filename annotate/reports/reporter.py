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
from annotate.reports.dicom_marks import presentation_state
from annotate.reports.dicom_sr import structured_report
from annotate.reports.fhir import bundle, bundles
from annotate.reports.source import Reported, ReportError, header_of
from annotate.writing import OutputError, whole_file, write_text
from imaging.film import Identifiers
from imaging.load import load_film
from measure.landmarks import Source
from measure.reading import Reading


class Reporter:
    """Writes reports; what cannot be written is told, and still answered.

    Parameters
    ----------
    dicom_folder : Path or None
        Where reports, captures and presentation states go, numbered in the order of the films.
    fhir_file : Path or None
        Where the FHIR resources go: one bundle, or an array of them.
    reader : str
        Who placed the points; a reading with a proposed point is reported as a proposal.
    overwrite : bool
        Whether reports may take the place of files that are there.

    Attributes
    ----------
    failed : int
        Films without their report, films that could not be read apart.
    """

    def __init__(
        self, dicom_folder: Path | None, fhir_file: Path | None, reader: str, *, overwrite: bool = False
    ) -> None:
        self._dicom_folder, self._fhir_file, self._reader = dicom_folder, fhir_file, reader
        self._overwrite = overwrite
        self.failed = 0

    def report(self, answers: Iterator[Answer]) -> Iterator[Answer]:
        """The same answers."""
        found: list[str] = []
        for number, item in enumerate(answers, start=1):
            if item.case is not None:
                self._report(number, item, found)
            yield item
        if self._fhir_file is not None and found:
            self._write_fhir(self._fhir_file, bundles(found))

    def _write_fhir(self, path: Path, text: str) -> None:
        try:
            write_text(path, text, overwrite=self._overwrite)
        except OutputError as error:
            LOG.error("%s", error)
            self.failed += 1

    def _report(self, number: int, item: Answer, found: list[str]) -> None:
        reader = self._reader if _by_hand(item.reading) else ""
        try:
            if self._fhir_file is not None:
                found.append(bundle(item.reading, item.identifiers or Identifiers(), reader, datetime.now(UTC)))
            if self._dicom_folder is not None:
                self._write_dicom(number, item.reading, reader)
        except (ReportError, OutputError, OSError) as error:
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
        for name, made in (
            ("report", structured_report(reported)),
            ("capture", secondary_capture(reported, film)),
            ("marks", presentation_state(reported)),
        ):
            if made is None:
                continue
            place = self._dicom_folder / f"{number:04d}-{name}.dcm"
            with whole_file(place, overwrite=self._overwrite, inputs=(path,)) as file:
                made.save_as(file)


def _by_hand(reading: Reading) -> bool:
    """Whether a hand placed both points."""
    marks = (reading.landmarks.tip, reading.landmarks.carina)
    return all(mark is not None and mark.source is Source.HAND for mark in marks)

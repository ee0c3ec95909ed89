"""A Reading as a DICOM Structured Report: TID 1500 Measurement Report (PS3.16), by highdicom."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from importlib.metadata import version
from typing import TYPE_CHECKING

from annotate.reports.marks_of_ours import MANUFACTURER, MODEL_NAME, series_of_ours
from annotate.reports.source import Reported
from annotate.words.answer import headline_of, place_of
from measure.advice import Action
from measure.estimate import Estimate
from measure.landmarks import Landmark

if TYPE_CHECKING:
    import highdicom as hd
    import numpy as np
    from numpy.typing import NDArray
    from pydicom.dataset import Dataset
    from pydicom.sr.coding import Code

SR_CLASS = "1.2.840.10008.5.1.4.1.1.88.33"
"""Comprehensive SR Storage (PS3.4 B.5)."""

SCHEME = "99LIPMARK"
"""Our own coding scheme: the 99 says so (PS3.16 8)."""

DEVICE_UID = "2.25.143709911386208733926186330512470982541"
"""Of the program as a device observer; a random number, made once."""

LONGEST_MEANING = 64
"""Characters of a Code Meaning (PS3.5 6.2, LO)."""


def structured_report(reported: Reported) -> hd.sr.ComprehensiveSR:
    """The report of one film.

    Parameters
    ----------
    reported : Reported
        An answered film.

    Returns
    -------
    highdicom.sr.ComprehensiveSR
        In the film's study, in a series of its own. Complete where a reader confirmed it, partial where it is a
        proposal; never "verified" in the sense of PS3.3 C.17.2: nobody has signed it.
    """
    import highdicom as hd

    return hd.sr.ComprehensiveSR(
        evidence=[reported.header],
        content=_content(reported),
        **series_of_ours(),
        series_description="Tube position" if reported.reader else "Tube position, proposal",
        is_complete=bool(reported.reader),
    )


def _content(reported: Reported) -> Dataset:
    import highdicom as hd
    from pydicom.sr.coding import Code

    film = Code("399208008", "SCT", "Plain chest X-ray")
    report = hd.sr.MeasurementReport(
        observation_context=_observers(reported),
        procedure_reported=film,
        imaging_measurements=[*_points(reported), _answer(reported)],
    )
    return report[0]


def _observers(reported: Reported) -> hd.sr.ObservationContext:
    import highdicom as hd
    from pydicom.sr.codedict import codes

    device = hd.sr.ObserverContext(
        observer_type=codes.DCM.Device,
        observer_identifying_attributes=hd.sr.DeviceObserverIdentifyingAttributes(
            uid=DEVICE_UID, name="lipmark", manufacturer_name=MANUFACTURER, model_name=MODEL_NAME
        ),
    )
    if not reported.reader:
        return hd.sr.ObservationContext(observer_device_context=device)
    person = hd.sr.ObserverContext(
        observer_type=codes.DCM.Person,
        observer_identifying_attributes=hd.sr.PersonObserverIdentifyingAttributes(
            name=f"{reported.reader_as_name}^"
        ),
    )
    return hd.sr.ObservationContext(observer_person_context=person, observer_device_context=device)


def _points(reported: Reported) -> Iterator[hd.sr.PlanarROIMeasurementsAndQualitativeEvaluations]:
    """Tip and carina, each where it lies on the film as stored."""
    import highdicom as hd

    landmarks = reported.reading.landmarks
    for name, mark in (("Tip of endotracheal tube", landmarks.tip), ("Carina", landmarks.carina)):
        if mark is None:
            continue
        yield hd.sr.PlanarROIMeasurementsAndQualitativeEvaluations(
            tracking_identifier=hd.sr.TrackingIdentifier(identifier=name),
            referenced_region=hd.sr.ImageRegion(
                graphic_type="POINT",
                graphic_data=_coordinates(reported, mark),
                source_image=_source(reported),
            ),
            finding_type=_code(name),
            algorithm_id=_algorithm(),
            qualitative_evaluations=[hd.sr.QualitativeEvaluation(_code("Placed by"), _code(mark.source.value))],
        )


def _answer(reported: Reported) -> hd.sr.MeasurementsAndQualitativeEvaluations:
    import highdicom as hd
    from pydicom.sr.codedict import codes

    reading = reported.reading
    header = reported.header
    group = hd.sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=hd.sr.TrackingIdentifier(identifier="Endotracheal tube"),
        finding_type=codes.SCT.Trachea,
        algorithm_id=_algorithm(),
        measurements=list(_measurements(reported)) or None,
        qualitative_evaluations=list(_evaluations(reported)),
        source_images=[hd.sr.SourceImageForMeasurementGroup(header.SOPClassUID, header.SOPInstanceUID)],
    )
    words = ". ".join(filter(None, (headline_of(reading), place_of(reading) or reading.reason)))
    group[0].ContentSequence.append(hd.sr.TextContentItem(codes.DCM.Comment, words, relationship_type="CONTAINS"))
    return group


def _measurements(reported: Reported) -> Iterator[hd.sr.Measurement]:
    import highdicom as hd

    reading = reported.reading
    if reading.distance is not None:
        yield from _with_interval("Tip above carina, on the film", reading.distance.on_film, _line(reported))
        yield from _with_interval("Tip above carina, in the patient", reading.distance.in_patient, None)
    move = reading.adjustment
    if move is not None and move.action is not Action.LEAVE:
        yield hd.sr.Measurement(_code(f"{move.action.value} at the lip by"), move.by_cm, _centimetre())


def _with_interval(
    name: str, height: Estimate, line: hd.sr.CoordinatesForMeasurement | None
) -> Iterator[hd.sr.Measurement]:
    import highdicom as hd

    yield hd.sr.Measurement(
        _code(name),
        round(height.value, 2),
        _centimetre(),
        referenced_coordinates=None if line is None else [line],
    )
    for end, value in (("lower", height.low), ("upper", height.high)):
        yield hd.sr.Measurement(_code(f"{name}, {end} 95% limit"), round(value, 2), _centimetre())


def _line(reported: Reported) -> hd.sr.CoordinatesForMeasurement | None:
    """From tip to carina."""
    import highdicom as hd
    import numpy as np

    tip, carina = reported.reading.landmarks.tip, reported.reading.landmarks.carina
    if tip is None or carina is None:
        return None
    ends = np.vstack([_coordinates(reported, tip), _coordinates(reported, carina)])
    return hd.sr.CoordinatesForMeasurement("POLYLINE", ends, _source(reported))


def _evaluations(reported: Reported) -> Iterator[hd.sr.QualitativeEvaluation]:
    import highdicom as hd

    reading = reported.reading
    yield hd.sr.QualitativeEvaluation(_code("Verdict"), _code(reading.verdict.value))
    if reading.adjustment is not None:
        yield hd.sr.QualitativeEvaluation(_code("Action"), _code(reading.adjustment.action.value))
        yield hd.sr.QualitativeEvaluation(_code("Urgency"), _code(reading.adjustment.urgency.value))
    elif reading.no_action_because is not None:
        yield hd.sr.QualitativeEvaluation(_code("No action because"), _code(reading.no_action_because.value))
    confirmed = "confirmed by a reader" if reported.reader else "proposed by the program, not confirmed"
    yield hd.sr.QualitativeEvaluation(_code("Confirmation"), _code(confirmed))


def _coordinates(reported: Reported, mark: Landmark) -> NDArray[np.float64]:
    import numpy as np

    return np.array([reported.stored_point(mark.row, mark.column)])


def _source(reported: Reported) -> hd.sr.SourceImageForRegion:
    import highdicom as hd

    return hd.sr.SourceImageForRegion(reported.header.SOPClassUID, reported.header.SOPInstanceUID)


def _algorithm() -> hd.sr.AlgorithmIdentification:
    import highdicom as hd

    return hd.sr.AlgorithmIdentification(name="lipmark", version=version("lipmark"))


def _code(meaning: str) -> Code:
    """A code of our own scheme: its value is short for its meaning, and the same whenever that is."""
    from pydicom.sr.coding import Code

    digest = hashlib.sha256(meaning.encode()).hexdigest()[:8].upper()
    return Code(f"L{digest}", SCHEME, meaning[:LONGEST_MEANING])


def _centimetre() -> Code:
    from pydicom.sr.codedict import codes

    centimetre: Code = codes.UCUM.Centimeter
    return centimetre

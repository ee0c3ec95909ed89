"""A Reading as FHIR R4 resources: an Observation of the distance and a DiagnosticReport, in one Bundle.

Made and checked with the classes of R4B: of these resources only elements are used that R4 and R4B have alike.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import uuid4

from annotate.words.answer import headline_of, place_of
from imaging.film import Identifiers
from measure.estimate import Estimate
from measure.reading import Reading
from measure.verdict import Verdict

CODES = "urn:lipmark:codes"
UCUM = "http://unitsofmeasure.org"
DICOM_UID = "urn:dicom:uid"
CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"

INTERPRETATIONS: Mapping[Verdict, tuple[str, str]] = {
    Verdict.IN_A_MAIN_BRONCHUS: ("LL", "Critical low"),
    Verdict.TOO_LOW: ("L", "Low"),
    Verdict.WITHIN_RANGE: ("N", "Normal"),
    Verdict.TOO_HIGH: ("H", "High"),
}
"""Codes of HL7's ObservationInterpretation; an open verdict has none."""

Resource = dict[str, Any]


def bundle(reading: Reading, identifiers: Identifiers, reader: str, time: datetime) -> str:
    """The resources as JSON, checked against the model.

    Parameters
    ----------
    reading : Reading
        The answer.
    identifiers : Identifiers
        Whose film it is: the patient's ID and the film's UID go in, so that the record can file it; no name.
    reader : str
        Who confirmed it; empty for what the program proposes, which is then preliminary.
    time : datetime
        With a zone: when it was answered.
    """
    from fhir.resources.R4B.bundle import Bundle

    found = [_observation(reading, identifiers, reader, time)]
    report = _report(reading, identifiers, reader, time, [f"urn:uuid:{item['id']}" for item in found])
    entries = [{"fullUrl": f"urn:uuid:{item['id']}", "resource": item} for item in (report, *found)]
    plain = {"resourceType": "Bundle", "type": "collection", "timestamp": time.isoformat(), "entry": entries}
    return str(Bundle.model_validate(plain).model_dump_json(indent=1))


def bundles(whole: list[str]) -> str:
    """Several films' bundles as one JSON array; a single one as it is."""
    return whole[0] if len(whole) == 1 else json.dumps([json.loads(one) for one in whole], indent=1)


def _common(kind: str, identifiers: Identifiers, reader: str) -> Resource:
    resource: Resource = {
        "resourceType": kind,
        "id": str(uuid4()),
        "status": "final" if reader else "preliminary",
        "category": [{"coding": [{"system": CATEGORY, "code": "imaging"}]}],
    }
    if identifiers.patient_id:
        resource["subject"] = {"identifier": {"value": identifiers.patient_id}}
    return resource


def _observation(reading: Reading, identifiers: Identifiers, reader: str, time: datetime) -> Resource:
    observation = _common("Observation", identifiers, reader) | {
        "code": _coded("tip-above-carina", "Tip of the endotracheal tube above the carina, on the film"),
        "effectiveDateTime": time.isoformat(),
        "device": {"display": "lipmark"},
        "note": [{"text": text} for text in (headline_of(reading), place_of(reading) or reading.reason) if text],
    }
    if reader:
        observation["performer"] = [{"display": reader}]
    if identifiers.sop_instance_uid:
        observation["derivedFrom"] = [{"type": "Media", "identifier": _uid(identifiers.sop_instance_uid)}]
    if reading.distance is None:
        return observation | {"dataAbsentReason": {"text": reading.error or reading.reason}}
    observation["valueQuantity"] = _centimetres(reading.distance.on_film.value)
    observation["component"] = [
        *_interval("on-film", "on the film", reading.distance.on_film),
        {
            "code": _coded("in-patient", "along the airway in the patient"),
            "valueQuantity": _centimetres(reading.distance.in_patient.value),
        },
        *_interval("in-patient", "in the patient", reading.distance.in_patient),
    ]
    if reading.verdict in INTERPRETATIONS:
        code, display = INTERPRETATIONS[reading.verdict]
        observation["interpretation"] = [
            {"coding": [{"system": INTERPRETATION, "code": code, "display": display}]}
        ]
    return observation


def _report(
    reading: Reading, identifiers: Identifiers, reader: str, time: datetime, results: list[str]
) -> Resource:
    report = _common("DiagnosticReport", identifiers, reader) | {
        "code": _coded("tube-position", "Endotracheal tube position on a chest film"),
        "effectiveDateTime": time.isoformat(),
        "issued": time.isoformat(),
        "result": [{"reference": reference} for reference in results],
        "conclusion": f"{headline_of(reading)}. {place_of(reading) or reading.reason}".strip(),
    }
    if reader:
        report["performer"] = [{"display": reader}]
    return report


def _interval(code: str, words: str, height: Estimate) -> list[Resource]:
    return [
        {
            "code": _coded(f"{code}-{end}", f"{end} end of the 95 % interval, {words}"),
            "valueQuantity": _centimetres(value),
        }
        for end, value in (("lower", height.low), ("upper", height.high))
    ]


def _centimetres(value: float) -> Resource:
    return {"value": round(value, 2), "unit": "cm", "system": UCUM, "code": "cm"}


def _coded(code: str, words: str) -> Resource:
    return {"coding": [{"system": CODES, "code": code, "display": words}], "text": words}


def _uid(uid: str) -> Resource:
    return {"system": DICOM_UID, "value": f"urn:oid:{uid}"}

"""Films by DICOMweb: Store Transaction (PS3.18 10.5), a multipart body of DICOM objects."""

from __future__ import annotations

from dataclasses import dataclass, field
from email.message import Message
from typing import Any

from annotate.ward.errors import NoRoomError, NotAnObjectError, WardError
from annotate.ward.metrics import RECEIVED
from annotate.ward.reception import Reception

MOST_BYTES = 256 * 1024 * 1024
"""Of one request (ours): some films of the largest kind."""

OUT_OF_RESOURCES, NOT_UNDERSTOOD = 0xA700, 0xC000
"""Failure reasons (PS3.18 10.5.3.2; PS3.4 B.2.3)."""


@dataclass(slots=True)
class Stored:
    """What became of the parts of one request."""

    taken: list[tuple[str, str]] = field(default_factory=list)
    failed: list[tuple[str, str, int]] = field(default_factory=list)

    @property
    def status(self) -> int:
        """200 where all were taken, 202 where some were, 503 or 409 where none was (PS3.18 table 10.5.3-1)."""
        if not self.failed:
            return 200
        if self.taken:
            return 202
        return 503 if any(reason == OUT_OF_RESOURCES for _, _, reason in self.failed) else 409

    def plain(self) -> dict[str, Any]:
        """The response's data set in the DICOM JSON model (PS3.18 F)."""
        answer: dict[str, Any] = {}
        if self.taken:
            answer["00081199"] = {"vr": "SQ", "Value": [_reference(*each) for each in self.taken]}
        if self.failed:
            answer["00081198"] = {
                "vr": "SQ",
                "Value": [
                    _reference(sop_class, instance) | {"00081197": {"vr": "US", "Value": [reason]}}
                    for sop_class, instance, reason in self.failed
                ],
            }
        return answer


def store(content_type: str, body: bytes, reception: Reception) -> Stored:
    """Take all objects of a request.

    Raises
    ------
    WardError
        Where it is no multipart body of DICOM objects.
    """
    stored = Stored()
    for part in parts_of(content_type, body):
        sop_class, instance = _names(part)
        try:
            outcome = reception.receive(part, "STOW-RS")
        except NotAnObjectError:
            stored.failed.append((sop_class, instance, NOT_UNDERSTOOD))
            RECEIVED.labels("STOW-RS", "not understood").inc()
        except NoRoomError:
            stored.failed.append((sop_class, instance, OUT_OF_RESOURCES))
            RECEIVED.labels("STOW-RS", "no room").inc()
        else:
            stored.taken.append((sop_class, instance))
            RECEIVED.labels("STOW-RS", outcome.value).inc()
    return stored


def parts_of(content_type: str, body: bytes) -> list[bytes]:
    """The parts of a multipart body.

    Raises
    ------
    WardError
        Where it is none.
    """
    from python_multipart.exceptions import MultipartParseError
    from python_multipart.multipart import MultipartParser

    header = Message()
    header["Content-Type"] = content_type
    boundary = header.get_param("boundary")
    if header.get_content_type() != "multipart/related" or not isinstance(boundary, str):
        raise WardError("STOW-RS: multipart/related with a boundary expected; each part application/dicom.")
    parts: list[bytearray] = []
    parser = MultipartParser(
        boundary.encode(),
        {
            "on_part_begin": lambda: parts.append(bytearray()),
            "on_part_data": lambda data, start, end: parts[-1].extend(data[start:end]),
        },
    )
    try:
        parser.write(body)
        parser.finalize()
    except MultipartParseError as error:
        raise WardError("STOW-RS: the multipart body is damaged; send it again.") from error
    return [bytes(part) for part in parts]


def _names(part: bytes) -> tuple[str, str]:
    """SOP class and instance, for the answer; empty where there are none."""
    import io

    import pydicom

    try:
        header = pydicom.dcmread(
            io.BytesIO(part), stop_before_pixels=True, specific_tags=["SOPClassUID", "SOPInstanceUID"], force=True
        )
        return str(header.get("SOPClassUID", "")), str(header.get("SOPInstanceUID", ""))
    except Exception:  # Whatever is wrong with it is told by the reception.
        return "", ""


def _reference(sop_class: str, instance: str) -> dict[str, Any]:
    return {
        "00081150": {"vr": "UI", "Value": [sop_class]},
        "00081155": {"vr": "UI", "Value": [instance]},
    }

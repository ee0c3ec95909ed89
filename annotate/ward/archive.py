"""The archive, by C-STORE or STOW-RS."""

from __future__ import annotations

import io
import os
import secrets
from collections.abc import Callable

from annotate.ward.settings import Archive

TOKEN_VARIABLE = "LIPMARK_ARCHIVE_TOKEN"
"""Bearer token for a DICOMweb archive."""

SECONDS = 30.0


class DeliveryError(Exception):
    """The archive has not taken an object; says why.

    Parameters
    ----------
    hopeless : bool
        Nothing will be different next time.
    """

    def __init__(self, why: str, hopeless: bool = False) -> None:
        super().__init__(why)
        self.hopeless = hopeless


def sender_to(archive: Archive, ae_title: str) -> Callable[[bytes], None]:
    """What sends an object's bytes to this archive, and raises `DeliveryError` where it was not taken."""
    if archive.url:
        return lambda content: _stow(archive.url, content)
    return lambda content: _c_store(archive, ae_title, content)


def _c_store(archive: Archive, ae_title: str, content: bytes) -> None:
    import pydicom
    from pynetdicom import AE

    dataset = pydicom.dcmread(io.BytesIO(content))
    sender = AE(ae_title=ae_title)
    sender.acse_timeout = sender.dimse_timeout = sender.network_timeout = sender.connection_timeout = SECONDS
    sender.add_requested_context(dataset.SOPClassUID, dataset.file_meta.TransferSyntaxUID)
    association = sender.associate(archive.host, archive.port, ae_title=archive.ae_title)
    if not association.is_established:
        raise DeliveryError(f"{archive.ae_title} at {archive.host}:{archive.port} takes no association")
    try:
        status = association.send_c_store(dataset)
    except ValueError as error:
        raise DeliveryError(f"{archive.ae_title} does not take this kind of object") from error
    finally:
        association.release()
    code = status.get("Status")
    # 0xB000 and its kin are warnings: the object is stored (PS3.4 B.2.3).
    if code is None or not (code == 0x0000 or 0xB000 <= code <= 0xBFFF):
        raise DeliveryError("no answer" if code is None else f"status 0x{code:04X}")


def _stow(url: str, content: bytes) -> None:
    import httpx

    boundary = secrets.token_hex(16)
    body = b"--%s\r\nContent-Type: application/dicom\r\n\r\n%s\r\n--%s--\r\n" % (
        boundary.encode(),
        content,
        boundary.encode(),
    )
    headers = {
        "Content-Type": f'multipart/related; type="application/dicom"; boundary={boundary}',
        "Accept": "application/dicom+json",
    }
    token = os.environ.get(TOKEN_VARIABLE)
    if token:
        headers["Authorization"] = f"Bearer {token}"
    try:
        answer = httpx.post(f"{url}/studies", content=body, headers=headers, timeout=SECONDS)
    except httpx.HTTPError as error:
        raise DeliveryError(f"the archive's DICOMweb service does not answer ({type(error).__name__})") from error
    if answer.status_code not in (200, 202):
        raise DeliveryError(f"HTTP status {answer.status_code}")
    if "00081198" in answer.text:  # Failed SOP Sequence (PS3.18 10.5.3.2).
        raise DeliveryError("the archive has named it as failed")

"""Films by DICOM: Verification and Storage as service class provider (PS3.4 A and B)."""

from __future__ import annotations

import ssl
from collections.abc import Sequence

from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import UID
from pynetdicom import AE, ALL_TRANSFER_SYNTAXES, evt
from pynetdicom.events import Event
from pynetdicom.transport import ThreadedAssociationServer

from annotate.messages import LOG, tell_unforeseen
from annotate.reports.dicom_marks import PRESENTATION_CLASS
from annotate.reports.dicom_sr import SR_CLASS
from annotate.ward.errors import NoRoomError, NotAnObjectError, WardError
from annotate.ward.metrics import RECEIVED
from annotate.ward.peer import Peer
from annotate.ward.reception import Reception
from imaging.acceptance import ACCEPTED_CLASSES

VERIFICATION = "1.2.840.10008.1.1"

SUCCESS, OUT_OF_RESOURCES, NOT_UNDERSTOOD, NOT_AUTHORISED = 0x0000, 0xA700, 0xC000, 0x0124
"""Status codes of C-STORE (PS3.4 B.2.3; PS3.7 C.5.6)."""

MOST_ASSOCIATIONS = 32


class DicomReceiver:
    """Listens until it is stopped.

    Parameters
    ----------
    reception : Reception
        Takes what comes.
    address : (str, int)
        Host and port; port 0 takes a free one.
    ae_title : str
        Ours.
    peers : sequence of Peer
        Who may send; empty for anyone.
    tls : ssl.SSLContext or None
        For encrypted associations alone.

    Raises
    ------
    WardError
        Where the port cannot be had.
    """

    def __init__(
        self,
        reception: Reception,
        address: tuple[str, int],
        ae_title: str,
        peers: Sequence[Peer] = (),
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self._reception, self._peers = reception, peers
        self._ae = AE(ae_title=ae_title)
        self._ae.maximum_associations = MOST_ASSOCIATIONS
        self._ae.require_calling_aet = [peer.ae_title for peer in peers]
        self._ae.add_supported_context(VERIFICATION)
        syntaxes = readable_syntaxes()
        for sop_class in (*ACCEPTED_CLASSES, SR_CLASS, PRESENTATION_CLASS):
            self._ae.add_supported_context(sop_class, syntaxes)
        handlers: list[evt.EventHandlerType] = [(evt.EVT_C_ECHO, self._echo), (evt.EVT_C_STORE, self._store)]
        try:
            server = self._ae.start_server(address, block=False, evt_handlers=handlers, ssl_context=tls)
        except OSError as error:
            raise WardError(
                f"ward: the DICOM port {address[1]} cannot be had ({error.strerror}); is another service on it? "
                "Give another with --dicom-port."
            ) from error
        assert isinstance(server, ThreadedAssociationServer)
        self.port = int(server.server_address[1])

    def stop(self) -> None:
        """Let go of the port and of all associations."""
        self._ae.shutdown()

    def _echo(self, event: Event) -> int:
        return SUCCESS if self._may_send(event) else NOT_AUTHORISED

    def _store(self, event: Event) -> int:
        if not self._may_send(event):
            RECEIVED.labels("DICOM", "not authorised").inc()
            return NOT_AUTHORISED
        try:
            outcome = self._reception.receive(event.encoded_dataset(), _title(event))
        except NotAnObjectError as error:
            LOG.warning("%s", error)
            RECEIVED.labels("DICOM", "not understood").inc()
            return NOT_UNDERSTOOD
        except NoRoomError as error:
            LOG.error("%s", error)
            RECEIVED.labels("DICOM", "no room").inc()
            return OUT_OF_RESOURCES
        except Exception as error:
            tell_unforeseen(error)
            LOG.error("ward: an object could not be received (%s)", type(error).__name__)
            RECEIVED.labels("DICOM", "failed").inc()
            return OUT_OF_RESOURCES
        RECEIVED.labels("DICOM", outcome.value).inc()
        return SUCCESS

    def _may_send(self, event: Event) -> bool:
        """Whether the sender's title is allowed from where it calls."""
        title, host = _title(event), str(event.assoc.requestor.address)
        return not self._peers or any(peer.ae_title == title and peer.host in ("", host) for peer in self._peers)


def readable_syntaxes() -> list[UID]:
    """Transfer syntaxes that `load_film` can read here."""
    return [UID(syntax) for syntax in ALL_TRANSFER_SYNTAXES if _readable(UID(syntax))]


def _readable(syntax: UID) -> bool:
    if not syntax.is_encapsulated:
        return True
    try:
        return get_decoder(syntax).is_available
    except NotImplementedError:
        return False


def _title(event: Event) -> str:
    return str(event.assoc.requestor.ae_title).strip()

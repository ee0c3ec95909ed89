"""How one service is set up; what cannot be safe is refused before it starts."""

from __future__ import annotations

import ipaddress
import ssl
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from annotate.ward.errors import WardError
from annotate.ward.peer import Peer

DEFAULT_KEEP_DAYS = 7
DICOM_PORT, HTTP_PORT = 11112, 8080
LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Archive:
    """Where confirmed readings go: by C-STORE, or by STOW-RS.

    Parameters
    ----------
    ae_title, host, port
        Of a DICOM archive; empty where `url` is given.
    url : str
        Of a DICOMweb service, up to and without "/studies".
    """

    ae_title: str = ""
    host: str = ""
    port: int = 0
    url: str = ""

    @classmethod
    def parse(cls, words: str) -> Archive:
        """From "TITLE@HOST:PORT" or "https://...".

        Raises
        ------
        WardError
            Where it is neither.
        """
        if words.startswith(("http://", "https://")):
            return cls(url=words.rstrip("/"))
        title, _, rest = words.partition("@")
        host, _, port = rest.rpartition(":")
        if not (title and host and port.isdigit()):
            raise WardError(
                f"archive: {words!r} found; TITLE@HOST:PORT or the URL of a DICOMweb service expected."
            )
        return cls(Peer.parse(title).ae_title, host, int(port))


@dataclass(frozen=True, slots=True)
class Proxy:
    """The hospital's proxy that signs people in.

    Parameters
    ----------
    header : str
        Holds the name of who is signed in.
    addresses : tuple of str
        From where alone that header is believed.
    """

    header: str
    addresses: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Settings:
    """All that one service needs to know.

    Parameters
    ----------
    data : Path
        Films, keys and, without PostgreSQL, the tables.
    database : str or None
        postgresql://... for several services on one database.
    host, http_port, dicom_port, ae_title
        Where it listens, and under which title; a port of 0 takes a free one.
    peers : tuple of Peer
        Who may send by DICOM; empty for anyone.
    watch : Path or None
        A folder whose films are taken.
    archive : Archive or None
        Where confirmed readings go.
    keep_days : float
        How long pixels and identifiers are kept.
    workers : int
        Films read at once.
    token : str
        For the address printed at the start and for programs; empty for a random one.
    tls_cert, tls_key : Path or None
        For both ports.
    proxy : Proxy or None
        Who else signs in.
    host_names : tuple of str
        Names by which browsers call the page.
    """

    data: Path
    database: str | None = None
    host: str = LOOPBACK
    http_port: int = HTTP_PORT
    dicom_port: int = DICOM_PORT
    ae_title: str = "LIPMARK"
    peers: tuple[Peer, ...] = ()
    watch: Path | None = None
    archive: Archive | None = None
    keep_days: float = DEFAULT_KEEP_DAYS
    workers: int = 2
    token: str = ""
    tls_cert: Path | None = None
    tls_key: Path | None = None
    proxy: Proxy | None = None
    host_names: tuple[str, ...] = field(default=())

    @property
    def on_loopback(self) -> bool:
        """Whether nobody but this machine can reach it."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def keep(self) -> timedelta:
        """How long pixels and identifiers are kept."""
        return timedelta(days=self.keep_days)

    @property
    def logbook(self) -> str:
        """Where confirmed readings are kept for ever: with the tables, so that several services share it."""
        return self.database or str(self.data / "logbook.sqlite")

    @property
    def tls(self) -> ssl.SSLContext | None:
        """For the DICOM port."""
        if self.tls_cert is None or self.tls_key is None:
            return None
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        try:
            context.load_cert_chain(self.tls_cert, self.tls_key)
        except (OSError, ssl.SSLError) as error:
            raise WardError(
                f"ward: certificate {self.tls_cert} and key {self.tls_key} cannot be used "
                f"({type(error).__name__}); PEM files that belong together are expected."
            ) from error
        return context

    def refuse_unless_safe(self, accounts: int) -> None:
        """Let nobody beyond this machine in without sign-in and encryption.

        Parameters
        ----------
        accounts : int
            How many people can sign in.

        Raises
        ------
        WardError
            Says what is missing.
        """
        if (self.tls_cert is None) != (self.tls_key is None):
            raise WardError("ward: --tls-cert and --tls-key go together; give both.")
        if self.keep_days <= 0:
            raise WardError(f"ward: --keep-days {self.keep_days:g} found; more than 0 expected.")
        if self.on_loopback:
            return
        if not accounts and self.proxy is None:
            raise WardError(
                f"ward: nobody can sign in, and {self.host} can be reached from other machines. Make an account "
                "(lipmark ward account), or name the proxy that signs in (--proxy-header, --proxy-address)."
            )
        if self.tls_cert is None and self.proxy is None:
            raise WardError(
                f"ward: no encryption, and {self.host} can be reached from other machines. Give --tls-cert and "
                "--tls-key, or name the proxy that encrypts (--proxy-header, --proxy-address)."
            )
        if not self.peers:
            raise WardError(
                f"ward: any machine could send films to {self.host}. Name the senders with --peer TITLE@HOST."
            )

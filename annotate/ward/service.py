"""One running service: what receives, what reads, what shows, what sends, and how they start and stop together."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Self

from annotate.logbook.record import default_reader
from annotate.messages import LOG
from annotate.ward.archive import sender_to
from annotate.ward.back import Back
from annotate.ward.database import WardDatabase, ward_url
from annotate.ward.dicom_receiver import DicomReceiver
from annotate.ward.errors import WardError
from annotate.ward.gate import Gate
from annotate.ward.people import People
from annotate.ward.readers import Readers
from annotate.ward.reception import Reception
from annotate.ward.register import Register
from annotate.ward.review import Review
from annotate.ward.settings import Settings
from annotate.ward.shelf import Shelf
from annotate.ward.vault import Vault
from annotate.ward.watched_folder import WatchedFolder
from annotate.ward.web import Ward, application
from annotate.ward.work import Work
from annotate.ward.work_queue import WorkQueue


class Service:
    """Everything but the web server runs from its making until `close`.

    Parameters
    ----------
    settings : Settings
        How it is set up.

    Raises
    ------
    WardError
        Where something is missing, unsafe or taken.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._closing = contextlib.ExitStack()
        try:
            self._start()
        except BaseException:
            self._closing.close()
            raise

    def _start(self) -> None:
        settings = self.settings
        settings.data.mkdir(mode=0o700, parents=True, exist_ok=True)
        vault = Vault.of(settings.data)
        database = WardDatabase(ward_url(settings.data, settings.database))
        self._closing.callback(database.close)
        self.people = People(database)
        settings.refuse_unless_safe(self.people.count())
        if database.embedded:
            self._closing.enter_context(_alone(settings))
        self.register = Register(database, vault)
        shelf = Shelf(settings.data / "films", vault)
        self.readers = Readers(settings.workers)
        self._closing.callback(self.readers.stop)
        self.work = Work(
            self.register, shelf, self.readers, settings.data / "keys" / "pseudonym.key", settings.keep
        )
        self._queue = WorkQueue(settings.data, database)
        self.back = self._back(database, shelf)
        if database.embedded:
            self._queue.flush()
            self.register.give_back_all()
        deliver = self.back.deliver if self.back is not None else _nothing
        self._queue.work(settings.workers, self.work.read, deliver, self._tidy)
        self._closing.callback(self._queue.stop)
        self._take_up_again()
        self.reception = Reception(self.register, shelf, vault, self._queue.wake_reader)
        self.receiver = DicomReceiver(
            self.reception, (settings.host, settings.dicom_port), settings.ae_title, settings.peers, settings.tls
        )
        self._closing.callback(self.receiver.stop)
        if settings.watch is not None:
            self._closing.callback(WatchedFolder(settings.watch, self.reception).stop)
        review = Review(self.register, shelf, settings.logbook)
        self.gate = Gate(self.people, settings, default_reader())
        self.ward = Ward(settings, self.gate, self.people, self.register, shelf, review, self.reception, self.back)
        self.app = application(self.ward)

    def _back(self, database: WardDatabase, shelf: Shelf) -> Back | None:
        settings = self.settings
        if settings.archive is None:
            return None
        send = sender_to(settings.archive, settings.ae_title)
        return Back(database, shelf, self.readers, send, self._queue)

    def _take_up_again(self) -> None:
        """What was waiting when a service stopped or was killed."""
        from datetime import timedelta

        for film in (*self.register.lost(), *self.register.waiting(timedelta(0))):
            self._queue.wake_reader(film)
        if self.back is not None:
            self.back.catch_up()

    def _tidy(self) -> None:
        """Every minute."""
        self.work.catch_up(self._queue)
        self.work.forget_expired()
        if self.back is not None:
            self.back.catch_up()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Stop receiving, finish what is being read, stop."""
        self._closing.close()


def serve(settings: Settings, started: Callable[[Service, str], None]) -> None:
    """Run a service until it is told to stop.

    Parameters
    ----------
    settings : Settings
        How it is set up.
    started : callable
        Told the service and the page's address once both ports are open.
    """
    import uvicorn

    listening = _listen(settings)
    with listening, Service(settings) as service:
        port = listening.getsockname()[1]
        scheme = "http" if settings.tls_cert is None else "https"
        config = uvicorn.Config(
            service.app,
            log_level="warning",
            access_log=False,  # Addresses hold tokens.
            server_header=False,
            proxy_headers=False,
            ssl_certfile=settings.tls_cert,
            ssl_keyfile=settings.tls_key,
            timeout_graceful_shutdown=5,
        )
        server = uvicorn.Server(config)
        host = f"[{settings.host}]" if ":" in settings.host else settings.host
        started(service, f"{scheme}://{host}:{port}/")
        # uvicorn raises the signal again when it has stopped; the service must still be closed then.
        signal.signal(signal.SIGTERM, lambda *_: None)
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(server.serve(sockets=[listening]))


def _listen(settings: Settings) -> socket.socket:
    try:
        family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
        listening = socket.create_server((settings.host, settings.http_port), family=family)
        # asyncio sets it for sockets of its own alone; without it each answer waits 40 ms for the browser's word.
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return listening
    except OSError as error:
        raise WardError(
            f"ward: the page's port {settings.http_port} cannot be had ({error.strerror}); is another service on "
            "it? Give another with --http-port."
        ) from error


@contextlib.contextmanager
def _alone(settings: Settings) -> Iterator[None]:
    """Hold the data folder for this service alone.

    Raises
    ------
    WardError
        Where another service runs on it.
    """
    import fcntl

    with (settings.data / "service.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise WardError(
                f"ward: another service runs on {settings.data}; stop it, give another --data, or give both a "
                "PostgreSQL --database."
            ) from error
        yield


def _nothing(_: int) -> None:
    LOG.warning("ward: a delivery waits, and no --archive is given")

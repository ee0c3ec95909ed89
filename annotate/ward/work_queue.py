"""The queue between receiving and reading: Huey, in a file beside the films or in the same PostgreSQL.

The register says what is to be done; the queue only wakes who does it. What a killed service took out of the queue
is found in the register again.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

from huey import PostgresHuey, SqliteHuey, crontab
from huey.api import Huey
from huey.consumer import Consumer

from annotate.messages import LOG, tell_unforeseen
from annotate.ward.database import WardDatabase

NAME = "lipmark-ward"
SOONEST_S, LATEST_S = 0.05, 0.25
"""How often an idle worker looks into the file (ours): a film must not wait for it."""

FIRST = 1
"""Priority of what goes before the films that wait."""


class WorkQueue:
    """Names of films and deliveries on their way to who works on them.

    Parameters
    ----------
    data : Path
        The data folder, for the file.
    database : WardDatabase
        Where it is PostgreSQL, the queue is there too.
    """

    def __init__(self, data: Path, database: WardDatabase) -> None:
        self._huey = _huey(data, database)
        self._read = self._deliver = None
        self._consumer: Consumer | None = None

    def work(
        self, workers: int, read: Callable[[str], None], deliver: Callable[[int], None], tidy: Callable[[], None]
    ) -> None:
        """Start threads that do what the queue says.

        Parameters
        ----------
        workers : int
            Threads.
        read : callable
            Told a film's name.
        deliver : callable
            Told a delivery's number.
        tidy : callable
            Called every minute.
        """
        _tell_shortly()
        self._register(read, deliver)
        self._huey.periodic_task(crontab(minute="*"), name="tidy", priority=FIRST)(_contained(tidy))
        self._consumer = _QuietConsumer(
            self._huey, workers=workers, initial_delay=SOONEST_S, max_delay=LATEST_S, check_worker_health=False
        )
        self._consumer.start()

    def _register(self, read: Callable[[str], None], deliver: Callable[[int], None]) -> None:
        self._read = self._huey.task(name="read")(_contained(read))
        self._deliver = self._huey.task(name="deliver")(_contained(deliver))

    def wake_reader(self, film: str, *, first: bool = False) -> None:
        """Have a film read, before all others if told so."""
        if self._read is not None:
            self._read(film, priority=FIRST if first else None)

    def wake_delivery(self, delivery: int, after_s: float = 0.0) -> None:
        """Have an object delivered, later if told so."""
        if self._deliver is not None:
            self._deliver.schedule((delivery,), delay=after_s) if after_s else self._deliver(delivery)

    def pending(self) -> int:
        """How much waits."""
        return int(self._huey.pending_count())

    def flush(self) -> None:
        """Forget what is queued: the register will say it again."""
        self._huey.flush()

    def stop(self) -> None:
        """Let the threads finish what they do, and end."""
        if self._consumer is not None:
            self._consumer.stop(graceful=True)


class _QuietConsumer(Consumer):  # type: ignore[misc]  # Huey has no types.
    """Leaves signals to the service that it is part of."""

    def _set_signal_handlers(self) -> None:
        pass


class _Told(logging.Handler):
    """Huey's complaints in a line each: a database that is away for an hour must not fill the journal."""

    def emit(self, record: logging.LogRecord) -> None:
        LOG.log(record.levelno, "ward: the queue: %s", record.getMessage())


def _tell_shortly() -> None:
    logger = logging.getLogger("huey")
    logger.handlers, logger.propagate = [_Told(logging.WARNING)], False


def _huey(data: Path, database: WardDatabase) -> Huey:
    if database.embedded:
        return SqliteHuey(NAME, filename=str(data / "queue.sqlite"), results=False, utc=True)
    dsn = database.url.set(drivername="postgresql").render_as_string(hide_password=False)
    return PostgresHuey(NAME, dsn=dsn, results=False, utc=True, table_prefix="ward_queue")


def _contained(work: Callable[..., None]) -> Callable[..., None]:
    """The same, with its errors told in our words: theirs may name a patient."""

    def done(*words: object) -> None:
        try:
            work(*words)
        except Exception as error:
            tell_unforeseen(error)
            LOG.error("ward: %s failed (%s); it will be tried again", work.__name__, type(error).__name__)

    return done

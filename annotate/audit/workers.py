"""What measures: watched processes on this machine, or the Dask workers of a scheduler that others keep."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING, Protocol

from annotate.audit.errors import AuditError
from annotate.audit.parts import Measured, Part, lost_part, measure_part
from annotate.films.supervisor import DEADLINE_S, Lost, Supervisor

if TYPE_CHECKING:
    from distributed import Client, Future

PARTS_PER_WORKER = 2
"""One that is measured and one that waits; more would only fill memory."""

CONNECT_S = 20
"""How long a scheduler may take to answer, and to have a worker."""

LOST = "the process that read it ended each time, out of memory or by a fault in a decoder"

Measure = Callable[[Part, bool], Measured]


class Workers(Protocol):
    """What measures parts."""

    def measured(
        self, parts: Iterator[Part], *, verbose: bool = False, measure: Measure = measure_part
    ) -> Iterator[tuple[Part, Measured]]:
        """Every part with its rows; only a few are on their way at a time.

        Parameters
        ----------
        parts : iterator of Part
            Drawn from as workers become free.
        verbose : bool
            Workers tell what happens inside.
        measure : callable
            What a worker does with a part.

        Raises
        ------
        AuditError
            Where the workers are lost.
        """
        ...


@contextmanager
def local_workers(count: int, deadline_s: float = DEADLINE_S) -> Iterator[Workers]:
    """Processes on this machine, reached by pipes of their own: no other user can speak to them."""
    yield _LocalWorkers(count, deadline_s)


class _LocalWorkers:
    def __init__(self, count: int, deadline_s: float) -> None:
        self._count, self._deadline_s = count, deadline_s

    def measured(
        self, parts: Iterator[Part], *, verbose: bool = False, measure: Measure = measure_part
    ) -> Iterator[tuple[Part, Measured]]:
        drawn: list[tuple[Part, int]] = []

        def pieces() -> Iterator[Part]:
            for part in parts:
                cut = _pieces(part)
                drawn.append((part, len(cut)))
                yield from cut

        work = partial(_measured_with, measure, verbose)
        with Supervisor(work, self._count, deadline_s=self._deadline_s) as supervisor:
            results = supervisor.results(pieces())
            for first in results:
                part, count = drawn.pop(0)
                made = [first, *islice(results, count - 1)]
                yield part, _joined(_saved(part, made, work, self._deadline_s))


def _measured_with(measure: Measure, verbose: bool, part: Part) -> Measured:
    return measure(part, verbose)


def _pieces(part: Part) -> list[Part]:
    """Films one by one, so that each has a deadline of its own; marks alone all at once, they take no time."""
    if all(entry.film is None for _, entry in part.entries):
        return [part]
    return [Part(part.number, (entry,)) for entry in part.entries]


def _saved(
    part: Part, made: list[Measured | Lost], work: Callable[[Part], Measured], deadline_s: float
) -> Iterator[Measured]:
    """What was measured; of a piece that was lost each entry alone, so that only the guilty one is given up."""
    for piece, result in zip(_pieces(part), made, strict=True):
        if not isinstance(result, Lost):
            yield result
        elif len(piece.entries) == 1:
            yield lost_part(piece, f"the film {result.reason}")
        else:
            alone = [Part(piece.number, (entry,)) for entry in piece.entries]
            with Supervisor(work, 1, deadline_s=deadline_s) as supervisor:
                for one, again in zip(alone, supervisor.results(alone), strict=True):
                    yield lost_part(one, f"the entry {again.reason}") if isinstance(again, Lost) else again


def _joined(pieces: Iterator[Measured]) -> Measured:
    import pyarrow

    made = list(pieces)
    return (
        made[0]
        if len(made) == 1
        else Measured(pyarrow.concat_tables([one.table for one in made]), made[0].versions)
    )


def _quieten() -> None:
    """Dask reads the level of its messages while it is imported; what matters of them comes as an error."""
    import dask

    dask.config.set({"logging": dict.fromkeys(("distributed", "distributed.client"), "critical")})


@contextmanager
def scheduler_at(address: str, *, plain: bool = False) -> Iterator[Workers]:
    """The workers of a Dask scheduler.

    Parameters
    ----------
    address : str
        tls://HOST:PORT; certificates as Dask's own configuration names them.
    plain : bool
        Let it be a scheduler that anyone in reach can have run code in the auditor's name.

    Raises
    ------
    AuditError
        Where nobody answers, or it has no worker.
    """
    if not (plain or address.startswith("tls://")):
        raise AuditError(
            f"scheduler {address}: tls://HOST:PORT expected. Whoever reaches one without TLS can run code as you "
            "and read the films; where nobody else can, say --insecure-scheduler."
        )
    _quieten()
    from distributed import Client

    try:
        client = Client(address, timeout=CONNECT_S)
    except TypeError as error:  # What Dask raises where it has no certificates.
        raise AuditError(
            f"scheduler {address}: no TLS certificates found in Dask's configuration, those of your cluster are "
            "expected (DASK_DISTRIBUTED__COMM__TLS__CA_FILE and the like; docs/audit.md)."
        ) from error
    except (OSError, ValueError) as error:
        raise AuditError(
            f"scheduler {address}: no answer ({error}); give tls://HOST:PORT of a running one."
        ) from error
    with client:
        try:
            client.wait_for_workers(1, timeout=CONNECT_S)
        except TimeoutError as error:
            raise AuditError(f"scheduler {address}: it has no workers; start some with `dask worker`.") from error
        yield DaskWorkers(client)


class DaskWorkers:
    """The workers that a Dask client reaches."""

    def __init__(self, client: Client) -> None:
        self._client = client

    def measured(
        self, parts: Iterator[Part], *, verbose: bool = False, measure: Measure = measure_part
    ) -> Iterator[tuple[Part, Measured]]:
        """As `Workers.measured` says, in the order in which they are finished."""
        from distributed.client import FutureCancelledError
        from distributed.comm.core import CommClosedError

        try:
            yield from _measured(parts, self._client, verbose, measure)
        except (FutureCancelledError, CommClosedError) as error:
            raise AuditError("the scheduler was lost; run the same command again to go on.") from error


def _measured(
    parts: Iterator[Part], client: Client, verbose: bool, measure: Measure
) -> Iterator[tuple[Part, Measured]]:
    from distributed import as_completed
    from distributed.scheduler import KilledWorker

    on_their_way: dict[Future, Part] = {}
    finished = as_completed()

    def submit(wanted: int) -> None:
        for part in islice(parts, max(0, wanted)):
            future = client.submit(measure, part, verbose, pure=False)
            on_their_way[future] = part
            finished.add(future)

    submit(_window(client))
    for future in finished:
        part = on_their_way.pop(future)
        try:
            measured = future.result()
        except KilledWorker:
            measured = _one_by_one(part, client, verbose, measure)
        submit(_window(client) - len(on_their_way))
        yield part, measured


def _window(client: Client) -> int:
    threads: int = sum(client.nthreads().values())
    return max(1, PARTS_PER_WORKER * threads)


def _one_by_one(part: Part, client: Client, verbose: bool, measure: Measure) -> Measured:
    """A part that took its worker with it: each entry alone, so that only the guilty one is given up."""
    import pyarrow

    alone = [_alone(Part(part.number, (entry,)), client, verbose, measure) for entry in part.entries]
    return Measured(pyarrow.concat_tables([one.table for one in alone]), alone[0].versions)


def _alone(part: Part, client: Client, verbose: bool, measure: Measure) -> Measured:
    from distributed.scheduler import KilledWorker

    try:
        result: Measured = client.submit(measure, part, verbose, pure=False).result()
    except KilledWorker:
        return lost_part(part, LOST)
    return result

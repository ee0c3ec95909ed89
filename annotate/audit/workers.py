"""The processes that measure: Dask workers on this machine, or those of a scheduler that others keep."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import islice
from typing import TYPE_CHECKING

from annotate.audit.errors import AuditError
from annotate.audit.parts import Measured, Part, lost_part, measure_part

if TYPE_CHECKING:
    from distributed import Client, Future

PARTS_PER_WORKER = 2
"""One that is measured and one that waits; more would only fill memory."""

CONNECT_S = 20
"""How long a scheduler may take to answer, and to have a worker."""

LOST = "the process that read it ended each time, out of memory or by a fault in a decoder"

Measure = Callable[[Part, bool], Measured]


@contextmanager
def local_workers(count: int) -> Iterator[Client]:
    """Processes on this machine, each with one thread."""
    _quieten()
    from distributed import Client, LocalCluster

    with (
        LocalCluster(n_workers=count, threads_per_worker=1, dashboard_address="127.0.0.1:0") as cluster,
        Client(cluster) as client,
    ):
        yield client


def _quieten() -> None:
    """Dask reads the level of its messages while it is imported; what matters of them comes as an error."""
    import dask

    dask.config.set({"logging": dict.fromkeys(("distributed", "distributed.client"), "critical")})


@contextmanager
def scheduler_at(address: str) -> Iterator[Client]:
    """The workers of a Dask scheduler.

    Raises
    ------
    AuditError
        Where nobody answers, or it has no worker.
    """
    _quieten()
    from distributed import Client

    try:
        client = Client(address, timeout=CONNECT_S)
    except (OSError, ValueError) as error:
        raise AuditError(
            f"scheduler {address}: no answer ({error}); give tcp://HOST:PORT of a running one."
        ) from error
    with client:
        try:
            client.wait_for_workers(1, timeout=CONNECT_S)
        except TimeoutError as error:
            raise AuditError(f"scheduler {address}: it has no workers; start some with `dask worker`.") from error
        yield client


def measure_all(
    parts: Iterator[Part], client: Client, *, verbose: bool = False, measure: Measure = measure_part
) -> Iterator[tuple[Part, Measured]]:
    """Every part with its rows, in the order in which they are finished; only a few are on their way at a time.

    Parameters
    ----------
    parts : iterator of Part
        Drawn from as workers become free.
    client : Client
    verbose : bool
        Workers tell what happens inside.
    measure : callable
        What a worker does with a part.

    Raises
    ------
    AuditError
        Where the scheduler is lost.
    """
    from distributed.client import FutureCancelledError
    from distributed.comm.core import CommClosedError

    try:
        yield from _measured(parts, client, verbose, measure)
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

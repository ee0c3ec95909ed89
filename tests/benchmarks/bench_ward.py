"""The ward's service under load: many films from four senders, readers, service and database killed in the middle.

    python tests/benchmarks/bench_ward.py [--films 2000] [--database sqlite|postgresql]

Counts what is lost and what is read twice, and measures seconds to an answer and memory. Then, with 500 films on
the page: the list, a drag's answer, and a film's way from sender to answer with nothing else to do. docs/ward.md
has the figures.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import random
import re
import runpy
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import psutil
import psycopg
import pydicom
from pynetdicom import AE
from sqlalchemy import text

from annotate.ward.database import WardDatabase, ward_url
from annotate.ward.film_reader import read_film
from annotate.ward.register import Register, Whose, new_film
from annotate.ward.vault import Vault
from synthetic_images.dicom_out import to_dataset
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe

SERVER = runpy.run_path(str(Path(__file__).parents[1] / "setup" / "postgresql_server.py"))
LIPMARK = [sys.executable, "-c", "import sys; from annotate.command_line import main; sys.exit(main())"]
TOKEN = "benchmark"
SENDERS = 4
CLIENT = httpx.Client()
SIZE_PX = 512


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def films(count: int) -> list[pydicom.Dataset]:
    """Four invented films under as many identities as are asked for."""
    made = [
        to_dataset(make_film(draw_recipe(seed, difficulty=0.1, rows=SIZE_PX, columns=SIZE_PX)))
        for seed in range(4)
    ]
    found = []
    for number in range(count):
        film = pydicom.Dataset()
        film.update(made[number % len(made)])
        film.file_meta = pydicom.dataset.FileMetaDataset()
        film.file_meta.update(made[number % len(made)].file_meta)
        del (
            film.SOPInstanceUID,
            film.PatientID,
            film.file_meta.MediaStorageSOPInstanceUID,
        )  # Else set in all copies.
        film.SOPInstanceUID = film.file_meta.MediaStorageSOPInstanceUID = pydicom.uid.generate_uid()
        film.PatientID = f"BED{number % 40:02d}"
        found.append(film)
    return found


@dataclass
class Ward:
    """A service in processes of its own, which may be killed and started again."""

    data: Path
    database: str | None
    http_port: int = field(default_factory=free_port)
    dicom_port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        words = ["ward", "--data", str(self.data), "--token", TOKEN, "--workers", "2"]
        words += ["--http-port", str(self.http_port), "--dicom-port", str(self.dicom_port)]
        words += ["--database", self.database] if self.database else []
        with (self.data.parent / "service.log").open("ab") as log:
            self.process = subprocess.Popen([*LIPMARK, *words], stdout=subprocess.DEVNULL, stderr=log)
        for _ in range(1200):
            with contextlib.suppress(httpx.HTTPError):
                if self.get("/health").status_code == 200:
                    return
            time.sleep(0.1)
        raise RuntimeError((self.data.parent / "service.log").read_text())

    def get(self, where: str) -> httpx.Response:
        headers = {"Authorization": f"Bearer {TOKEN}"}
        return CLIENT.get(f"http://127.0.0.1:{self.http_port}{where}", headers=headers, timeout=30.0)

    def members(self) -> list[psutil.Process]:
        assert self.process is not None
        whole = psutil.Process(self.process.pid)
        return [whole, *whole.children(recursive=True)]

    def resident_mb(self) -> float:
        total = 0
        for member in self.members():
            with contextlib.suppress(psutil.Error):
                total += member.memory_info().rss
        return total / 1e6

    def kill(self) -> None:
        """Without a word, with all its processes."""
        for member in self.members():
            with contextlib.suppress(psutil.Error):
                member.kill()
        assert self.process is not None
        self.process.wait()

    def kill_a_reader(self) -> None:
        """The child that uses most memory is one that reads."""
        children = sorted(self.members()[1:], key=lambda member: member.memory_info().rss)
        if children:
            children[-1].kill()

    def stop(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(60)


def kill_and_start(ward: Ward) -> None:
    """Kill the service without a word, and start it again."""
    ward.kill()
    ward.start()


@dataclass
class Outcome:
    """What became of the films."""

    sent: int
    kept: int
    statuses: Counter[str]
    read_twice: int
    seconds: float
    to_answer_s: list[float]
    resident_mb: list[float]
    sent_again: int


def send_all(ward: Ward, share: list[pydicom.Dataset], again: list[int]) -> None:
    """Send each film until it is taken, as a modality does."""
    sender = AE(ae_title="BENCH")
    sender.connection_timeout = sender.acse_timeout = sender.dimse_timeout = 60.0
    sender.add_requested_context(share[0].SOPClassUID, share[0].file_meta.TransferSyntaxUID)
    association = None
    for film in share:
        while True:
            if association is None or not association.is_established:
                association = sender.associate("127.0.0.1", ward.dicom_port, ae_title="LIPMARK")
            if association.is_established:
                with contextlib.suppress(RuntimeError, ValueError):
                    if association.send_c_store(film).get("Status") == 0x0000:
                        break
            again[0] += 1
            time.sleep(0.5)
    if association is not None and association.is_established:
        association.release()


def soak(count: int, ward: Ward, disturbances: list[tuple[float, object]], patience_s: float = 3600.0) -> Outcome:
    """Send films from four senders at once; at shares of the films answered, disturb.

    Parameters
    ----------
    count : int
        Films.
    ward : Ward
        Started.
    disturbances : list of (float, callable)
        What to do once such a share is answered.
    """
    sent, again = films(count), [0]
    start = time.perf_counter()
    senders = [threading.Thread(target=send_all, args=(ward, sent[n::SENDERS], again)) for n in range(SENDERS)]
    for sender in senders:
        sender.start()
    waiting, resident = list(disturbances), []
    while time.perf_counter() - start < patience_s:
        done = answered(ward)
        with contextlib.suppress(psutil.Error):
            resident.append(ward.resident_mb())
        if waiting and done >= waiting[0][0] * count:
            waiting.pop(0)[1]()  # type: ignore[operator]
        if done >= count and not any(sender.is_alive() for sender in senders):
            break
        time.sleep(0.5)
    return outcome_of(ward, count, time.perf_counter() - start, resident, again[0])


def answered(ward: Ward) -> int:
    """Films with an answer, by the service's own metrics; none while it is away."""
    try:
        said = ward.get("/metrics").text
    except httpx.HTTPError:
        return -1
    counts = dict(re.findall(r'lipmark_films\{status="([^"]+)"\} (\S+)', said))
    return int(sum(float(counts.get(status, 0)) for status in ("proposed", "set aside")))


def outcome_of(ward: Ward, count: int, seconds: float, resident: list[float], again: int) -> Outcome:
    """What the tables say."""
    database = WardDatabase(ward_url(ward.data, ward.database))
    with database.reading() as connection:
        statuses = Counter(connection.execute(text("SELECT status FROM film")).scalars())
        twice = connection.execute(
            text("SELECT count(*) FROM (SELECT film FROM reading GROUP BY film HAVING count(*) > 1) AS more")
        ).scalar_one()
    database.close()
    return Outcome(count, sum(statuses.values()), statuses, twice, seconds, to_answer(ward), resident, again)


def to_answer(ward: Ward) -> list[float]:
    """Seconds from a film's receipt to its answer."""
    database = WardDatabase(ward_url(ward.data, ward.database))
    found = Register(database, Vault.of(ward.data)).since(datetime.now(UTC) - timedelta(days=1), 100_000)
    database.close()
    return sorted((film.answered - film.received).total_seconds() for film in found if film.answered)


@contextlib.contextmanager
def place(kind: str) -> Iterator[tuple[Ward, object]]:
    """A ward in a new folder, and what kills its database; PostgreSQL is a server of its own."""
    folder = Path(tempfile.mkdtemp(prefix="lipmark-ward-"))
    os.environ["XDG_DATA_HOME"] = str(folder / "home")
    with contextlib.ExitStack() as stack:
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        if kind == "sqlite":
            yield Ward(folder / "ward", None), None
            return
        url = stack.enter_context(SERVER["postgresql_server"](SERVER["find_pg_ctl"]()))
        with psycopg.connect(url.format("postgres"), autocommit=True) as admin:
            admin.execute("CREATE DATABASE ward")
        yield Ward(folder / "ward", url.format("ward")), lambda: end_connections(url)


def end_connections(url: str) -> None:
    """Every connection of the service is cut, as when the server restarts."""
    with psycopg.connect(url.format("postgres"), autocommit=True) as admin:
        admin.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE datname = 'ward' AND pid <> pg_backend_pid()"
        )


def fill_list(ward: Ward, count: int = 500) -> None:
    """Put so many films on the list that are answered already."""
    held = io.BytesIO()
    films(1)[0].save_as(held, enforce_file_format=True)
    done = read_film("0" * 16, held.getvalue())
    database = WardDatabase(ward_url(ward.data, ward.database))
    register = Register(database, Vault.of(ward.data))
    for _ in range(count):
        film = new_film()
        register.add(film, f"{film:0<64}", "benchmark")
        register.claim(film, "benchmark")
        register.keep_proposal(film, "benchmark", done.reading, Whose(done.identifiers, None, ""))
    database.close()


def page_speed(ward: Ward, film: str) -> dict[str, float]:
    """Median milliseconds of the list and of a drag's answer, and seconds of a lone film."""
    with httpx.Client(base_url=f"http://127.0.0.1:{ward.http_port}", follow_redirects=True) as client:
        page = client.get("/sign-in", params={"token": TOKEN}).text
        token = re.search(r'name="form_token" value="([^"]+)"', page).group(1)  # type: ignore[union-attr]
        rows = page.count('<li class="row')
        lists = [timed(lambda: client.get("/")) for _ in range(15)]
        marks = {"tip": [180.0, 250.0], "carina": [260.0, 255.0]}

        def drag() -> None:
            marks["tip"] = [150.0 + 50.0 * random.random(), 250.0]
            client.post(f"/films/{film}/assess", json=marks, headers={"X-Form-Token": token}).raise_for_status()

        drags = [timed(drag) for _ in range(60)]
    lone = []
    for one in films(8):
        start, before = time.perf_counter(), answered(ward)
        send_all(ward, [one], [0])
        while answered(ward) <= before:
            time.sleep(0.02)
        lone.append(time.perf_counter() - start)
    return {
        "films on the list": rows,
        "the list, ms": statistics.median(lists) * 1e3,
        "a drag's answer, ms": statistics.median(drags) * 1e3,
        "a drag's answer, 95 %, ms": sorted(drags)[int(0.95 * len(drags))] * 1e3,
        "a lone film from sending to answer, s": statistics.median(lone),
    }


def timed(work: object) -> float:
    start = time.perf_counter()
    work()  # type: ignore[operator]
    return time.perf_counter() - start


def show(outcome: Outcome) -> None:
    """The figures."""
    waits = outcome.to_answer_s
    quarter = max(len(outcome.resident_mb) // 4, 1)
    print(f"sent {outcome.sent}, kept {outcome.kept}, read twice {outcome.read_twice}, {dict(outcome.statuses)}")
    print(
        f"{outcome.seconds:.0f} s, {outcome.sent / outcome.seconds:.2f} films/s, {outcome.sent_again} sent again"
    )
    print(f"to an answer: median {statistics.median(waits):.1f} s, longest {waits[-1]:.1f} s")
    first, last = outcome.resident_mb[:quarter], outcome.resident_mb[-quarter:]
    print(f"memory, MB: first quarter {statistics.median(first):.0f}, last quarter {statistics.median(last):.0f}")


def main() -> None:
    """Soak, then the page's speed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--films", type=int, default=200)
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    args = parser.parse_args()
    with place(args.database) as (ward, kill_database):
        ward.data.mkdir()
        ward.start()
        disturb = [(0.2, ward.kill_a_reader), (0.4, lambda: kill_and_start(ward))]
        disturb += [(0.6, kill_database)] if kill_database else []
        show(soak(args.films, ward, disturb))
        film = ward.get("/api/films").json()[0]["film"]
        fill_list(ward)
        for name, value in page_speed(ward, film).items():
            print(f"{name}: {value:.1f}")
        ward.stop()


if __name__ == "__main__":
    main()

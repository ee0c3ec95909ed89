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
import ssl
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from operator import itemgetter
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
ROW = '<li class="row'
SENDERS = 4
SIZE_PX = 512
LARGE_PX = 1024
AHEAD = 300
"""So many films are sent ahead of the answers: at first as fast as they are taken, then as they are read, so that
senders are at work whatever is killed."""
DATABASE_AWAY_S = 3.0


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def films(count: int, chest_every: int = 1, side_px: int = SIZE_PX) -> list[pydicom.Dataset]:
    """Four invented films under as many identities as are asked for.

    All but one in `chest_every` say that they show a hand: they are received, queued and claimed like the others,
    and set aside by their header.
    """
    made = [
        to_dataset(make_film(draw_recipe(seed, difficulty=0.1, rows=side_px, columns=side_px)))
        for seed in range(4)
    ]
    found = []
    for number in range(count):
        original = made[number // chest_every % len(made)]
        film = pydicom.Dataset()
        film.update(original)
        film.file_meta = pydicom.dataset.FileMetaDataset()
        film.file_meta.update(original.file_meta)
        for keyword in ("SOPInstanceUID", "PatientID", "BodyPartExamined"):  # Else set in all copies.
            del film[keyword]
        del film.file_meta.MediaStorageSOPInstanceUID
        film.SOPInstanceUID = film.file_meta.MediaStorageSOPInstanceUID = pydicom.uid.generate_uid()
        film.PatientID = f"BED{number % 40:02d}"
        film.BodyPartExamined = "HAND" if number % chest_every else "CHEST"
        found.append(film)
    return found


@dataclass
class Ward:
    """A service in processes of its own, which may be killed and started again."""

    data: Path
    database: str | None
    certificate: tuple[Path, Path] | None = None
    """PEM files of certificate and key: both ports speak TLS then."""
    http_port: int = field(default_factory=free_port)
    dicom_port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def __post_init__(self) -> None:
        scheme, trust = "http", True
        if self.certificate is not None:
            scheme, trust = "https", ssl.create_default_context(cafile=self.certificate[0])
        address = f"{scheme}://127.0.0.1:{self.http_port}"
        self.client = httpx.Client(base_url=address, verify=trust, timeout=30.0)

    def start(self) -> None:
        words = ["ward", "--data", str(self.data), "--token", TOKEN, "--workers", "2"]
        words += ["--http-port", str(self.http_port), "--dicom-port", str(self.dicom_port)]
        words += ["--database", self.database] if self.database else []
        if self.certificate is not None:
            words += ["--tls-cert", str(self.certificate[0]), "--tls-key", str(self.certificate[1])]
        with (self.data.parent / "service.log").open("ab") as log:
            self.process = subprocess.Popen([*LIPMARK, *words], stdout=subprocess.DEVNULL, stderr=log)
        for _ in range(1200):
            with contextlib.suppress(httpx.HTTPError):
                if self.get("/health").status_code == 200:
                    return
            time.sleep(0.1)
        raise RuntimeError((self.data.parent / "service.log").read_text())

    def get(self, where: str) -> httpx.Response:
        return self.client.get(where, headers={"Authorization": f"Bearer {TOKEN}"})

    def page(self) -> str:
        """The list, signed in."""
        return self.client.get("/sign-in", params={"token": TOKEN}, follow_redirects=True).text

    def has_read(self) -> int:
        """Films that this service itself has answered since it started."""
        counts = re.findall(r"lipmark_films_read_total\{[^}]+\} (\S+)", self.get("/metrics").text)
        return int(sum(map(float, counts)))

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

    def main_s(self) -> float:
        """Processor time of the process that receives, queues and shows; those that read apart."""
        return sum(self.members()[0].cpu_times()[:2])

    def processor_s(self) -> float:
        """Of all its processes, those that have ended too."""
        total = 0.0
        for member in self.members():
            with contextlib.suppress(psutil.Error):
                total += sum(member.cpu_times()[:4])
        return total

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
class Progress:
    """What senders and watcher tell each other."""

    answered: int = 0
    sent_again: int = 0
    first_films_s: float = 0.0


@dataclass
class Outcome:
    """What became of the films."""

    sent: int
    kept: int
    statuses: Counter[str]
    read_twice: int
    tried_again: int
    seconds: float
    to_answer_s: list[float]
    resident_mb: list[float]
    progress: Progress


def send_all(ward: Ward, share: list[pydicom.Dataset], progress: Progress) -> None:
    """Send each film until it is taken, as a modality does."""
    sender = AE(ae_title="BENCH")
    sender.connection_timeout = sender.acse_timeout = sender.dimse_timeout = 60.0
    sender.add_requested_context(share[0].SOPClassUID, share[0].file_meta.TransferSyntaxUID)
    association, start = None, time.perf_counter()
    for number, film in enumerate(share):
        if number == AHEAD // SENDERS:
            progress.first_films_s = max(progress.first_films_s, time.perf_counter() - start)
        while number * SENDERS - progress.answered > AHEAD:
            time.sleep(0.05)
        while True:
            if association is None or not association.is_established:
                association = sender.associate("127.0.0.1", ward.dicom_port, ae_title="LIPMARK")
            if association.is_established:
                with contextlib.suppress(RuntimeError, ValueError):
                    if association.send_c_store(film).get("Status") == 0x0000:
                        break
            progress.sent_again += 1
            time.sleep(0.5)
    if association is not None and association.is_established:
        association.release()


def soak(
    sent: list[pydicom.Dataset],
    wards: list[Ward],
    disturbances: list[tuple[float, Callable[[], object]]],
    patience_s: float = 7200.0,
) -> Outcome:
    """Send films from four senders at once, to services in turn; at shares of the films answered, disturb.

    Parameters
    ----------
    sent : list of Dataset
        Films.
    wards : list of Ward
        Started, on one database.
    disturbances : list of (float, callable)
        What to do once such a share is answered.
    """
    count, progress = len(sent), Progress()
    start = time.perf_counter()
    senders = [
        threading.Thread(target=send_all, args=(wards[n % len(wards)], sent[n::SENDERS], progress))
        for n in range(SENDERS)
    ]
    for sender in senders:
        sender.start()
    waiting, resident = list(disturbances), []
    while time.perf_counter() - start < patience_s:
        progress.answered = max(progress.answered, answered(wards[0]))
        with contextlib.suppress(psutil.Error):
            resident.append(sum(ward.resident_mb() for ward in wards))
        if waiting and progress.answered >= waiting[0][0] * count:
            waiting.pop(0)[1]()
        if progress.answered >= count and not any(sender.is_alive() for sender in senders):
            break
        time.sleep(0.5)
    return outcome_of(wards[0], count, time.perf_counter() - start, resident, progress)


def answered(ward: Ward) -> int:
    """Films with an answer, by the service's own metrics; none while it is away."""
    try:
        said = ward.get("/metrics").text
    except httpx.HTTPError:
        return -1
    counts = dict(re.findall(r'lipmark_films\{status="([^"]+)"\} (\S+)', said))
    return int(sum(float(counts.get(status, 0)) for status in ("proposed", "set aside")))


def outcome_of(ward: Ward, count: int, seconds: float, resident: list[float], progress: Progress) -> Outcome:
    """What the tables say."""
    database = WardDatabase(ward_url(ward.data, ward.database))
    with database.reading() as connection:
        statuses = Counter(connection.execute(text("SELECT status FROM film")).scalars())
        again = connection.execute(text("SELECT count(*) FROM film WHERE attempts > 1")).scalar_one()
        twice = connection.execute(
            text("SELECT count(*) FROM (SELECT film FROM reading GROUP BY film HAVING count(*) > 1) AS more")
        ).scalar_one()
    database.close()
    kept = sum(statuses.values())
    return Outcome(count, kept, statuses, twice, again, seconds, to_answer(ward), resident, progress)


@contextlib.contextmanager
def another(ward: Ward) -> Iterator[Ward]:
    """A second service on the same database and folder, with ports and processes of its own."""
    second = Ward(ward.data, ward.database)
    second.start()
    try:
        yield second
    finally:
        second.kill()


def last_answer(ward: Ward) -> datetime:
    """When the newest answer was written down."""
    database = WardDatabase(ward_url(ward.data, ward.database))
    found = Register(database, Vault.of(ward.data)).since(datetime.now(UTC) - timedelta(minutes=10), 100_000)
    database.close()
    return max(film.answered for film in found if film.answered)


def to_answer(ward: Ward) -> list[float]:
    """Seconds from a film's receipt to its answer."""
    database = WardDatabase(ward_url(ward.data, ward.database))
    found = Register(database, Vault.of(ward.data)).since(datetime.now(UTC) - timedelta(days=1), 100_000)
    database.close()
    return sorted((film.answered - film.received).total_seconds() for film in found if film.answered)


@contextlib.contextmanager
def place(kind: str) -> Iterator[tuple[Ward, Callable[[], None] | None]]:
    """A ward that runs in a new folder, and what crashes its database; PostgreSQL is a server of its own."""
    folder = Path(tempfile.mkdtemp(prefix="lipmark-ward-"))
    os.environ["XDG_DATA_HOME"] = str(folder / "home")
    with contextlib.ExitStack() as stack:
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        url, crash = None, None
        if kind == "postgresql":
            server = stack.enter_context(SERVER["postgresql_server"](SERVER["find_pg_ctl"]()))
            url = server.url.format("ward")
            with psycopg.connect(server.url.format("postgres"), autocommit=True) as admin:
                admin.execute("CREATE DATABASE ward")

            def crash() -> None:
                server.crash()
                time.sleep(DATABASE_AWAY_S)
                server.start()

        ward = Ward(folder / "ward", url)
        ward.data.mkdir()
        ward.start()
        stack.callback(ward.kill)
        yield ward, crash


def fill_list(ward: Ward, count: int = 500) -> float:
    """Put so many films on the list that are answered already; how many a second the tables took."""
    held = io.BytesIO()
    films(1)[0].save_as(held, enforce_file_format=True)
    done = read_film("0" * 16, held.getvalue())
    database = WardDatabase(ward_url(ward.data, ward.database))
    register = Register(database, Vault.of(ward.data))
    start = time.perf_counter()
    for _ in range(count):
        film = new_film()
        register.add(film, f"{film:0<64}", "benchmark")
        register.claim(film, "benchmark")
        register.keep_proposal(film, "benchmark", done.reading, Whose(done.identifiers, None, ""))
    seconds = time.perf_counter() - start
    database.close()
    return count / seconds


@dataclass
class Spent:
    """By the clock and of the processor, in milliseconds."""

    clock_ms: list[float]
    processor_ms: float

    def __str__(self) -> str:
        late = sorted(self.clock_ms)[int(0.95 * len(self.clock_ms))]
        clock = f"{statistics.median(self.clock_ms):.1f} ms by the clock (95 % within {late:.1f})"
        return f"{clock}, {self.processor_ms:.1f} ms of the service's processor time"


def spent(ward: Ward, times: int, work: Callable[[], None]) -> Spent:
    """Of one piece of work that the service does, done so many times."""
    clock, before = [], ward.processor_s()
    for _ in range(times):
        start = time.perf_counter()
        work()
        clock.append((time.perf_counter() - start) * 1e3)
    return Spent(clock, (ward.processor_s() - before) * 1e3 / times)


def hidden(page: str, name: str) -> str:
    """What a page's form sends by itself."""
    return re.search(rf'name="{name}" value="([^"]+)"', page).group(1)  # type: ignore[union-attr]


def confirm(ward: Ward, film: str) -> None:
    """What is proposed for a film, by who is signed in."""
    page = ward.client.get(f"/films/{film}").text
    form = {name: hidden(page, name) for name in ("form_token", "seen")} | {"say": "confirm"}
    assert ward.client.post(f"/films/{film}/decide", data=form).status_code == 303


def page_speed(ward: Ward, film: str) -> dict[str, Spent]:
    """The list, a drag's answer."""
    page = ward.page()
    token = hidden(page, "form_token")
    marks = {"tip": [180.0, 250.0], "carina": [260.0, 255.0]}

    def drag() -> None:
        marks["tip"] = [150.0 + 50.0 * random.random(), 250.0]
        answer = ward.client.post(f"/films/{film}/assess", json=marks, headers={"X-Form-Token": token})
        answer.raise_for_status()

    drag()
    return {
        f"the list of {page.count(ROW)} films": spent(ward, 40, lambda: ward.client.get("/").raise_for_status()),
        "a drag's answer": spent(ward, 200, drag),
    }


def film_speed(ward: Ward, times: int = 8) -> Spent:
    """A film of `LARGE_PX`, alone, from its sender's first word to its answer in the table."""
    clock, before = [], ward.processor_s()
    for film in films(times, side_px=LARGE_PX):
        waiting, start = answered(ward), time.time()
        send_all(ward, [film], Progress())
        while answered(ward) <= waiting:
            time.sleep(0.5)  # Asking costs the service some milliseconds.
        clock.append((last_answer(ward).timestamp() - start) * 1e3)
    return Spent(clock, (ward.processor_s() - before) * 1e3 / times)


def receiving_speed(ward: Ward, count: int = 400) -> str:
    """Films of hands, which are set aside, from four senders at once: how fast, and what it costs."""
    hands = films(count + 1, chest_every=count + 1)[1:]
    waiting, before, start = answered(ward), ward.main_s(), time.perf_counter()
    senders = [
        threading.Thread(target=send_all, args=(ward, hands[n::SENDERS], Progress(count))) for n in range(SENDERS)
    ]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    taken_s = time.perf_counter() - start
    while answered(ward) < waiting + count:
        time.sleep(1.0)
    each_ms = (ward.main_s() - before) / count * 1e3
    return f"{count / taken_s:.0f} films/s taken; {each_ms:.1f} ms of processor time a film, its reading apart"


def show(outcome: Outcome) -> None:
    """The figures."""
    waits, progress = outcome.to_answer_s, outcome.progress
    print(f"sent {outcome.sent}, kept {outcome.kept}, read twice {outcome.read_twice}, {dict(outcome.statuses)}")
    print(f"{progress.sent_again} sent again, {outcome.tried_again} films taken in hand more than once")
    print(f"{outcome.seconds:.0f} s, {outcome.sent / outcome.seconds:.2f} films/s")
    if progress.first_films_s:
        print(f"the first {AHEAD} films were taken at {AHEAD / progress.first_films_s:.0f} films/s")
    print(f"to an answer: median {statistics.median(waits):.1f} s, longest {waits[-1]:.1f} s")
    parts = [outcome.resident_mb[len(outcome.resident_mb) * n // 10 :] for n in range(10)]
    medians = [statistics.median(part[: max(len(outcome.resident_mb) // 10, 1)]) for part in parts]
    print("memory in MB, median of each tenth:", " ".join(f"{median:.0f}" for median in medians))


def main() -> None:
    """Soak, then the page's speed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--films", type=int, default=200)
    parser.add_argument(
        "--chest-every", type=int, default=1, metavar="N", help="all films but every N-th show hands"
    )
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    parser.add_argument("--services", type=int, default=1, help="on one PostgreSQL")
    args = parser.parse_args()
    with contextlib.ExitStack() as stack:
        ward, crash_database = stack.enter_context(place(args.database))
        disturb = [(0.1, lambda: kill_and_start(ward)), (0.3, ward.kill_a_reader)]
        disturb += [(0.5, crash_database)] if crash_database else []
        wards = [ward, *(stack.enter_context(another(ward)) for _ in range(args.services - 1))]
        show(soak(films(args.films, args.chest_every), wards, disturb))
        print("films read by each service since it started:", *(each.has_read() for each in wards))
        print(f"a film of {LARGE_PX} px, alone, sent to answered: {film_speed(ward)}")
        # Its patient has been filmed before: a drag's answer is compared with that.
        newest = max(
            (film for film in ward.get("/api/films").json() if film["distance"]), key=itemgetter("received")
        )
        print(f"receiver: {receiving_speed(ward)}")
        print(f"tables: {fill_list(ward):.0f} films/s received, claimed and answered by one connection")
        for name, value in page_speed(ward, newest["film"]).items():
            print(f"{name}: {value}")


if __name__ == "__main__":
    main()

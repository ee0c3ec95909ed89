"""A service on loopback with free ports, invented films, and clients that are not ours (dcmtk)."""

import io
import re
import runpy
import shutil
import subprocess
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path

import httpx
import psycopg
import pydicom
import pytest
import uvicorn

from annotate.ward.readers import Readers
from annotate.ward.service import Service
from annotate.ward.settings import Settings
from synthetic_images.dicom_out import to_dataset
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe

SERVER = runpy.run_path(str(Path(__file__).parents[2] / "setup" / "postgresql_server.py"))
NUMBERS = count(1)
TOKEN = "token-of-the-tests"
NAME, PATIENT = "Secret^Bed", "ID-4711"
TITLE = "LIPMARK"


class LentReaders:
    """One process reads for all services of these tests, whatever starts and stops: to start one takes seconds."""

    opened = None

    def __init__(self, count):
        LentReaders.opened = LentReaders.opened or Readers(1)

    def run(self, work, *words):
        return LentReaders.opened.run(work, *words)

    def stop(self):
        """It is lent."""


@pytest.fixture(scope="session", autouse=True)
def lent_readers():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("annotate.ward.service.Readers", LentReaders)
        yield
    if LentReaders.opened is not None:
        LentReaders.opened.stop()


@pytest.fixture(scope="session", autouse=True)
def own_data_folder(tmp_path_factory):
    """Nothing of these tests goes to the user's own data folder."""
    patch = pytest.MonkeyPatch()
    patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
    for name in ("LIPMARK_LOGBOOK", "LIPMARK_KEY", "LIPMARK_READER", "LIPMARK_WARD_KEY", "LIPMARK_WARD_TOKEN"):
        patch.delenv(name, raising=False)
    yield
    patch.undo()


@pytest.fixture(scope="session")
def film_bytes():
    """An invented film, with another identity and other attributes by keyword."""
    made = to_dataset(make_film(draw_recipe(73, difficulty=0.1, rows=512, columns=512)))

    def bytes_of(**attributes):
        dataset = pydicom.Dataset()
        dataset.update(made)
        dataset.file_meta = pydicom.dataset.FileMetaDataset()
        dataset.file_meta.update(made.file_meta)
        known = {"SOPInstanceUID": pydicom.uid.generate_uid(), "PatientName": NAME, "PatientID": PATIENT}
        for keyword, value in (known | attributes).items():
            if keyword in dataset:  # Else the element is set that all copies share.
                del dataset[keyword]
            setattr(dataset, keyword, value)
        del dataset.file_meta.MediaStorageSOPInstanceUID
        dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
        held = io.BytesIO()
        dataset.save_as(held, enforce_file_format=True)
        return held.getvalue()

    return bytes_of


@pytest.fixture
def film_file(film_bytes, tmp_path):
    def write(name="film.dcm", **attributes):
        path = tmp_path / name
        path.write_bytes(film_bytes(**attributes))
        return path

    return write


@dataclass
class Running:
    """A service that runs in this process."""

    service: Service
    address: str

    @property
    def dicom_port(self):
        return self.service.receiver.port

    def api(self):
        answer = httpx.get(f"{self.address}/api/films", headers={"Authorization": f"Bearer {TOKEN}"})
        answer.raise_for_status()
        return answer.json()

    def answered(self, films=1, seconds=60.0):
        """All films, once so many have an answer."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            found = [film for film in self.api() if film["status"] not in ("queued", "being read")]
            if len(found) >= films:
                return found
            time.sleep(0.05)
        raise AssertionError(f"not answered in {seconds} s: {self.api()}")

    def read(self, content):
        """Receive a film and wait for its answer; its name in addresses."""
        known = {film["film"] for film in self.api()}
        self.service.reception.receive(content, "test")
        self.answered(len(known) + 1)
        return next(film["film"] for film in self.api() if film["film"] not in known)

    def signed_in(self):
        client = httpx.Client(base_url=self.address, follow_redirects=True)
        assert client.get("/sign-in", params={"token": TOKEN}).status_code == 200
        return client

    def form_token(self, client, address="/"):
        return re.search(r'name="form_token" value="([^"]+)"', client.get(address).text).group(1)

    def send(self, *paths, title=TITLE, caller="XRAY1"):
        """dcmtk's storescu; its exit status."""
        command = ["storescu", "-aet", caller, "-aec", title, "127.0.0.1", str(self.dicom_port), *map(str, paths)]
        return subprocess.run(command, capture_output=True, timeout=60).returncode


@contextmanager
def running(settings):
    with Service(settings) as service:
        server = uvicorn.Server(uvicorn.Config(service.app, port=0, log_level="error", access_log=False))
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        port = server.servers[0].sockets[0].getsockname()[1]
        try:
            yield Running(service, f"http://127.0.0.1:{port}")
        finally:
            server.should_exit = True
            thread.join(10)


@pytest.fixture(scope="session")
def settings(tmp_path_factory):
    data = tmp_path_factory.mktemp("ward")
    return Settings(data, http_port=0, dicom_port=0, workers=1, token=TOKEN)


@pytest.fixture
def start(settings, tmp_path):
    """Runs a service with other settings for one test."""
    return lambda **other: running(replace(settings, **{"data": tmp_path / "ward", **other}))


@pytest.fixture(scope="session")
def ward(settings):
    """One service for all tests that leave it as it is."""
    with running(settings) as service:
        yield service


@pytest.fixture(scope="session")
def read_film(ward, film_bytes):
    """A film that the service has read, the only one of its patient; its name in addresses."""
    return ward.read(film_bytes(PatientID="ID-ALONE"))


@pytest.fixture(scope="session")
def postgresql():
    """The URL of a real server's database, its name in place of {}."""
    pg_ctl = SERVER["find_pg_ctl"]()
    if pg_ctl is None:
        pytest.skip("no PostgreSQL server is installed (tests/setup/system_packages.txt)")
    with SERVER["postgresql_server"](pg_ctl, "fsync=off") as server:
        yield server.url


@pytest.fixture
def new_postgresql(postgresql):
    """An empty database."""
    name = f"ward_{next(NUMBERS)}"
    with psycopg.connect(postgresql.format("postgres"), autocommit=True) as admin:
        admin.execute(f"CREATE DATABASE {name}")
    return postgresql.format(name)


@pytest.fixture(scope="session", autouse=True)
def dcmtk():
    if shutil.which("storescu") is None:
        pytest.skip("dcmtk is not installed (tests/setup/system_packages.txt)")

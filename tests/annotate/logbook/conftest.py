import runpy
from itertools import count
from pathlib import Path

import psycopg
import pytest

from annotate.logbook.entry import Draft, Kind
from annotate.logbook.store import Logbook

SERVER = runpy.run_path(str(Path(__file__).parents[2] / "setup" / "postgresql_server.py"))
NUMBERS = count(1)


@pytest.fixture(scope="session")
def postgresql():
    """The URL of a real server's database, its name in place of {}."""
    pg_ctl = SERVER["find_pg_ctl"]()
    if pg_ctl is None:
        pytest.skip("no PostgreSQL server is installed (tests/setup/system_packages.txt)")
    with SERVER["postgresql_server"](pg_ctl, "fsync=off") as server:
        yield server.url


@pytest.fixture(autouse=True)
def own_data_folder(tmp_path, monkeypatch):
    """Nothing of these tests goes to the user's own data folder."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    for name in ("LIPMARK_LOGBOOK", "LIPMARK_KEY", "LIPMARK_READER"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path / "data" / "lipmark"


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request, tmp_path):
    """An empty database of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'logbook.sqlite'}"
    server = request.getfixturevalue("postgresql")
    name = f"logbook_{next(NUMBERS)}"
    with psycopg.connect(server.format("postgres"), autocommit=True) as admin:
        admin.execute(f"CREATE DATABASE {name}")
    return server.format(name)


@pytest.fixture
def logbook(url):
    with Logbook.open(url) as opened:
        yield opened


@pytest.fixture
def draft():
    """A draft of an invented film; fields may be changed by name."""

    def make(film=1, patient=1, **fields):
        known = {
            "kind": Kind.READING,
            "film": f"{film:064x}",
            "patient": None if patient is None else f"{patient:064x}",
            "reader": "AB",
            "inputs": {"lip_mark_cm": 23.5, "spacing": {"row_mm": 0.1 + 0.2}},
            "landmarks": {"tip": {"row": 812.1234567890123, "column": 1e-17}},
            "reading": {"verdict": "too low", "distance": {"on_film_cm": 1.5}, "cautions": ["Mind."]},
        }
        return Draft(**(known | fields))

    return make

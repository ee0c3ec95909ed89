"""Confirmed readings reach the archive: dcmtk's storescp by DICOM, our own STOW-RS by DICOMweb; and come back."""

import socket
import subprocess
import time
from contextlib import contextmanager
from datetime import timedelta

import pydicom
import pytest

from annotate.reports.marks_of_ours import is_ours
from annotate.ward import back
from annotate.ward.settings import Archive

TOKEN = "token-of-the-tests"


def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


@contextmanager
def storescp(port, folder):
    folder.mkdir(exist_ok=True)
    command = ["storescp", "-aet", "ARCHIVE", "-od", folder, "--unique-filenames", "+xa", str(port)]
    archive = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        end = time.monotonic() + 10.0
        while time.monotonic() < end:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        yield
    finally:
        archive.kill()
        archive.wait()


def confirm(service, film):
    client = service.signed_in()
    listed = service.service.register.film(film)
    form = {"form_token": service.form_token(client), "seen": str(listed.answer.number), "say": "confirm"}
    assert client.post(f"/films/{film}/decide", data=form).status_code == 200


def arrived(folder, files, seconds=60.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = [path for path in folder.iterdir() if path.stat().st_size]
        if len(found) >= files:
            time.sleep(0.3)  # storescp writes while it receives.
            return found
        time.sleep(0.1)
    raise AssertionError(f"{len(found)} of {files} objects in {seconds} s")


@pytest.fixture
def soon(monkeypatch):
    monkeypatch.setattr(back, "FIRST_PAUSE", timedelta(seconds=1))


@pytest.mark.outside
@pytest.mark.usefixtures("soon")
def test_an_archive_that_was_away_gets_all_objects_once_and_they_are_not_read_again(start, film_bytes, tmp_path):
    port, folder = free_port(), tmp_path / "archive"
    with start(archive=Archive("ARCHIVE", "127.0.0.1", port)) as service:
        service.service.reception.receive(film_bytes(), "test")
        film = service.answered()[0]["film"]
        confirm(service, film)
        end = time.monotonic() + 30.0
        while not any(attempts for _, _, attempts, trouble in service.service.back.outstanding() if trouble):
            assert time.monotonic() < end
            time.sleep(0.05)
        with storescp(port, folder):
            found = arrived(folder, 3)
            while service.service.back.outstanding():
                assert time.monotonic() < end + 60.0
                time.sleep(0.1)
            assert len(arrived(folder, 3)) == 3
        objects = [pydicom.dcmread(path) for path in found]
        assert {each.Modality for each in objects} == {"SR", "OT", "PR"}
        assert all(is_ours(each) for each in objects)
        assert all(each.PatientID == "ID-4711" for each in objects)
        # dcmtk sends them to us, as an archive that distributes what it gets.
        assert service.send(*found) == 0
        assert len(service.api()) == 1


@pytest.mark.outside
def test_by_stow(start, film_bytes, tmp_path, monkeypatch, ward):
    """The archive is another service of ours: it takes all, and knows them as ours."""
    monkeypatch.setenv("LIPMARK_ARCHIVE_TOKEN", TOKEN)
    before = len(ward.api())
    with start(archive=Archive(url=f"{ward.address}/dicomweb")) as service:
        service.service.reception.receive(film_bytes(), "test")
        confirm(service, service.answered()[0]["film"])
        end = time.monotonic() + 60.0
        while service.service.back.outstanding():
            assert time.monotonic() < end, service.service.back.outstanding()
            time.sleep(0.1)
    assert len(ward.api()) == before

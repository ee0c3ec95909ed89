"""Films come in by DICOM (dcmtk's clients), DICOMweb (dicomweb-client) and a folder."""

import io
import subprocess
import threading
import time

import httpx
import pydicom
import pytest
from dicomweb_client import DICOMwebClient
from dicomweb_client.session_utils import create_session

from annotate.ward.errors import NoRoomError, NotAnObjectError
from annotate.ward.peer import Peer
from annotate.ward.reception import Received, Reception
from annotate.ward.shelf import FILM
from annotate.ward.stow import parts_of

TOKEN = "token-of-the-tests"
HAND = {"BodyPartExamined": "HAND"}
"""Of films that are only received: to find a tube takes a second or two, to set a hand aside nothing."""


@pytest.mark.outside
def test_echoscu_is_answered(ward):
    command = ["echoscu", "-aec", "LIPMARK", "127.0.0.1", str(ward.dicom_port)]
    assert subprocess.run(command, capture_output=True).returncode == 0


@pytest.mark.outside
@pytest.mark.parametrize("syntax", ["--write-xfer-implicit", "--write-xfer-big", "+te", "+e1"])
def test_storescu_sends_in_many_syntaxes(ward, film_file, tmp_path, syntax):
    path = film_file()
    if syntax.startswith("--"):
        sent = tmp_path / "other.dcm"
        option = "+ti" if syntax.endswith("implicit") else "+tb"
        subprocess.run(["dcmconv", option, path, sent], check=True)
    elif syntax == "+te":
        sent = path
    else:
        sent = tmp_path / "jpeg.dcm"
        subprocess.run(["dcmcjpeg", "+e1", path, sent], check=True, capture_output=True)
    propose = {"--write-xfer-implicit": ["-xi"], "--write-xfer-big": ["-xb"], "+te": [], "+e1": ["-xs"]}[syntax]
    known = {film["film"] for film in ward.api()}
    command = ["storescu", *propose, "-aec", "LIPMARK", "127.0.0.1", str(ward.dicom_port), sent]
    assert subprocess.run(command, capture_output=True).returncode == 0
    ward.answered(len(known) + 1)
    assert [film["status"] for film in ward.api() if film["film"] not in known] == ["proposed"]


@pytest.mark.outside
def test_a_film_that_is_sent_twice_is_one(ward, film_file):
    path = film_file(**HAND)
    before = len(ward.api())
    assert ward.send(path, path) == 0
    assert ward.send(path) == 0
    assert len(ward.api()) == before + 1


def test_received_at_the_same_moment_it_is_one_too(ward, film_bytes):
    content = film_bytes(**HAND)
    before = len(ward.api())
    outcomes = []
    threads = [
        threading.Thread(target=lambda: outcomes.append(ward.service.reception.receive(content, "test")))
        for _ in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == [Received.DUPLICATE] * 7 + [Received.NEW]
    assert len(ward.api()) == before + 1


@pytest.mark.outside
def test_what_is_no_chest_film_is_set_aside_with_its_reason(ward, film_file):
    assert ward.send(film_file(**HAND)) == 0
    ward.answered(len(ward.api()))
    aside = [film for film in ward.api() if film["status"] == "set aside"]
    assert any("body part" in film["reason"] and "HAND" in film["reason"] for film in aside)


@pytest.mark.outside
def test_only_named_peers_may_send(start, film_file):
    path = film_file(**HAND)
    with start(peers=(Peer("XRAY1"), Peer("XRAY2", "10.9.9.9"))) as service:
        assert service.send(path, caller="XRAY1") == 0
        assert service.send(path, caller="STRANGER") != 0
        assert service.send(path, caller="XRAY2") != 0  # Right title, other host.
        assert len(service.api()) == 1


@pytest.mark.outside
def test_stow_by_dicomweb_client(ward, film_bytes):
    session = create_session()
    session.headers["Authorization"] = f"Bearer {TOKEN}"
    client = DICOMwebClient(f"{ward.address}/dicomweb", session=session)
    film = pydicom.dcmread(io.BytesIO(film_bytes(**HAND)))
    before = len(ward.api())
    answer = client.store_instances([film])
    assert answer.ReferencedSOPSequence[0].ReferencedSOPInstanceUID == film.SOPInstanceUID
    assert len(ward.answered(before + 1)) == before + 1


def test_stow_needs_the_token_and_objects(ward):
    url = f"{ward.address}/dicomweb/studies"
    assert httpx.post(url, content=b"x").status_code == 401
    headers = {"Authorization": f"Bearer {TOKEN}"}
    assert httpx.post(url, content=b"x", headers=headers).status_code == 400
    headers["Content-Type"] = 'multipart/related; type="application/dicom"; boundary=b'
    body = b"--b\r\nContent-Type: application/dicom\r\n\r\nno object\r\n--b--\r\n"
    answer = httpx.post(url, content=body, headers=headers)
    assert answer.status_code == 409
    assert answer.json()["00081198"]["Value"][0]["00081197"]["Value"] == [0xC000]


def test_bytes_of_parts_are_kept_as_they_are():
    content = bytes(range(256)) * 50 + b"\r\n--no\r\n\r\n"
    body = b"--b\r\nContent-Type: application/dicom\r\n\r\n" + content + b"\r\n--b--\r\n"
    assert parts_of('multipart/related; type="application/dicom"; boundary="b"', body) == [content]


def test_a_watched_folder(start, film_bytes, tmp_path):
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "first.dcm").write_bytes(film_bytes(**HAND))
    (inbox / "no-film.dcm").write_bytes(b"\0" * 200)
    with start(watch=inbox) as service:
        service.answered(1)
        (inbox / "deep").mkdir()
        (inbox / "deep" / "second.dcm").write_bytes(film_bytes(**HAND))
        assert len(service.answered(2)) == 2
    assert len(list(inbox.rglob("*.dcm"))) == 3


def test_a_full_waiting_room_asks_to_send_later(ward, film_bytes):
    reception = ward.service.reception
    full = Reception(*(getattr(reception, f"_{name}") for name in ("register", "shelf", "vault", "enqueue")), 0)
    before = len(ward.api())
    with pytest.raises(NoRoomError, match="send again later"):
        full.receive(film_bytes(), "test")
    assert len(ward.api()) == before


def test_without_identifier_it_is_no_object(ward):
    with pytest.raises(NotAnObjectError):
        ward.service.reception.receive(b"\0" * 128 + b"DICM", "test")


def test_it_lies_locked_on_the_disk_when_received(ward, film_bytes, settings):
    """Names stand in no file: not in the tables, not in the queue, not beside the films."""
    content = film_bytes(PatientName="Vanishing^Person", PatientID="VANISH-1")
    shelf, known = ward.service.reception._shelf, {film["film"] for film in ward.api()}
    ward.service.reception.receive(content, "test")
    film = next(film["film"] for film in ward.api() if film["film"] not in known)
    assert shelf.get(film, FILM) == content
    ward.answered(len(ward.api()))
    time.sleep(0.1)
    for path in settings.data.rglob("*"):
        if path.is_file():
            held = path.read_bytes()
            assert b"Vanishing" not in held
            assert b"VANISH-1" not in held

"""Who gets in, who may do what, and what is written down of it."""

import io
import logging
import re
import socket

import httpx
import pytest

from annotate.commands import ward_account
from annotate.logbook.store import Logbook
from annotate.ward.errors import WardError
from annotate.ward.peer import Peer
from annotate.ward.people import Role
from annotate.ward.settings import Archive, Proxy, Settings

TOKEN = "token-of-the-tests"
PASSWORD = "four words are long"


@pytest.fixture(scope="module")
def accounts(ward):
    people = ward.service.people
    for name, role in (("AB", Role.READER), ("CD", Role.AUDITOR), ("EF", Role.ENGINEER)):
        people.add_account(name, role, PASSWORD)
    yield people
    for name in ("AB", "CD", "EF"):
        people.remove_account(name)


@pytest.fixture
def no_limits(ward):
    """Attempts of earlier tests are forgotten."""
    ward.service.gate._limiter.storage.reset()
    yield
    ward.service.gate._limiter.storage.reset()


def sign_in(ward, name, password=PASSWORD):
    client = httpx.Client(base_url=ward.address, follow_redirects=True)
    return client, client.post("/sign-in", data={"name": name, "password": password})


def test_nobody_sees_a_film_unsigned(ward, read_film):
    for where in ("/", f"/films/{read_film}", f"/films/{read_film}/large.jpg", "/access", "/service"):
        answer = httpx.get(ward.address + where)
        assert answer.status_code == 303, where
        assert answer.headers["location"] == "/sign-in"
    assert httpx.post(f"{ward.address}/films/{read_film}/assess", json={}).status_code == 401


def test_programs_need_the_token(ward):
    for where in ("/api/films", "/metrics"):
        assert httpx.get(ward.address + where).status_code == 401
        wrong = {"Authorization": "Bearer wrong"}
        assert httpx.get(ward.address + where, headers=wrong).status_code == 401
    health = httpx.get(ward.address + "/health")
    assert (health.status_code, health.json()["status"]) == (200, "ok")


def test_metrics_count_and_name_nobody(ward, read_film):
    text = httpx.get(f"{ward.address}/metrics", headers={"Authorization": f"Bearer {TOKEN}"}).text
    assert re.search(r'lipmark_films\{status="proposed"\} [1-9]', text)
    assert "Secret" not in text
    assert "4711" not in text


def test_the_api_tells_everything_but_whose_film(ward, read_film):
    film = next(film for film in ward.api() if film["film"] == read_film)
    assert set(film) >= {"film", "received", "status", "verdict", "adjustment", "distance"}
    assert "Secret" not in str(film)
    assert "4711" not in str(film)


@pytest.mark.usefixtures("no_limits")
def test_roles(ward, accounts, read_film):
    may = {"AB": "/", "CD": "/access", "EF": "/service"}
    for name, own in may.items():
        client, answer = sign_in(ward, name)
        assert answer.status_code == 200
        assert client.get(own).status_code == 200
        others = {*may.values(), f"/films/{read_film}"} - {own, "/"}
        if name == "AB":
            others.discard(f"/films/{read_film}")
        for where in others:
            assert client.get(where).status_code == 403, (name, where)
        assert ("Secret Bed" in client.get("/").text) is (name == "AB")


@pytest.mark.usefixtures("no_limits")
def test_wrong_passwords_are_refused_and_then_slowed(ward, accounts):
    answers = [sign_in(ward, "AB", f"wrong password {number}")[1].status_code for number in range(11)]
    assert answers[:10] == [401] * 10
    assert answers[10] == 429
    assert sign_in(ward, "AB")[1].status_code == 429


@pytest.mark.usefixtures("no_limits")
def test_signing_out_ends_the_session(ward, accounts):
    client, _ = sign_in(ward, "AB")
    cookie = client.cookies.get("lipmark_ward")
    client.post("/sign-out", data={"form_token": ward.form_token(client)})
    client.cookies.set("lipmark_ward", cookie)
    assert client.get("/", follow_redirects=False).status_code == 303


@pytest.mark.usefixtures("no_limits")
def test_forms_of_other_sites_do_nothing(ward, accounts, read_film):
    client, _ = sign_in(ward, "AB")
    token = ward.form_token(client)
    path = f"/films/{read_film}/decide"
    assert client.post(path, data={"say": "confirm"}).status_code == 403
    assert client.post(path, data={"say": "confirm", "form_token": "x" * 32}).status_code == 403
    elsewhere = {"Origin": "http://elsewhere.example"}
    assert client.post(path, data={"say": "confirm", "form_token": token}, headers=elsewhere).status_code == 403
    assert next(film for film in ward.api() if film["film"] == read_film)["status"] == "proposed"


def test_headers_are_strict(ward):
    headers = httpx.get(f"{ward.address}/sign-in").headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["cache-control"] == "no-store"
    assert httpx.get(f"{ward.address}/health", headers={"Host": "rebound.example"}).status_code == 400


@pytest.mark.usefixtures("no_limits")
def test_with_accounts_the_token_opens_no_page(ward, accounts):
    assert httpx.get(f"{ward.address}/sign-in", params={"token": TOKEN}).status_code == 401
    assert ward.api() is not None


def test_a_random_token_holds_once(start):
    with start(token="") as service:
        token = service.service.gate.token
        address = f"{service.address}/sign-in?token={token}"
        assert httpx.get(address).status_code == 303
        assert httpx.get(address).status_code == 401
        assert httpx.get(f"{service.address}/sign-in?token=wrong").status_code == 401


def test_the_proxy_s_word_is_taken_from_its_own_address_alone(start):
    for addresses, status in ((("127.0.0.1",), 200), (("10.0.0.1",), 303)):
        with start(proxy=Proxy("X-Remote-User", addresses)) as service:
            service.service.people.add_account("AB", Role.READER, PASSWORD)
            known = httpx.get(f"{service.address}/", headers={"X-Remote-User": "AB"})
            assert known.status_code == status
            stranger = httpx.get(f"{service.address}/", headers={"X-Remote-User": "XY"})
            assert stranger.status_code == 303


def test_views_and_changes_are_written_down_and_readings_go_to_the_logbook(start, film_bytes, caplog):
    caplog.set_level(logging.DEBUG)
    with start() as service:
        service.service.reception.receive(film_bytes(), "test")
        film = service.answered()[0]["film"]
        client = service.signed_in()
        page = client.get(f"/films/{film}").text
        seen = re.search(r'name="seen" value="(\d+)"', page).group(1)
        form = {"form_token": service.form_token(client), "seen": seen, "say": "confirm", "marks": "{}"}
        assert client.post(f"/films/{film}/decide", data=form).status_code == 200
        again = client.post(f"/films/{film}/decide", data=form)
        assert again.status_code == 409
        assert "someone else" in again.text
        what = [line.what for line in service.service.people.accesses(film)]
        assert what == ["saw the film", "confirmed", "saw the film"]
        text = client.get(f"/films/{film}/reading.txt").text
        assert "confirmed by" in text
        assert "Secret" not in text
        with Logbook.open(str(service.service.settings.data / "logbook.sqlite")) as logbook:
            (entry,) = logbook.entries()
            assert "Secret" not in str(entry.plain())
            assert "4711" not in str(entry.plain())
            assert entry.reading["distance"] == service.api()[0]["distance"]
            assert logbook.verify().sound
    assert "Secret" not in caplog.text
    assert "4711" not in caplog.text


@pytest.mark.parametrize(
    ("settings", "accounts", "missing"),
    [
        ({"host": "0.0.0.0"}, 0, "nobody can sign in"),
        ({"host": "0.0.0.0"}, 1, "no encryption"),
        ({"host": "::"}, 1, "no encryption"),
        ({"host": "0.0.0.0", "proxy": Proxy("X", ("10.0.0.1",))}, 0, "any machine could send"),
        ({"tls_cert": "cert.pem"}, 0, "go together"),
        ({"keep_days": 0.0}, 0, "more than 0"),
    ],
)
def test_what_is_not_safe_does_not_start(tmp_path, settings, accounts, missing):
    with pytest.raises(WardError, match=missing):
        Settings(tmp_path, **settings).refuse_unless_safe(accounts)


def test_what_is_safe_does(tmp_path):
    Settings(tmp_path).refuse_unless_safe(0)
    peers, proxy = (Peer("XRAY1"),), Proxy("X", ("10.0.0.1",))
    Settings(tmp_path, host="0.0.0.0", peers=peers, proxy=proxy).refuse_unless_safe(0)
    Settings(tmp_path, host="0.0.0.0", peers=peers, tls_cert="a", tls_key="b").refuse_unless_safe(1)


def test_two_services_do_not_share_a_folder(ward, settings):
    from annotate.ward.service import Service

    with pytest.raises(WardError, match="another service runs"):
        Service(settings)


def test_small_answers_are_sent_at_once(tmp_path):
    """A socket made for the server waits for the other side's word before a second packet, unless told not to."""
    from annotate.ward.service import _listen

    with _listen(Settings(tmp_path, http_port=0)) as listening:
        assert listening.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


@pytest.mark.parametrize("words", ["ARCHIVE", "ARCHIVE@host", "@host:104", "A" * 17 + "@host:104"])
def test_an_archive_that_is_none_is_told(words):
    with pytest.raises(WardError, match="found"):
        Archive.parse(words)


def test_accounts_by_command(lipmark, tmp_path, monkeypatch):
    data = ("--data", tmp_path / "ward")
    monkeypatch.setattr("sys.stdin", io.StringIO("short\n"))
    status, _, err = lipmark("ward", "account", "AB", *data)
    assert (status, "12 or more" in err) == (2, True)
    monkeypatch.setattr("sys.stdin", io.StringIO(PASSWORD + "\n"))
    assert lipmark("ward", "account", "AB", "--role", "auditor", *data)[0] == 0
    assert lipmark("ward", "account", *data)[1] == "AB  auditor\n"
    assert lipmark("ward", "account", "AB", "--remove", *data)[0] == 0
    assert lipmark("ward", "account", *data)[1] == ""
    assert set(ward_account.ROLES) == set(Role)

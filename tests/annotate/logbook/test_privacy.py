import hashlib
import hmac
import stat
import threading
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest

from annotate.logbook.errors import LogbookError
from annotate.logbook.privacy import pseudonym


@pytest.mark.outside
def test_hmac_is_that_of_rfc_4231(tmp_path):
    """RFC 4231 fixes HMAC-SHA-256; the standard library's one-shot hmac.digest is OpenSSL's and not ours."""
    key = tmp_path / "key"
    key.write_bytes(bytes(range(32)))
    key.chmod(0o600)
    assert pseudonym("4711", "Ward", key) == hmac.digest(bytes(range(32)), b"4 Ward4711", hashlib.sha256).hex()


@pytest.fixture
def key_file(own_data_folder):
    return own_data_folder.with_name("lipmark-key") / "pseudonym.key"


def test_a_new_key_makes_pseudonyms_by_a_slow_hash(key_file):
    """RFC 7914 with the cost that docs/logbook.md names, its parameters written out."""
    pseudonym("4711")
    salt = key_file.read_bytes().removeprefix(b"scrypt 1\n")
    expected = hashlib.scrypt(b"4 Ward4711", salt=salt, n=16384, r=8, p=1, dklen=32).hex()
    assert pseudonym("4711", "Ward") == expected


def test_the_key_is_made_once_and_for_its_owner_alone(own_data_folder, key_file):
    first = pseudonym("4711")
    assert stat.S_IMODE(key_file.stat().st_mode) == 0o600
    assert stat.S_IMODE(key_file.parent.stat().st_mode) == 0o700
    assert key_file.stat().st_size == 9 + 32
    assert pseudonym(" 4711 ") == first
    assert pseudonym("4712") != first
    assert [item.name for item in key_file.parent.iterdir()] == ["pseudonym.key"]


def test_the_key_does_not_lie_where_the_logbook_does(own_data_folder):
    pseudonym("4711")
    assert not list(own_data_folder.rglob("*key*"))


def test_a_key_of_an_earlier_version_stays_in_use(own_data_folder, key_file):
    own_data_folder.mkdir(parents=True, exist_ok=True)
    earlier = own_data_folder / "pseudonym.key"
    earlier.write_bytes(bytes(range(32)))
    earlier.chmod(0o600)
    assert pseudonym("4711", "Ward") == hmac.digest(bytes(range(32)), b"4 Ward4711", hashlib.sha256).hex()
    assert not key_file.exists()


def test_the_key_is_on_the_disk_before_it_is_used(key_file, monkeypatch):
    synced = []
    monkeypatch.setattr("os.fsync", lambda handle: synced.append(Path(f"/proc/self/fd/{handle}").readlink()))
    pseudonym("4711")
    assert [path.parent if path.suffix == ".new" else path for path in synced] == [key_file.parent] * 2


def test_issuer_and_id_do_not_run_into_one_another():
    assert len({pseudonym("B1", "A"), pseudonym("1", "AB"), pseudonym("AB1"), pseudonym("B1", "")}) == 4


def test_no_id_has_no_pseudonym(key_file):
    assert pseudonym("  ", "Ward") is None
    assert not key_file.exists()


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644])
def test_a_key_that_others_can_read_is_refused(key_file, mode):
    pseudonym("4711")
    key_file.chmod(mode)
    with pytest.raises(LogbookError, match=f"{mode:04o} found, 0600 expected"):
        pseudonym("4711")


def test_a_key_of_another_length_is_refused(key_file):
    pseudonym("4711")
    key_file.write_bytes(b"short")
    with pytest.raises(LogbookError, match="holds 5 bytes, 41 expected"):
        pseudonym("4711")


def test_the_environment_names_another_key(tmp_path, monkeypatch):
    own = pseudonym("4711")
    monkeypatch.setenv("LIPMARK_KEY", str(tmp_path / "unit.key"))
    assert pseudonym("4711") != own
    assert (tmp_path / "unit.key").exists()


def test_processes_that_make_the_key_together_agree():
    with get_context("spawn").Pool(3) as pool:
        assert len(set(pool.map(pseudonym, ["4711"] * 6))) == 1


def test_many_threads_that_need_the_first_key_at_once_get_the_same(tmp_path):
    """Three services of a ward that start together; before, all but one failed."""
    together = threading.Barrier(8)

    def hashed(_):
        together.wait()
        return pseudonym("ID-1", "", tmp_path / "keys" / "pseudonym.key")

    with ThreadPoolExecutor(8) as pool:
        assert len(set(pool.map(hashed, range(8)))) == 1
    assert [path.name for path in (tmp_path / "keys").iterdir()] == ["pseudonym.key"]

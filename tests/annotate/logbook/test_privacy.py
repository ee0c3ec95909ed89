import hashlib
import hmac
import stat
from multiprocessing import get_context

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


def test_the_key_is_made_once_and_for_its_owner_alone(own_data_folder):
    first = pseudonym("4711")
    path = own_data_folder / "pseudonym.key"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert path.stat().st_size == 32
    assert pseudonym(" 4711 ") == first
    assert pseudonym("4712") != first
    assert [item.name for item in own_data_folder.iterdir()] == ["pseudonym.key"]


def test_issuer_and_id_do_not_run_into_one_another():
    assert len({pseudonym("B1", "A"), pseudonym("1", "AB"), pseudonym("AB1"), pseudonym("B1", "")}) == 4


def test_no_id_has_no_pseudonym(own_data_folder):
    assert pseudonym("  ", "Ward") is None
    assert not (own_data_folder / "pseudonym.key").exists()


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644])
def test_a_key_that_others_can_read_is_refused(own_data_folder, mode):
    pseudonym("4711")
    (own_data_folder / "pseudonym.key").chmod(mode)
    with pytest.raises(LogbookError, match=f"{mode:04o} found, 0600 expected"):
        pseudonym("4711")


def test_a_key_of_another_length_is_refused(own_data_folder):
    pseudonym("4711")
    (own_data_folder / "pseudonym.key").write_bytes(b"short")
    with pytest.raises(LogbookError, match="holds 5 bytes, 32 expected"):
        pseudonym("4711")


def test_the_environment_names_another_key(tmp_path, monkeypatch):
    own = pseudonym("4711")
    monkeypatch.setenv("LIPMARK_KEY", str(tmp_path / "unit.key"))
    assert pseudonym("4711") != own
    assert (tmp_path / "unit.key").exists()


def test_processes_that_make_the_key_together_agree():
    with get_context("spawn").Pool(3) as pool:
        assert len(set(pool.map(pseudonym, ["4711"] * 6))) == 1

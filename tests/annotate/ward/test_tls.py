"""Both ports encrypted, asked by clients that are not ours: dcmtk, and a client that checks the certificate."""

import datetime
import ipaddress
import runpy
import ssl
import subprocess
from pathlib import Path

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

BENCH = runpy.run_path(str(Path(__file__).parents[2] / "benchmarks" / "bench_ward.py"))


def certificate(folder, name):
    """A self-made certificate of this machine, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(who)
        .issuer_name(who)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), True)
        .sign(key, hashes.SHA256())
    )
    cert_file, key_file = folder / f"{name}.pem", folder / f"{name}.key"
    cert_file.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    key_file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return cert_file, key_file


@pytest.fixture(scope="module")
def encrypted(tmp_path_factory):
    """A service of its own whose ports both speak TLS."""
    folder = tmp_path_factory.mktemp("tls")
    ward = BENCH["Ward"](folder / "ward", None, certificate(folder, "ours"))
    ward.data.mkdir()
    ward.start()
    yield ward
    ward.kill()


def scu(program, ward, trusted=None, films=()):
    """The exit status of one of dcmtk's clients, which trusts one certificate; None for no encryption."""
    tls = () if trusted is None else ("+tla", "-rc", "+cf", trusted)
    patience = ("-to", "5", "-ta", "5", "-td", "5")
    command = [program, *patience, *tls, "-aec", "LIPMARK", "127.0.0.1", ward.dicom_port, *films]
    return subprocess.run([str(word) for word in command], capture_output=True, timeout=60).returncode


@pytest.mark.outside
def test_dicom_by_tls_and_no_other_way(encrypted, film_file, tmp_path):
    trusted, (stranger, _) = encrypted.certificate[0], certificate(tmp_path, "stranger")
    films = [film_file(BodyPartExamined="HAND")]
    assert scu("echoscu", encrypted, trusted) == 0
    assert scu("storescu", encrypted, trusted, films) == 0
    assert len(encrypted.get("/api/films").json()) == 1
    films = [film_file("other.dcm")]
    for who in (stranger, None):
        assert scu("echoscu", encrypted, who) != 0
        assert scu("storescu", encrypted, who, films) != 0
    assert len(encrypted.get("/api/films").json()) == 1


@pytest.mark.outside
def test_the_page_by_https_and_no_other_way(encrypted, tmp_path):
    assert encrypted.get("/health").json()["status"] == "ok"  # The client checks certificate and address.
    answer = encrypted.client.get("/sign-in", params={"token": BENCH["TOKEN"]})
    assert "Secure" in answer.headers["set-cookie"]
    address = str(encrypted.client.base_url)
    stranger = ssl.create_default_context(cafile=certificate(tmp_path, "stranger")[0])
    with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
        httpx.get(f"{address}/health", verify=stranger)
    with pytest.raises(httpx.HTTPError):
        httpx.get(f"{address}/health".replace("https", "http"))
    old = ssl.create_default_context(cafile=encrypted.certificate[0])
    old.minimum_version, old.maximum_version = ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1
    with pytest.raises(httpx.ConnectError):
        httpx.get(f"{address}/health", verify=old)

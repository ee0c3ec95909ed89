"""Whose film it is, told to nobody who has not the key."""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
import stat
from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

from annotate.logbook.entry import Object
from annotate.logbook.errors import LogbookError
from annotate.logbook.folder import data_folder, make_private
from measure.reading import Plain

KEY_BYTES = 32
"""As long as the hash, which RFC 2104 section 3 asks for at least."""

SLOW = b"scrypt 1\n"
"""Begins a key file whose pseudonyms are made slowly; one without it is of an earlier version, and stays so."""

SCRYPT = MappingProxyType({"n": 2**14, "r": 8, "p": 1, "dklen": 32})
"""scrypt (RFC 7914) with the cost for interactive use (Percival C. BSDCan 2009): IDs of a few digits are soon all
tried by whoever stole the key; so each try takes some 50 ms and 16 MB."""

KEY_NAME = "pseudonym.key"

KEY_VARIABLE = "LIPMARK_KEY"
"""Names another key file, for instance one that a unit's machines share."""

FILM_LABEL_DIGITS = 12
"""Digits of the fingerprint that stand for a film's name: enough to be its own among millions (ours)."""


def pseudonym(patient_id: str, issuer: str = "", key_file: Path | None = None) -> str | None:
    """A patient's ID hashed under the local key, in hexadecimal; None without an ID.

    The hash is scrypt with the key for its salt; under a key of an earlier version it is HMAC-SHA-256.

    Parameters
    ----------
    patient_id, issuer : str
        Patient ID (0010,0020) and Issuer of Patient ID (0010,0021).
    key_file : Path, optional
        By default that of the user, made on first use.

    Raises
    ------
    LogbookError
        Where the key cannot be made or read, or others can read it.
    """
    if not patient_id.strip():
        return None
    # The length keeps apart what would run into one another: issuer "A", ID "B1" and issuer "AB", ID "1".
    issuer = issuer.strip()
    message = f"{len(issuer)} {issuer}{patient_id.strip()}".encode()
    key = _key(key_file or default_key_file())
    if key.startswith(SLOW):
        return _slow_hash(message, key.removeprefix(SLOW))
    return hmac.new(key, message, hashlib.sha256).hexdigest()


@lru_cache(maxsize=1024)
def _slow_hash(message: bytes, key: bytes) -> str:
    """A film after the other is often of the same patient."""
    return hashlib.scrypt(message, salt=key, **SCRYPT).hex()


ORIGIN_WITHIN_HOURS = 100 * 365 * 24
"""How far a patient's secret origin of time may lie back: longer than any film is old (ours)."""


def film_hours(patient_id: str, taken: str, issuer: str = "", key_file: Path | None = None) -> float | None:
    """Hours from a secret moment of this patient to the film: they order a patient's films and tell no date.

    The moment follows from the patient's pseudonym under the local key, so that films read in any order, on any
    machine that shares the key, stand at the right distance from one another.

    Parameters
    ----------
    patient_id, issuer : str
        As for `pseudonym`.
    taken : str
        When the film was taken, YYYYMMDDHHMMSS.
    key_file : Path, optional
        As for `pseudonym`.

    Returns
    -------
    float or None
        To the minute; None without an ID or a time.

    Raises
    ------
    LogbookError
        As `pseudonym` does.
    """
    try:
        moment = datetime.strptime(taken, "%Y%m%d%H%M%S")
    except ValueError:
        return None
    named = pseudonym(f"origin of time {patient_id.strip()}" if patient_id.strip() else "", issuer, key_file)
    if named is None:
        return None
    since = (moment - datetime(2000, 1, 1)).total_seconds() / 3600.0
    return round((since + int(named, 16) % ORIGIN_WITHIN_HOURS) * 60.0) / 60.0


def default_key_file() -> Path:
    """The user's key file, or the one that LIPMARK_KEY names.

    It lies beside the data folder, not in it: who copies the logbook's folder must not get the key with it. One
    that an earlier version made within stays in use.
    """
    named = os.environ.get(KEY_VARIABLE)
    if named:
        return Path(named)
    folder = data_folder()
    earlier = folder / KEY_NAME
    return earlier if earlier.exists() else folder.with_name(f"{folder.name}-key") / KEY_NAME


def _key(path: Path) -> bytes:
    try:
        if not path.exists():
            make_private(path, SLOW + secrets.token_bytes(KEY_BYTES))
        return _read_key(path)
    except OSError as error:
        raise LogbookError(
            f"logbook: the key file {path} cannot be used ({error.strerror}); a file of your own is expected. "
            f"Check your rights, or name another with {KEY_VARIABLE}."
        ) from error


def _read_key(path: Path) -> bytes:
    mode = path.stat().st_mode
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise LogbookError(
            f"logbook: others can reach the key file {path} (mode {stat.S_IMODE(mode):04o} found, 0600 expected). "
            "Who has the key can find patients in the logbook: chmod 600 it, and ask who has read it."
        )
    key = path.read_bytes()
    expected = len(SLOW) + KEY_BYTES
    if len(key) != (expected if key.startswith(SLOW) else KEY_BYTES):
        raise LogbookError(
            f"logbook: the key file {path} holds {len(key)} bytes, {expected} expected. Restore it from your "
            "backup: another key gives every patient another pseudonym."
        )
    return key


def named_by_entry(number: int) -> str:
    """How a film of the logbook is called where another is compared with it; not a name to be left out."""
    return f"entry {number}"


def _may_name_patient(film: object) -> bool:
    return bool(film) and re.fullmatch(r"entry \d+", str(film)) is None


def without_names(reading: Object, film: str) -> dict[str, Plain]:
    """A Reading's JSON object with the film named by its fingerprint, and no identifier.

    A file's name often holds the patient's: names of this film and the previous one go, wherever the Reading
    says them, and so does what --show-identifiers adds.

    Parameters
    ----------
    reading : mapping
        `Reading.to_dict()`.
    film : str
        The fingerprint.
    """
    plain = {key: value for key, value in reading.items() if key != "identifiers"}
    if "film" in plain:
        plain["film"] = film[:FILM_LABEL_DIGITS]
    change = plain.get("change")
    if isinstance(change, Mapping) and _may_name_patient(change.get("film")):
        named = f"Since {change['film']} "
        plain["change"] = {**change, "film": ""}
        cautions = plain.get("cautions")
        if isinstance(cautions, list):
            plain["cautions"] = [str(text).replace(named, "Since the previous film ") for text in cautions]
    return plain


def inputs_without_names(inputs: Object) -> dict[str, Plain]:
    """Inputs without the names of this film and the previous one."""
    plain = {key: value for key, value in inputs.items() if key not in ("film", "identifiers")}
    previous = plain.get("previous")
    if isinstance(previous, Mapping) and _may_name_patient(previous.get("film")):
        plain["previous"] = {key: value for key, value in previous.items() if key != "film"}
    return plain

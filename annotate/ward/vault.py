"""What names a patient, kept so that only this service can read it."""

from __future__ import annotations

import hashlib
import hmac
import os
import stat
from pathlib import Path

from annotate.logbook.folder import make_private
from annotate.ward.errors import WardError

KEY_VARIABLE = "LIPMARK_WARD_KEY"
"""Names another key file: on another disk than the films, and shared by services on one database."""


class Vault:
    """Encrypts with one key, and makes keyed hashes with it.

    Parameters
    ----------
    key_file : Path
        Made on first use, readable by its owner alone.

    Raises
    ------
    WardError
        Where it cannot be used, or others can read it.
    """

    def __init__(self, key_file: Path) -> None:
        from cryptography.fernet import Fernet

        try:
            if not key_file.exists():
                make_private(key_file, Fernet.generate_key())
            key = _private_bytes(key_file)
            self._fernet = Fernet(key)
        except (OSError, ValueError) as error:
            raise WardError(
                f"ward: the key file {key_file} cannot be used ({type(error).__name__}); restore it from your "
                "backup: without it no film that was received can be read."
            ) from error
        self._hash_key = hashlib.sha256(b"objects " + key).digest()

    @classmethod
    def of(cls, data: Path) -> Vault:
        """The vault of a data folder, or with the key that LIPMARK_WARD_KEY names."""
        named = os.environ.get(KEY_VARIABLE)
        return cls(Path(named) if named else data / "keys" / "ward.key")

    def locked(self, content: bytes) -> bytes:
        """Encrypted and signed."""
        return self._fernet.encrypt(content)

    def opened(self, content: bytes) -> bytes:
        """What was locked.

        Raises
        ------
        WardError
            Where it was changed, or locked with another key.
        """
        from cryptography.fernet import InvalidToken

        try:
            return self._fernet.decrypt(content)
        except InvalidToken as error:
            raise WardError(
                "ward: something kept was altered, or locked with another key; is the key file the one of this "
                "data folder?"
            ) from error

    def object_key(self, uid: str) -> str:
        """Keyed hash of an identifier, in hexadecimal: tells the same from another, and nothing else."""
        return hmac.new(self._hash_key, uid.encode(), hashlib.sha256).hexdigest()


def _private_bytes(path: Path) -> bytes:
    mode = path.stat().st_mode
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise WardError(
            f"ward: others can reach the key file {path} (mode {stat.S_IMODE(mode):04o} found, 0600 expected); "
            "chmod 600 it, and ask who has read it."
        )
    return path.read_bytes()

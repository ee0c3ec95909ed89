"""Unsaved work on the disk, written after every step and taken up again when the film is opened."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

from annotate.logbook.folder import data_folder, put_private
from annotate.window.marking import Marking
from annotate.window.marks import Marks

VERSION = 1
DRAFTS = "drafts"


class DraftError(Exception):
    """A draft that cannot be read; the message says what was done with it."""


class Drafts:
    """The drafts of one reader and one purpose, a file each film.

    A draft is named by the film's fingerprint and holds points and form, never the file's name or an identifier.

    Parameters
    ----------
    purpose, reader : str
        Whose drafts these are; a second reader does not take up the first one's.
    folder : Path, optional
        By default in the user's data folder.
    """

    def __init__(self, purpose: str, reader: str, folder: Path | None = None) -> None:
        self._folder = folder or data_folder() / DRAFTS
        self._owner = hashlib.sha256(f"{purpose} {reader}".encode()).hexdigest()[:16]

    def write(self, marking: Marking) -> None:
        """Put the film's draft in place as a whole; nothing unsaved, no draft.

        Raises
        ------
        OSError
            Where the disk does not take it.
        """
        path = self._path(marking)
        if not marking.unsaved:
            path.unlink(missing_ok=True)
            return
        plain = {"version": VERSION, "marks": marking.marks.to_dict(), "form": marking.texts}
        put_private(path, json.dumps(plain).encode())

    def restore(self, marking: Marking) -> bool:
        """Take up the film's draft; False where there is none.

        Raises
        ------
        DraftError
            Where it cannot be read; a damaged one is laid aside.
        """
        path = self._path(marking)
        try:
            plain = json.loads(path.read_bytes())
            if plain["version"] != VERSION:
                raise ValueError(f"version {plain['version']} found, {VERSION} expected")
            marks, texts = Marks.from_dict(plain["marks"]), _texts(plain["form"])
        except FileNotFoundError:
            return False
        except OSError as error:
            raise DraftError(f"Unsaved marks of this film, if any, cannot be read ({error.strerror}).") from error
        except (KeyError, TypeError, ValueError) as error:
            aside = path.with_suffix(".damaged")
            path.replace(aside)
            raise DraftError(
                f"The unsaved marks of this film cannot be read ({error}); they were laid aside as {aside.name}. "
                "Place the points again."
            ) from error
        marking.restore(marks, texts)
        return True

    def _path(self, marking: Marking) -> Path:
        return self._folder / f"{marking.fingerprint}-{self._owner}.json"


def _texts(plain: object) -> dict[str, str]:
    if not isinstance(plain, Mapping):
        raise TypeError("no form")
    return {str(key): str(text) for key, text in plain.items()}

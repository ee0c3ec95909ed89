"""Films put into a folder."""

from __future__ import annotations

import threading
from pathlib import Path

from annotate.messages import LOG, tell_unforeseen
from annotate.ward.errors import NoRoomError, NotAnObjectError
from annotate.ward.metrics import RECEIVED
from annotate.ward.reception import Reception

SETTLED_MS = 500
"""A file that has not changed for so long is taken (ours)."""

LOOK_AGAIN_MS = 30_000
"""What could not be taken is tried again so often (ours)."""


class WatchedFolder:
    """Takes every film below a folder, and leaves the files where they are.

    Parameters
    ----------
    folder : Path
        Must be there.
    reception : Reception
        Takes them.
    """

    def __init__(self, folder: Path, reception: Reception) -> None:
        self._folder, self._reception = folder, reception
        self._stop = threading.Event()
        self._left: set[Path] = set()
        self._thread = threading.Thread(target=self._watch, name="watched folder", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop looking."""
        self._stop.set()
        self._thread.join(timeout=5.0)

    def _watch(self) -> None:
        from watchfiles import Change, watch

        self._take({path for path in self._folder.rglob("*") if path.is_file()})
        changes = watch(
            self._folder,
            stop_event=self._stop,
            debounce=SETTLED_MS,
            rust_timeout=LOOK_AGAIN_MS,
            yield_on_timeout=True,
        )
        for changed in changes:
            found = {Path(path) for change, path in changed if change is not Change.deleted}
            self._take(found | self._left)

    def _take(self, paths: set[Path]) -> None:
        self._left = set()
        for path in sorted(paths):
            if path.name.startswith(".") or not path.is_file():
                continue
            try:
                outcome = self._reception.receive(path.read_bytes(), "folder").value
            except (NoRoomError, OSError):
                self._left.add(path)
                outcome = "no room"
            except NotAnObjectError as error:  # The file's name stays out: it may hold the patient's.
                LOG.warning("%s", error)
                outcome = "not understood"
            except Exception as error:
                tell_unforeseen(error)
                outcome = "failed"
            RECEIVED.labels("folder", outcome).inc()

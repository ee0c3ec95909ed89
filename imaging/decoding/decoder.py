"""Asks the process that decodes; starts it, waits for it, and starts another where forged bytes ended it."""

from __future__ import annotations

import atexit
import contextlib
import logging
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import BinaryIO, cast

from imaging.decoding.wire import WireError, receive, send
from imaging.errors import FilmRefusedError, FilmUnreadableError

MEMORY_BYTES = 1_400_000_000
"""Address space of the process that decodes (ours): the largest grey film in JPEG 2000 needs 0.8 GB."""

DEADLINE_S = 9.0
"""For one picture (ours): a film of 7.5 million pixels takes 1 s in the slowest encoding, JPEG 2000."""

USUAL_PIXEL_COUNT = 16_000_000
MORE_S_PER_PIXEL = 0.5e-6
"""A larger picture gets more time (ours): 35 x 43 cm at 0.1 mm are 15 million pixels; four times the 1 s above."""

BOOT = "import sys; sys.path[:] = sys.argv[2:]\nfrom imaging.decoding.child import main; main(int(sys.argv[1]))"
"""The process looks for modules where this one does, and skips what else the interpreter does at its start."""

ENVIRONMENT = ("LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "PATH", "SYSTEMROOT", "TMPDIR")
"""All that the process inherits: no key, no password, nothing that tells whose machine this is."""

LOG = logging.getLogger("lipmark.imaging")

Answer = tuple[dict[str, object], list[bytearray]]


class Decoder:
    """The process that decodes, as it is seen from outside; one job at a time.

    Parameters
    ----------
    memory_bytes : int
        Most address space of the process.
    deadline_s : float
        Longest time for one job of a usual size.
    """

    def __init__(self, memory_bytes: int = MEMORY_BYTES, deadline_s: float = DEADLINE_S) -> None:
        self._memory_bytes = memory_bytes
        self._deadline_s = deadline_s
        self._process: subprocess.Popen[bytes] | None = None
        self._jobs_done = 0
        self._lock = threading.Lock()

    def start(self) -> None:
        """Let the process start, without waiting for it: it gets ready while the caller reads a header."""
        with self._lock:
            self._running()

    def ask(self, job: Mapping[str, object], data: bytes) -> Answer:
        """Return what comes of a job.

        Parameters
        ----------
        job : mapping
            What is to be decoded, and how; where its `pixels` are given, a very large picture gets more time.
        data : bytes
            The encoded picture.

        Raises
        ------
        FilmUnreadableError
            Where the picture is damaged, or took more memory or time than any film may.
        FilmRefusedError
            Where it is no single film.
        """
        pixels = cast(int, job.get("pixels", 0))
        deadline_s = self._deadline_s + MORE_S_PER_PIXEL * max(0, pixels - USUAL_PIXEL_COUNT)
        with self._lock:
            answer, parts = self._asked({**job, "deadline_s": deadline_s}, data)
        if "refused" in answer:
            raise FilmRefusedError(_told(answer["refused"]))
        if "unreadable" in answer:
            raise FilmUnreadableError(_told(answer["unreadable"]))
        if "no_memory" in answer:
            raise FilmUnreadableError(
                f"a picture was found whose decoding needs more than {self._memory_bytes // 10**6} MB, which no "
                "film should. Export it uncompressed, or smaller."
            )
        if "damage" in answer:
            raise DamagedPictureError(_told(answer["damage"]))
        return answer, parts

    def _asked(self, job: Mapping[str, object], data: bytes) -> Answer:
        """Ask, and where the process had worked before and died or ran out of memory, ask a fresh one."""
        used = self._process is not None and self._jobs_done > 0
        answer = self._asked_once(job, data)
        if used and (answer is None or "no_memory" in answer[0]):
            self._stop()
            answer = self._asked_once(job, data)
        return answer or ({"damage": "the decoder died"}, [])

    def _asked_once(self, job: Mapping[str, object], data: bytes) -> Answer | None:
        """Return the answer, or None where the process died over it."""
        process = self._running()
        try:
            send(cast(BinaryIO, process.stdin), job, [data])
            answer = receive(cast(BinaryIO, process.stdout))
        except (WireError, OSError):
            return self._last_words(cast(float, job["deadline_s"]))
        except BaseException:
            self._stop()  # An answer that comes after an interruption must never be taken for the next film's.
            raise
        self._jobs_done += 1
        return answer

    def _last_words(self, deadline_s: float) -> Answer | None:
        """Return what a process that is gone died of."""
        status = self._stop(patience_s=1.0)
        LOG.debug("the process that decodes ended with status %s", status)
        if status == -getattr(signal, "SIGALRM", 0):
            reason = f"a picture was found that is not decoded within {deadline_s:.3g} s, as any film should be."
            return {"unreadable": f"{reason} Export it uncompressed, or smaller."}, []
        return None

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self._jobs_done = 0
            self._process = subprocess.Popen(
                [
                    sys.executable,
                    "-I",
                    "-S",
                    "-c",
                    BOOT,
                    str(self._memory_bytes),
                    *_paths(),
                ],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=None if LOG.isEnabledFor(logging.DEBUG) else subprocess.DEVNULL,
                env=_environment(),
            )
        return self._process

    def close(self) -> None:
        """End the process."""
        with self._lock:
            self._stop()

    def _stop(self, patience_s: float = 0.0) -> int | None:
        """End the process and return its status; with some patience its own, where it is ending by itself."""
        process, self._process = self._process, None
        if process is None:
            return None
        if patience_s:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(patience_s)
        process.kill()  # Does nothing to one that has ended.
        status = process.wait()
        for stream in (process.stdin, process.stdout):
            with contextlib.suppress(OSError):  # What was still to be written is written to no one.
                cast(BinaryIO, stream).close()
        return status

    def forget(self) -> None:
        """Leave the process to the one that started it: for a copy of this process, made by fork."""
        self._process, self._lock = None, threading.Lock()


class DamagedPictureError(FilmUnreadableError):
    """A decoder gave up; the message is the kind of its error, without its words, which may quote the file."""


def _told(value: object) -> str:
    """Return what the process says, fit to be shown whoever speaks there."""
    return "".join(letter if letter.isprintable() else "?" for letter in str(value)[:500])


def _paths() -> list[str]:
    """Return where modules are looked for: this project first, then as here."""
    return [str(Path(__file__).resolve().parents[2]), *(str(Path(entry).absolute()) for entry in sys.path)]


def _environment() -> Mapping[str, str]:
    kept = {name: os.environ[name] for name in ENVIRONMENT if name in os.environ}
    return MappingProxyType({**kept, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"})


DECODER = Decoder()
"""The one of this process, reused for all its films."""

atexit.register(DECODER.close)
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=DECODER.forget)

"""The process in which compressed pictures are decoded: one job after the other, behind walls.

It is started by `imaging.decoding.decoder`, knows neither the film's name nor its patient, and ends when the
one that asked is gone.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Mapping
from typing import Any, BinaryIO

from imaging.decoding.wire import WireError, receive, send
from imaging.errors import FilmRefusedError, FilmUnreadableError

Parts = list["bytes | memoryview"]


def main(memory_bytes: int) -> None:
    """Answer jobs from standard input on standard output until there are no more."""
    jobs = sys.stdin.buffer
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    # What a native library prints goes nowhere, and not between the answers.
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, sys.stdout.fileno())
    _raise_walls(memory_bytes)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # The one that asked decides when to stop.
    while True:
        try:
            job, parts = receive(jobs)
        except WireError:
            return
        _answer_in_time(job, parts, answers)


def _raise_walls(memory_bytes: int) -> None:
    try:
        import resource
    except ImportError:  # not on Windows
        return
    resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))  # A core file would hold the patient's picture.
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))  # It has nothing to write to any file.


def _answer_in_time(job: dict[str, Any], parts: list[bytearray], answers: BinaryIO) -> None:
    """Do a job; the system ends this process at the deadline, whatever native code it is in then."""
    timer = getattr(signal, "setitimer", None)
    if timer is not None:
        timer(signal.ITIMER_REAL, job["deadline_s"])
    answer, arrays = _done(job, parts)
    if timer is not None:
        timer(signal.ITIMER_REAL, 0.0)
    send(answers, answer, arrays)


def _done(job: Mapping[str, Any], parts: list[bytearray]) -> tuple[dict[str, object], Parts]:
    """Return what came of a job; whatever a decoder raises at forged bytes is an answer too."""
    try:
        if job["kind"] == "dicom":
            from imaging.decoding.codecs import decode_picture

            return decode_picture(job, bytes(parts[0]))
        from imaging.decoding.raster_job import decode_raster

        return decode_raster(bytes(parts[0]))
    except FilmRefusedError as refusal:
        return {"refused": str(refusal)}, []
    except FilmUnreadableError as reason:
        return {"unreadable": str(reason)}, []
    except MemoryError:
        return {"no_memory": True}, []
    except Exception as damage:
        return {"damage": type(damage).__name__}, []

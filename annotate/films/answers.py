"""Films answered one after the other, or over several processes; a bad film is an answer too."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from logging import DEBUG
from pathlib import Path

from annotate.messages import LOG, tell, tell_unforeseen
from annotate.words.printable import name_of
from annotate.writing import OutputError
from imaging.case import Request, case_of, film_for
from imaging.errors import FilmRefusedError, ImagingError
from imaging.film import Film, Identifiers
from measure.assess import Case, assess
from measure.errors import MeasureError
from measure.reading import Reading, unreadable

WORTH_PROCESSES = 6
"""Fewer films are read sooner than a new process starts."""


@dataclass(frozen=True, slots=True)
class Answer:
    """A Reading, and what only some uses of it need; the rest is empty where the film could not be read.

    Parameters
    ----------
    reading : Reading
        The answer.
    identifiers : Identifiers or None
        Whose film it is.
    case : Case or None
        What led to the Reading.
    fingerprint : str
        `Film.fingerprint`, where the request wants it.
    unread : bool
        The file could not be read; a film that was refused with its reason is answered.
    unwritten : str
        Why the picture that was asked for is not there; empty where it is.
    """

    reading: Reading
    identifiers: Identifiers | None = None
    case: Case | None = None
    fingerprint: str = ""
    unread: bool = False
    unwritten: str = ""


def answer(path: Path, request: Request, picture: Path | None = None, *, overwrite: bool = False) -> Answer:
    """Load a film, find or take its landmarks, measure, and draw the picture if one is asked for.

    Whatever goes wrong becomes the answer's error, so that the other films of a run go on.
    """

    def read() -> Answer:
        film = film_for(path, request)
        case = case_of(name_of(path), film, request)
        reading = assess(case)
        unwritten = "" if picture is None else _drawn(film, reading, picture, path, overwrite=overwrite)
        fingerprint = film.fingerprint if request.fingerprint else ""
        return Answer(reading, film.identifiers, case, fingerprint, unwritten=unwritten)

    return _answered(name_of(path), read)


def _drawn(film: Film, reading: Reading, picture: Path, path: Path, *, overwrite: bool) -> str:
    """Write the picture; why it could not be written, which takes nothing from the reading."""
    from annotate.drawing.picture import write_picture

    try:
        write_picture(film, reading, picture, overwrite=overwrite, inputs=(path,))
    except OutputError as error:
        return str(error)
    return ""


def answer_case(name: str, make: Callable[[], Case]) -> Answer:
    """Measure what is known of a film that is not at hand itself; like `answer` in all else."""

    def read() -> Answer:
        case = make()
        return Answer(assess(case), case=case)

    return _answered(name, read)


def _answered(name: str, read: Callable[[], Answer]) -> Answer:
    try:
        return read()
    except (FilmRefusedError, MeasureError) as error:
        return Answer(unreadable(name, str(error)))
    except ImagingError as error:
        return Answer(unreadable(name, str(error)), unread=True)
    except MemoryError:
        return Answer(
            unreadable(name, "the film needs more memory than there is; export it smaller."), unread=True
        )
    except Exception as error:
        tell_unforeseen(error)
        message = f"unforeseen {type(error).__name__}; run again with --verbose and report what it prints"
        return Answer(unreadable(name, message), unread=True)


def answer_all(
    paths: Sequence[Path],
    request: Request,
    pictures: Path | None,
    workers: int,
    deadline_s: float | None = None,
    *,
    overwrite: bool = False,
) -> Iterator[Answer]:
    """An answer for every film, in order; one that ends or hangs its process is answered with that.

    Parameters
    ----------
    paths : sequence of Path
        The films.
    request : Request
        What the user says of them.
    pictures : Path or None
        Where to draw: a file for one film, a folder for many.
    workers : int
        Processes; few films are read in this one.
    deadline_s : float
        Longest time for a film there; None for the usual one.
    overwrite : bool
        Whether pictures may take the place of files that are there.
    """
    targets = _picture_paths(paths, pictures)
    one = partial(_answer_with, request, overwrite)
    if workers < 2 or len(paths) < WORTH_PROCESSES:
        yield from map(one, zip(paths, targets, strict=True))
        return
    # Imported here: one film needs no processes.
    from annotate.films.supervisor import DEADLINE_S, Lost, Supervisor

    begin, longest_s = partial(tell, LOG.isEnabledFor(DEBUG)), DEADLINE_S if deadline_s is None else deadline_s
    with Supervisor(one, workers, deadline_s=longest_s, begin=begin) as supervisor:
        results = supervisor.results(zip(paths, targets, strict=True))
        for path, result in zip(paths, results, strict=True):
            yield given_up(name_of(path), result.reason) if isinstance(result, Lost) else result


def given_up(name: str, reason: str) -> Answer:
    """What stands for the answer of a film that no process finished."""
    return Answer(unreadable(name, f"the film {reason}; look at it by itself, or export it anew."), unread=True)


def _answer_with(request: Request, overwrite: bool, film: tuple[Path, Path | None]) -> Answer:
    path, picture = film
    return answer(path, request, picture, overwrite=overwrite)


def _picture_paths(paths: Sequence[Path], pictures: Path | None) -> list[Path | None]:
    if pictures is None or len(paths) == 1:
        return [pictures] * len(paths)
    return [pictures / f"{number:04d}-{path.stem}.png" for number, path in enumerate(paths, start=1)]

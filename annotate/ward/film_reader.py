"""A film's bytes become a proposal, a Reading and its pictures; in a process of its own, which a film may kill."""

from __future__ import annotations

import io
import pickle
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from annotate.drawing.close_up import close_up
from imaging.carrying import Earlier, not_carried, with_carried_carina
from imaging.case import Request, case_of
from imaging.errors import ImagingError
from imaging.film import Film, Identifiers
from imaging.load import load_film
from imaging.propose import Proposal, propose
from measure.advice import NoAction
from measure.assess import assess
from measure.errors import MeasureError
from measure.landmarks import Source
from measure.missing import LEAST_CONFIDENCE
from measure.reading import Reading, unreadable

LARGE_PX = 2048
"""Longer side of the large picture: more than most screens show (ours)."""

CROP_PX = 240
JPEG_QUALITY = 92


@dataclass(frozen=True, slots=True)
class Known:
    """What a film is without its pixels, and what was proposed for it: enough to measure it again.

    Parameters
    ----------
    film : Film
        Its pixels are one zero, shown in the film's shape.
    proposal : Proposal
        What was found on it.
    """

    film: Film
    proposal: Proposal

    def packed(self) -> bytes:
        """As bytes, to be kept under lock alone."""
        return pickle.dumps(
            (replace(self.film, pixels=np.zeros((1, 1), np.float32)), self.film.shape, self.proposal)
        )

    @classmethod
    def unpacked(cls, content: bytes) -> Known:
        """What was packed; only for bytes that the vault has opened."""
        film, shape, proposal = pickle.loads(content)
        return cls(_without_pixels(film, shape), proposal)


@dataclass(frozen=True, slots=True)
class Before:
    """A film of the same patient with what a reader has confirmed of it.

    Parameters
    ----------
    content : bytes
        The film as it came.
    reading : Reading
        With a carina.
    """

    content: bytes
    reading: Reading

    @classmethod
    def of(cls, content: bytes, reading: Reading) -> Before | None:
        """From what is kept of a film; None where nobody has said where its carina lies.

        A carina that the program proposed, and was sure enough of to measure with, is the reader's by the
        confirmation; it keeps the standard deviation of the proposal.
        """
        carina = reading.landmarks.carina
        if carina is None or carina.confidence < LEAST_CONFIDENCE:
            return None
        confirmed = replace(reading.landmarks, carina=replace(carina, source=Source.HAND))
        return cls(content, replace(reading, landmarks=confirmed))

    def earlier(self) -> Earlier:
        """Ready to be carried.

        Raises
        ------
        ImagingError, MeasureError
            Where the film cannot be read, or the carina does not lie on it.
        """
        return Earlier.of(load_film(self.content), self.reading)


@dataclass(frozen=True, slots=True)
class FilmRead:
    """What came of a film.

    Parameters
    ----------
    reading : Reading
        The answer; with an error where the film could not be read.
    known : Known or None
        None where it could not.
    large, crop : bytes
        Pictures as JPEG; empty where it could not.
    """

    reading: Reading
    known: Known | None = None
    large: bytes = b""
    crop: bytes = b""

    @property
    def identifiers(self) -> Identifiers:
        """Whose film it is; empty where it could not be read."""
        return Identifiers() if self.known is None else self.known.film.identifiers

    @property
    def aside_because(self) -> str:
        """Why this is no film to be answered; empty where it is one."""
        if self.reading.error is not None:
            return self.reading.error
        return self.reading.reason if self.reading.no_action_because is NoAction.NO_FRONTAL_CHEST else ""

    def without_film_before(self, why: str) -> FilmRead:
        """The same answer, with the reason why the film before gave it nothing."""
        if self.known is None:
            return self
        film, proposal = self.known.film, not_carried(self.known.proposal, why)
        reading = assess(case_of(film.name, film, Request(), proposal))
        return replace(self, reading=reading, known=Known(film, proposal))


def read_film(name: str, content: bytes) -> FilmRead:
    """Read a film under the name by which the ward knows it; what cannot be read is an answer too."""
    try:
        film = replace(load_film(content), name=name)
        return _answered(film, propose(film))
    except (ImagingError, MeasureError) as error:
        return FilmRead(unreadable(name, str(error).removeprefix("film: ")))


def read_with_film_before(name: str, content: bytes, found: Proposal, before: Before) -> FilmRead:
    """Answer a film anew, the carina that was found on it weighed with that of the film before."""
    film = replace(load_film(content), name=name)
    try:
        weighed = with_carried_carina(found, film, before.earlier())
    except (ImagingError, MeasureError):
        weighed = not_carried(found, "it cannot be read")
    return _answered(film, weighed)


def _answered(film: Film, proposal: Proposal) -> FilmRead:
    reading = assess(case_of(film.name, film, Request(), proposal))
    grey = (np.clip(film.pixels, 0.0, 1.0) * 255.0).astype(np.uint8)
    return FilmRead(
        reading,
        Known(_without_pixels(film, film.shape), proposal),
        _large(grey, film),
        _crop(grey, film, reading),
    )


def _without_pixels(film: Film, shape: tuple[int, int]) -> Film:
    return replace(film, pixels=np.broadcast_to(np.float32(0.0), shape))


def _large(grey: NDArray[np.uint8], film: Film) -> bytes:
    """The whole film in its true shape."""
    from PIL import Image

    rows, columns = film.shape
    scale = min(1.0, LARGE_PX / max(rows * film.pixel_aspect, columns))
    size = (round(columns * scale), round(rows * film.pixel_aspect * scale))
    picture = Image.fromarray(grey)
    return _jpeg(picture if size == picture.size else picture.resize(size, Image.Resampling.LANCZOS))


def _crop(grey: NDArray[np.uint8], film: Film, reading: Reading) -> bytes:
    from PIL import Image

    part = close_up(film, reading.landmarks)
    height, width = part.height, part.height * film.pixel_aspect
    box = (
        round(part.middle_column - width / 2.0),
        round(part.middle_row - height / 2.0),
        round(part.middle_column + width / 2.0),
        round(part.middle_row + height / 2.0),
    )
    picture = Image.fromarray(grey)
    # Shrunk in one go, a fine line would fall between the samples.
    whole = picture.crop(box).resize((CROP_PX, CROP_PX), Image.Resampling.LANCZOS)
    return _jpeg(whole)


def _jpeg(picture: object) -> bytes:
    held = io.BytesIO()
    picture.save(held, "JPEG", quality=JPEG_QUALITY)  # type: ignore[attr-defined]
    return held.getvalue()

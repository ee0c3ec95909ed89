"""Which way up a film lies, and which way the beam went.

Patient Orientation (0020,0020), PS3.3 C.7.6.1.1.1: the direction of the rows (left to right), then of the
columns (top to bottom), each by its principal anatomical direction first. A frontal film is hung as if the
patient faced the reader, for AP and PA alike: the patient's left on the image's right, the feet below (L, F).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from imaging.errors import FilmRefusedError
from imaging.film import Film, Turn
from imaging.header import code_of, text, texts
from measure.magnification import View
from measure.turning import turned_aspect, turned_spacing

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

Scalar = TypeVar("Scalar", bound=np.generic)

UPRIGHT = ("L", "F")

OPPOSITE = MappingProxyType({"L": "R", "R": "L", "H": "F", "F": "H", "A": "P", "P": "A"})

FRONTAL_CODES = MappingProxyType({"399348003": View.AP, "272479007": View.PA, "399033003": View.UNKNOWN})
"""SNOMED CT codes of PS3.16 CID 4010 that are frontal views: antero-posterior, postero-anterior, frontal."""

AP_WORDS = ("AP", "ANTEROPOSTERIOR", "ANTERO-POSTERIOR", "PORTABLE")
PA_WORDS = ("PA", "POSTEROANTERIOR", "POSTERO-ANTERIOR")
NOT_FRONTAL_WORDS = frozenset(
    ["LL", "RL", "LLD", "RLD", "LLO", "RLO", "RAO", "LAO", "RPO", "LPO", "LAT", "DECUBITUS", "SAGITTAL", "AXIAL"]
)
NOT_FRONTAL_STARTS = MappingProxyType({"LATER": "LATERAL", "OBLIQ": "OBLIQUE"})
"""View Position's defined terms (PS3.3 C.8.1.2 and C.8.11.5) and words that devices write (from memory)."""


@dataclass(frozen=True, slots=True)
class Pose:
    """What the header says of view and orientation.

    Parameters
    ----------
    view : View
        Direction of the beam.
    turn : Turn
        What brings the stored pixels upright.
    notes : tuple of str
        Doubts.
    """

    view: View
    turn: Turn
    notes: tuple[str, ...] = ()


def read_pose(dataset: Dataset) -> Pose:
    """Return view and turn from the header.

    Raises
    ------
    FilmRefusedError
        Where the header says that the view is not frontal.
    """
    view, view_notes = read_view(dataset)
    turn, turn_notes = read_turn(texts(dataset, "PatientOrientation"))
    return Pose(view, turn, view_notes + turn_notes)


def read_view(dataset: Dataset) -> tuple[View, tuple[str, ...]]:
    """Return the beam's direction: View Position, else View Code Sequence, else Series Description.

    Raises
    ------
    FilmRefusedError
        Where any of the three names a view that is not frontal.
    """
    position = text(dataset, "ViewPosition")
    code, meaning = code_of(dataset, "ViewCodeSequence")
    described = text(dataset, "SeriesDescription")
    for name, words in (("View Position", position), ("View Code Sequence", meaning)):
        _refuse_unless_frontal(name, words)
    view = _view_in(position) or FRONTAL_CODES.get(code) or _view_in(meaning)
    if view is not None:
        return view, () if view is not View.UNKNOWN else (_UNKNOWN_VIEW,)
    view = _view_in(described)
    if view is None:
        _refuse_unless_frontal("Series Description", described)
        return View.UNKNOWN, (_UNKNOWN_VIEW,)
    if _other_views_in(described):
        return View.UNKNOWN, (
            f"{_UNKNOWN_VIEW} The Series Description names several views: check that this is the frontal one.",
        )
    return view, (f"View Position is empty; {view.value} is taken from the Series Description.",)


_UNKNOWN_VIEW = "The header does not say whether the film is AP or PA; the magnification covers both."


def _words(value: str) -> set[str]:
    """Return the words of a value in capitals, hyphens kept."""
    return set(re.findall(r"[A-Z][A-Z-]*", value.upper()))


def _view_in(value: str) -> View | None:
    """Return the frontal view that a value names; None where it names none, or both."""
    words = _words(value)
    ap, pa = bool(words.intersection(AP_WORDS)), bool(words.intersection(PA_WORDS))
    if ap == pa:
        return None
    return View.AP if ap else View.PA


def _other_views_in(value: str) -> tuple[str, ...]:
    """Return the words, of those known here, that name a view that is not frontal."""
    words = re.findall(r"[A-Z]+", value.upper())
    named = [word if word in NOT_FRONTAL_WORDS else _start_of(word) for word in words]
    return tuple(dict.fromkeys(word for word in named if word))


def _start_of(word: str) -> str:
    return next((whole for start, whole in NOT_FRONTAL_STARTS.items() if word.startswith(start)), "")


def _refuse_unless_frontal(name: str, value: str) -> None:
    others = _other_views_in(value)
    if others:
        raise FilmRefusedError(
            f"{name} says {' '.join(others)}; a frontal chest film (AP or PA) is expected, since the carina "
            "cannot be measured on another view. Choose the frontal film of the study."
        )


def read_turn(orientation: tuple[str, ...]) -> tuple[Turn, tuple[str, ...]]:
    """Return what brings a film upright, from the two values of Patient Orientation.

    Raises
    ------
    FilmRefusedError
        Where rows or columns run from front to back: not a frontal film.
    """
    if not orientation:
        return Turn(), ("Patient Orientation is empty; the film is taken to lie upright, check left and right.",)
    letters = tuple(value.strip().upper()[:1] for value in orientation)
    readable = all(re.fullmatch(r"[APRLHFaprlhf]{1,3}", value.strip()) for value in orientation)
    shown = repr("\\".join(orientation)) if readable and len(orientation) <= 2 else "an unknown value"
    if len(letters) != 2 or any(letter not in OPPOSITE for letter in letters):
        return Turn(), (f"Patient Orientation {shown} cannot be read; the film is taken to lie upright.",)
    if {"A", "P"}.intersection(letters):
        raise FilmRefusedError(
            f"Patient Orientation says {shown}, which runs from front to back: a lateral or axial view. "
            "A frontal chest film (L\\F) is expected; choose the frontal film of the study."
        )
    if letters[0] in (letters[1], OPPOSITE[letters[1]]):
        return Turn(), (f"Patient Orientation {shown} contradicts itself; the film is taken to lie upright.",)
    turn = _turn_upright(letters[0], letters[1])
    return turn, describe_turn(turn, f"Patient Orientation says {shown}")


def _turn_upright(row: str, column: str) -> Turn:
    """Return the one of the eight turns that brings a frontal film to `UPRIGHT`."""
    for mirrored in (False, True):
        across, down = (OPPOSITE[row] if mirrored else row), column
        for quarter_turns in range(4):
            if (across, down) == UPRIGHT:
                return Turn(mirrored, quarter_turns, proven=True)
            # One counter-clockwise quarter turn: the new rows run along the old columns.
            across, down = down, OPPOSITE[across]
    raise AssertionError("two perpendicular frontal directions always have a turn")


def describe_turn(turn: Turn, reason: str) -> tuple[str, ...]:
    """Return a note that says what was turned, or nothing where the film lay right."""
    steps = ["mirrored left to right"] if turn.mirrored else []
    if turn.quarter_turns:
        steps.append(f"turned by {90 * turn.quarter_turns} degrees counter-clockwise")
    return (f"{reason}: the film was {' and '.join(steps)}.",) if steps else ()


def turned(pixels: NDArray[Scalar], turn: Turn) -> NDArray[Scalar]:
    """Return a view of the pixels upright."""
    mirrored = pixels[:, ::-1] if turn.mirrored else pixels
    return np.rot90(mirrored, turn.quarter_turns)


def turned_film(film: Film, quarter_turns: int) -> Film:
    """A film after counter-clockwise quarter turns; itself where there are none."""
    if quarter_turns % 4 == 0:
        return film
    return replace(
        film,
        pixels=np.ascontiguousarray(np.rot90(film.pixels, quarter_turns)),
        spacing=None if film.spacing is None else turned_spacing(film.spacing, quarter_turns),
        pixel_aspect=turned_aspect(film.pixel_aspect, quarter_turns),
    )


def swaps_axes(turn: Turn) -> bool:
    """Tell whether the turn makes columns of rows, and with them one spacing of the other."""
    return turn.quarter_turns % 2 == 1

"""What the user asks and knows about the films of one run, and what that makes of a film."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from imaging.carrying import Earlier, with_carried_carina
from imaging.film import Film
from imaging.given_spacing import user_spacing, with_known_object, with_tube_width, with_user_spacing
from imaging.load import load_film
from imaging.propose import Proposal, propose, quarter_turns
from measure.accepted_range import DEFAULT_RANGE, AcceptedRange, parse_range
from measure.anatomy import airway_share
from measure.assess import assess
from measure.case import Bedside, Case
from measure.choice import chosen, unknown_word
from measure.cuff import CuffPressure
from measure.errors import MeasureError
from measure.follow_up import PreviousFilm
from measure.insertion_depth import Route
from measure.landmarks import (
    EARLIER_NAMES,
    POINTS_PER_MARK,
    KnownObject,
    Landmark,
    Landmarks,
    Mark,
    Point,
    Seen,
    hand_sd_px,
)
from measure.magnification import View, plausible
from measure.patient import Patient
from measure.posture import NeckPosture
from measure.reading import Reading
from measure.rough_scale import LONG_SIDE_MM
from measure.tube import Tube, outside_diameter_estimate_mm


@dataclass(frozen=True, slots=True)
class Request:
    """Everything that the command line says about the films; None where it says nothing.

    Parameters
    ----------
    tip, carina, marks : points in pixels
        Placed by hand.
    known_object : length in mm and its two ends
    mm_per_pixel : float or pair
        The user's own spacing.
    believe_resolution : bool
        Take a picture file's resolution tag for its spacing.
    known : Bedside
        What holds for every film of the run: tube, lip mark, range ...; its patient goes before the header's.
    fingerprint : bool
        The answers are to name their film for the logbook.
    clear : bool
        The points were seen without doubt.
    mandible_row : float or None
        Row of the mandible's lower border.
    earlier : Earlier or None
        A film of the same patient, whose carina is carried to this one.
    """

    tip: Point | None = None
    carina: Point | None = None
    marks: tuple[Mark, ...] = ()
    known_object: tuple[float, tuple[Point, Point]] | None = None
    mm_per_pixel: float | tuple[float, float] | None = None
    believe_resolution: bool = False
    known: Bedside = field(default_factory=Bedside)
    fingerprint: bool = False
    clear: bool = False
    mandible_row: float | None = None
    earlier: Earlier | None = None


def read(
    film: Film | Path | str,
    *,
    tip: Point | None = None,
    carina: Point | None = None,
    marks: Mapping[str, Sequence[Point]] | None = None,
    clear: bool = False,
    lip_mark_cm: float | None = None,
    neck: NeckPosture | str = NeckPosture.UNKNOWN,
    mandible: str = "",
    patient: Patient | None = None,
    weight_kg: float | None = None,
    tube: Tube | None = None,
    route: Route | str = Route.ORAL,
    cuff_pressure: CuffPressure | None = None,
    accepted_range: str | AcceptedRange = DEFAULT_RANGE,
    previous: Reading | None = None,
    previous_film: Film | Path | str | None = None,
    mm_per_pixel: float | tuple[float, float] | None = None,
    known_object: tuple[float, tuple[Point, Point]] | None = None,
    believe_resolution: bool = False,
) -> Reading:
    """Measure one film: what `lipmark read` does, from Python.

    Parameters
    ----------
    film : Film, Path or str
        A film, or the file that holds one (DICOM, PNG, JPEG, TIFF).
    tip, carina : (row, column), optional
        Points placed by hand, in pixels of the upright film, from the centre of its first pixel; what is left out
        is proposed by the network.
    marks : mapping of str to points, optional
        Other landmarks by name, each with its points (`measure.landmarks.POINTS_PER_MARK`).
    clear : bool
        The points were seen without doubt: narrower intervals.
    lip_mark_cm : float, optional
        Centimetre mark at the lip when the film was taken; without it a move has no marks to go from and to.
    neck : NeckPosture or str
        "neutral", "flexed", "extended"; unknown, every posture counts by how usual it is.
    mandible : str
        The vertebra that the mandible's lower border lies over, or "absent".
    patient : Patient, optional
        What it tells goes before the film's header.
    weight_kg : float, optional
        For the newborn's depth formula.
    tube : Tube, optional
        Size, outside diameter, cuff, kind.
    route : Route or str
        "oral" or "nasal".
    cuff_pressure : CuffPressure, optional
        As measured.
    accepted_range : str or AcceptedRange
        A published range by name (`measure.accepted_range.RANGE_NAMES`), or your own.
    previous : Reading, optional
        Of the film before.
    previous_film : Film, Path or str, optional
        That film: its carina, placed by hand, is carried to this one by the bones and weighed with what is seen.
    mm_per_pixel : float or (float, float), optional
        At the detector, in mm; rows and columns apart where they differ.
    known_object : (float, (point, point)), optional
        A true length in mm, and its two ends on the film.
    believe_resolution : bool
        Take a picture file's resolution tag for its pixel size.

    Returns
    -------
    Reading
        Where nothing can be measured its verdict is `cannot say`, and its reason names what is missing.

    Raises
    ------
    ImagingError
        Where the file is no film that can be read.
    MeasureError
        Where a value cannot be, or a point lies outside the film.

    Examples
    --------
    >>> reading = read("film.dcm", tip=(439, 490), carina=(463, 501), lip_mark_cm=24, neck="neutral")
    >>> print(reading.verdict)
    too low
    >>> move = reading.adjustment
    >>> print(f"{move.action} to {move.to_mark_cm:g} cm, {move.urgency}")
    withdraw to 21 cm, now
    """
    known = Bedside(
        patient=patient or Patient(),
        tube=tube or Tube(),
        lip_mark_cm=lip_mark_cm,
        route=chosen(Route, route, "route"),
        posture=chosen(NeckPosture, neck, "neck"),
        mandible=mandible,
        cuff_pressure=cuff_pressure,
        accepted_range=parse_range(accepted_range) if isinstance(accepted_range, str) else accepted_range,
        previous=None if previous is None else PreviousFilm.from_reading(previous),
        weight_kg=weight_kg,
    )
    request = Request(
        tip,
        carina,
        tuple(checked_mark(name, points) for name, points in (marks or {}).items()),
        known_object,
        mm_per_pixel,
        believe_resolution,
        known,
        clear=clear,
        earlier=_earlier(previous_film, previous),
    )
    if isinstance(film, Film):
        return assess(case_of(film.name, with_given_spacing(film, request), request))
    return assess(case_of(str(film), film_for(Path(film), request), request))


def _earlier(film: Film | Path | str | None, reading: Reading | None) -> Earlier | None:
    if film is None:
        return None
    if reading is None:
        raise MeasureError("previous film: no Reading of it found; give it as `previous`.")
    return Earlier.of(film if isinstance(film, Film) else load_film(Path(film)), reading)


def checked_mark(name: str, points: Sequence[Point]) -> Mark:
    """A mark by a name that there is, with as many points as it must have.

    Raises
    ------
    MeasureError
        Where there is no such mark, or it has too few points or too many.
    """
    name = EARLIER_NAMES.get(name, name)
    if name not in POINTS_PER_MARK:
        raise unknown_word(name, POINTS_PER_MARK, "mark")
    fewest, most = POINTS_PER_MARK[name]
    if len(points) < fewest or (most is not None and len(points) > most):
        wanted = str(fewest) if most == fewest else f"{fewest} or more"
        raise MeasureError(f"mark {name}: {len(points)} points found, {wanted} expected.")
    return name, tuple(points)


def film_for(path: Path, request: Request) -> Film:
    """The film, with the user's own spacing in place of the header's.

    Raises
    ------
    ImagingError, MeasureError
        Where it cannot be read, or its spacing cannot be.
    """
    return with_given_spacing(load_film(path, believe_resolution=request.believe_resolution), request)


def case_of(name: str, film: Film, request: Request, proposal: Proposal | None = None) -> Case:
    """All that is known of a film and its patient; the user's word goes before the header's.

    The view is the other way round: the user's fills in where the film does not tell its own.

    Parameters
    ----------
    name : str
        Of the film, for the Reading.
    film : Film
        With the spacing that holds (`with_given_spacing`).
    request : Request
        What the user says.
    proposal : Proposal or None
        What was proposed for this film before; None to look for it now, where a point is missing.

    Raises
    ------
    MeasureError
        Where a mark lies outside the film, or a value cannot be.
    """
    by_hand = landmarks = hand_marks(film, request)
    notes, seen = film.notes, Seen.NOT_LOOKED
    if landmarks.tip is None or landmarks.carina is None:
        proposal = proposal or propose(film)
        if request.earlier is not None and landmarks.carina is None:
            proposal = with_carried_carina(proposal, film, request.earlier)
        notes, seen = (*notes, *_told(proposal, landmarks)), proposal.seen
        landmarks = _with_proposals(landmarks, proposal.landmarks)
    turns = _turns_of(film, by_hand, proposal)
    if turns and request.mandible_row is not None:
        landmarks = replace(landmarks, mandible=None)
        notes = (*notes, "The mandible's row is one of an upright film: on a turned one it is not used.")
    view, magnification = film.view, film.magnification
    if view is View.UNKNOWN and not magnification.known:
        view = request.known.view
        magnification = plausible(view)
    return Case.of(
        request.known,
        name,
        landmarks,
        film.spacing,
        magnification,
        view=view,
        patient=film.patient.overridden_by(request.known.patient),
        centre_row=film.centre_row,
        shape=film.shape,
        pixel_aspect=film.pixel_aspect,
        seen=seen,
        notes=notes,
        quarter_turns=turns,
    )


def told_upright(film: Film, tip: Point, carina: Point) -> bool:
    """Whether the header and a hand's points say alike that the film stands upright: nobody need look."""
    return film.turn.proven and carina[0] - tip[0] > abs(carina[1] - tip[1])


def _turns_of(film: Film, by_hand: Landmarks, proposal: Proposal | None) -> int:
    """How the film must be turned; looked at, where nobody has, unless it is told upright."""
    tip, carina = by_hand.tip, by_hand.carina
    if tip and carina and told_upright(film, (tip.row, tip.column), (carina.row, carina.column)):
        return 0
    return quarter_turns(film) if proposal is None else proposal.quarter_turns


def case_of_marks(name: str, request: Request) -> Case:
    """All that is known of a film that is not at hand itself: its points, what its pixels are worth, its view.

    Raises
    ------
    MeasureError
        Where the pixels' size is missing, or a value cannot be.
    """
    if request.mm_per_pixel is None:
        raise MeasureError("marks without a film: no mm per pixel found; give it, or name the film.")
    spacing = user_spacing(request.mm_per_pixel)

    def mark(name: str, at: Point | None) -> Landmark | None:
        return None if at is None else Landmark(*at, _hand_sd_px(name, spacing.mean_mm, request, known.patient))

    known = request.known

    return Case.of(
        known,
        name,
        Landmarks(tip=mark("tip", request.tip), carina=mark("carina", request.carina)),
        spacing,
        plausible(known.view),
        view=known.view,
        patient=known.patient,
    )


def hand_marks(film: Film, request: Request) -> Landmarks:
    """The user's points as landmarks, each with the spread of a hand."""
    single = {"tip": request.tip, "carina": request.carina}
    named: dict[str, tuple[Point, ...]] = {name: (at,) for name, at in single.items() if at is not None}
    named |= dict(request.marks)
    if request.mandible_row is not None:
        named["mandible"] = ((request.mandible_row, (film.shape[1] - 1) / 2.0),)
    placed = {name: tuple(_mark(name, at, film, request) for at in points) for name, points in named.items()}
    known = request.known_object
    return Landmarks.placed(placed, None if known is None else _known_object(known, film, request))


def with_given_spacing(film: Film, request: Request) -> Film:
    """The user's own spacing goes before a known object, that before the header's, that before the tube's width.

    Raises
    ------
    MeasureError
        Where no film has such a spacing, or a mark lies outside the film.
    """
    if request.mm_per_pixel is not None:
        film = with_user_spacing(film, request.mm_per_pixel)
    if request.known_object is not None:
        film = with_known_object(film, _known_object(request.known_object, film, request))
    walls, outside = dict(request.marks).get("tube-walls", ()), outside_diameter_estimate_mm(request.known.tube)
    if len(walls) == 2 and outside is not None:
        start, end = (_mark("tube-walls", at, film, request) for at in walls)
        film = with_tube_width(film, KnownObject(start, end, outside.value, outside.sd))
    return film


_EXCHANGED = "The film seems to show dense things dark: it was searched with bright and dark exchanged; check it."


def _told(proposal: Proposal, by_hand: Landmarks) -> tuple[str, ...]:
    """Why a point is missing; of one that a hand has placed, only that another tube was seen."""
    exchanged = (_EXCHANGED,) if proposal.inverted else ()
    if by_hand.tip is None or proposal.seen is Seen.TRACHEOSTOMY:
        return (*exchanged, *proposal.reasons)
    kept = (reason for reason in proposal.reasons if not reason.lower().startswith(("tip", "the tip")))
    return (*exchanged, *kept)


def _with_proposals(by_hand: Landmarks, proposed: Landmarks) -> Landmarks:
    """Proposals for what no hand has placed."""
    return replace(
        by_hand,
        tip=by_hand.tip or proposed.tip,
        carina=by_hand.carina or proposed.carina,
        airway_path=by_hand.airway_path or proposed.airway_path,
        tube_line=proposed.tube_line if by_hand.tip is None else (),
        spine=proposed.spine,
    )


def _known_object(known: tuple[float, tuple[Point, Point]], film: Film, request: Request) -> KnownObject:
    length_mm, ends = known
    first, last = (_mark("known object", end, film, request) for end in ends)
    return KnownObject(first, last, length_mm)


def _mark(name: str, at: Point, film: Film, request: Request) -> Landmark:
    row, column = at
    rows, columns = film.shape
    if not (-0.5 <= row <= rows - 0.5 and -0.5 <= column <= columns - 0.5):
        raise MeasureError(
            f"{name}: row {row:g}, column {column:g} found outside a film of {rows} rows and {columns} columns; "
            "give ROW,COL of the upright film, from the centre of its first pixel."
        )
    patient = film.patient.overridden_by(request.known.patient)
    mm_per_px = LONG_SIDE_MM.value / max(film.shape) if film.spacing is None else film.spacing.mean_mm
    return Landmark(row, column, _hand_sd_px(name, mm_per_px, request, patient))


def _hand_sd_px(name: str, mm_per_px: float, request: Request, patient: Patient) -> float:
    return hand_sd_px(name, mm_per_px, clear=request.clear, body_share=airway_share(patient))

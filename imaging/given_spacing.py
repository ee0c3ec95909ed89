"""A spacing that a person gives takes the place of the file's: the user's own, then a known object's.

The order is: the user's value, a known object marked on the film, the header, the tube's marked walls with its
known diameter, nothing.
"""

from __future__ import annotations

from dataclasses import replace

from imaging.film import Film
from imaging.header_spacing import RELATIVE_SD
from measure.landmarks import KnownObject
from measure.spacing import Plane, Spacing, SpacingSource, from_known_object

CONTRADICTS_ABOVE = 0.05
"""A given spacing further than 5 % from the film's own is worth a note (ours)."""


def with_user_spacing(film: Film, mm_per_pixel: float | tuple[float, float]) -> Film:
    """Return the film with the user's own spacing, which holds at the detector.

    Parameters
    ----------
    film : Film
        The film, upright.
    mm_per_pixel : float or (float, float)
        Row and column spacing of the upright film in mm. A single number is the column spacing; the row
        spacing follows from the film's pixel aspect.

    Raises
    ------
    MeasureError
        Where no film has such pixels.
    """
    given = user_spacing(mm_per_pixel, film.pixel_aspect)
    notes = film.notes + _contradiction(film, given, used=given)
    return replace(film, spacing=given, pixel_aspect=given.row_mm / given.column_mm, notes=notes)


def user_spacing(mm_per_pixel: float | tuple[float, float], pixel_aspect: float = 1.0) -> Spacing:
    """The user's own spacing, which holds at the detector.

    Parameters
    ----------
    mm_per_pixel : float or (float, float)
        Row and column spacing in mm; a single number is the column spacing.
    pixel_aspect : float
        Row spacing over column spacing, where a single number is given.

    Raises
    ------
    MeasureError
        Where no film has such pixels.
    """
    row_mm, column_mm = (
        mm_per_pixel if isinstance(mm_per_pixel, tuple) else (mm_per_pixel * pixel_aspect, mm_per_pixel)
    )
    return Spacing(row_mm, column_mm, Plane.DETECTOR, SpacingSource.USER, RELATIVE_SD["user"])


def with_known_object(film: Film, known: KnownObject) -> Film:
    """Return the film with the spacing that an object of known length gives, unless the user gave one.

    It holds at the object's depth in the patient. Beside a user's own value it only serves as a check.

    Raises
    ------
    MeasureError
        Where the object gives no believable spacing.
    """
    measured = from_known_object(known, film.pixel_aspect)
    held = film.spacing
    used = held if held is not None and held.source is SpacingSource.USER else measured
    return replace(film, spacing=used, notes=film.notes + _contradiction(film, measured, used))


def with_tube_width(film: Film, walls: KnownObject) -> Film:
    """Return the film with the spacing that the tube's outside diameter gives, where it has none.

    A tube is narrow and its diameter often only estimated, so beside any other spacing it is but a check.

    Parameters
    ----------
    film : Film
        The film, upright.
    walls : KnownObject
        The tube's outer walls across the same level, and its outside diameter.

    Raises
    ------
    MeasureError
        Where the walls give no believable spacing.
    """
    measured = replace(
        from_known_object(walls, film.pixel_aspect),
        note=f"the tube's outside diameter of {walls.length_mm:.1f} mm, marked on the film",
    )
    held = film.spacing
    if held is None:
        return replace(film, spacing=measured)
    return replace(film, notes=film.notes + _contradiction(film, measured, used=held))


def _contradiction(film: Film, given: Spacing, used: Spacing) -> tuple[str, ...]:
    """Return a note where the film's spacing and the given one cannot both be right.

    Both are compared at the detector; where one holds in the patient, the magnification's spread and the
    known object's marks are allowed for.
    """
    held = film.spacing
    if held is None:
        return ()
    ratios = (
        _at_detector(film, given, given.row_mm) / _at_detector(film, held, held.row_mm),
        _at_detector(film, given, given.column_mm) / _at_detector(film, held, held.column_mm),
    )
    allowed = CONTRADICTS_ABOVE + _doubt(film, given, held)
    worst = max(ratios, key=lambda ratio: abs(ratio - 1.0))
    if abs(worst - 1.0) <= allowed:
        return ()
    return (
        f"The spacing by {given.source.value} ({given.row_mm:.4g} x {given.column_mm:.4g} mm) differs by "
        f"{abs(worst - 1.0):.0%} from that by {held.source.value} ({held.row_mm:.4g} x {held.column_mm:.4g} mm); "
        f"the one by {used.source.value} is used, check it.",
    )


def _at_detector(film: Film, spacing: Spacing, value_mm: float) -> float:
    """Return a spacing as it would be at the detector."""
    return value_mm * film.magnification.factor.value if spacing.plane is Plane.PATIENT else value_mm


def _doubt(film: Film, given: Spacing, held: Spacing) -> float:
    """Return what two standard deviations allow beyond the limit where the two are not of one kind."""
    doubt = 0.0
    if (given.plane is Plane.DETECTOR) != (held.plane is Plane.DETECTOR):
        factor = film.magnification.factor
        # An unknown plane may be either: the whole magnification is then in doubt.
        doubt += 2.0 * factor.sd / factor.value
        doubt += factor.value - 1.0 if Plane.UNKNOWN in (given.plane, held.plane) else 0.0
    if SpacingSource.KNOWN_OBJECT in (given.source, held.source):
        doubt += 2.0 * max(given.relative_sd, held.relative_sd)
    return doubt

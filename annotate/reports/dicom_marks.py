"""The marks as a DICOM presentation state, which workstations draw over the film (PS3.3 A.33), by highdicom."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from annotate.reports.marks_of_ours import series_of_ours
from annotate.reports.source import Reported
from annotate.words.answer import headline_of, place_of
from measure.landmarks import Landmark

if TYPE_CHECKING:
    import highdicom as hd

PRESENTATION_CLASS = "1.2.840.10008.5.1.4.1.1.11.1"
"""Grayscale Softcopy Presentation State Storage (PS3.4 B.5)."""

MARK_SHARE = 0.012
"""Radius of a mark for a film's longer side (ours): seen on the whole film, and the line under it too."""

WORDS_BOX = (0.02, 0.02, 0.6, 0.1)
"""Left, top, right, bottom of the words in shares of the displayed area (ours): a corner away from the airway."""

MOST_WORDS = 1024
"""Characters of an Unformatted Text Value (PS3.5 6.2, ST)."""

PixelPoint = tuple[float, float]


def presentation_state(reported: Reported) -> hd.pr.GrayscaleSoftcopyPresentationState | None:
    """Ring at the tip, fork at the carina and the answer in words, to be drawn over the film.

    Parameters
    ----------
    reported : Reported
        An answered film; one without marks gets the words alone.

    Returns
    -------
    highdicom.pr.GrayscaleSoftcopyPresentationState or None
        In the film's study, in a series of its own; window and look-up tables are the film's. None for a coloured
        film, which would need an ICC profile that captures rarely have: its marks are in the secondary capture.
    """
    import highdicom as hd

    if reported.header.get("SamplesPerPixel", 1) != 1:
        return None
    layer = hd.pr.GraphicLayer("LIPMARK", order=1, description="Tip of the endotracheal tube and carina")
    annotation = hd.pr.GraphicAnnotation(
        referenced_images=[reported.header],
        graphic_layer=layer,
        graphic_objects=list(_graphics(reported)),
        text_objects=[_words(reported)],
    )
    # Else a film whose low values are bright would be shown as its negative (PS3.3 C.11.6.1.2).
    shape = "INVERSE" if reported.header.get("PhotometricInterpretation") == "MONOCHROME1" else "IDENTITY"
    state = hd.pr.GrayscaleSoftcopyPresentationState(
        referenced_images=[reported.header],
        **series_of_ours(2),
        content_label="TUBE POSITION",
        content_description="Tube position, marks" if reported.reader else "Tube position, proposed marks",
        content_creator_name=f"{reported.reader_as_name}^" if reported.reader else None,
        graphic_annotations=[annotation],
        graphic_layers=[layer],
        presentation_lut_transformation=hd.PresentationLUTTransformation(shape),
    )
    state.BodyPartExamined = "CHEST"  # Not paired: there is no laterality to tell (PS3.3 C.7.3.1).
    return state


def _graphics(reported: Reported) -> Iterator[hd.pr.GraphicObject]:
    radius = MARK_SHARE * max(reported.shape)
    tip, carina = reported.reading.landmarks.tip, reported.reading.landmarks.carina
    if tip is not None:
        yield _graphic(reported, "CIRCLE", tip, ((0.0, 0.0), (0.0, radius if tip.column > radius else -radius)))
    if carina is not None:
        yield _graphic(reported, "POLYLINE", carina, ((radius, -radius), (0.0, 0.0), (radius, radius)))


def _graphic(
    reported: Reported, kind: str, mark: Landmark, offsets: tuple[PixelPoint, ...]
) -> hd.pr.GraphicObject:
    """Points at offsets of rows and columns from a mark on the upright film, in the pixels as stored."""
    import highdicom as hd
    import numpy as np

    rows, columns = reported.shape
    points = [
        reported.stored_point(
            min(max(mark.row + down, -0.5), rows - 0.5), min(max(mark.column + right, -0.5), columns - 0.5)
        )
        for down, right in offsets
    ]
    return hd.pr.GraphicObject(kind, np.array(points), units="PIXEL")


def _words(reported: Reported) -> hd.pr.TextObject:
    import highdicom as hd

    reading = reported.reading
    said = f"Confirmed by {reported.reader}" if reported.reader else "PROPOSAL, confirmed by nobody"
    words = "\r\n".join(filter(None, (headline_of(reading), place_of(reading) or reading.reason, said)))
    return hd.pr.TextObject(words[:MOST_WORDS], units="DISPLAY", bounding_box=WORDS_BOX, text_justification="LEFT")

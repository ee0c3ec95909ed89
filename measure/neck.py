"""What is held of the neck's posture on a film, from all that its case tells."""

from __future__ import annotations

from measure.case import Case
from measure.landmarks import ABSENT, VERTEBRAE
from measure.posture import (
    NeckPosture,
    PostureBelief,
    given_posture,
    posture_at,
    posture_from_mandible,
    posture_without_mandible,
    unknown_posture,
)
from measure.spine import posture_as_seen, posture_by_carina, reaches_c7


def neck_of(case: Case) -> PostureBelief:
    """The neck's posture: as told, by the mandible as marked, as the program sees it, or the usual shares."""
    if case.posture is not NeckPosture.UNKNOWN:
        return given_posture(case.posture)
    if case.mandible in VERTEBRAE:
        return posture_at(case.mandible)
    marks, row_mm = case.landmarks, case.mm_per_row_on_film
    if case.mandible == ABSENT:
        if marks.carina is None or row_mm is None or not case.grown:
            return unknown_posture("the mandible is not on the film, and whether that reaches C7 is not known")
        if not reaches_c7(marks.carina, row_mm):
            return unknown_posture("the film ends too low to show the mandible of a neutral neck")
        return posture_without_mandible()
    if marks.mandible is None and marks.spine is not None and case.grown:
        seen = posture_as_seen(marks.spine)
        if seen is not None:
            return seen
    few_levels = len(marks.vertebrae) < 2 and case.grown
    if few_levels and marks.mandible is not None and marks.carina is not None and row_mm is not None:
        return posture_by_carina(marks.mandible, marks.carina, row_mm)
    return posture_from_mandible(marks)

"""Which way up: Patient Orientation (PS3.3 C.7.6.1.1.1) and view."""

from __future__ import annotations

import numpy as np
import pytest
from pydicom import Dataset
from pydicom.sequence import Sequence

from imaging.errors import FilmRefusedError
from imaging.film import Turn
from imaging.load import load_film
from imaging.orientation import read_turn, read_view, turned
from measure.magnification import View

# How an upright film (L, F) is stored under each orientation, written out by hand.
STORED_AS = {
    ("L", "F"): lambda film: film,
    ("R", "F"): lambda film: film[:, ::-1],
    ("L", "H"): lambda film: film[::-1, :],
    ("R", "H"): lambda film: film[::-1, ::-1],
    ("F", "L"): lambda film: film.T,
    ("H", "L"): lambda film: film[::-1, :].T,
    ("F", "R"): lambda film: film[:, ::-1].T,
    ("H", "R"): lambda film: film[::-1, ::-1].T,
}


@pytest.mark.parametrize("view", ["AP", "PA"])
@pytest.mark.parametrize("orientation", STORED_AS, ids="".join)
def test_film_is_turned_upright(orientation, view, dicom, stored):
    # A frontal film hangs with the patient's left on the image's right, for AP and PA alike.
    as_stored = np.ascontiguousarray(STORED_AS[orientation](stored))
    film = load_film(dicom(as_stored, PatientOrientation=list(orientation), ViewPosition=view))
    np.testing.assert_allclose(film.pixels, stored / 4095.0, atol=1e-6)
    assert film.pixels.flags.c_contiguous
    assert film.turn.proven
    assert film.view == View(view)
    assert any("Patient Orientation" in note for note in film.notes) == (orientation != ("L", "F"))


def test_turn_is_what_film_says_it_is(stored):
    # Film's Turn: first mirrored left to right, then rotated as numpy.rot90 counts.
    turn, _ = read_turn(("F", "R"))
    columns_reversed = stored[:, ::-1] if turn.mirrored else stored
    np.testing.assert_array_equal(turned(stored, turn), np.rot90(columns_reversed, turn.quarter_turns))


@pytest.mark.parametrize("orientation", [("LF", "FP"), ("L", "FL"), ("l", "f")])
def test_principal_direction_comes_first(orientation):
    # C.7.6.1.1.1: refinements follow the principal direction.
    assert read_turn(orientation)[0] == Turn(proven=True)


@pytest.mark.parametrize(
    "orientation", [(), ("L",), ("L", "R"), ("L", "L"), ("X", "F"), ("", "F"), ("L", "F", "F")]
)
def test_orientation_that_proves_nothing_turns_nothing(orientation):
    turn, notes = read_turn(orientation)
    assert turn == Turn(proven=False)
    assert "taken to lie upright" in notes[0]


@pytest.mark.parametrize("orientation", [("A", "F"), ("P", "F"), ("L", "P"), ("F", "A")])
def test_orientation_from_front_to_back_is_refused(orientation):
    with pytest.raises(FilmRefusedError, match=r"Patient Orientation.*expected.*choose"):
        read_turn(orientation)


@pytest.mark.parametrize("position", ["LL", "RL", "RLD", "LLD", "RLO", "LLO", "LAT", "LATERAL", "left lateral"])
def test_other_view_is_refused(position, dicom):
    # PS3.3 C.8.11.5 and C.8.1.2: LL, RL: lateral; LLD, RLD: decubitus; LLO, RLO: oblique.
    with pytest.raises(FilmRefusedError, match=r"View Position.*expected.*Choose"):
        load_film(dicom(ViewPosition=position))


def view_code(value, meaning):
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "SCT", meaning
    return Sequence([item])


def test_view_codes_are_the_standards():
    # PS3.16 CID 4010, as pydicom tables it: every lateral or oblique view is refused, the frontal ones read.
    from pydicom.sr._cid_dict import cid_concepts
    from pydicom.sr._concepts_dict import concepts

    views = {"AnteroPosterior": View.AP, "PosteroAnterior": View.PA, "Frontal": View.UNKNOWN}
    for name in cid_concepts[4010]["SCT"]:
        code, (meaning, _) = next(iter(concepts["SCT"][name].items()))
        film = Dataset()
        film.ViewCodeSequence = view_code(code, meaning)
        if name in views:
            assert read_view(film)[0] is views[name]
        elif "lateral" in meaning.lower() or "oblique" in meaning.lower():
            with pytest.raises(FilmRefusedError, match="View Code Sequence"):
                read_view(film)


@pytest.mark.parametrize(
    ("description", "view"),
    [("CHEST AP PORTABLE", View.AP), ("Thorax PA", View.PA), ("Chest", View.UNKNOWN), ("AP/PA", View.UNKNOWN)],
)
def test_view_from_the_series_description(description, view, dicom):
    film = load_film(dicom(ViewPosition=None, SeriesDescription=description))
    assert film.view is view
    assert film.notes


def test_description_of_a_lateral_is_refused_and_of_several_flagged(dicom):
    with pytest.raises(FilmRefusedError, match="Series Description"):
        load_film(dicom(ViewPosition=None, SeriesDescription="Chest lateral"))
    film = load_film(dicom(ViewPosition=None, SeriesDescription="Chest PA + LAT"))
    assert film.view is View.UNKNOWN
    assert any("several views" in note for note in film.notes)

"""Rendering against PS3.3 C.7.5, C.7.6.3 and C.11, and against pydicom's own LUT functions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from pydicom.pixels import apply_modality_lut, apply_voi_lut
from pydicom.sequence import Sequence

from imaging.dicom import read_dataset, read_rendering
from imaging.load import load_film
from imaging.rendering import LookUpTable, Padding, Rendering, Rescale, Window, WindowFunction, render

FILMS = hnp.arrays(np.uint16, (9, 11), elements=st.integers(0, 4095))


def reference(film, stored):
    """pydicom's rendering, its output brought to 0 to 1 (its full scale is the rescaled stored range)."""
    output = apply_voi_lut(apply_modality_lut(stored, film), film).astype(float)
    if "VOILUTSequence" in film:
        return output / (2 ** film.VOILUTSequence[0].LUTDescriptor[2] - 1)
    slope, intercept = float(film.get("RescaleSlope", 1)), float(film.get("RescaleIntercept", 0))
    if "ModalityLUTSequence" in film:
        low, high = 0.0, 2.0 ** film.ModalityLUTSequence[0].LUTDescriptor[2] - 1
    elif film.PixelRepresentation:
        low, high = -(2.0**11) * slope + intercept, (2.0**11 - 1) * slope + intercept
    else:
        low, high = intercept, 4095.0 * slope + intercept
    return (output - low) / (high - low)


def table(entries, first, bits):
    from pydicom.dataset import Dataset

    item = Dataset()
    item.LUTDescriptor = [len(entries), first, bits]
    item["LUTDescriptor"].VR = "US"
    item.add_new(0x00283006, "US", [int(entry) for entry in entries])
    return Sequence([item])


CURVE = (np.linspace(0.0, 1.0, 3000) ** 2 * 4095).astype(int)

HEADERS = {
    "window, LINEAR (C.11.2.1.2.1)": {"WindowCenter": 1500, "WindowWidth": 2000},
    "narrow window": {"WindowCenter": 1500.5, "WindowWidth": 700},
    "window, LINEAR_EXACT (C.11.2.1.3.2)": {
        "WindowCenter": 1500,
        "WindowWidth": 2000,
        "VOILUTFunction": "LINEAR_EXACT",
    },
    "window, SIGMOID (C.11.2.1.3.1)": {"WindowCenter": 1500, "WindowWidth": 900, "VOILUTFunction": "SIGMOID"},
    "several windows: the first": {"WindowCenter": [1500, 10], "WindowWidth": [2000, 20]},
    "rescale, then window (C.11.1.1.2)": {
        "RescaleSlope": 2,
        "RescaleIntercept": -1000,
        "WindowCenter": 2000,
        "WindowWidth": 4000,
    },
    "modality LUT, then window (C.11.1.1.1)": {
        "ModalityLUTSequence": table(CURVE, 300, 16),
        "WindowCenter": 1500,
        "WindowWidth": 2000,
    },
    "VOI LUT (C.11.2.1.1)": {"VOILUTSequence": table(CURVE, 500, 12)},
    "VOI LUT goes before a window": {
        "VOILUTSequence": table(CURVE, 500, 12),
        "WindowCenter": 100,
        "WindowWidth": 20,
    },
}


@pytest.mark.parametrize("name", HEADERS)
@pytest.mark.parametrize("signed", [False, True], ids=["unsigned", "signed"])
def test_rendering_is_pydicoms(name, signed, dataset, stored):
    header = dict(HEADERS[name])
    pixels = stored
    if signed:
        pixels = (stored.astype(np.int16) - 2048).astype(np.int16)
        if "RescaleIntercept" not in header:
            header |= {"RescaleSlope": 1, "RescaleIntercept": 2048}
        if "ModalityLUTSequence" in header or "VOILUTSequence" in header:
            pixels = np.clip(stored, 0, 2047).astype(np.int16)
    if "ModalityLUTSequence" in header:  # A rescale and a modality LUT exclude each other (C.11.1.1).
        header.pop("RescaleSlope", None), header.pop("RescaleIntercept", None)
    film = dataset(pixels, **header)
    rendering, notes = read_rendering(film, pixels.dtype)
    shown = render(pixels, rendering)
    assert notes + shown.notes == ()
    assert shown.pixels.dtype == np.float32
    np.testing.assert_allclose(shown.pixels, np.clip(reference(film, pixels), 0, 1), atol=2e-6)


def test_linear_window_at_the_points_the_standard_names():
    # C.11.2.1.2.1: centre 2048, width 4096: x <= 0 is black, x > 4095 white, between them a line.
    window = Window(2048, 4096)
    np.testing.assert_allclose(window.apply(np.array([0.0, 4095.0, 2047.5])), [0.0, 1.0, 0.5], atol=1e-12)
    # Centre 0, width 100: black up to -50, white from 49. Centre 0, width 1: a step between -1 and 0.
    np.testing.assert_allclose(Window(0, 100).apply(np.array([-50.0, 49.0])), [0.0, 1.0])
    np.testing.assert_allclose(Window(0, 1).apply(np.array([-1.0, 0.0])), [0.0, 1.0])


def test_linear_exact_window_at_the_points_the_standard_names():
    # C.11.2.1.3.2: centre 2048, width 4096: the line runs from 0 to 4096; width 1: from -0.5 to 0.5.
    exact = Window(2048, 4096, WindowFunction.LINEAR_EXACT)
    np.testing.assert_allclose(exact.apply(np.array([0.0, 2048.0, 4096.0])), [0.0, 0.5, 1.0])
    assert Window(0, 1, WindowFunction.LINEAR_EXACT).apply(np.array([0.25])) == pytest.approx(0.75)


def test_sigmoid_window_is_half_at_its_centre():
    # C.11.2.1.3.1: 1 / (1 + exp(-4 (x - c) / w)).
    sigmoid = Window(100, 50, WindowFunction.SIGMOID)
    np.testing.assert_allclose(sigmoid.apply(np.array([100.0, 125.0])), [0.5, 1 / (1 + np.exp(-2.0))], atol=1e-12)


def test_lut_holds_its_ends(dataset):
    # C.11.1.1.1: inputs below the first get the first entry, those beyond the last the last.
    lut = LookUpTable(np.array([5, 6, 7]), 10, 8)
    np.testing.assert_array_equal(lut.apply(np.array([0.0, 10.0, 11.0, 12.0, 99.0])), [5, 5, 6, 7, 7])


def test_descriptor_of_zero_entries_means_65536(dataset, stored):
    # C.11.1.1: "When the number of table entries is equal to 65536 the first value shall be 0".
    from pydicom.dataset import Dataset

    entries = np.arange(65536, dtype="<u2")[::-1]
    item = Dataset()
    item.add_new(0x00283002, "US", [0, 0, 16])
    item.add_new(0x00283006, "OW", entries.tobytes())
    rendering, notes = read_rendering(dataset(stored, VOILUTSequence=Sequence([item])), stored.dtype)
    assert notes == ()
    np.testing.assert_allclose(render(stored, rendering).pixels, (65535.0 - stored) / 65535.0, atol=1e-6)


def test_unreadable_lut_is_left_out_with_a_note(dataset, stored):
    short = table([1, 2, 3], 0, 12)
    short[0].LUTDescriptor = [900, 0, 12]
    rendering, notes = read_rendering(dataset(stored, VOILUTSequence=short), stored.dtype)
    assert rendering.voi is None
    assert "VOILUTSequence" in notes[0]


@given(FILMS, st.integers(0, 4095), st.integers(2, 5000), st.sampled_from(list(WindowFunction)))
@settings(max_examples=60, deadline=None)
def test_monochrome1_of_the_inverted_film_is_monochrome2(film, center, width, function):
    # C.7.6.3.1.2: MONOCHROME1 shows the minimum white. For the mirrored values the window mirrors too;
    # LINEAR's centre lies half a step lower (C.11.2.1.2.1), so it mirrors about 4096 instead of 4095.
    around = 4096 if function is WindowFunction.LINEAR else 4095
    plain = render(film, Rendering(voi=Window(center, width, function)))
    mirrored = Rendering(voi=Window(around - center, width, function), inverted=True)
    other = render((4095 - film).astype(np.uint16), mirrored)
    assert plain.notes == other.notes
    # float32 holds gain x 4095 to 4095 x 2**-23 at the steepest gain of 1.
    np.testing.assert_allclose(other.pixels, plain.pixels, atol=1e-3)


@given(FILMS)
@settings(max_examples=40, deadline=None)
def test_without_voi_the_films_own_range_is_shown(film):
    plain = render(film, Rendering()).pixels
    inverse = render((4095 - film).astype(np.uint16), Rendering(inverted=True)).pixels
    if film.min() < film.max():
        assert plain.min() == pytest.approx(0.0, abs=1e-3)
        assert plain.max() == pytest.approx(1.0, abs=1e-3)
        np.testing.assert_allclose(inverse, plain, atol=1e-3)


@given(hnp.arrays(np.int16, (5, 7)), st.integers(30000, 36000), st.integers(100, 70000))
@settings(max_examples=40, deadline=None)
def test_line_and_table_agree(film, center, width):
    window = Window(center, width, WindowFunction.LINEAR_EXACT)
    by_line = render(film, Rendering(Rescale(1.0, 32768.0), window))
    by_table = render(film, Rendering(LookUpTable(np.arange(65536), -32768, 16), window))
    assert by_table.notes == by_line.notes
    np.testing.assert_allclose(by_table.pixels, by_line.pixels, atol=3e-3)


@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
def test_padding_is_black_and_takes_no_part_in_the_stretch(photometric, dicom, stored):
    # C.7.5.1.1.2: padding values are not part of the picture and are not to be contrast stretched.
    film = stored.copy()
    film[:, :5] = 4095
    inside = film != 4095
    shown = load_film(dicom(film, PhotometricInterpretation=photometric, PixelPaddingValue=4095)).pixels
    assert np.all(shown[~inside] == 0.0)
    assert shown[inside].min() == pytest.approx(0.0, abs=1e-6)
    assert shown[inside].max() == pytest.approx(1.0, abs=1e-6)


def test_padding_range_limit(dicom, stored):
    shown = load_film(dicom(stored, PixelPaddingValue=0, PixelPaddingRangeLimit=300)).pixels
    assert np.all(shown[stored <= 300] == 0.0)
    assert np.all(shown[stored > 303] > 0.0)


def test_padding_of_a_signed_film_written_as_unsigned(dataset):
    pixels = np.array([[-2000, 0], [1000, 2000]], np.int16)
    film = dataset(pixels)
    film.add_new(0x00280120, "US", 65536 - 2000)
    rendering, _ = read_rendering(film, pixels.dtype)
    assert rendering.padding == Padding(-2000, -2000)
    np.testing.assert_allclose(render(pixels, rendering).pixels, [[0.0, 0.0], [0.5, 1.0]])


@pytest.mark.parametrize("sign", [1, -1])
def test_for_processing_film_is_shown_bright_where_dense(sign, dicom, stored):
    # PS3.3 C.8.11.3.1.2: sign 1, smaller values are less X-ray intensity, that is denser; -1 the reverse.
    shown = load_film(
        dicom(
            stored,
            SOPClassUID="1.2.840.10008.5.1.4.1.1.1.1.1",
            PixelIntensityRelationship="LOG",
            PixelIntensityRelationshipSign=sign,
        )
    ).pixels
    expected = stored / 4095.0
    np.testing.assert_allclose(shown, 1.0 - expected if sign == 1 else expected, atol=1e-6)


def test_linear_intensities_are_shown_by_their_logarithm(dicom, stored):
    shown = load_film(
        dicom(
            stored,
            SOPClassUID="1.2.840.10008.5.1.4.1.1.1.1.1",
            PixelIntensityRelationship="LIN",
            PixelIntensityRelationshipSign=1,
        )
    ).pixels
    np.testing.assert_allclose(shown, 1.0 - np.log1p(stored) / np.log1p(4095.0), atol=1e-6)


def test_a_window_beside_the_film_is_left_out_with_a_note(dicom):
    film = load_film(dicom(WindowCenter=60000, WindowWidth=10))
    assert any("window" in note for note in film.notes)
    assert film.pixels.std() > 0.1


@pytest.mark.parametrize("width", [0, -5, 0.5])
def test_window_width_below_one_is_left_out(width, dicom):
    # C.11.2.1.2.1: Window Width shall be greater than or equal to 1.
    film = load_film(dicom(WindowCenter=2000, WindowWidth=width))
    assert any("Window Width" in note for note in film.notes)


def test_identity_of_the_reader(dataset, file_bytes):
    # The rendering read back from a file is the one that was written.
    again = read_dataset(file_bytes(dataset(WindowCenter=7, WindowWidth=9)), "film")
    assert read_rendering(again, np.dtype(np.uint16))[0].voi == Window(7, 9)


ABSURD = [
    {"RescaleSlope": "1e308"},
    {"RescaleSlope": "1e-300"},
    {"RescaleIntercept": "-1e308"},
    {"WindowCenter": "1e308"},
    {"WindowWidth": "1e308"},
]


@pytest.mark.parametrize("absurd", ABSURD, ids=str)
@pytest.mark.parametrize("windowed", [True, False])
def test_absurd_values_are_left_out_and_told(absurd, windowed, dicom):
    known = {"WindowCenter": "2000", "WindowWidth": "4000"} if windowed or "Window" in str(absurd) else {}
    film = load_film(dicom(**{**known, **absurd}))
    assert np.isfinite(film.pixels).all()
    assert 0.0 <= film.pixels.min() < film.pixels.max() <= 1.0
    assert any("absurd" in note for note in film.notes)

"""PNG, JPEG and TIFF films; tifffile, Pillow and OpenCV are the references."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps

from imaging.errors import FilmRefusedError, FilmUnreadableError
from imaging.load import load_film
from measure.spacing import Plane, SpacingSource


def grey(stored):
    return (stored >> 4).astype(np.uint8)


def saved(picture, kind="PNG", **options):
    buffer = io.BytesIO()
    picture.save(buffer, kind, **options)
    return buffer.getvalue()


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_8_bit_grey(kind, stored):
    film = load_film(saved(Image.fromarray(grey(stored)), kind))
    np.testing.assert_allclose(film.pixels, grey(stored) / 255.0, atol=1e-6)
    assert film.format == kind
    assert film.pixels.dtype == np.float32
    assert film.spacing is None


def test_jpeg_is_pillows(stored):
    data = saved(Image.fromarray(grey(stored)), "JPEG", quality=90)
    np.testing.assert_allclose(load_film(data).pixels, np.asarray(Image.open(io.BytesIO(data))) / 255, atol=1e-6)


@pytest.mark.parametrize(("largest", "full_scale"), [(65535, 65535), (4095, 4095), (3000, 4095), (900, 1023)])
def test_16_bit_grey_png(largest, full_scale, stored):
    pixels = (stored / 4095.0 * largest).astype(np.uint16)
    data = cv2.imencode(".png", pixels)[1].tobytes()
    np.testing.assert_allclose(load_film(data).pixels, pixels / full_scale, atol=1e-6)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("photometric", ["minisblack", "miniswhite"])
@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_tiff_of_either_polarity_and_byte_order(kind, photometric, order, stored):
    # TIFF 6.0, PhotometricInterpretation: 0 = white is zero, 1 = black is zero.
    pixels = grey(stored) if kind is np.uint8 else (stored << 4).astype(np.uint16)
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, pixels, photometric=photometric, byteorder=order)
    if (kind, photometric, order) == (np.uint16, "miniswhite", ">"):
        with pytest.raises(FilmUnreadableError, match="uncommonly encoded"):  # Pillow knows no such kind.
            load_film(buffer.getvalue())
        return
    expected = pixels / float(np.iinfo(kind).max)
    shown = load_film(buffer.getvalue()).pixels
    np.testing.assert_allclose(shown, 1 - expected if photometric == "miniswhite" else expected, atol=1e-6)


def test_float_tiff_is_stretched(stored):
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, stored.astype(np.float32) * 3 - 1000)
    np.testing.assert_allclose(load_film(buffer.getvalue()).pixels, stored / 4095.0, atol=1e-6)


def test_colour_becomes_its_brightness(stored):
    rgb = np.stack([grey(stored), grey(stored)[::-1], grey(stored)[:, ::-1]], axis=-1)
    film = load_film(saved(Image.fromarray(rgb)))
    # ITU-R BT.601, written out.
    expected = (rgb @ np.array([0.299, 0.587, 0.114])) / 255.0
    np.testing.assert_allclose(film.pixels, expected, atol=1.01 / 255.0)
    assert any("coloured" in note for note in film.notes)


def test_grey_kept_in_colour_is_not_called_coloured(stored):
    film = load_film(saved(Image.fromarray(grey(stored)).convert("RGB")))
    np.testing.assert_allclose(film.pixels, grey(stored) / 255.0, atol=1e-6)
    assert not any("coloured" in note for note in film.notes)


def test_16_bit_colour_png_keeps_its_depth(stored):
    pixels = np.repeat((stored << 4)[..., None].astype(np.uint16), 3, axis=-1)
    shown = load_film(cv2.imencode(".png", pixels)[1].tobytes()).pixels
    np.testing.assert_allclose(shown, (stored << 4) / 65535.0, atol=1e-6)
    assert len(np.unique(shown)) > 256


def test_16_bit_colour_tiff_keeps_its_depth(stored):
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, np.repeat((stored << 4)[..., None].astype(np.uint16), 3, -1), photometric="rgb")
    np.testing.assert_allclose(load_film(buffer.getvalue()).pixels, (stored << 4) / 65535.0, atol=1e-6)


def test_16_bit_colour_png_cut_short_is_unreadable(stored):
    pixels = np.repeat((stored << 4)[..., None].astype(np.uint16), 3, axis=-1)
    data = cv2.imencode(".png", pixels)[1].tobytes()
    with pytest.raises(FilmUnreadableError):
        load_film(data[: len(data) // 2])


def test_palette(stored):
    picture = Image.fromarray(grey(stored) // 16).convert("L")
    picture.putpalette([channel for level in range(256) for channel in [(level * 17) % 256] * 3])
    expected = (grey(stored) // 16) * 17 / 255.0
    np.testing.assert_allclose(load_film(saved(picture)).pixels, expected, atol=1e-6)


@pytest.mark.parametrize("mode", ["LA", "RGBA"])
def test_transparent_is_black(mode, stored):
    picture = Image.fromarray(grey(stored)).convert(mode)
    alpha = np.full(stored.shape, 255, np.uint8)
    alpha[:10] = 0
    picture.putalpha(Image.fromarray(alpha))
    shown = load_film(saved(picture)).pixels
    assert np.all(shown[:10] == 0.0)
    np.testing.assert_allclose(shown[10:], grey(stored)[10:] / 255.0, atol=1e-6)


def test_one_bit_picture(stored):
    picture = Image.fromarray(grey(stored) > 100)
    np.testing.assert_array_equal(load_film(saved(picture)).pixels, grey(stored) > 100)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
def test_exif_orientation_is_followed(orientation, kind, stored):
    picture = Image.fromarray(grey(stored))
    exif = picture.getexif()
    exif[0x0112] = orientation
    options = {"tiffinfo": {274: orientation}} if kind == "TIFF" else {"exif": exif}
    data = saved(picture, kind, **options)
    film = load_film(data)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))
    np.testing.assert_allclose(film.pixels, expected / 255.0, atol=1e-6)
    assert any("orientation tag" in note for note in film.notes) == (orientation != 1)
    assert not film.turn.proven


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_of_a_16_bit_colour_tiff_is_followed(orientation, stored):
    buffer = io.BytesIO()
    pixels = np.repeat((stored << 4)[..., None].astype(np.uint16), 3, -1)
    tifffile.imwrite(buffer, pixels, photometric="rgb", extratags=[(274, "H", 1, orientation, True)])
    small = saved(Image.fromarray(grey(stored)), "TIFF", tiffinfo={274: orientation})
    shown = load_film(buffer.getvalue()).pixels
    np.testing.assert_allclose(shown, load_film(small).pixels, atol=1.0 / 255.0)


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
def test_resolution_is_shown_but_not_believed_unless_asked(kind, stored):
    data = saved(Image.fromarray(grey(stored)), kind, dpi=(127, 254))  # 0.2 mm across, 0.1 mm down
    shown = load_film(data)
    assert shown.spacing is None
    assert shown.pixel_aspect == pytest.approx(0.5, rel=0.01)
    assert any("not believed" in note for note in shown.notes)
    believed = load_film(data, believe_resolution=True)
    assert believed.spacing.row_mm == pytest.approx(0.1, rel=0.01)
    assert believed.spacing.column_mm == pytest.approx(0.2, rel=0.01)
    assert (believed.spacing.source, believed.spacing.plane) == (SpacingSource.FILE_RESOLUTION, Plane.UNKNOWN)


def test_resolution_turns_with_the_film(stored):
    exif = Image.Exif()
    exif[0x0112] = 6
    data = saved(Image.fromarray(grey(stored)), "JPEG", dpi=(127, 254), exif=exif)
    film = load_film(data, believe_resolution=True)
    assert film.shape == (30, 40)
    assert (film.spacing.row_mm, film.spacing.column_mm) == (pytest.approx(0.2), pytest.approx(0.1))
    assert film.pixel_aspect == pytest.approx(2.0)


def test_resolution_without_a_unit_is_an_aspect(stored):
    data = saved(Image.fromarray(grey(stored)), "TIFF", resolution_unit=1, x_resolution=2.0, y_resolution=1.0)
    film = load_film(data, believe_resolution=True)
    assert film.spacing is None
    assert film.pixel_aspect == pytest.approx(2.0)


def test_absurd_resolution_is_not_believed_even_if_asked(stored):
    film = load_film(saved(Image.fromarray(grey(stored)), dpi=(5, 5)), believe_resolution=True)
    assert film.spacing is None
    assert any("file resolution tag" in note for note in film.notes)


def test_several_pages_are_refused(stored):
    page = Image.fromarray(grey(stored))
    with pytest.raises(FilmRefusedError, match="more than one picture"):
        load_film(saved(page, "TIFF", save_all=True, append_images=[page]))


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_picture_cut_short_is_unreadable(kind, share):
    noise = np.random.default_rng(3).integers(0, 256, (64, 64)).astype(np.uint8)
    data = saved(Image.fromarray(noise), kind)
    with pytest.raises(FilmUnreadableError, match=r"expected\. \w|expected\. Export"):
        load_film(data[: int(len(data) * share)])

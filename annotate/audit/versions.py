"""What the results depend on beside the source and the settings: software and weights."""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from importlib.metadata import version

PACKAGES = (
    "lipmark",
    "numpy",
    "scipy",
    "pydicom",
    "pylibjpeg",
    "pylibjpeg-libjpeg",
    "pylibjpeg-openjpeg",
    "pyjpegls",
    "opencv-python-headless",
    "onnxruntime",
    "scikit-image",
    "pillow",
    "pyarrow",
)
"""Distributions that decode, propose, measure or write."""

Versions = dict[str, str]


@cache
def versions() -> Versions:
    """Version of each, and the SHA-256 of the networks' weights and their card, by name."""
    from imaging.network import FILES

    weights = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in FILES}
    return {"python": platform.python_version(), **{name: version(name) for name in PACKAGES}, **weights}

"""What all objects say that lipmark makes, and how they are known again when they come back."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

from pydicom.dataset import Dataset

MANUFACTURER = "lipmark"
MODEL_NAME = "lipmark readings"
"""Manufacturer (0008,0070) and Manufacturer's Model Name (0008,1090) of what is written; together no device's."""

SERIES_NUMBER = 9300
"""Of the first of our series of a film: far from what devices count to (ours)."""


def series_of_ours(place: int = 0) -> dict[str, Any]:
    """What highdicom is told of maker and series: the only object of a new series, in its place among ours."""
    from pydicom.uid import generate_uid

    return {
        "series_instance_uid": generate_uid(prefix=None),
        "series_number": SERIES_NUMBER + place,
        "sop_instance_uid": generate_uid(prefix=None),
        "instance_number": 1,
        "manufacturer": MANUFACTURER,
        "manufacturer_model_name": MODEL_NAME,
        "software_versions": version("lipmark"),
        "device_serial_number": "0",
    }


def is_ours(dataset: Dataset) -> bool:
    """Whether lipmark wrote this report, capture or presentation state: it is not to be read as a film."""
    return (
        str(dataset.get("Manufacturer", "")) == MANUFACTURER
        and str(dataset.get("ManufacturerModelName", "")) == MODEL_NAME
    )

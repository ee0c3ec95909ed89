"""How objects that lipmark made are known again when they come back."""

from __future__ import annotations

from pydicom.dataset import Dataset

MANUFACTURER = "lipmark"
MODEL_NAME = "lipmark readings"
"""Manufacturer (0008,0070) and Manufacturer's Model Name (0008,1090) of what is written; together no device's."""


def is_ours(dataset: Dataset) -> bool:
    """Whether lipmark wrote this report, capture or presentation state: it is not to be read as a film."""
    return (
        str(dataset.get("Manufacturer", "")) == MANUFACTURER
        and str(dataset.get("ManufacturerModelName", "")) == MODEL_NAME
    )

"""Chest films with a known truth.

`draw_recipe` turns a seed into a `FilmRecipe`, `make_film` a recipe into a `SyntheticFilm` with its `Truth`;
`write_dicom` and `write_png` put it on disk, `make_batch` many. The names below are loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from synthetic_images.batch import BatchResult, BatchSettings, make_batch
    from synthetic_images.dicom_out import write_dicom
    from synthetic_images.film import SyntheticFilm, make_film
    from synthetic_images.png_out import write_png
    from synthetic_images.recipe import FilmRecipe, draw_recipe
    from synthetic_images.truth import Truth

_HOMES = {
    "BatchResult": "batch",
    "BatchSettings": "batch",
    "FilmRecipe": "recipe",
    "SyntheticFilm": "film",
    "Truth": "truth",
    "draw_recipe": "recipe",
    "make_batch": "batch",
    "make_film": "film",
    "write_dicom": "dicom_out",
    "write_png": "png_out",
}

__all__ = [
    "BatchResult",
    "BatchSettings",
    "FilmRecipe",
    "SyntheticFilm",
    "Truth",
    "draw_recipe",
    "make_batch",
    "make_film",
    "write_dicom",
    "write_png",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)

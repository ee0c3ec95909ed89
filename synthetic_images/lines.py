"""Where the tube and the lines that are mistaken for it run on the film."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from synthetic_images.anatomy import Anatomy, build_anatomy
from synthetic_images.devices import central_line_path, gastric_tube_path, temperature_probe_path
from synthetic_images.projection import Floats
from synthetic_images.recipe import FilmRecipe
from synthetic_images.streams import stream
from synthetic_images.tube import place_tube

ENDOTRACHEAL_TUBE = "endotracheal tube"
DECOYS: Mapping[str, tuple[str, Callable[[Anatomy, np.random.Generator], Floats]]] = MappingProxyType(
    {
        "stomach tube": ("gastric_tube", gastric_tube_path),
        "central line": ("central_lines", central_line_path),
        "temperature probe": ("temperature_probe", temperature_probe_path),
    }
)
"""Name, the recipe's dial, and the centreline as the device's painter draws it."""


def lines_on_film(recipe: FilmRecipe) -> Mapping[str, tuple[Floats, ...]]:
    """Centrelines of the endotracheal tube and of other long lines, as the film of this recipe shows them.

    Returns
    -------
    mapping of str to tuple of ndarray, shape (n, 2)
        Rows and columns in pixels by the line's name; names without a line are left out. Points may lie off
        the film.
    """
    body = build_anatomy(recipe)
    tube = place_tube(body)
    found: dict[str, tuple[Floats, ...]] = {}
    if tube is not None:
        found[ENDOTRACHEAL_TUBE] = (body.camera.project(tube.axis),)
    for name, (dial, path) in DECOYS.items():
        count: int = getattr(recipe.devices, dial)
        if count:
            streams = (stream(recipe.seed, f"{dial}{index}") for index in range(count))
            found[name] = tuple(body.camera.project(path(body, rng)) for rng in streams)
    return MappingProxyType(found)

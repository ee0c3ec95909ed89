"""Write docs/gallery.md and its pictures: one film a dial, with its truth drawn in.

python docs/make_gallery.py
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from measure.magnification import View
from measure.patient import AgeGroup
from measure.posture import NeckPosture
from synthetic_images.film import SyntheticFilm, make_film
from synthetic_images.recipe import (
    DeviceDials,
    FilmRecipe,
    LinePattern,
    PathologyDials,
    Placement,
    draw_recipe,
)

DOCS = Path(__file__).resolve().parent
PICTURES = DOCS / "gallery"
SIDE_PX, QUALITY = 512, 72
SEED = 4


@dataclass(frozen=True)
class Exhibit:
    """One picture: a file name, a title, what was turned, and the recipe."""

    name: str
    title: str
    dial: str
    recipe: FilmRecipe


LIKE_FILM: dict[str, Any] = {
    "quanta_per_mm2": 3_000_000.0,
    "brightness": 0.0,
    "contrast": 1.2,
    "latitude": 0.5,
    "edge_gain": 0.4,
    "detail_gain": 0.2,
    "shoulder": 0.7,
    "collimation": (0.0, 0.0, 0.0, 0.0),
}
"""How every film of the gallery is shown, but for those that turn these dials."""


def plain(**choices: Any) -> FilmRecipe:
    """A clean film of one seed to turn one dial on."""
    recipe = draw_recipe(SEED, difficulty=0.0, **{"view": View.AP, "placement": Placement.TRACHEA, **choices})
    exposure = replace(recipe.exposure, **LIKE_FILM)
    return replace(recipe, devices=DeviceDials(letters=1), pathology=PathologyDials(), exposure=exposure)


def general() -> Iterator[Exhibit]:
    """Whole films."""
    yield Exhibit("plain", "A clean film", "draw_recipe(4, difficulty=0)", plain())
    for difficulty in (0.3, 0.6, 1.0):
        recipe = draw_recipe(SEED, difficulty=difficulty, placement=Placement.TRACHEA)
        name = f"difficulty_{round(difficulty * 10):02d}"
        yield Exhibit(name, f"Difficulty {difficulty:g}", f"difficulty={difficulty:g}", recipe)
    yield Exhibit("pa", "PA at 183 cm", "view=View.PA", plain(view=View.PA))
    for group in (AgeGroup.CHILD, AgeGroup.NEONATE):
        name = group.value
        yield Exhibit(name, name.capitalize(), f"age_group=AgeGroup.{group.name}", plain(age_group=group))


def bodies() -> Iterator[Exhibit]:
    """Dials of the body and of the beam."""
    base = plain()
    body = base.body
    turned: list[tuple[str, str, dict[str, float]]] = [
        ("big_heart", "Big heart", {"heart": 1.35}),
        ("scoliosis", "Scoliosis", {"scoliosis_mm": 26.0}),
        ("expiration", "Expiration", {"inspiration": 0.05}),
        ("habitus", "Much soft tissue", {"habitus": 2.0}),
        ("lean", "Trachea leaning 38 degrees", {"lean_deg": 38.0}),
        ("wide_fork", "Fork of 115 degrees", {"subcarinal_angle_deg": 115.0}),
    ]
    for name, title, dials in turned:
        words = ", ".join(f"body.{key}={value:g}" for key, value in dials.items())
        yield Exhibit(name, title, words, replace(base, body=replace(body, **dials)))
    stand = replace(base.stand, rotation_deg=14.0)
    yield Exhibit("rotation", "Patient turned", "stand.rotation_deg=14", replace(base, stand=stand))
    stand = replace(base.stand, tilt_deg=14.0)
    yield Exhibit("tilt", "Beam from above", "stand.tilt_deg=14", replace(base, stand=stand))
    exposure = replace(base.exposure, quanta_per_mm2=60_000.0)
    yield Exhibit("noise", "Low exposure", "exposure.quanta_per_mm2=60000", replace(base, exposure=exposure))
    exposure = replace(base.exposure, collimation=(0.12, 0.08, 0.1, 0.1), collimator_turn_deg=2.5)
    yield Exhibit("collimation", "Collimation", "exposure.collimation", replace(base, exposure=exposure))
    exposure = replace(exposure, shutter=False)
    yield Exhibit("no_shutter", "No shutter", "exposure.shutter=False", replace(base, exposure=exposure))
    exposure = replace(
        base.exposure,
        latitude=0.9,
        detail_gain=1.0,
        edge_gain=2.0,
        contrast=0.8,
        brightness=-0.1,
        quanta_per_mm2=1e6,
    )
    yield Exhibit("details", "Details raised", "exposure.detail_gain=1", replace(base, exposure=exposure))


def tubes() -> Iterator[Exhibit]:
    """Dials of the tube and the neck."""
    base = plain()
    assert base.tube is not None
    for posture in (NeckPosture.FLEXED, NeckPosture.EXTENDED):
        yield Exhibit(posture.value, f"Neck {posture.value}", f"posture={posture!s}", plain(posture=posture))
    for placement in (Placement.RIGHT_BRONCHUS, Placement.LEFT_BRONCHUS, Placement.OESOPHAGUS):
        name = placement.name.lower()
        yield Exhibit(
            name, f"Tip in the {placement.value}", f"placement={placement!s}", plain(placement=placement)
        )
    for name, title, dials in (
        ("armoured", "Armoured tube", {"armoured": True}),
        ("interrupted", "Interrupted line", {"line": LinePattern.INTERRUPTED, "line_barium_mm": 0.22}),
        ("depth_marks", "Opaque depth marks", {"depth_marks": True}),
        ("no_line", "No line", {"line": LinePattern.NONE}),
    ):
        words = f"tube.{next(iter(dials))}={next(iter(dials.values()))!s}"
        yield Exhibit(name, title, words, replace(base, tube=replace(base.tube, **dials)))


def companions() -> Iterator[Exhibit]:
    """Devices and findings."""
    base = plain()
    for name in DeviceDials.__dataclass_fields__:
        count = 4 if name == "ecg_leads" else 1
        recipe = base if name != "tracheostomy_tube" else replace(base, tube=None)
        devices = DeviceDials(**{"letters": 0, name: count})
        title = name.replace("_", " ").capitalize()
        yield Exhibit(name, title, f"devices.{name}={count}", replace(recipe, devices=devices))
    severities = {"collapse": 0.8, "pneumothorax": 0.7}
    for name in PathologyDials.__dataclass_fields__:
        value = severities.get(name, 0.6)
        title = name.replace("_", " ").capitalize()
        pathology = PathologyDials(**{name: value})
        yield Exhibit(name, title, f"pathology.{name}={value:g}", replace(base, pathology=pathology))


MARKS = {
    "tip": (255, 80, 80),
    "line end": (255, 170, 60),
    "carina": (80, 220, 120),
    "cords": (120, 180, 255),
    "cuff upper": (230, 120, 255),
    "cuff lower": (230, 120, 255),
    "mandible": (255, 240, 90),
    "aortic arch": (90, 240, 240),
}
"""Landmark and its colour."""


def picture(film: SyntheticFilm, path: Path) -> None:
    """The film as a small JPEG with its truth drawn in."""
    from PIL import Image, ImageDraw

    grey = Image.fromarray((film.pixels >> 4).astype("uint8")).resize((SIDE_PX, SIDE_PX), Image.Resampling.LANCZOS)
    canvas = grey.convert("RGB")
    draw = ImageDraw.Draw(canvas)
    scale = SIDE_PX / film.pixels.shape[0]
    path_px = [(p.column * scale, p.row * scale) for p in film.truth.airway_path]
    draw.line(path_px, fill=(80, 220, 120), width=1)
    for name, colour in MARKS.items():
        point = film.truth.points.get(name)
        if point is not None:
            x, y = point.column * scale, point.row * scale
            draw.ellipse((x - 4, y - 4, x + 4, y + 4), outline=colour, width=2)
    canvas.save(path, quality=QUALITY, optimize=True)


def distance(film: SyntheticFilm) -> str:
    """The true distance in words."""
    truth = film.truth
    if truth.oesophageal:
        return "tube in the oesophagus"
    if truth.distance_mm is None:
        return "no endotracheal tube"
    side = "above" if truth.distance_mm >= 0.0 else "below"
    return f"tip {abs(truth.distance_mm):.1f} mm {side} the carina along the airway"


HEAD = """# Gallery

One film a dial, made by `docs/make_gallery.py`; nobody was imaged. Drawn in: the airway from the cords to the
carina (green line), tip (red), end of the radio-opaque line (orange), carina (green), cords (blue), edges of
the cuff (violet), lower border of the mandible (yellow) and the aortic arch's most lateral point (cyan).
Points beyond the film's edge are not seen. The films are shown at half their size.
"""


def main() -> None:
    """Make every picture and the page."""
    PICTURES.mkdir(exist_ok=True)
    page = [HEAD]
    for title, exhibits in (
        ("Whole films", general()),
        ("Body and beam", bodies()),
        ("Tube and neck", tubes()),
        ("Devices and findings", companions()),
    ):
        page.append(f"## {title}\n\n| | | |\n| --- | --- | --- |")
        cells = []
        for exhibit in exhibits:
            film = make_film(exhibit.recipe)
            picture(film, PICTURES / f"{exhibit.name}.jpg")
            image = f"![{exhibit.title}](gallery/{exhibit.name}.jpg)"
            cells.append(f"{image}<br>{exhibit.title}: `{exhibit.dial}`; {distance(film)}")
        rows = [cells[i : i + 3] for i in range(0, len(cells), 3)]
        page += [f"| {' | '.join(row + [''] * (3 - len(row)))} |" for row in rows]
        page.append("")
    (DOCS / "gallery.md").write_text("\n".join(page), encoding="utf-8")


if __name__ == "__main__":
    main()

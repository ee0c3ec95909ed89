"""What is true of a film: every landmark in the patient in mm and on the film in pixels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from measure.landmarks import VERTEBRAE, Landmark, Landmarks
from synthetic_images.airway import PATH_POINTS
from synthetic_images.anatomy import Anatomy
from synthetic_images.projection import Camera, Floats
from synthetic_images.recipe import Placement
from synthetic_images.tube import PlacedTube, bevel_length_mm

TRUTH_VERSION = 1
TRUE_SD_PX = 0.0


@dataclass(frozen=True, slots=True)
class TruePoint:
    """One landmark: millimetres in the patient (left, back, head; carina at 0) and pixels on the film."""

    x_mm: float
    y_mm: float
    z_mm: float
    row: float
    column: float
    magnification: float

    def landmark(self, sd_px: float = TRUE_SD_PX) -> Landmark:
        """As the measurement takes it."""
        return Landmark(self.row, self.column, sd_px, note="true position of a synthetic film")


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything that is known of a film.

    Parameters
    ----------
    points : mapping of str to TruePoint
        `carina`, `cords`, `mandible`, `aortic arch`; with a tube `tip` (its most distal point), `line end`,
        `cuff upper`, `cuff lower`, `cuff right`, `cuff left`, `tube right`, `tube left`; `trachea right` and
        `trachea left` (2 cm above the carina or in its middle); `vertebra C3` to `vertebra L1`.
    airway_path : tuple of TruePoint
        Trachea's centreline from the cords to the carina.
    distance_mm : float or None
        Tip above the carina along the airway, in the patient; negative below it. None without a tube, or
        with the tube in the oesophagus (`oesophageal`).
    straight_mm : float or None
        Straight line from tip to carina in the patient.
    lean_deg : float
        Angle of the straight line cords to carina to the coronal plane.
    carina_magnification : float
        Source-to-detector over source-to-carina distance.
    oesophageal : bool
    neck_shift_mm : float
    """

    points: Mapping[str, TruePoint]
    airway_path: tuple[TruePoint, ...]
    distance_mm: float | None
    straight_mm: float | None
    lean_deg: float
    carina_magnification: float
    oesophageal: bool
    neck_shift_mm: float

    def landmarks(self, sd_px: float = TRUE_SD_PX) -> Landmarks:
        """The true points as the measurement takes them; the airway path runs from tip to carina level.

        Parameters
        ----------
        sd_px : float
            Standard deviation to give each point.
        """

        def get(name: str) -> Landmark | None:
            point = self.points.get(name)
            return None if point is None else point.landmark(sd_px)

        def pair(name: str) -> tuple[Landmark, Landmark] | None:
            right, left = get(f"{name} right"), get(f"{name} left")
            return None if right is None or left is None else (right, left)

        vertebrae = {n: self.points[f"vertebra {n}"].landmark(sd_px) for n in VERTEBRAE}
        return Landmarks(
            tip=None if self.oesophageal else get("tip"),
            carina=get("carina"),
            airway_path=self._path_below_tip(sd_px),
            cords=get("cords"),
            tracheal_walls=pair("trachea"),
            cuff_walls=pair("cuff"),
            tube_walls=pair("tube"),
            cuff_upper=get("cuff upper"),
            cuff_lower=get("cuff lower"),
            mandible=get("mandible"),
            aortic_arch=get("aortic arch"),
            vertebrae=MappingProxyType(vertebrae),
        )

    def _path_below_tip(self, sd_px: float) -> tuple[Landmark, ...]:
        tip, carina = self.points.get("tip"), self.points["carina"]
        if tip is None or self.distance_mm is None or self.distance_mm <= 0.0:
            return ()
        between = [p for p in self.airway_path if tip.z_mm > p.z_mm > carina.z_mm]
        return tuple(p.landmark(sd_px) for p in between[:: max(len(between) // 8, 1)])

    def to_dict(self) -> dict[str, Any]:
        """JSON-able form, rounded to a thousandth."""
        return {
            "version": TRUTH_VERSION,
            "distance_mm": _rounded(self.distance_mm),
            "straight_mm": _rounded(self.straight_mm),
            "lean_deg": _rounded(self.lean_deg),
            "carina_magnification": round(self.carina_magnification, 5),
            "oesophageal": self.oesophageal,
            "neck_shift_mm": _rounded(self.neck_shift_mm),
            "points": {name: _point_dict(point) for name, point in self.points.items()},
            "airway_path": [_point_dict(point) for point in self.airway_path],
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Truth:
        """Read back what `to_dict` wrote."""
        return cls(
            points=MappingProxyType({name: TruePoint(**point) for name, point in data["points"].items()}),
            airway_path=tuple(TruePoint(**point) for point in data["airway_path"]),
            distance_mm=data["distance_mm"],
            straight_mm=data["straight_mm"],
            lean_deg=data["lean_deg"],
            carina_magnification=data["carina_magnification"],
            oesophageal=data["oesophageal"],
            neck_shift_mm=data["neck_shift_mm"],
        )


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def _point_dict(point: TruePoint) -> dict[str, float]:
    names = ("x_mm", "y_mm", "z_mm", "row", "column", "magnification")
    return {name: round(getattr(point, name), 3 if name != "magnification" else 5) for name in names}


def true_point(camera: Camera, place_mm: Floats) -> TruePoint:
    """A place in the patient with its image on the film."""
    row, column = camera.project(place_mm)
    x, y, z = place_mm
    return TruePoint(
        float(x), float(y), float(z), float(row), float(column), float(camera.magnification(place_mm))
    )


def find_truth(body: Anatomy, tube: PlacedTube | None) -> Truth:
    """Gather the truth of a film."""
    camera, airway = body.camera, body.airway
    places: dict[str, Floats] = {
        "carina": airway.carina,
        "cords": airway.trachea[0],
        "mandible": body.chin,
        "aortic arch": body.arch_lateral,
        **_walls(body),
        **{f"vertebra {name}": place for name, place in body.vertebrae.items()},
    }
    if tube is not None:
        places.update(_tube_places(tube))
    oesophageal = tube is not None and tube.dials.placement is Placement.OESOPHAGUS
    known = tube is not None and not oesophageal
    straight = float(np.linalg.norm(tube.tip - airway.carina)) if tube is not None and known else None
    chord = airway.carina - airway.trachea[0]
    return Truth(
        points=MappingProxyType({name: true_point(camera, place) for name, place in places.items()}),
        airway_path=tuple(true_point(camera, p) for p in airway.trachea[:: PATH_POINTS // 40]),
        distance_mm=body.recipe.tip_distance_mm if known else None,
        straight_mm=straight,
        lean_deg=float(np.degrees(np.arcsin(chord[1] / np.linalg.norm(chord)))),
        carina_magnification=float(camera.magnification(airway.carina)),
        oesophageal=oesophageal,
        neck_shift_mm=body.recipe.neck.shift_mm,
    )


WALLS_ABOVE_CARINA_MM = 20.0
"""Where tracheal width is measured: 2 cm above the carina (ours), or half-way up in children."""


def _walls(body: Anatomy) -> dict[str, Floats]:
    airway = body.airway
    height = min(WALLS_ABOVE_CARINA_MM, airway.length_mm / 2.0)
    middle = airway.above_carina(height)
    across = np.array([airway.radius_mm, 0.0, 0.0])
    return {"trachea right": middle - across, "trachea left": middle + across}


def _tube_places(tube: PlacedTube) -> dict[str, Floats]:
    level = tube.at(bevel_length_mm(tube.dials) + 4.0)
    radius = np.array([tube.dials.outside_diameter_mm / 2.0, 0.0, 0.0])
    places = {
        "tip": tube.tip,
        "line end": tube.line_end,
        "tube right": level - radius,
        "tube left": level + radius,
    }
    if tube.cuff_upper is not None and tube.cuff_lower is not None:
        middle = (tube.cuff_upper + tube.cuff_lower) / 2.0
        across = np.array([tube.cuff_radius_mm, 0.0, 0.0])
        places |= {
            "cuff upper": tube.cuff_upper,
            "cuff lower": tube.cuff_lower,
            "cuff right": middle - across,
            "cuff left": middle + across,
        }
    return places

"""The film while it is being made: line integrals of attenuation, the camera, and the beam."""

from __future__ import annotations

from dataclasses import dataclass

from synthetic_images.materials import Material, attenuation_mm
from synthetic_images.projection import Camera, Floats, Map
from synthetic_images.ribbons import Curve, add_chord, add_hollow


@dataclass(frozen=True, slots=True)
class Scene:
    """A map of line integrals (no unit) that painters add to.

    Parameters
    ----------
    film : ndarray of float32, shape (rows, columns)
        Sum of attenuation times length along each ray.
    camera : Camera
    kvp : float
    """

    film: Map
    camera: Camera
    kvp: float

    def mu(self, material: Material) -> float:
        """Attenuation per mm."""
        return attenuation_mm(material, self.kvp)

    def instead_of(self, material: Material, displaced: Material = Material.SOFT_TISSUE) -> float:
        """Attenuation per mm gained where one material displaces another."""
        return self.mu(material) - self.mu(displaced)

    def solid(self, curve: Curve, per_mm: float, caps: bool = True) -> None:
        """Add a solid curve."""
        add_chord(self.film, self.camera, curve, per_mm, caps)

    def hollow(self, curve: Curve, wall_mm: float | Floats, wall_per_mm: float, core_per_mm: float) -> None:
        """Add a curve with wall and core."""
        add_hollow(self.film, self.camera, curve, wall_mm, wall_per_mm, core_per_mm)

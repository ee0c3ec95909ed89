"""How strongly each material weakens the beam, averaged over the tube's spectrum.

Mass attenuation coefficients with coherent scattering, in cm2/g, at the energies of `ENERGIES_KEV`, after
Hubbell JH, Seltzer SM. Tables of X-Ray Mass Attenuation Coefficients (NIST 126), tissues after ICRU 44.
Written down from memory, the two compounds by the mixture rule; the room's tests compare them with a
library's tables.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

ENERGIES_KEV = (30.0, 40.0, 50.0, 60.0, 80.0, 100.0)


class Material(StrEnum):
    """What lies in the beam."""

    WATER = "water"
    SOFT_TISSUE = "soft tissue"
    FAT = "fat"
    CORTICAL_BONE = "cortical bone"
    AIR = "air"
    PVC = "polyvinyl chloride"
    BARIUM_SULPHATE = "barium sulphate"
    STEEL = "steel (as iron)"
    TITANIUM = "titanium"
    COPPER = "copper"
    LEAD = "lead"
    ALUMINIUM = "aluminium"


@dataclass(frozen=True, slots=True)
class MaterialData:
    """Density in g/cm3 and mass attenuation in cm2/g at `ENERGIES_KEV`."""

    density_g_cm3: float
    mass_attenuation_cm2_g: tuple[float, ...]


TABLE = MappingProxyType(
    {
        Material.WATER: MaterialData(1.00, (0.3756, 0.2683, 0.2269, 0.2059, 0.1837, 0.1707)),
        Material.SOFT_TISSUE: MaterialData(1.06, (0.3790, 0.2688, 0.2264, 0.2048, 0.1823, 0.1693)),
        Material.FAT: MaterialData(0.95, (0.3063, 0.2396, 0.2123, 0.1974, 0.1800, 0.1688)),
        Material.CORTICAL_BONE: MaterialData(1.92, (1.331, 0.6655, 0.4242, 0.3148, 0.2229, 0.1855)),
        Material.AIR: MaterialData(0.0012, (0.3538, 0.2485, 0.2080, 0.1875, 0.1662, 0.1541)),
        Material.PVC: MaterialData(1.35, (1.492, 0.7298, 0.4559, 0.3324, 0.2298, 0.1887)),
        Material.BARIUM_SULPHATE: MaterialData(4.50, (6.222, 14.66, 8.252, 5.116, 2.414, 1.362)),
        Material.STEEL: MaterialData(7.87, (8.176, 3.629, 1.958, 1.205, 0.5952, 0.3717)),
        Material.TITANIUM: MaterialData(4.54, (4.972, 2.214, 1.213, 0.7661, 0.4052, 0.2721)),
        Material.COPPER: MaterialData(8.96, (10.92, 4.862, 2.613, 1.593, 0.7630, 0.4584)),
        Material.LEAD: MaterialData(11.35, (30.32, 14.36, 8.041, 5.021, 2.419, 5.549)),
        Material.ALUMINIUM: MaterialData(2.70, (1.128, 0.5685, 0.3681, 0.2778, 0.2018, 0.1704)),
    }
)

FILTRATION_ALUMINIUM_CM = 0.3
"""Total filtration of a chest tube, 2.5 to 3.5 mm aluminium (common practice)."""

REFERENCE_WATER_CM = 8.0
"""Water that the spectrum is hardened by before averaging: a chest behind its lungs (ours)."""


def mass_attenuation(material: Material, energy_kev: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mass attenuation in cm2/g, interpolated on logarithmic axes.

    Parameters
    ----------
    energy_kev : ndarray
        Between 30 and 100 keV; beyond, the end values continue along the last slope's end.
    """
    logs = np.interp(np.log(energy_kev), np.log(ENERGIES_KEV), np.log(TABLE[material].mass_attenuation_cm2_g))
    return np.asarray(np.exp(logs))


def spectrum(kvp: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Photon energies in keV and their share of the detected signal.

    Kramers' law (a thick target's photon number falls as (E_max - E) / E), weakened by the filtration and a
    reference patient, weighted by energy as an energy-integrating detector does.
    """
    energy_kev = np.arange(30.0, min(kvp, 100.0) + 0.5, 1.0)
    weight = np.maximum(kvp - energy_kev, 0.0)
    for material, thickness_cm in (
        (Material.ALUMINIUM, FILTRATION_ALUMINIUM_CM),
        (Material.WATER, REFERENCE_WATER_CM),
    ):
        mu_cm = mass_attenuation(material, energy_kev) * TABLE[material].density_g_cm3
        weight = weight * np.exp(-mu_cm * thickness_cm)
    return energy_kev, weight / weight.sum()


@lru_cache(maxsize=1024)
def attenuation_mm(material: Material, kvp: float) -> float:
    """Linear attenuation per mm, averaged over the spectrum at `kvp`."""
    energy_kev, weight = spectrum(kvp)
    mean = float(np.sum(weight * mass_attenuation(material, energy_kev)))
    return mean * TABLE[material].density_g_cm3 / 10.0

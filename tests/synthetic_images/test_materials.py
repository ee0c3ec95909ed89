"""Attenuation against the tables of xraydb (Elam WT, Ravel BD, Sieber JR. Radiat Phys Chem 2002;63:121-128)."""

from __future__ import annotations

import numpy as np
import pytest
import xraydb

from synthetic_images.materials import ENERGIES_KEV, TABLE, Material, attenuation_mm, spectrum

COMPOSITION = {
    Material.WATER: {"H": 0.1119, "O": 0.8881},
    Material.SOFT_TISSUE: {
        **{"H": 0.102, "C": 0.143, "N": 0.034, "O": 0.708, "Na": 0.002},
        **{"P": 0.003, "S": 0.003, "Cl": 0.002, "K": 0.003},
    },
    Material.FAT: {"H": 0.114, "C": 0.598, "N": 0.007, "O": 0.278, "Na": 0.001, "S": 0.001, "Cl": 0.001},
    Material.CORTICAL_BONE: {
        **{"H": 0.034, "C": 0.155, "N": 0.042, "O": 0.435, "Na": 0.001},
        **{"Mg": 0.002, "P": 0.103, "S": 0.003, "Ca": 0.225},
    },
    Material.AIR: {"N": 0.755, "O": 0.232, "Ar": 0.013},
    Material.PVC: {"H": 0.0484, "C": 0.3844, "Cl": 0.5672},
    Material.BARIUM_SULPHATE: {"Ba": 0.5884, "S": 0.1374, "O": 0.2742},
    Material.STEEL: {"Fe": 1.0},
    Material.TITANIUM: {"Ti": 1.0},
    Material.COPPER: {"Cu": 1.0},
    Material.LEAD: {"Pb": 1.0},
    Material.ALUMINIUM: {"Al": 1.0},
}
"""Mass fractions; tissues of ICRU Report 44."""


@pytest.mark.outside
@pytest.mark.parametrize("material", list(Material))
def test_mass_attenuation_is_that_of_the_tables(material: Material) -> None:
    parts = COMPOSITION[material]
    energy_ev = 1000.0 * np.array(ENERGIES_KEV)
    expected = sum(share * xraydb.mu_elam(element, energy_ev, kind="total") for element, share in parts.items())
    assert TABLE[material].mass_attenuation_cm2_g == pytest.approx(expected / sum(parts.values()), rel=0.02)


def test_mean_lies_between_the_extremes_and_hardens_with_voltage() -> None:
    for material in (Material.SOFT_TISSUE, Material.CORTICAL_BONE, Material.PVC):
        data = TABLE[material]
        low, high = min(data.mass_attenuation_cm2_g), max(data.mass_attenuation_cm2_g)
        for kvp in (70.0, 90.0, 120.0):
            assert low < 10.0 * attenuation_mm(material, kvp) / data.density_g_cm3 < high
        assert attenuation_mm(material, 70.0) > attenuation_mm(material, 120.0)


def test_spectrum_is_a_distribution_below_the_peak_voltage() -> None:
    energy_kev, weight = spectrum(90.0)
    assert weight.sum() == pytest.approx(1.0)
    assert energy_kev.max() <= 90.0
    assert (weight >= 0.0).all()

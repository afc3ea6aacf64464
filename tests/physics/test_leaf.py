from __future__ import annotations

import numpy as np
import pytest

from advisor.physics.air import vapour_pressure_kpa
from advisor.physics.leaf import (
    leaf_absorbed_radiation_w_m2,
    leaf_energy_balance_w_m2,
    leaf_heat_conductance_mol_m2_s,
    leaf_temperature_c,
    leaf_vapour_conductance_mol_m2_s,
    stomatal_conductance_mol_m2_s,
)
from advisor.physics.missing import FloatArray
from advisor.physics.radiation import sky_longwave_w_m2


def leaf(
    air: float, humidity: float, wind: float, sun: float, stomata: float, size: float, cloud: float = 0.0
):
    """Leaf of characteristic dimension ``size`` over ground of air temperature."""
    ea = vapour_pressure_kpa(air, humidity)
    return leaf_temperature_c(
        air,
        ea,
        wind,
        sun,
        sky_longwave_w_m2(air, ea, cloud),
        air,
        101.3,
        leaf_width_m=size / 0.72,
        stomatal_conductance_mol_m2_s=stomata,
    )


@pytest.mark.parametrize(
    ("air", "humidity", "wind", "sun", "stomata", "large", "small"),
    [
        (25, 50, 2.0, 800, 0.3, 27.3, 26.5),
        (35, 40, 1.0, 900, 0.3, 36.4, 35.8),
        (35, 40, 1.0, 900, 0.1, 39.4, 38.1),
        (35, 40, 1.0, 900, 0.01, 42.0, 39.9),
        (35, 40, 0.3, 900, 0.01, 45.7, 42.8),
        (38, 25, 0.5, 950, 0.02, 46.3, 44.0),
        (40, 20, 0.3, 950, 0.0, 51.2, 48.2),
    ],
)
def test_golden_day_leaves_unchanged(
    air: float, humidity: float, wind: float, sun: float, stomata: float, large: float, small: float
) -> None:
    """golden: an independent script of the same equations, 5 and 2 cm leaves."""
    assert leaf(air, humidity, wind, sun, stomata, 0.05) == pytest.approx(large, abs=0.15)
    assert leaf(air, humidity, wind, sun, stomata, 0.02) == pytest.approx(small, abs=0.15)


@pytest.mark.parametrize(("wind", "large", "small"), [(0.2, -2.9, -2.1), (0.5, -2.1, -1.4), (1, -1.5, -1.0)])
def test_golden_night_leaves_unchanged(wind: float, large: float, small: float) -> None:
    """golden: clear night at 2 degC, 80 %."""
    assert leaf(2, 80, wind, 0, 0, 0.05) - 2.0 == pytest.approx(large, abs=0.1)
    assert leaf(2, 80, wind, 0, 0, 0.02) - 2.0 == pytest.approx(small, abs=0.1)


def test_clear_night_leaf_inside_the_observed_range() -> None:
    """Leuning and Cremer 1988, Agric. For. Meteorol. 42: 121: leaves 1 to 3 K below the air."""
    assert 1.0 < 2.0 - leaf(2, 80, 0.5, 0, 0, 0.05) < 3.0


def regimes() -> dict[str, FloatArray]:
    air, humidity, wind, sun, stomata, width = np.meshgrid(
        [-10.0, 5.0, 20.0, 42.0],
        [10.0, 60.0, 100.0],
        [0.0, 0.1, 1.0, 12.0],
        [0.0, 300.0, 1000.0],
        [0.0, 0.02, 0.5],
        [0.005, 0.05, 0.2],
        indexing="ij",
    )
    return {"air": air, "humidity": humidity, "wind": wind, "sun": sun, "stomata": stomata, "width": width}


def test_solution_balances_in_every_regime() -> None:
    """The residual over the least possible slope is the error in kelvin: below 0.001."""
    r = regimes()
    ea = vapour_pressure_kpa(r["air"], r["humidity"])
    sky = sky_longwave_w_m2(r["air"], ea, 0.0)
    solved = leaf_temperature_c(
        r["air"],
        ea,
        r["wind"],
        r["sun"],
        sky,
        r["air"],
        95.0,
        leaf_width_m=r["width"],
        stomatal_conductance_mol_m2_s=r["stomata"],
    )
    assert np.isfinite(solved).all()
    heat = leaf_heat_conductance_mol_m2_s(r["wind"], r["width"], solved - r["air"])
    dry_side = leaf_vapour_conductance_mol_m2_s(r["wind"], r["width"], r["stomata"])
    wet_side = leaf_vapour_conductance_mol_m2_s(r["wind"], r["width"], 1e9)
    vapour = np.where(vapour_pressure_kpa(solved, 100.0) < ea, wet_side, dry_side)
    absorbed = leaf_absorbed_radiation_w_m2(r["sun"], sky, r["air"])
    residual = leaf_energy_balance_w_m2(solved, r["air"], ea, absorbed, heat, vapour, 95.0)
    assert np.abs(residual / (29.3 * heat)).max() < 1e-3


def test_stomata_shut_leaves_the_cuticle_and_damp_air_has_a_bound() -> None:
    ours = stomatal_conductance_mol_m2_s([0.0, 0.5, 6.0, np.nan], 0.2)
    np.testing.assert_allclose(ours[:2], 0.2 * (1.0 + 0.6 * 0.6931472))
    assert ours[2] == pytest.approx(0.01)
    assert np.isnan(ours[3])


def test_no_stomata_no_vapour() -> None:
    assert leaf_vapour_conductance_mol_m2_s(1.0, 0.05, 0.0) == 0.0

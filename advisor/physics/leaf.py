"""Leaf temperature from the energy balance, by day and on clear nights.

The balance is per area of one side of a flat, level leaf that shines to the sky above and to the
ground below. The outdoor conductances of Campbell and Norman are used; a wind-tunnel boundary layer
runs 1 to 3 K hotter in strong sun, so two kelvins are the honest uncertainty.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from advisor.physics.air import saturation_slope_kpa_per_k, saturation_vapour_pressure_kpa
from advisor.physics.missing import FloatArray, as_float
from advisor.physics.radiation import STEFAN_BOLTZMANN_W_M2_K4, ZERO_C_IN_K

__all__ = [
    "leaf_absorbed_radiation_w_m2",
    "leaf_emitted_radiation_w_m2",
    "leaf_energy_balance_w_m2",
    "leaf_heat_conductance_mol_m2_s",
    "leaf_temperature_c",
    "leaf_vapour_conductance_mol_m2_s",
    "stomatal_conductance_mol_m2_s",
]

HEAT_CAPACITY_AIR_J_MOL_K = 29.3
LATENT_HEAT_J_MOL = 44_000.0
"""At 20 to 25 degC. Both Campbell and Norman 1998, table A.1 and p. 37."""
OUTDOOR_ENHANCEMENT = 1.4
"""Outdoor turbulence over a laminar boundary layer, Campbell and Norman 1998 p. 108."""
CHARACTERISTIC_SHARE = 0.72
"""Characteristic dimension over leaf width, Campbell and Norman 1998 p. 107."""
LOWEST_WIND_M_S = 0.1

_HEAT_FORCED, _VAPOUR_FORCED, _HEAT_FREE = 0.135, 0.147, 0.05
"""Per face [mol m-2 s-1], Campbell and Norman 1998, table 7.6."""


def _forced(wind_speed_m_s: FloatArray, leaf_width_m: FloatArray, enhancement: float) -> FloatArray:
    dimension = CHARACTERISTIC_SHARE * leaf_width_m
    return as_float(enhancement * np.sqrt(np.maximum(wind_speed_m_s, LOWEST_WIND_M_S) / dimension))


def _free(difference_k: FloatArray, leaf_width_m: FloatArray) -> FloatArray:
    return as_float((np.abs(difference_k) / (CHARACTERISTIC_SHARE * leaf_width_m)) ** 0.25)


def leaf_heat_conductance_mol_m2_s(
    wind_speed_m_s: ArrayLike,
    leaf_width_m: ArrayLike,
    difference_k: ArrayLike = 0.0,
    enhancement: float = OUTDOOR_ENHANCEMENT,
) -> FloatArray:
    """Boundary-layer conductance for heat, both faces together.

    Parameters
    ----------
    wind_speed_m_s : float array
        At the leaf; raised to 0.1 m/s where lower.
    leaf_width_m : float array
        Width across the wind, above zero.
    difference_k : float array
        Leaf less air temperature, for the free-convection floor. Broadcast.
    enhancement : float
        1.4 outdoors, 1 for a laminar boundary layer.

    Returns
    -------
    float array
        [mol m-2 s-1] per area of one side.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Campbell and Norman 1998, table 7.6. Checked: tests/published/test_leaf.py.
    """
    width = as_float(leaf_width_m)
    forced = _HEAT_FORCED * _forced(as_float(wind_speed_m_s), width, enhancement)
    return as_float(2.0 * np.maximum(forced, _HEAT_FREE * _free(as_float(difference_k), width)))


def leaf_vapour_conductance_mol_m2_s(
    wind_speed_m_s: ArrayLike,
    leaf_width_m: ArrayLike,
    stomatal_conductance_mol_m2_s: ArrayLike,
    enhancement: float = OUTDOOR_ENHANCEMENT,
) -> FloatArray:
    """Conductance for water vapour of a leaf with stomata on its lower side.

    Parameters
    ----------
    wind_speed_m_s, leaf_width_m : float array
        As for ``leaf_heat_conductance_mol_m2_s``.
    stomatal_conductance_mol_m2_s : float array
        Zero gives zero. Broadcast.
    enhancement : float
        1.4 outdoors, 1 for a laminar boundary layer.

    Returns
    -------
    float array
        Stomata and boundary layer in series [mol m-2 s-1].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Campbell and Norman 1998, table 7.6 and chapter 14. Checked: tests/physics/test_leaf.py.
    """
    air = _VAPOUR_FORCED * _forced(as_float(wind_speed_m_s), as_float(leaf_width_m), enhancement)
    stomata = as_float(stomatal_conductance_mol_m2_s)
    return as_float(stomata * air / (stomata + air))


def leaf_absorbed_radiation_w_m2(
    shortwave_w_m2: ArrayLike,
    sky_longwave_w_m2: ArrayLike,
    ground_temperature_c: ArrayLike,
    *,
    absorptance_shortwave: ArrayLike = 0.5,
    emissivity: ArrayLike = 0.97,
    ground_albedo: ArrayLike = 0.2,
) -> FloatArray:
    """Radiation absorbed by a level leaf from above and below.

    Parameters
    ----------
    shortwave_w_m2 : float array
        Incident on the leaf from above.
    sky_longwave_w_m2 : float array
        From the sky.
    ground_temperature_c : float array
        Of what the lower side sees.
    absorptance_shortwave, emissivity, ground_albedo : float array
        Shares 0..1. Broadcast.

    Returns
    -------
    float array
        [W/m2] of one side.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Campbell and Norman 1998 chapter 14; Muir 2019, AoB PLANTS 11: plz054. Checked:
    tests/published/test_leaf.py.
    """
    sun = as_float(shortwave_w_m2) * (1.0 + as_float(ground_albedo)) * as_float(absorptance_shortwave)
    ground = STEFAN_BOLTZMANN_W_M2_K4 * (as_float(ground_temperature_c) + ZERO_C_IN_K) ** 4
    return as_float(sun + as_float(emissivity) * (as_float(sky_longwave_w_m2) + ground))


def leaf_emitted_radiation_w_m2(leaf_temperature_c: ArrayLike, emissivity: ArrayLike = 0.97) -> FloatArray:
    """Longwave radiation that both faces of a leaf give off.

    Parameters
    ----------
    leaf_temperature_c, emissivity : float array
        Broadcast.

    Returns
    -------
    float array
        [W/m2] of one side.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Stefan-Boltzmann, twice. Checked: tests/published/test_leaf.py.
    """
    fourth = (as_float(leaf_temperature_c) + ZERO_C_IN_K) ** 4
    return as_float(2.0 * as_float(emissivity) * STEFAN_BOLTZMANN_W_M2_K4 * fourth)


def leaf_energy_balance_w_m2(
    leaf_temperature_c: ArrayLike,
    air_temperature_c: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    absorbed_w_m2: ArrayLike,
    heat_conductance_mol_m2_s: ArrayLike,
    vapour_conductance_mol_m2_s: ArrayLike,
    pressure_kpa: ArrayLike,
    *,
    emissivity: ArrayLike = 0.97,
) -> FloatArray:
    """What a leaf of a given temperature gains; zero at the leaf temperature that balances.

    Parameters
    ----------
    leaf_temperature_c, air_temperature_c, vapour_pressure_kpa, pressure_kpa : float array
        State of leaf and air.
    absorbed_w_m2 : float array
        From ``leaf_absorbed_radiation_w_m2``.
    heat_conductance_mol_m2_s, vapour_conductance_mol_m2_s : float array
        Both faces together. Broadcast.
    emissivity : float array
        Of the leaf.

    Returns
    -------
    float array
        Absorbed less emitted, sensible and latent heat [W/m2].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Campbell and Norman 1998 eq. 14.1. Checked: tests/published/test_leaf.py.
    """
    leaf = as_float(leaf_temperature_c)
    sensible = HEAT_CAPACITY_AIR_J_MOL_K * as_float(heat_conductance_mol_m2_s)
    sensible = sensible * (leaf - as_float(air_temperature_c))
    deficit = (saturation_vapour_pressure_kpa(leaf) - as_float(vapour_pressure_kpa)) / as_float(pressure_kpa)
    latent = LATENT_HEAT_J_MOL * as_float(vapour_conductance_mol_m2_s) * deficit
    emitted = leaf_emitted_radiation_w_m2(leaf, emissivity)
    return as_float(as_float(absorbed_w_m2) - emitted - sensible - latent)


def leaf_temperature_c(
    air_temperature_c: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    wind_speed_m_s: ArrayLike,
    shortwave_w_m2: ArrayLike,
    sky_longwave_w_m2: ArrayLike,
    ground_temperature_c: ArrayLike,
    pressure_kpa: ArrayLike,
    *,
    leaf_width_m: ArrayLike,
    stomatal_conductance_mol_m2_s: ArrayLike,
    absorptance_shortwave: ArrayLike = 0.5,
    emissivity: ArrayLike = 0.97,
    ground_albedo: ArrayLike = 0.2,
    enhancement: float = OUTDOOR_ENHANCEMENT,
) -> FloatArray:
    """Temperature of a flat, level leaf in balance with sun, sky, ground and wind.

    Where the leaf is below the dew point, dew falls on its upper side whatever the stomata do, and
    its latent heat holds the temperature up.

    Parameters
    ----------
    air_temperature_c, vapour_pressure_kpa, pressure_kpa : float array
        Of the air around the leaf.
    wind_speed_m_s : float array
        At the leaf; raised to 0.1 m/s where lower.
    shortwave_w_m2 : float array
        Incident on the leaf, per level area.
    sky_longwave_w_m2 : float array
        From what the upper side sees; under a net or roof mix in its radiation first.
    ground_temperature_c : float array
        Of what the lower side sees.
    leaf_width_m : float array
        Width, above zero.
    stomatal_conductance_mol_m2_s : float array
        Zero for a leaf at night or in drought.
    absorptance_shortwave, emissivity, ground_albedo : float array
        Shares 0..1. Broadcast.
    enhancement : float
        1.4 outdoors, 1 for a laminar boundary layer.

    Returns
    -------
    float array
        [degC], solved by Newton to below 0.001 K.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Campbell and Norman 1998 chapters 7 and 14; Jones 2014 chapter 9. Checked:
    tests/published/test_leaf.py, tests/physics/test_leaf.py.
    """
    absorbed = leaf_absorbed_radiation_w_m2(
        shortwave_w_m2,
        sky_longwave_w_m2,
        ground_temperature_c,
        absorptance_shortwave=absorptance_shortwave,
        emissivity=emissivity,
        ground_albedo=ground_albedo,
    )
    width, wind = as_float(leaf_width_m), as_float(wind_speed_m_s)
    air, vapour, absorbed, pressure, forced, stomata, eps, width = np.broadcast_arrays(
        as_float(air_temperature_c),
        as_float(vapour_pressure_kpa),
        absorbed,
        as_float(pressure_kpa),
        _forced(wind, width, enhancement),
        as_float(stomatal_conductance_mol_m2_s),
        as_float(emissivity),
        width,
    )
    dew = _VAPOUR_FORCED * forced
    through_stomata = stomata * dew / (stomata + dew)
    forced_heat = 2.0 * _HEAT_FORCED * forced
    leaf = as_float(air.copy())
    for _ in range(25):
        free_heat = 2.0 * _HEAT_FREE * _free(leaf - air, width)
        heat = np.maximum(forced_heat, free_heat)
        with np.errstate(invalid="ignore"):
            dew_falls = saturation_vapour_pressure_kpa(leaf) < vapour
        vapour_conductance = np.where(dew_falls, dew, through_stomata)
        gain = leaf_energy_balance_w_m2(
            leaf, air, vapour, absorbed, heat, vapour_conductance, pressure, emissivity=eps
        )
        slope = (
            8.0 * eps * STEFAN_BOLTZMANN_W_M2_K4 * (leaf + ZERO_C_IN_K) ** 3
            + HEAT_CAPACITY_AIR_J_MOL_K * np.where(free_heat > forced_heat, 1.25, 1.0) * heat
            + LATENT_HEAT_J_MOL * vapour_conductance * saturation_slope_kpa_per_k(leaf) / pressure
        )
        step = gain / slope
        leaf = leaf + step
        if not np.any(np.abs(step) > 1e-4):  # NaN compares false and does not keep the loop going
            break
    return as_float(leaf)


LOWEST_DEFICIT_KPA = 0.5
"""The logarithm has no bound towards zero; the data behind it begin about here."""
LOWEST_STOMATAL_SHARE = 0.05
"""What is left when stomata are shut: the cuticle and leaks (estimate)."""


def stomatal_conductance_mol_m2_s(
    vapour_pressure_deficit_kpa: ArrayLike, reference_mol_m2_s: ArrayLike
) -> FloatArray:
    """Stomatal conductance falling with the vapour pressure deficit.

    Parameters
    ----------
    vapour_pressure_deficit_kpa : float array
        Below 0.5 kPa taken as 0.5.
    reference_mol_m2_s : float array
        Conductance at 1 kPa. Broadcast.

    Returns
    -------
    float array
        Reference x (1 - 0.6 ln D), at least 5 % of the reference [mol m-2 s-1].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Oren et al. 1999, Plant Cell Environ. 22: 1515-1526, slope 0.6; the bounds are
    estimates. Checked: tests/published/test_leaf.py.
    """
    deficit = np.maximum(as_float(vapour_pressure_deficit_kpa), LOWEST_DEFICIT_KPA)
    share = np.maximum(1.0 - 0.6 * np.log(deficit), LOWEST_STOMATAL_SHARE)
    return as_float(share * as_float(reference_mol_m2_s))

"""Leaf temperature: one leaf, level and in the open of its spot, for each kind of leaf in the garden.

The leaf model starts from screen air (from the air of the room indoors) and does its own radiative
cooling, so that it is never put on top of the bench correction. Bare trees have no leaf: NaN.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from advisor.exposure.places import SpotTraits
from advisor.exposure.spot_weather import SpotWeather
from advisor.garden.model import Garden
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.physics.air import pressure_kpa_from_elevation, vapour_pressure_deficit_kpa
from advisor.physics.leaf import leaf_temperature_c, stomatal_conductance_mol_m2_s
from advisor.physics.missing import FloatArray
from advisor.physics.pot_heat import FULL_SUN_W_M2

__all__ = ["leaf_temperatures_c"]


def leaf_temperatures_c(
    states: Sequence[TreeState],
    tree_spot: Sequence[int],
    weather: SpotWeather,
    traits: SpotTraits,
    *,
    daylight: FloatArray,
    garden: Garden,
    tables: Tables,
) -> FloatArray:
    """Leaf temperature of each tree.

    Parameters
    ----------
    states, tree_spot : sequences of length T
        State of each tree and the row of its spot.
    weather : SpotWeather
    traits : SpotTraits
    daylight : float array, shape (H,)
        Mean sine of the sun's elevation; stomata are shut where it is zero.
    garden, tables

    Returns
    -------
    float array, shape (M, T, H)
        [degC], good to about 2 K; NaN for trees without leaves.

    Source: physics.leaf; stomata after Oren et al. 1999. Checked: tests/exposure/test_compute.py.
    """
    members, _, hours = weather.bench_air_c.shape
    out = np.full((members, len(states), hours), np.nan)
    kinds: dict[tuple[int, float, float], list[int]] = {}
    physics = tables.physics
    for row, (state, spot) in enumerate(zip(states, tree_spot, strict=True)):
        if state.sun_leaf_share > 0.0:
            width = state.group.trait("leaf_width_m", "m")
            open_stomata = state.group.trait("stomatal_conductance_mol_m2_s", "mol/m2/s")
            kind = (
                spot,
                physics.value("leaf.width_m", "m") if width is None else width,
                physics.value("leaf.conductance_mol_m2_s", "mol/m2/s")
                if open_stomata is None
                else open_stomata,
            )
            kinds.setdefault(kind, []).append(row)
    if not kinds:
        return out
    spot_rows = np.array([kind[0] for kind in kinds])
    width_m, reference = (np.array([kind[i] for kind in kinds])[:, np.newaxis] for i in (1, 2))
    air = weather.leaf_air_c[:, spot_rows]
    vapour = weather.vapour_pressure_kpa[:, spot_rows]
    shortwave = weather.shortwave_w_m2[:, spot_rows]
    deficit = vapour_pressure_deficit_kpa(air, vapour)
    shut = physics.value("leaf.lowest_conductance_mol_m2_s", "mol/m2/s")
    stomata = np.where(daylight > 0.0, stomatal_conductance_mol_m2_s(deficit, reference), shut)
    ground = air + traits.ground_heating_k[spot_rows] * np.clip(shortwave / FULL_SUN_W_M2, 0.0, 1.0)
    leaf = leaf_temperature_c(
        air,
        vapour,
        weather.wind_m_s[:, spot_rows],
        shortwave,
        weather.sky_longwave_w_m2[:, spot_rows],
        ground,
        pressure_kpa_from_elevation(garden.elevation_m),
        leaf_width_m=width_m,
        stomatal_conductance_mol_m2_s=stomata,
        absorptance_shortwave=physics.value("leaf.absorptance_share", "share"),
        emissivity=physics.value("leaf.emissivity", "share"),
        ground_albedo=traits.ground_reflectance[spot_rows],
    )
    for kind_row, trees in enumerate(kinds.values()):
        out[:, trees] = leaf[:, kind_row : kind_row + 1]
    return out

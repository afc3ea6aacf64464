"""Temperature of a pot: sunlit half of the rim, shaded half, core; with the heat of freezing.

Three nodes in an upright cylinder of the pot's volume and depth. Each exchanges heat with sun, sky,
ground and wind through an equivalent temperature, and the rim with the core by conduction. Expected
error +-3 K at the rim and +-2 K in the core; the effect of pot size is not settled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from advisor.physics.missing import FloatArray, as_float, reduce_over
from advisor.physics.pot_faces import (
    FULL_SUN_W_M2,
    LOWEST_CONVECTION_W_M2_K,
    PotFaces,
    PotThermal,
    by_diameter,
    by_wind,
)
from advisor.physics.pot_nodes import FREEZING_FROM_C, FREEZING_TO_C

__all__ = [
    "FULL_SUN_W_M2",
    "START_H",
    "PotTemperatures",
    "PotThermal",
    "freezing_temperature_c",
    "pot_enthalpy_mj_m3",
    "pot_thermal",
    "simulate_pot_temperature",
    "wall_convection_w_m2_k",
]

RIM_DEPTH_M = 0.02
START_H = 24
"""Without a given warmth the pots begin with the mean air of so many hours."""
BLOCK_CELLS = 20_000
"""Pots x hours whose forcing is prepared at once: little enough to stay in a processor's cache."""


@dataclass(frozen=True, slots=True)
class PotTemperatures:
    """Temperatures [degC] at the end of each hour; arrays of shape (..., T, H)."""

    rim_sunlit_c: FloatArray
    rim_shaded_c: FloatArray
    core_c: FloatArray


def pot_thermal(
    volume_l: ArrayLike,
    depth_cm: ArrayLike,
    *,
    wall_absorptance: ArrayLike,
    wall_resistance_m2k_w: ArrayLike,
    wall_wetness: ArrayLike,
    solid_fraction: ArrayLike,
    solid_heat_capacity_mj_m3_k: ArrayLike,
    conductivity_w_m_k: ArrayLike,
    water_share: ArrayLike,
) -> PotThermal:
    """Build ``PotThermal`` from what is measured on a bench.

    Parameters
    ----------
    volume_l, depth_cm : float array, shape (T,)
        Inside volume and depth; NaN where not above zero.
    wall_absorptance, wall_resistance_m2k_w, wall_wetness : float array
        Of the wall.
    solid_fraction, solid_heat_capacity_mj_m3_k, conductivity_w_m_k, water_share : float array
        Of the substrate. Broadcast with the volume.

    Returns
    -------
    PotThermal

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: geometry, r = sqrt(V / (pi H)). Checked: tests/physics/test_pot_heat.py.
    """
    arrays = np.broadcast_arrays(
        np.atleast_1d(as_float(volume_l)),
        as_float(depth_cm),
        as_float(wall_absorptance),
        as_float(wall_resistance_m2k_w),
        as_float(wall_wetness),
        as_float(solid_fraction),
        as_float(solid_heat_capacity_mj_m3_k),
        as_float(conductivity_w_m_k),
        as_float(water_share),
    )
    volume, depth, *rest = (as_float(values) for values in arrays)
    with np.errstate(invalid="ignore"):
        volume = np.where(volume > 0.0, volume, np.nan)
        height = np.where(depth > 0.0, depth, np.nan) / 100.0
    radius = np.sqrt(volume / 1000.0 / (np.pi * height))
    return PotThermal(volume, height, radius, np.minimum(RIM_DEPTH_M, radius / 3.0), *rest)


def wall_convection_w_m2_k(wind_speed_m_s: ArrayLike, diameter_m: ArrayLike) -> FloatArray:
    """Convective heat transfer of an upright cylinder in wind.

    Parameters
    ----------
    wind_speed_m_s : float array
        At the pot.
    diameter_m : float array
        Of the pot, above zero. Broadcast.

    Returns
    -------
    float array
        [W m-2 K-1], at least 4 (free convection).

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: fit 7.3 u^0.55 (0.25/D)^0.45 to Churchill and Bernstein 1977, J. Heat Transfer 99:
    300-306, within 13 %. Checked: tests/physics/test_pot_heat.py.
    """
    forced = by_wind(as_float(wind_speed_m_s)) * by_diameter(as_float(diameter_m))
    return as_float(np.maximum(forced, LOWEST_CONVECTION_W_M2_K))


def pot_enthalpy_mj_m3(
    temperature_c: ArrayLike, heat_capacity_mj_m3_k: ArrayLike, latent_heat_mj_m3: ArrayLike
) -> FloatArray:
    """Heat content of freezing substrate, counted from water at 0 degC.

    Parameters
    ----------
    temperature_c : float array
        Of the substrate.
    heat_capacity_mj_m3_k : float array
        Of the moist substrate.
    latent_heat_mj_m3 : float array
        Released between -0.2 and -0.7 degC. Broadcast.

    Returns
    -------
    float array
        [MJ/m3], rising with temperature everywhere.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: enthalpy method, linear freezing curve. Checked: tests/physics/test_pot_heat.py.
    """
    t = as_float(temperature_c)
    frozen = np.clip((FREEZING_FROM_C - t) / (FREEZING_FROM_C - FREEZING_TO_C), 0.0, 1.0)
    return as_float(as_float(heat_capacity_mj_m3_k) * t - frozen * as_float(latent_heat_mj_m3))


def freezing_temperature_c(
    enthalpy_mj_m3: ArrayLike, heat_capacity_mj_m3_k: ArrayLike, latent_heat_mj_m3: ArrayLike
) -> FloatArray:
    """Temperature from heat content, the inverse of ``pot_enthalpy_mj_m3``.

    Parameters
    ----------
    enthalpy_mj_m3, heat_capacity_mj_m3_k, latent_heat_mj_m3 : float array
        Broadcast; the heat capacity above zero.

    Returns
    -------
    float array
        [degC].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: enthalpy method, linear freezing curve. Checked: tests/physics/test_pot_heat.py.
    """
    h, c, latent = as_float(enthalpy_mj_m3), as_float(heat_capacity_mj_m3_k), as_float(latent_heat_mj_m3)
    start, mixed = c * FREEZING_FROM_C, c + latent / (FREEZING_FROM_C - FREEZING_TO_C)
    end = c * FREEZING_TO_C - latent
    with np.errstate(invalid="ignore"):
        liquid, frozen = h >= start, h < end
    freezing = np.where(frozen, FREEZING_TO_C + (h - end) / c, FREEZING_FROM_C + (h - start) / mixed)
    return as_float(np.where(liquid, h / c, freezing))


def simulate_pot_temperature(
    pot: PotThermal,
    air_temperature_c: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    wind_speed_m_s: ArrayLike,
    direct_normal_w_m2: ArrayLike,
    diffuse_w_m2: ArrayLike,
    shortwave_w_m2: ArrayLike,
    sun_elevation_deg: ArrayLike,
    sky_longwave_w_m2: ArrayLike,
    ground_heating_k: ArrayLike,
    *,
    initial_c: ArrayLike | PotTemperatures | None = None,
    side_lit_share: ArrayLike = 1.0,
    top_cover_share: ArrayLike,
    theta: ArrayLike | None = None,
    stands: ArrayLike | None = None,
    substeps: int = 2,
    top_absorptance: float = 0.85,
    top_wetness: float = 0.3,
    ground_albedo: float = 0.2,
    emissivity: float = 0.92,
    bottom_conductance_w_m2_k: float = 3.0,
) -> PotTemperatures:
    """Run the three-node pot through consecutive hours.

    Parameters
    ----------
    pot : PotThermal
        T pots.
    air_temperature_c, vapour_pressure_kpa, wind_speed_m_s : float array
        Around the pot. All forcing broadcasts to (..., T, H), or with ``stands`` to (..., P, H).
    direct_normal_w_m2, diffuse_w_m2, shortwave_w_m2 : float array
        Beam, diffuse and their sum on a level surface, after the shade of the place.
    sun_elevation_deg : float array
        Mean of the hour; below zero the beam is nothing.
    sky_longwave_w_m2 : float array
        From the sky.
    ground_heating_k : float array
        Ground above air temperature in full sun (800 W/m2).
    initial_c : float array or PotTemperatures, optional
        Temperature of all nodes at the start, broadcasting to (..., T), or of each node; otherwise the
        mean air temperature of the first day.
    side_lit_share : float array
        Beam factor of the wall: 1 alone, less among other pots. Part of the forcing.
    top_cover_share : float array
        Share of the substrate surface under crown, moss or mulch, broadcasting to (..., T, H).
    theta : float array, optional
        Volume share of water, broadcasting to (..., T, H); otherwise that of the pot.
    stands : int array, shape (T,), optional
        Row of the forcing in which each pot stands: pots side by side then share it.
    substeps : int
        Backward Euler steps an hour. Two bring the highest rim temperature of a day within 0.35 K
        of that with many, and single hours around sunrise and sunset within 1.5 K.
    top_absorptance, top_wetness, ground_albedo, emissivity, bottom_conductance_w_m2_k : float
        Of the substrate surface, the surroundings, all faces, and the way to the ground (estimates).

    Returns
    -------
    PotTemperatures
        At the end of each hour. In an hour with any forcing missing all three are NaN, and the
        state is held until the next known hour.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast, or ``substeps`` below one.

    Source: lumped model with equivalent temperatures, wall geometry of an upright cylinder
    (2/pi of the beam), Churchill and Bernstein 1977 convection, de Vries 1963 heat capacity.
    Checked: tests/physics/test_pot_heat.py (own comparison values: golden).
    """
    if substeps < 1:
        raise ValueError("substeps must be at least 1")
    given = (
        air_temperature_c,
        vapour_pressure_kpa,
        wind_speed_m_s,
        direct_normal_w_m2,
        diffuse_w_m2,
        shortwave_w_m2,
        sun_elevation_deg,
        sky_longwave_w_m2,
        ground_heating_k,
        side_lit_share,
    )
    forcing = [as_float(values) for values in given]
    water = pot.water_share[:, np.newaxis] if theta is None else as_float(theta)
    own = (as_float(top_cover_share), water)
    count = pot.volume_l.size
    around = np.broadcast_shapes(*(values.shape for values in forcing), (1, 1))
    shape = np.broadcast_shapes((*around[:-2], count, around[-1]), *(values.shape for values in own))
    if stands is None:
        rows, places = np.arange(count), count
    else:
        rows, places = np.asarray(stands, dtype=np.intp), around[-2]
    # Hours first: the loop then walks over slabs of all pots.
    around = (*shape[:-2], places, shape[-1])
    met = [np.moveaxis(np.broadcast_to(values, around), -1, 0) for values in forcing]
    held = [np.moveaxis(np.broadcast_to(values, shape), -1, 0) for values in own]
    faces = PotFaces(
        pot,
        rows,
        members=int(np.prod(shape[:-2])),
        top_absorptance=top_absorptance,
        top_wetness=top_wetness,
        ground_albedo=ground_albedo,
        emissivity=emissivity,
    )
    nodes = faces.nodes(3600.0 / substeps, bottom_conductance_w_m2_k)
    state = _initial_state(initial_c, met[0], rows)
    liquid = nodes.all_liquid(state)
    out = np.empty((3, *shape))
    block = max(1, BLOCK_CELLS // max(state[0].size, 1))
    with np.errstate(invalid="ignore"):
        for begin in range(0, shape[-1], block):
            cut = slice(begin, begin + block)
            hours, known = faces.hours([values[cut] for values in met], [values[cut] for values in held])
            ends = np.empty((len(hours), *state.shape))
            for end, hour, ok, whole in zip(ends, hours, known, np.all(known, axis=1).tolist(), strict=True):
                new, still = state, liquid
                for _ in range(substeps):
                    new, still = nodes.step(new, hour, still)
                if whole:
                    end[...] = state = new
                    liquid = still
                else:
                    end[...] = np.where(ok, new, np.nan)
                    state = np.where(ok, new, state)
                    liquid = nodes.all_liquid(state)
            out[..., cut] = np.moveaxis(ends, 0, -1).reshape(3, *shape[:-1], len(hours))
    return PotTemperatures(*out)


def _initial_state(
    initial_c: ArrayLike | PotTemperatures | None, air: FloatArray, rows: NDArray[np.intp]
) -> FloatArray:
    """Start of all three nodes, shape (3, N); hours are the first axis of ``air``, places the last."""
    if isinstance(initial_c, PotTemperatures):
        nodes = (initial_c.rim_sunlit_c, initial_c.rim_shaded_c, initial_c.core_c)
        return np.stack([np.broadcast_to(each, (*air.shape[1:-1], rows.size)).reshape(-1) for each in nodes])
    if initial_c is not None:
        start = np.broadcast_to(as_float(initial_c), (*air.shape[1:-1], rows.size))
    else:
        start = reduce_over(air[:START_H], "mean", axis=0, minimum_coverage=0.0).value[..., rows]
    return np.tile(start.reshape(-1), (3, 1))

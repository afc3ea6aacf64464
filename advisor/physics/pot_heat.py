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
from advisor.physics.radiation import STEFAN_BOLTZMANN_W_M2_K4, ZERO_C_IN_K

__all__ = [
    "PotTemperatures",
    "PotThermal",
    "freezing_temperature_c",
    "pot_enthalpy_mj_m3",
    "pot_thermal",
    "simulate_pot_temperature",
    "wall_convection_w_m2_k",
]

WATER_HEAT_CAPACITY_MJ_M3_K = 4.18
LATENT_HEAT_FUSION_MJ_M3 = 334.0
"""Per cubic metre of water."""
FREEZABLE_SHARE = 0.85
"""Of the water; the rest stays liquid in fine pores (estimate)."""
FREEZING_FROM_C, FREEZING_TO_C = -0.2, -0.7
"""Range over which pore water freezes (estimate)."""
RIM_DEPTH_M = 0.02
LOWEST_CONVECTION_W_M2_K = 4.0
PSYCHROMETRIC_CONSTANT_KPA_K = 0.066
FULL_SUN_W_M2 = 800.0
"""Radiation at which the ground reaches its full heating (estimate)."""


@dataclass(frozen=True, slots=True)
class PotThermal:
    """What the heat balance needs to know of pots; arrays of shape (T,).

    Attributes
    ----------
    volume_l, height_m, radius_m, rim_depth_m : float array
        Cylinder of the pot's volume and depth; the rim is the outer 2 cm, at most a third of the radius.
    wall_absorptance : float array
        Share of sunlight the wall takes in.
    wall_resistance_m2k_w : float array
        Wall and contact gap.
    wall_wetness : float array
        0 for a tight wall; evaporating share of a porous one.
    solid_fraction : float array
        Volume share of the substrate's solids.
    solid_heat_capacity_mj_m3_k, conductivity_w_m_k : float array
        Of the solids; of the moist substrate.
    water_share : float array
        Volume share of water.
    """

    volume_l: FloatArray
    height_m: FloatArray
    radius_m: FloatArray
    rim_depth_m: FloatArray
    wall_absorptance: FloatArray
    wall_resistance_m2k_w: FloatArray
    wall_wetness: FloatArray
    solid_fraction: FloatArray
    solid_heat_capacity_mj_m3_k: FloatArray
    conductivity_w_m_k: FloatArray
    water_share: FloatArray


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
    forced = 7.3 * np.maximum(as_float(wind_speed_m_s), 0.0) ** 0.55 * (0.25 / as_float(diameter_m)) ** 0.45
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
    return _temperature_and_slope(h, c, latent)[0]


def _temperature_and_slope(
    enthalpy: FloatArray, capacity: FloatArray, latent: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Temperature and its derivative by heat content."""
    span = FREEZING_FROM_C - FREEZING_TO_C
    start = capacity * FREEZING_FROM_C
    mixed_capacity = capacity + latent / span
    end = start - mixed_capacity * span
    with np.errstate(invalid="ignore"):
        liquid, frozen = enthalpy >= start, enthalpy < end
    temperature = np.where(
        liquid,
        enthalpy / capacity,
        np.where(
            frozen,
            FREEZING_TO_C + (enthalpy - end) / capacity,
            FREEZING_FROM_C + (enthalpy - start) / mixed_capacity,
        ),
    )
    return as_float(temperature), as_float(1.0 / np.where(liquid | frozen, capacity, mixed_capacity))


@dataclass(frozen=True, slots=True)
class _Surface:
    """One outer face in one hour: what reaches it and how it passes heat on."""

    absorbed: FloatArray  # sun and longwave taken in [W/m2]
    convection: FloatArray  # [W m-2 K-1]
    wetness: FloatArray
    resistance: FloatArray
    area: FloatArray


def _exchange(
    face: _Surface, node_c: FloatArray, air_c: FloatArray, vapour_kpa: FloatArray, emissivity: float
) -> tuple[FloatArray, FloatArray]:
    """Conductance [W/K] to the equivalent temperature, and that temperature [degC].

    Longwave emission and evaporation are linearised around the temperature of the node.
    """
    kelvin = node_c + ZERO_C_IN_K
    radiative = 4.0 * emissivity * STEFAN_BOLTZMANN_W_M2_K4 * kelvin**3
    saturation = 0.6108 * np.exp(17.27 * node_c / (node_c + 237.3))
    per_kpa = face.wetness * face.convection / PSYCHROMETRIC_CONSTANT_KPA_K
    drying = per_kpa * 4098.0 * saturation / (node_c + 237.3) ** 2
    outer = face.convection + radiative + drying
    gain = (
        face.absorbed
        + face.convection * air_c
        - emissivity * STEFAN_BOLTZMANN_W_M2_K4 * kelvin**4
        + radiative * node_c
        - per_kpa * (saturation - vapour_kpa)
        + drying * node_c
    )
    return face.area / (1.0 / outer + face.resistance), gain / outer


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
    initial_c: ArrayLike | None = None,
    side_lit_share: ArrayLike = 1.0,
    top_cover_share: ArrayLike,
    theta: ArrayLike | None = None,
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
        Around the pot. All forcing broadcasts to (..., T, H).
    direct_normal_w_m2, diffuse_w_m2, shortwave_w_m2 : float array
        Beam, diffuse and their sum on a level surface, after the shade of the place.
    sun_elevation_deg : float array
        Mean of the hour; below zero the beam is nothing.
    sky_longwave_w_m2 : float array
        From the sky.
    ground_heating_k : float array
        Ground above air temperature in full sun (800 W/m2).
    initial_c : float array, optional
        Temperature of all nodes at the start, broadcasting to (..., T); otherwise the mean air
        temperature of the first day.
    side_lit_share : float array
        Beam factor of the wall: 1 alone, less among other pots.
    top_cover_share : float array
        Share of the substrate surface under crown, moss or mulch.
    theta : float array, optional
        Volume share of water, broadcasting to (..., T, H); otherwise that of the pot.
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
    column = (slice(None), np.newaxis)
    water = pot.water_share[column] if theta is None else as_float(theta)
    forcing = np.broadcast_arrays(
        as_float(air_temperature_c),
        as_float(vapour_pressure_kpa),
        as_float(wind_speed_m_s),
        as_float(direct_normal_w_m2),
        as_float(diffuse_w_m2),
        as_float(shortwave_w_m2),
        as_float(sun_elevation_deg),
        as_float(sky_longwave_w_m2),
        as_float(ground_heating_k),
        as_float(side_lit_share),
        as_float(top_cover_share),
        water,
        pot.volume_l[column],
    )
    # Hours first: the loop then walks over contiguous slabs of shape (..., T).
    air, vapour, wind, beam, diffuse, total, elevation, sky, heating, lit, cover, water, _ = (
        np.ascontiguousarray(np.moveaxis(values, -1, 0)) for values in forcing
    )
    radius = pot.radius_m
    half_wall = np.pi * radius * pot.height_m
    top_area = np.pi * radius**2
    volume_m3 = pot.volume_l / 1000.0
    core_volume = volume_m3 * (1.0 - pot.rim_depth_m / radius) ** 2
    volumes = ((volume_m3 - core_volume) / 2.0, (volume_m3 - core_volume) / 2.0, core_volume)
    conduction = (
        pot.conductivity_w_m_k * half_wall / (pot.rim_depth_m / 2.0 + (radius - pot.rim_depth_m) / 3.0)
    )
    bottom = bottom_conductance_w_m2_k * top_area

    ground = air + heating * np.clip(total / FULL_SUN_W_M2, 0.0, 1.0)
    wall_longwave = emissivity * (0.5 * sky + 0.5 * _black_body(ground))
    diffuse_wall = 0.5 * diffuse + 0.5 * ground_albedo * total
    height_sine = np.radians(np.clip(elevation, 0.0, 90.0))
    beam_wall = np.where(elevation > 0.0, 2.0 / np.pi * beam * np.cos(height_sine) * lit, 0.0)
    absorbed = (
        pot.wall_absorptance * (beam_wall + diffuse_wall) + wall_longwave,
        pot.wall_absorptance * diffuse_wall + wall_longwave,
        top_absorptance * (1.0 - cover) * total
        + emissivity * ((1.0 - cover) * sky + cover * _black_body(air)),
    )
    convection = wall_convection_w_m2_k(wind, 2.0 * radius)
    capacity = WATER_HEAT_CAPACITY_MJ_M3_K * water + pot.solid_fraction * pot.solid_heat_capacity_mj_m3_k
    latent = LATENT_HEAT_FUSION_MJ_M3 * FREEZABLE_SHARE * water
    known = np.isfinite(sum(absorbed) + convection + capacity + vapour + air + elevation)

    state = _initial_state(initial_c, air)
    wetness = (pot.wall_wetness, pot.wall_wetness, np.full_like(radius, top_wetness))
    resistance = (pot.wall_resistance_m2k_w, pot.wall_resistance_m2k_w, np.zeros_like(radius))
    area = (half_wall, half_wall, top_area)
    out = [np.full(air.shape, np.nan) for _ in range(3)]
    step_s = 3600.0 / substeps
    for hour in range(air.shape[0]):
        ok = known[hour]
        faces = [
            _Surface(absorbed[i][hour], convection[hour], wetness[i], resistance[i], area[i])
            for i in range(3)
        ]
        new = state
        for _ in range(substeps):
            exchange = [_exchange(faces[i], new[i], air[hour], vapour[hour], emissivity) for i in range(3)]
            new = _backward_euler(
                new, exchange, conduction, bottom, ground[hour], capacity[hour], latent[hour], volumes, step_s
            )
        for i in range(3):
            out[i][hour] = np.where(ok, new[i], np.nan)
        state = tuple(np.where(ok, new[i], state[i]) for i in range(3))
    sunlit, shaded, core = (np.moveaxis(values, 0, -1) for values in out)
    return PotTemperatures(sunlit, shaded, core)


def _black_body(temperature_c: FloatArray) -> FloatArray:
    return as_float(STEFAN_BOLTZMANN_W_M2_K4 * (temperature_c + ZERO_C_IN_K) ** 4)


def _initial_state(initial_c: ArrayLike | None, air: FloatArray) -> tuple[FloatArray, ...]:
    """Start of all three nodes, shape (..., T); hours are the first axis of ``air``."""
    if initial_c is not None:
        start = np.broadcast_to(as_float(initial_c), air.shape[1:]).astype(np.float64)
    else:
        start = reduce_over(air[:24], "mean", axis=0, minimum_coverage=0.0).value
    return (start, start, start)


def _backward_euler(
    old: tuple[FloatArray, ...],
    exchange: list[tuple[FloatArray, FloatArray]],
    conduction: FloatArray,
    bottom: FloatArray,
    ground_c: FloatArray,
    capacity: FloatArray,
    latent: FloatArray,
    volumes: tuple[FloatArray, ...],
    step_s: float,
) -> tuple[FloatArray, ...]:
    """One implicit step of the three nodes in heat content.

    Newton on the piecewise linear heat content; without freezing the first pass is exact.
    """
    scale = [step_s / 1e6 / volume for volume in volumes]
    before = [pot_enthalpy_mj_m3(t, capacity, latent) for t in old]
    now = list(before)
    (g_s, eq_s), (g_h, eq_h), (g_t, eq_t) = exchange
    for _ in range(12):
        state = [_temperature_and_slope(h, capacity, latent) for h in now]
        (t_s, d_s), (t_h, d_h), (t_c, d_c) = state
        miss_s = before[0] - now[0] + scale[0] * (g_s * (eq_s - t_s) + conduction * (t_c - t_s))
        miss_h = before[1] - now[1] + scale[1] * (g_h * (eq_h - t_h) + conduction * (t_c - t_h))
        flux_c = conduction * (t_s + t_h - 2.0 * t_c) + g_t * (eq_t - t_c) + bottom * (ground_c - t_c)
        miss_c = before[2] - now[2] + scale[2] * flux_c
        # Eliminate the two rim halves, each of which knows only itself and the core.
        own_s = 1.0 + scale[0] * (g_s + conduction) * d_s
        own_h = 1.0 + scale[1] * (g_h + conduction) * d_h
        to_s, to_h = scale[0] * conduction * d_c / own_s, scale[1] * conduction * d_c / own_h
        from_s, from_h = scale[2] * conduction * d_s, scale[2] * conduction * d_h
        own_c = 1.0 + scale[2] * (2.0 * conduction + g_t + bottom) * d_c - from_s * to_s - from_h * to_h
        add_c = (miss_c + from_s * miss_s / own_s + from_h * miss_h / own_h) / own_c
        add_s, add_h = miss_s / own_s + to_s * add_c, miss_h / own_h + to_h * add_c
        now = [now[0] + add_s, now[1] + add_h, now[2] + add_c]
        worst = max(_largest(miss_s), _largest(miss_h), _largest(miss_c))
        if worst < 1e-7:
            break
    return tuple(_temperature_and_slope(h, capacity, latent)[0] for h in now)


def _largest(values: FloatArray) -> float:
    """Largest magnitude, missing values left aside; for deciding whether to go on."""
    known: NDArray[np.float64] = np.abs(values[~np.isnan(values)])
    return float(known.max(initial=0.0))

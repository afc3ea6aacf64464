"""The outer faces of pots: what sun, sky, ground and wind of an hour do to them, whatever they are at.

Source: an upright cylinder takes in 2/pi of the beam that falls across it (geometry), half the sky and half
the ground; black bodies by Stefan and Boltzmann; convection fitted to Churchill and Bernstein 1977 (see
``pot_heat.wall_convection_w_m2_k``); heat content of substrate by its parts, de Vries 1963. The freezable
share, the lowest convection and the full sun of the ground are estimates: the whole model is right to about
3 K at the rim and 2 K in the core. Checked: tests/physics/test_pot_heat.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from advisor.physics.missing import FloatArray, as_float
from advisor.physics.pot_nodes import PotHour, PotNodes
from advisor.physics.radiation import STEFAN_BOLTZMANN_W_M2_K4, ZERO_C_IN_K

__all__ = [
    "FULL_SUN_W_M2",
    "LOWEST_CONVECTION_W_M2_K",
    "PotFaces",
    "PotThermal",
    "by_diameter",
    "by_wind",
]

WATER_HEAT_CAPACITY_MJ_M3_K = 4.18
LATENT_HEAT_FUSION_MJ_M3 = 334.0
"""Per cubic metre of water."""
FREEZABLE_SHARE = 0.85
"""Of the water; the rest stays liquid in fine pores (estimate)."""
LOWEST_CONVECTION_W_M2_K = 4.0
"""Free convection in still air (estimate)."""
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
class PotFaces:
    """The outer faces of the pots and what the weather does to them; members follow one another in a row.

    ``rows`` holds the row of the weather in which each pot stands.
    """

    pot: PotThermal
    rows: NDArray[np.intp]
    members: int
    top_absorptance: float
    top_wetness: float
    ground_albedo: float
    emissivity: float

    def nodes(self, step_s: float, bottom_conductance_w_m2_k: float) -> PotNodes:
        """Return nodes, faces and ways of heat for steps of ``step_s``.

        Source: conduction over half the rim's depth and a third of the rest of the radius (estimate of
        the two-dimensional field; golden comparison in tests/physics/test_pot_heat.py).
        """
        pot = self.pot
        half_wall, top = np.pi * pot.radius_m * pot.height_m, np.pi * pot.radius_m**2
        volume_m3 = pot.volume_l / 1000.0
        core = volume_m3 * (1.0 - pot.rim_depth_m / pot.radius_m) ** 2
        rim = (volume_m3 - core) / 2.0
        per_volume = step_s / 1e6 / np.stack([rim, rim, core])
        wall = pot.wall_resistance_m2k_w
        way = pot.rim_depth_m / 2.0 + (pot.radius_m - pot.rim_depth_m) / 3.0
        return PotNodes(
            area=self._each(np.stack([half_wall, half_wall, top]) * per_volume),
            resistance_m2k_w=self._each(np.stack([wall, wall, np.zeros_like(wall)])),
            conduction=self._each(pot.conductivity_w_m_k * half_wall / way * per_volume),
            bottom=self._each(bottom_conductance_w_m2_k * top * per_volume[2]),
            emissivity=self.emissivity,
        )

    def _each(self, values: FloatArray) -> FloatArray:
        """Repeat traits of pots, shape (..., T), for every member."""
        return np.tile(values, self.members)

    def hours(self, met: list[FloatArray], held: list[FloatArray]) -> tuple[list[PotHour], NDArray[np.bool_]]:
        """What acts on the nodes in each of some hours, and which pots' hours are known, shape (h, N)."""
        air, vapour, wind, beam, diffuse, total, elevation, sky, heating, lit = met
        ground = air + heating * np.clip(total / FULL_SUN_W_M2, 0.0, 1.0)
        longwave = self.emissivity * (0.5 * sky + 0.5 * _black_body(ground))
        shaded = 0.5 * diffuse + 0.5 * self.ground_albedo * total
        height = np.radians(np.clip(elevation, 0.0, 90.0))
        sunlit = shaded + np.where(elevation > 0.0, 2.0 / np.pi * beam * np.cos(height) * lit, 0.0)
        known = np.isfinite(sunlit + longwave + wind + vapour + elevation)

        def here(values: FloatArray) -> FloatArray:
            return values[..., self.rows].reshape(len(values), -1)

        cover, water = (np.ascontiguousarray(values).reshape(len(values), -1) for values in held)
        open_top = 1.0 - cover
        absorptance, longwave_here = self._each(self.pot.wall_absorptance), here(longwave)
        gain = np.empty((len(air), 3, cover.shape[1]))
        gain[:, 0] = absorptance * here(sunlit) + longwave_here
        gain[:, 1] = absorptance * here(shaded) + longwave_here
        gain[:, 2] = open_top * here(self.top_absorptance * total + self.emissivity * sky)
        gain[:, 2] += cover * here(self.emissivity * _black_body(air))
        convection = here(by_wind(wind)) * self._each(by_diameter(2.0 * self.pot.radius_m))
        np.maximum(convection, LOWEST_CONVECTION_W_M2_K, out=convection)
        wall = self.pot.wall_wetness
        wetness = self._each(np.stack([wall, wall, np.full_like(wall, self.top_wetness)]))
        drying = convection[:, np.newaxis] * (wetness / PSYCHROMETRIC_CONSTANT_KPA_K)
        gain += (convection * here(air))[:, np.newaxis]
        gain += drying * here(vapour)[:, np.newaxis]
        solids = self.pot.solid_fraction * self.pot.solid_heat_capacity_mj_m3_k
        capacity = WATER_HEAT_CAPACITY_MJ_M3_K * water + self._each(solids)
        latent = LATENT_HEAT_FUSION_MJ_M3 * FREEZABLE_SHARE * water
        own = np.isfinite(capacity + cover + convection) & np.isfinite(absorptance + wetness.sum(axis=0))
        columns = (gain, convection, drying, here(ground), capacity, latent)
        return [PotHour(*row) for row in zip(*columns, strict=True)], here(known) & own


def _black_body(temperature_c: FloatArray) -> FloatArray:
    kelvin = temperature_c + ZERO_C_IN_K
    kelvin *= kelvin
    return as_float(STEFAN_BOLTZMANN_W_M2_K4 * kelvin * kelvin)


def by_wind(wind_speed_m_s: FloatArray) -> FloatArray:
    """What the wind adds to the convection of an upright cylinder; see ``wall_convection_w_m2_k``."""
    return as_float(7.3 * np.maximum(wind_speed_m_s, 0.0) ** 0.55)


def by_diameter(diameter_m: FloatArray) -> FloatArray:
    """What the diameter makes of it."""
    return as_float((0.25 / diameter_m) ** 0.45)

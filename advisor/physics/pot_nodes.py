"""One step of the three nodes of a pot: sunlit half of the rim, shaded half, core.

All nodes of all pots are stepped together, as arrays of shape (3, N). A step is implicit in heat
content, which is piecewise linear in temperature (liquid, freezing, frozen). It is solved with each node
on the piece it was on; that is exact for every pot whose nodes stay on theirs, and only the others are
solved again.

Source: implicit Euler step of a lumped model; enthalpy method for the change of state, with a linear
freezing curve whose range is an estimate. Longwave loss and evaporation are linearised around the node;
saturation vapour pressure FAO-56 eq. 11, its slope eq. 13. Checked: tests/physics/test_pot_heat.py.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from advisor.physics.missing import FloatArray, as_float
from advisor.physics.radiation import STEFAN_BOLTZMANN_W_M2_K4, ZERO_C_IN_K

__all__ = ["FREEZING_FROM_C", "FREEZING_TO_C", "PotHour", "PotNodes"]

FREEZING_FROM_C, FREEZING_TO_C = -0.2, -0.7
"""Range over which pore water freezes (estimate)."""
MOST_PASSES = 12
LIQUID, FREEZING, FROZEN = 0, 1, 2

PieceArray = NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class PotHour:
    """What acts on the nodes of N pots for one hour.

    Attributes
    ----------
    gain_w_m2 : float array, shape (3, N)
        What a face takes in whatever its temperature: radiation, convection from the air, vapour.
    convection_w_m2_k : float array, shape (N,)
    drying_w_m2_kpa : float array, shape (3, N)
        Heat of evaporation for each kPa of deficit.
    ground_c : float array, shape (N,)
    capacity_mj_m3_k, latent_mj_m3 : float array, shape (N,)
        Heat capacity of the moist substrate; heat released between -0.2 and -0.7 degC.
    """

    gain_w_m2: FloatArray
    convection_w_m2_k: FloatArray
    drying_w_m2_kpa: FloatArray
    ground_c: FloatArray
    capacity_mj_m3_k: FloatArray
    latent_mj_m3: FloatArray


@dataclass(frozen=True, slots=True)
class PotNodes:
    """The nodes of N pots and the ways between them, by MJ of a step and m3 of the node.

    Attributes
    ----------
    area, resistance_m2k_w : float array, shape (3, N)
        Area of the outer face for each unit of heat content, and what lies between face and node.
    conduction : float array, shape (3, N)
        Between each rim half and the core, as it counts for either rim and for the core.
    bottom : float array, shape (N,)
        From the core to the ground.
    ways : float array, shape (3, N)
        All conduction that a node has, to other nodes and to the ground.
    emissivity : float
    """

    area: FloatArray
    resistance_m2k_w: FloatArray
    conduction: FloatArray
    bottom: FloatArray
    emissivity: float
    ways: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        """Add up the ways of each node."""
        ways = self.conduction.copy()
        ways[2] += self.conduction[2] + self.bottom
        object.__setattr__(self, "ways", ways)

    @staticmethod
    def all_liquid(state_c: FloatArray) -> bool:
        """Return True where no node is below freezing; missing ones count as liquid."""
        return not np.fmin.reduce(state_c, axis=None, initial=np.inf) < FREEZING_FROM_C

    def step(self, state_c: FloatArray, hour: PotHour, liquid: bool) -> tuple[FloatArray, bool]:
        """Step the nodes once.

        Parameters
        ----------
        state_c : float array, shape (3, N)
            At the start of the step.
        hour : PotHour
        liquid : bool
            True where no node of ``state_c`` is below freezing (``all_liquid``).

        Returns
        -------
        state_c, liquid
            At the end of the step; NaN stays NaN.
        """
        link, inflow = self._exchange(state_c, hour)
        inflow[2] += self.bottom * hour.ground_c
        link += self.ways
        capacity = hour.capacity_mj_m3_k
        if liquid:
            held = capacity * state_c
            held += inflow
            new = _solve(capacity + link, held, self.conduction)
            if self.all_liquid(new):
                return new, True
        new = _through_freezing(state_c, link, inflow, self.conduction, capacity, hour.latent_mj_m3)
        return new, self.all_liquid(new)

    def _exchange(self, node_c: FloatArray, hour: PotHour) -> tuple[FloatArray, FloatArray]:
        """Heat a face passes in for each kelvin of its node, and what it passes in at 0 degC.

        Longwave emission and evaporation are linearised around the temperature of the node.
        """
        kelvin = node_c + ZERO_C_IN_K
        radiative = kelvin * kelvin
        radiative *= kelvin
        radiative *= 4.0 * self.emissivity * STEFAN_BOLTZMANN_W_M2_K4
        over = node_c + 237.3
        saturation = node_c / over
        saturation *= 17.27
        np.exp(saturation, out=saturation)
        saturation *= 0.6108
        saturation *= hour.drying_w_m2_kpa
        # saturation is now the heat lost to vapour; its slope by temperature follows from it
        slope = saturation * 4098.0
        over *= over
        slope /= over
        slope += radiative
        outer = slope + hour.convection_w_m2_k
        slope *= node_c
        slope += hour.gain_w_m2
        slope -= saturation
        radiative *= kelvin
        radiative *= 0.25
        slope -= radiative
        # slope is now the gain at 0 degC; both pass through the wall in series with it
        through = self.resistance_m2k_w * outer
        through += 1.0
        np.divide(self.area, through, out=through)
        outer *= through
        slope *= through
        return outer, slope


def _solve(own: FloatArray, right: FloatArray, conduction: FloatArray) -> FloatArray:
    """Temperatures of the nodes: each rim half knows only itself and the core, so the rims go first."""
    rim_share = conduction[:2] / own[:2]
    rim = right[:2] / own[:2]
    core = right[2] + conduction[2] * (rim[0] + rim[1])
    core /= own[2] - conduction[2] * (rim_share[0] + rim_share[1])
    rim_share *= core
    found = np.empty_like(right)
    np.add(rim, rim_share, out=found[:2])
    found[2] = core
    return found


def _through_freezing(
    state_c: FloatArray,
    link: FloatArray,
    inflow: FloatArray,
    conduction: FloatArray,
    capacity: FloatArray,
    latent: FloatArray,
) -> FloatArray:
    """Step pots of which some node is, or comes, below freezing."""
    mixed = latent / (FREEZING_FROM_C - FREEZING_TO_C)
    piece = _piece_at(state_c)
    before = _slope(piece, capacity, mixed) * state_c + _offset(piece, latent, mixed)
    before += inflow
    found = np.empty_like(state_c)
    pots = np.arange(state_c.shape[1])
    for _ in range(MOST_PASSES):
        slope, offset = _slope(piece, capacity, mixed), _offset(piece, latent, mixed)
        new = _solve(slope + link, before - offset, conduction)
        found[:, pots] = new
        content = slope * new + offset
        reached = _piece_of(content, capacity, latent)
        moved = (reached != piece).any(axis=0)
        if not moved.any():
            return found
        pots, piece, content = pots[moved], reached[:, moved], content[:, moved]
        link, before, conduction = link[:, moved], before[:, moved], conduction[:, moved]
        capacity, latent, mixed = capacity[moved], latent[moved], mixed[moved]
    # Pots that do not settle take the temperature of the heat content last found.
    found[:, pots] = (content - _offset(piece, latent, mixed)) / _slope(piece, capacity, mixed)
    return found


def _piece_at(temperature_c: FloatArray) -> PieceArray:
    """Which piece a temperature is on; a missing one counts as liquid and stays missing."""
    return (temperature_c < FREEZING_FROM_C).astype(np.int8) + (temperature_c < FREEZING_TO_C)


def _piece_of(content: FloatArray, capacity: FloatArray, latent: FloatArray) -> PieceArray:
    """Which piece a heat content is on."""
    begun = content < capacity * FREEZING_FROM_C
    return begun.astype(np.int8) + (content < capacity * FREEZING_TO_C - latent)


def _slope(piece: PieceArray, capacity: FloatArray, mixed: FloatArray) -> FloatArray:
    return as_float(np.where(piece == FREEZING, capacity + mixed, capacity))


def _offset(piece: PieceArray, latent: FloatArray, mixed: FloatArray) -> FloatArray:
    """Heat content at 0 degC if the piece went on to there."""
    return as_float(
        np.where(piece == LIQUID, 0.0, np.where(piece == FROZEN, -latent, -mixed * FREEZING_FROM_C))
    )

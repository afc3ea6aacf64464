"""The gust at which a tree tips over with its pot.

A rigid body on its shortest base: the wind's moment about the edge against that of the weight. It knows
no slope, no stand that gives way, no swaying branch; a tree tied down does not tip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from advisor.garden.model import Tree
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.garden.weights import dry_mass_kg, water_held_l

__all__ = ["TippingBody", "tipping_body", "tipping_gust_m_s", "tipping_speed_m_s"]


@dataclass(frozen=True, slots=True)
class TippingBody:
    """What tips: ``height_m`` is that of the crown's centre above the base of the pot."""

    mass_kg: float
    base_m: float
    area_m2: float
    height_m: float


def tipping_speed_m_s(body: TippingBody, tables: Tables) -> float:
    """Wind at which a body tips.

    V = sqrt(m g (b/2) / (0.5 rho Cd A h)).

    Source: balance of moments; drag coefficient an estimate. Checked: tests/exposure/test_tipping.py.
    """
    get = tables.physics.value
    holds = body.mass_kg * get("tipping.gravity_m_s2", "m/s2") * body.base_m / 2.0
    pushes = 0.5 * get("tipping.air_density_kg_m3", "kg/m3") * get("tipping.drag_coefficient", "1")
    return float((holds / (pushes * body.area_m2 * body.height_m)) ** 0.5)


def tipping_body(tree: Tree, state: TreeState, left_share: float, tables: Tables) -> TippingBody:
    """Estimate a tree's mass, base and wind area.

    Parameters
    ----------
    tree : Tree
    state : TreeState
        A bare crown offers less area.
    left_share : float
        Usable water left, 0..1; a missing value counts as dry, the side that is safe.
    tables : Tables
    """
    get = tables.physics.value
    capacity_l, usable_l = water_held_l(tree, tables)
    left = 0.0 if math.isnan(left_share) else left_share
    water_l = capacity_l - usable_l * (1.0 - min(max(left, 0.0), 1.0))
    width_m, height_m = tree.crown.width_cm / 100.0, tree.crown.height_cm / 100.0
    bare = get("tipping.bare_area_share", "share")
    leaf = min(max(state.water_leaf_share, 0.0), 1.0)
    shortest_m = min(tree.pot.length_cm, tree.pot.width_cm) / 100.0
    return TippingBody(
        mass_kg=water_l * get("tipping.water_density_kg_l", "kg/l") + dry_mass_kg(tree, tables),
        base_m=shortest_m * get("tipping.base_share", "share"),
        area_m2=width_m * height_m * (bare + (1.0 - bare) * leaf),
        height_m=tree.pot.depth_cm / 100.0 + height_m / 2.0,
    )


def tipping_gust_m_s(tree: Tree, state: TreeState, left_share: float, tables: Tables) -> float:
    """Gust at the bench at which a tree tips, standing free [m/s]. See ``tipping_body``."""
    return tipping_speed_m_s(tipping_body(tree, state, left_share, tables), tables)

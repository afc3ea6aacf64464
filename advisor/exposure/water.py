"""What each pot holds, what its tree draws, and what rain reaches it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from advisor.garden.model import Place, Pot, Tree
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.garden.thirst import Thirst
from advisor.garden.weights import holds_l, water_held_l
from advisor.physics.missing import FloatArray, as_float
from advisor.physics.pot_water import (
    crown_area_m2,
    litres_from_mm,
    rain_reaching_pot_mm,
    substrate_evaporation_l,
    top_area_m2,
)

__all__ = [
    "PotWater",
    "allowance_share",
    "pot_top_area_m2",
    "pot_water",
    "rain_at_pots_mm",
    "water_use_l",
    "watered_with_care",
]


@dataclass(frozen=True, slots=True)
class PotWater:
    """Water traits of trees in their pots, arrays of shape (T,).

    Attributes
    ----------
    capacity_l, usable_l : litres held after draining; of those, what the tree can use.
    top_area_m2 : open surface of the pot.
    litres_per_mm : drawn per mm of reference evapotranspiration at the spot, leaves and medium together.
    leaf_share : leaf area as a share of the full crown, as it counts for rain held back.
    capture_in_leaf : share of falling rain that a crown in full leaf lets into the pot.
    cover_share : share of the pot's top under crown or moss.
    with_care : bool; bare and freshly repotted trees, which are looked at before they are watered.
    daily : bool; pots so small that they are looked at every morning.
    timer_l : given by a timer's drip line at every watering time.
    allowance_share : use may be so much higher than reckoned; less for trees that weights have told of.
    """

    capacity_l: FloatArray
    usable_l: FloatArray
    top_area_m2: FloatArray
    litres_per_mm: FloatArray
    leaf_share: FloatArray
    capture_in_leaf: FloatArray
    cover_share: FloatArray
    with_care: NDArray[np.bool_]
    daily: NDArray[np.bool_]
    timer_l: FloatArray
    allowance_share: FloatArray


def watered_with_care(state: TreeState, tables: Tables) -> bool:
    """Return True for bare and freshly repotted trees: they are looked at, not watered by the balance."""
    bare = any("bare" in flag.rule.keeps for flag in state.flags)
    return bare or state.root_share < tables.limits.value("water.fresh_root_share", "share")


def pot_top_area_m2(pot: Pot, tables: Tables) -> float:
    """Open surface of a pot [m2]: its rectangle, less what its shape leaves out."""
    straight = tables.physics.value("pot.straight_fill_share", "share")
    shape = tables.shapes.get(pot.shape)
    fill = straight if shape is None else min(shape.value("fill_share", "share"), straight)
    return float(top_area_m2(pot.length_cm, pot.width_cm, fill / straight))


def pot_water(
    trees: Sequence[Tree],
    states: Sequence[TreeState],
    tables: Tables,
    thirst: Mapping[str, Thirst] | None = None,
    places: Mapping[str, Place] | None = None,
    later: Mapping[str, Sequence[str]] | None = None,
) -> PotWater:
    """Gather the water traits of trees.

    Leaf water is E = share x [1 + gain x (1 - share)] of a full crown, where a full crown draws
    pot coefficient x species factor x reference evapotranspiration x the ground it covers. The medium
    evaporates Ke x reference evapotranspiration from its top, less under the crown. A bare tree draws a
    small share still; one with cut roots draws less by the factor of its state. What weights have taught
    (``thirst``, by tree id) corrects use and usable water. A tray (``places``) is water the tree can use, if
    it will stand in one wherever it goes (``later``, places by tree id).

    Source: estimates, see config/physics.toml; scale checked against Beeson 2010 in
    tests/exposure/test_water.py.
    """
    get = tables.physics.value
    gain, bare_use = get("water.remaining_leaf_gain", "1"), get("water.bare_use_share", "share")
    covered, bare = get("water.soil_evaporation_covered", "1"), get("water.soil_evaporation_bare", "1")
    ratios = [get(f"rain.{name}_ratio", "1") for name in ("narrow", "normal", "wide")]
    captures = [get(f"rain.capture_{name}", "share") for name in ("narrow", "normal", "wide")]
    cover_from, cover_to = get("pot.bare_top_cover_share", "share"), get("pot.full_top_cover_share", "share")
    coefficient = get("water.pot_coefficient", "1")
    rows, timers, allowances = [], [], []
    for tree, state in zip(trees, states, strict=True):
        capacity, usable = water_held_l(tree, tables)
        factor = state.group.trait("water_factor", "1")
        share = min(max(state.water_leaf_share, 0.0), 1.0)
        top = pot_top_area_m2(tree.pot, tables)
        crown = float(crown_area_m2(tree.crown.width_cm))
        under_crown = share * min(1.0, crown / top)
        leaves = max(share * (1.0 + gain * (1.0 - share)), bare_use)
        drawn = litres_from_mm(1.0, crown) * coefficient * (1.0 if factor is None else factor) * leaves
        drawn = drawn * state.water_factor
        lost = substrate_evaporation_l(1.0, top, bare + (covered - bare) * under_crown)
        known = None if thirst is None else thirst.get(tree.id)
        wall = tables.walls[tree.pot.wall]
        demand = wall.value("water_factor", "1") if "water_factor" in wall else 1.0
        if known is not None:
            more = min(usable * (known.usable.value - 1.0), holds_l(tree, tables) - capacity)
            usable, capacity, demand = usable + more, capacity + more, demand * known.demand.value
        allowances.append(allowance_share(known, tables))
        place = None if places is None else places.get(state.place_id)
        tray = 0.0 if place is None else place.tray_l
        if places is not None and later is not None:
            tray = min([tray, *(places[place_id].tray_l for place_id in later.get(tree.id, ()))])
        timers.append(0.0 if place is None else place.timer_l)
        pot_width = (tree.pot.length_cm * tree.pot.width_cm) ** 0.5
        rows.append(
            (
                capacity + tray,
                usable + tray,
                top,
                float(drawn + lost) * demand,
                share,
                np.interp(tree.crown.width_cm / pot_width, ratios, captures),
                cover_from + (cover_to - cover_from) * under_crown,
            )
        )
    columns = np.array(rows, dtype=np.float64).reshape(len(rows), 7).T
    small_l = tables.limits.value("water.small_pot_l", "l")
    return PotWater(
        capacity_l=as_float(columns[0]),
        usable_l=as_float(columns[1]),
        top_area_m2=as_float(columns[2]),
        litres_per_mm=as_float(columns[3]),
        leaf_share=as_float(columns[4]),
        capture_in_leaf=as_float(columns[5]),
        cover_share=as_float(columns[6]),
        with_care=np.array([watered_with_care(state, tables) for state in states], dtype=bool),
        daily=np.array([tree.pot.volume_l < small_l for tree in trees], dtype=bool),
        timer_l=as_float(timers),
        allowance_share=as_float(allowances),
    )


def allowance_share(known: Thirst | None, tables: Tables) -> float:
    """How much more than reckoned a tree may use, as the watering advised allows for it.

    The row of config holds for a tree that is known by its size class alone. Weights lessen it in the measure
    in which they lessen what is unknown of the tree, down to what the forecast of the weather alone may err.

    Source: estimate, see config/physics.toml. Checked: tests/exposure/test_weighing.py.
    """
    get = tables.physics.value
    usual = get("water.demand_spread_share", "share")
    if known is None or not known.demand.readings:
        return usual
    unknown = min(known.demand.log_spread / get("thirst.demand_spread", "1"), 1.0)
    return max(usual * unknown, min(get("water.demand_spread_least_share", "share"), usual))


def water_use_l(reference_et_mm: FloatArray, pots: PotWater) -> FloatArray:
    """Water each tree and its pot would use with water at will.

    Parameters
    ----------
    reference_et_mm : float array, shape (M, T, H)
        At the spot of each tree; dew counts as none.
    pots : PotWater

    Returns
    -------
    float array, shape (M, T, H)
        [l] in the hour; never negative.
    """
    return as_float(np.maximum(reference_et_mm, 0.0) * pots.litres_per_mm[:, np.newaxis])


def rain_at_pots_mm(
    rain_mm: FloatArray, wind_m_s: FloatArray, roofed: NDArray[np.bool_], pots: PotWater, tables: Tables
) -> FloatArray:
    """Rain that gets into each pot.

    A crown in leaf holds back the first part of each fall, and a fall too small in all counts as
    nothing; a bare crown does neither. Between the two the result goes with the leaf share. What comes
    through is caught the less the wider the crown hangs over the pot, and less in strong wind.

    Parameters
    ----------
    rain_mm : float array, shape (M, H)
        In the open.
    wind_m_s : float array, shape (M, T, H)
        At the bench; unknown wind takes nothing away.
    roofed : bool array, shape (T, 1)
        Pots under a roof get nothing.
    pots : PotWater
    tables : Tables

    Returns
    -------
    float array, shape (M, T, H)
        [mm] on the top of the pot. NaN in hours of unknown rain, except under a roof.

    Source: estimates after Million and Yeager 2015, see config/physics.toml. Checked:
    tests/exposure/test_water.py.
    """
    get = tables.physics.value
    gap_h = round(get("rain.event_gap_h", "h"))
    through = rain_reaching_pot_mm(rain_mm, get("rain.crown_storage_mm", "mm"), 1.0, False, gap_h)
    counts = _fall_total_mm(rain_mm, gap_h) >= get("rain.event_threshold_mm", "mm")
    in_leaf = np.where(np.isnan(through), np.nan, np.where(counts, through, 0.0))[:, np.newaxis]
    leaf = pots.leaf_share[:, np.newaxis]
    bare_capture = get("rain.capture_narrow", "share")
    reached = leaf * pots.capture_in_leaf[:, np.newaxis] * in_leaf
    reached = reached + (1.0 - leaf) * bare_capture * rain_mm[:, np.newaxis]
    with np.errstate(invalid="ignore"):
        windy = wind_m_s > get("rain.windy_from_m_s", "m/s")
    reached = reached * np.where(windy, get("rain.windy_factor", "1"), 1.0)
    return as_float(np.where(roofed, 0.0, reached))


def _fall_total_mm(rain_mm: FloatArray, gap_h: int) -> FloatArray:
    """Give each hour the sum of the fall it belongs to, shape (M, H); falls are parted by dry hours."""
    members, hours = rain_mm.shape
    with np.errstate(invalid="ignore"):
        rains = rain_mm > 0.0
    dry = np.cumsum(~rains & ~np.isnan(rain_mm), axis=-1)
    since_rain: NDArray[np.int64] = dry - np.maximum.accumulate(np.where(rains, dry, 0), axis=-1)
    before = np.concatenate([np.zeros((members, 1), dtype=since_rain.dtype), since_rain[:, :-1]], axis=-1)
    fall = np.cumsum(rains & (before >= gap_h), axis=-1)
    totals = np.zeros((members, hours + 1))
    row = np.broadcast_to(np.arange(members)[:, np.newaxis], fall.shape)
    np.add.at(totals, (row, fall), np.nan_to_num(rain_mm, nan=0.0))
    return as_float(totals[row, fall])

"""What each tree will meet, hour by hour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from advisor.garden.thirst import Thirst

FloatArray = NDArray[np.float64]
TimeArray = NDArray[np.datetime64]

HOURLY: tuple[str, ...] = (
    "direct_sun_share", "shortwave_w_m2", "leaf_temperature_c", "vpd_kpa", "wind_m_s", "gust_m_s",
    "rain_reaching_pot_mm", "water_use_l", "water_left_share", "pot_rim_c", "pot_core_c",
    "bench_temperature_c", "wet_bulb_c",
)  # fmt: skip
"""Hourly arrays of an exposure, in the order of the ``exposure --csv`` columns."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """Arrays over tree and hour; with members, over member, tree and hour.

    Attributes
    ----------
    start_utc : datetime64[s] array, shape (H,)
    tree_ids : tuple of str, length T
    direct_sun_share : share of the hour in which direct sun reaches the tree, after horizon; a net does
        not count against it (its share is in ``shortwave_w_m2``), cloud neither.
    shortwave_w_m2 : on the horizontal at the tree, after horizon, sky view, net.
    sun_w_m2 : direct beam on the horizontal at the tree after net and cloud; sun is "on" from the limit
        in config.
    leaf_temperature_c : NaN for a bare tree.
    vpd_kpa : of the bench air.
    wind_m_s, gust_m_s : at the bench.
    rain_reaching_pot_mm, water_use_l : sums over the hour.
    water_left_share : share of the usable water at the end of the hour, waterings as advised.
    pot_rim_c : the warmer of the two rim halves; pot_rim_shaded_c : the other.
    pot_core_c, bench_temperature_c, wet_bulb_c.
    waterings_l : (T, S) litres at each watering time ``slot_utc`` (S,) from ``now``, as advised.
    dry_at : (T,) datetime64, the hour in which the limit is reached if nobody waters from now on; NaT
        when it is not reached within the table.
    dry_known_share : (T,) share of the hours up to ``dry_at``, or to the table's end, whose use is known.
    left_now_share : (T,) share of usable water left now.
    capacity_l, usable_l : (T,) litres held after draining, and of those usable.
    """

    start_utc: TimeArray
    tree_ids: tuple[str, ...]
    now_utc: datetime
    direct_sun_share: FloatArray
    shortwave_w_m2: FloatArray
    sun_w_m2: FloatArray
    leaf_temperature_c: FloatArray
    vpd_kpa: FloatArray
    wind_m_s: FloatArray
    gust_m_s: FloatArray
    rain_reaching_pot_mm: FloatArray
    water_use_l: FloatArray
    water_left_share: FloatArray
    pot_rim_c: FloatArray
    pot_rim_shaded_c: FloatArray
    pot_core_c: FloatArray
    bench_temperature_c: FloatArray
    wet_bulb_c: FloatArray
    reference_et_mm: FloatArray
    """(H,), with members (M, H): open-sky reference evapotranspiration of the garden."""
    solar_hour: FloatArray
    """(H,) local apparent solar time at mid-hour [h]."""
    sun_elevation_deg: FloatArray
    """(H,) at mid-hour."""
    slot_utc: TimeArray
    waterings_l: FloatArray
    dry_at: TimeArray
    left_now_share: FloatArray
    capacity_l: FloatArray
    usable_l: FloatArray
    water_known: tuple[str, ...]
    """(T,) how the water is known: ``logged 07:10``, ``assumed watered as advised`` ..."""
    wbgt_c: FloatArray
    """(H,), with members (M, H): worker heat stress in the open garden."""
    dry_known_share: FloatArray
    thirst: Mapping[str, Thirst] = field(default_factory=dict)
    """What weights have taught, by tree id; use and usable water are corrected by it."""

    def row(self, tree_id: str) -> int:
        """Index of a tree on the tree axis."""
        return self.tree_ids.index(tree_id)

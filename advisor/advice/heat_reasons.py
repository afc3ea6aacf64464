"""Why heat harms one tree: the quantity beyond its limit first, and what lowered the limit."""

from __future__ import annotations

import numpy as np

from advisor.advice.heat import HeatDay, heat_limits
from advisor.advice.model import Reason, Situation
from advisor.garden.state_model import Need

__all__ = ["heat_reasons"]


def heat_reasons(situation: Situation, heat: HeatDay, tree_id: str) -> tuple[Reason, ...]:
    """Say why one tree is in danger; limits are shown as they count today, lowered after cool days."""
    exposure = situation.exposure
    if exposure is None:
        return ()
    row, state, numbers = exposure.row(tree_id), situation.states[tree_id], situation.tables.limits
    at, needs = heat.starts_utc[row], state.needs
    limits = heat_limits(situation, [state])
    shift = numbers.value("heat.earlier_k", "K") if heat.not_used[row] else 0.0
    rise = numbers.value("heat.vpd_rise_kpa", "kPa")
    air = _plain(heat.air_max_c[row])
    found: list[tuple[float, Reason]] = []

    def hold(name: str, value: float, limit: float, unit: str, per: float, need: Need) -> None:
        lowered = limit - shift * per
        reason = Reason(name, _plain(value), unit, lowered, at, need.set_by, need.source)
        found.append((-np.inf if np.isnan(value) else (value - lowered) / per, reason))

    if heat.by_air[row]:
        lowered = float(limits.air_c[0]) - shift
        missing = "leaf temperature or dryness of the air is missing"
        found.append((0.0, Reason("air temperature", air, "degC", lowered, at, state.group.name, missing)))
    else:
        if needs.leaf_limit_c is not None and np.isfinite(limits.leaf_c[0]):
            leaf, limit = float(heat.leaf_max_c[row]), float(limits.leaf_c[0])
            hold("leaf temperature in the sun", leaf, limit, "degC", 1.0, needs.leaf_limit_c)
        if needs.vpd_limit_kpa is not None:
            vpd, limit = float(heat.vpd_max_kpa[row]), float(limits.vpd_kpa[0])
            hold("dryness of the air in the sun", vpd, limit, "kPa", rise, needs.vpd_limit_kpa)
        found.append((-np.inf, Reason("air temperature", air, "degC", None, at, "forecast", "forecast")))
    reasons = [reason for _, reason in sorted(found, key=lambda pair: -pair[0])]
    if heat.not_used[row]:
        why = "limits count earlier, the days before were cool"
        source = numbers.source("heat.earlier_k")
        reasons.append(Reason(why, shift, "K", None, at, "cool fortnight", source))
    return tuple(reasons)


def _plain(value: np.float64 | float) -> float | None:
    number = float(value)
    return None if np.isnan(number) else number

"""Why heat harms one tree: the quantity beyond its limit first, and what lowered the limit."""

from __future__ import annotations

import numpy as np

from advisor.advice.heat import HeatDay
from advisor.advice.model import Reason, Situation

__all__ = ["heat_reasons"]


def heat_reasons(situation: Situation, heat: HeatDay, tree_id: str) -> tuple[Reason, ...]:
    """Say why one tree is in danger: the quantity beyond its limit first, and what lowered the limit."""
    exposure = situation.exposure
    if exposure is None:
        return ()
    row, state, tables = exposure.row(tree_id), situation.states[tree_id], situation.tables
    at = heat.starts_utc[row]
    needs = state.needs
    found: list[tuple[float, Reason]] = []
    if heat.by_air[row]:
        return (
            Reason(
                "air temperature",
                _plain(heat.air_max_c[row]),
                "degC",
                state.group.trait("air_protect_c", "degC"),
                at,
                state.group.name,
                "leaf temperature or dryness of the air is missing",
            ),
        )
    shift = tables.limits.value("heat.earlier_k", "K") if heat.not_used[row] else 0.0
    if needs.leaf_limit_c is not None and state.sun_leaf_share > 0.0:
        over = float(heat.leaf_max_c[row]) - needs.leaf_limit_c.value
        need = needs.leaf_limit_c
        found.append(
            (
                over,
                Reason(
                    "leaf temperature in the sun",
                    _plain(heat.leaf_max_c[row]),
                    "degC",
                    need.value - shift,
                    at,
                    need.set_by,
                    need.source,
                ),
            )
        )
    if needs.vpd_limit_kpa is not None:
        need = needs.vpd_limit_kpa
        over = (float(heat.vpd_max_kpa[row]) - need.value) / tables.limits.value("heat.vpd_rise_kpa", "kPa")
        found.append(
            (
                over,
                Reason(
                    "dryness of the air in the sun",
                    _plain(heat.vpd_max_kpa[row]),
                    "kPa",
                    need.value,
                    at,
                    need.set_by,
                    need.source,
                ),
            )
        )
    found.sort(key=lambda pair: -pair[0] if np.isfinite(pair[0]) else np.inf)
    reasons = [reason for _, reason in found]
    reasons.append(
        Reason("air temperature", _plain(heat.air_max_c[row]), "degC", None, at, "forecast", "forecast")
    )
    if heat.not_used[row]:
        reasons.append(
            Reason(
                "limits count earlier, the days before were cool",
                shift,
                "K",
                None,
                at,
                "cool fortnight",
                tables.limits.source("heat.earlier_k"),
            )
        )
    return tuple(reasons)


def _plain(value: np.float64 | float) -> float | None:
    number = float(value)
    return None if np.isnan(number) else number

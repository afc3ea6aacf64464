"""Which tree gets too much: heat beyond its limits, or more hours of sun than its state allows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from functools import partial

import numpy as np
from numpy.typing import NDArray

from advisor.advice.grouping import say
from advisor.advice.heat import HeatDay, heat_day, net_share, sun_is_on
from advisor.advice.heat_reasons import heat_reasons
from advisor.advice.hours import day_span, hour_at, this_hour, window
from advisor.advice.model import Reason, Situation
from advisor.advice.places import is_confirmed
from advisor.advice.standing import beyond_usual
from advisor.garden.state_model import TreeState
from advisor.physics.missing import reduce_over

__all__ = ["Burning", "SunBeyond", "Sunburn", "burning_today", "burnt_by_heat", "sun_beyond", "too_much_sun"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sunburn:
    """A tree that must be out of the sun: by when, how much net would do, and why.

    ``least`` is the net that its state asks for, ``share`` the net that would keep it below its limit.
    """

    tree_id: str
    by_utc: datetime
    share: float
    least: float
    margin_k: float
    chance: float
    heat: bool
    why: str
    reasons: tuple[Reason, ...]
    must: bool


def burnt_by_heat(situation: Situation, today: HeatDay, row: int, tree: str) -> Sunburn:
    """Return what the heat of a day asks for one tree in danger."""
    limits, state = situation.tables.limits, situation.states[tree]
    reasons = heat_reasons(situation, today, tree)
    least, most = limits.value("shade.least_share", "share"), limits.value("shade.most_share", "share")
    asked = state.needs.shade_share
    leaf, air = float(today.leaf_max_c[row]), float(today.air_max_c[row])
    share = limits.value("shade.usual_share", "share") if asked is None else asked.value
    if state.needs.leaf_limit_c is not None and leaf > air:
        over = (leaf - state.needs.leaf_limit_c.value) / (leaf - air)
        share = max(share, np.ceil(over * 10.0) / 10.0)
    has = net_share(situation, state)
    share = min(max(share, least, min(has + 0.1, most)), most)
    enough = limits.value("heat.net_enough_share", "share") if asked is None else asked.value
    enough = min(max(enough, has + 0.1), share)
    soft = state.sun_leaf_share <= 0.0 or any({"bare", "tender"} & flag.rule.keeps for flag in state.flags)
    by = today.starts_utc[row] or this_hour(situation)
    leaf_words = "" if np.isnan(leaf) else f", {say(situation, leaf, 'degC')} on the leaf"
    vpd = float(today.vpd_max_kpa[row])
    dry = "" if np.isnan(vpd) else f", air dry at {say(situation, vpd, 'kPa')}"
    if today.by_air[row]:
        leaf_words, dry = "", ", judged by the air alone, since leaf or dryness is not known"
    why = f"{say(situation, air, 'degC')} in the air{leaf_words}{dry}{_state_words(state)}"
    margin = float(today.margin_k[row])
    must = margin >= 0.0 and (soft or margin >= limits.value("standing.worse_k", "K"))
    return Sunburn(tree, by, float(share), enough, margin, float(today.chance[row]), True, why, reasons, must)


def _state_words(state: TreeState) -> str:
    """``; bare after stripping, day 9``: the state that makes a tree soft."""
    for mark in ("bare", "tender"):
        for flag in state.flags:
            if mark in flag.rule.keeps:
                return f"; {flag.rule.name}, day {flag.day_n}"
    return ""


@dataclass(frozen=True, slots=True)
class SunBeyond:
    """Hours of sun of a day, those beyond what is allowed, and the row of the hour that holds now."""

    hours: FloatArray
    beyond: FloatArray
    now_row: int


def sun_beyond(situation: Situation, tree: str, day: date) -> SunBeyond | bool | None:
    """Hold the sun of a day against the hours allowed: None where unknown, False where nothing asks."""
    exposure, state = situation.exposure, situation.states[tree]
    needs, limits = state.needs, situation.tables.limits
    allowed, until = needs.direct_sun_h, needs.sun_until_solar_h
    if exposure is None or (allowed is None and until is None):
        return False
    share = (
        needs.shade_share.value
        if needs.shade_share is not None
        else limits.value("heat.net_enough_share", "share")
    )
    if net_share(situation, state) >= share - 1e-9:
        return False
    span = day_span(situation.holdings.garden, day)
    row = exposure.row(tree)
    elevation = window(exposure.start_utc, exposure.sun_elevation_deg, *span)
    shining = sun_is_on(situation, window(exposure.start_utc, exposure.sun_w_m2[row], *span), elevation)
    sun = shining * window(exposure.start_utc, exposure.direct_sun_share[row], *span)
    coverage = limits.value("chance.coverage_share", "share")
    if np.isnan(reduce_over(sun, "sum", minimum_coverage=coverage).value):
        return None
    hours = np.nan_to_num(sun)
    solar = window(exposure.start_utc, exposure.solar_hour, *span)
    used = np.cumsum(hours)
    beyond = np.zeros(hours.size)
    if allowed is not None:
        beyond = np.minimum(hours, np.clip(used - allowed.value, 0.0, None))
    if until is not None:
        with np.errstate(invalid="ignore"):
            beyond = np.where(solar >= until.value, hours, beyond)
    now_row = max(int((this_hour(situation) - span[0]).total_seconds() // 3600), 0)
    return SunBeyond(hours, beyond, now_row)


def too_much_sun(situation: Situation, tree: str) -> Sunburn | bool | None:
    """Return a Sunburn where today's sun goes beyond the hours allowed; None where unknown, else False."""
    exposure, state = situation.exposure, situation.states[tree]
    needs, limits = state.needs, situation.tables.limits
    found = sun_beyond(situation, tree, situation.day)
    if exposure is None or not isinstance(found, SunBeyond):
        return None if found is None else False
    hours, beyond, now_row = found.hours, found.beyond, found.now_row
    allowed, until = needs.direct_sun_h, needs.sun_until_solar_h
    rows = np.flatnonzero(beyond[now_row:] > 0.0)
    if beyond[now_row:].sum() < limits.value("shade.excess_h", "h") or not rows.size:
        return False
    begin = day_span(situation.holdings.garden, situation.day)[0]
    by = hour_at(exposure.start_utc, begin, now_row + int(rows[0]))
    reasons = []
    if allowed is not None:
        reasons.append(
            Reason(
                "direct sun today", float(hours.sum()), "h", allowed.value, by, allowed.set_by, allowed.source
            )
        )
    if until is not None:
        reasons.append(
            Reason(
                "sun after the morning", float(beyond.sum()), "h", until.value, by, until.set_by, until.source
            )
        )
    most = (
        needs.shade_share.value
        if needs.shade_share is not None
        else limits.value("shade.usual_share", "share")
    )
    words = f"{say(situation, float(hours.sum()), 'h', 0)} of sun today"
    if allowed is not None:
        words += f", {say(situation, allowed.value, 'h', 0)} are enough"
    return Sunburn(
        tree, by, most, most, 0.0, 1.0, False, f"{words}{_state_words(state)}", tuple(reasons), must=False
    )


@dataclass(frozen=True, slots=True)
class Burning:
    """Trees that must be out of the sun today, and those for which that cannot be told."""

    burns: tuple[Sunburn, ...]
    unknown: tuple[str, ...]


def burning_today(situation: Situation) -> Burning:
    """Return who gets too much today, but for trees with a measure that was confirmed or told for good."""
    return situation.once("burning_today", partial(_burning_today, situation))


def _burning_today(situation: Situation) -> Burning:
    exposure = situation.exposure
    if exposure is None:
        return Burning((), tuple(situation.states))
    today = heat_day(situation, situation.day, this_hour(situation))
    beyond = beyond_usual(situation, today.margin_k, today.danger)
    burns, unknown = [], []
    for row, tree in enumerate(exposure.tree_ids):
        if is_confirmed(situation, "heat", tree):
            continue
        sun = too_much_sun(situation, tree)
        if beyond[row]:
            burns.append(burnt_by_heat(situation, today, row, tree))
        elif np.isnan(today.margin_k[row]) or sun is None:
            unknown.append(tree)
        elif isinstance(sun, Sunburn):
            burns.append(sun)
    return Burning(tuple(burns), tuple(unknown))

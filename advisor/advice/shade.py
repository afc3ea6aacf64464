"""Shade and place: who must be out of the sun today, where to, by when; pots; and the way back into sun."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.chance import chance_words
from advisor.advice.grouping import advice_id, bench_order, names, say
from advisor.advice.heat import HeatDay, heat_day, heat_reasons, net_share, sun_is_on
from advisor.advice.hours import clock, day_span, hour_at, this_hour, window
from advisor.advice.model import Advice, Reason, Situation
from advisor.advice.places import Rooms, can_carry, is_confirmed, place_sun_share
from advisor.advice.pot_heat import PotDay, pot_day
from advisor.advice.standing import standing_advice, standing_heat, standing_pots
from advisor.garden.model import Place
from advisor.garden.state_model import TreeState
from advisor.physics.missing import reduce_over

__all__ = ["Sunburn", "shade_advice"]

FloatArray = NDArray[np.float64]

HARDENING = "hardening"
"""Flag of trees on their way back into the light (design of the aftercare table)."""


@dataclass(frozen=True, slots=True)
class Sunburn:
    """A tree that must be out of the sun: by when, how much net, why; ``least`` is the net its state asks for."""

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


def shade_advice(situation: Situation) -> tuple[Advice, ...]:
    """Every piece of advice on sun, heat and place for today."""
    if situation.exposure is None or situation.weather is None:
        return (_blind(situation, tuple(situation.states), "no weather"),) if situation.states else ()
    today = heat_day(situation, situation.day, this_hour(situation))
    pots = pot_day(situation, situation.day, this_hour(situation))
    usual, usual_pots = standing_heat(situation), standing_pots(situation)
    worse = situation.tables.limits.value("standing.worse_k", "K")
    burns, unknown = [], []
    for row, tree in enumerate(situation.exposure.tree_ids):
        if is_confirmed(situation, "heat", tree):
            continue
        sun = _too_much_sun(situation, tree)
        if np.isnan(today.margin_k[row]) or (sun is None):
            unknown.append(tree)
        elif today.danger[row] and (tree not in usual or today.margin_k[row] >= worse):
            burns.append(_from_heat(situation, today, row, tree))
        elif isinstance(sun, Sunburn):
            burns.append(sun)
    return (
        *_moves(situation, burns),
        *_pots(situation, pots, set(usual_pots)),
        *standing_advice(
            situation,
            "heat",
            usual,
            "Give {trees} another place for good, or rig a net there: on {place} the heat passes the limit too often",
            "days on which leaves passed their limit",
        ),
        *standing_advice(
            situation,
            "pot",
            usual_pots,
            "Shade the pots of {trees} for good: on {place} the pots pass the limit too often",
            "days on which pots passed their limit",
        ),
        *_back_into_sun(situation, {burn.tree_id for burn in burns}),
        *([_blind(situation, bench_order(situation, unknown), "hours missing")] if unknown else []),
    )


# --- who ------------------------------------------------------------------------------------------------


def _from_heat(situation: Situation, today: HeatDay, row: int, tree: str) -> Sunburn:
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
    dry = f", air dry at {say(situation, float(today.vpd_max_kpa[row]), 'kPa')}"
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


def _too_much_sun(situation: Situation, tree: str) -> Sunburn | bool | None:
    """Return a Sunburn where the sun of today goes beyond the hours allowed, None where unknown, else False."""
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
    span = day_span(situation.holdings.garden, situation.day)
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
    rows = np.flatnonzero(beyond[now_row:] > 0.0)
    if beyond[now_row:].sum() < limits.value("shade.excess_h", "h") or not rows.size:
        return False
    by = hour_at(exposure.start_utc, span[0], now_row + int(rows[0]))
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


# --- where to -------------------------------------------------------------------------------------------


def _moves(situation: Situation, burns: Sequence[Sunburn]) -> list[Advice]:
    """Give each tree the least shade that is enough and has room, the most endangered first; else a net."""
    rooms, limits = Rooms(situation), situation.tables.limits
    moves_left = limits.value("places.moves_a_day", "count")
    order = bench_order(situation, [burn.tree_id for burn in burns])
    ranked = sorted(burns, key=lambda burn: (not burn.must, -burn.margin_k, order.index(burn.tree_id)))
    options = _shaded_places(situation)
    to_place: dict[str, list[Sunburn]] = {}
    under_net: dict[float, list[Sunburn]] = {}
    for burn in ranked:
        state = situation.states[burn.tree_id]
        chosen = None
        if can_carry(situation, state) and moves_left > 0:
            chosen = _best_place(situation, rooms, options, state, burn)
        if chosen is None:
            tenths = round(float(np.ceil(burn.share * 10.0 - 1e-9)) / 10.0, 1)
            under_net.setdefault(tenths, []).append(burn)
        else:
            rooms.take(chosen.id)
            moves_left -= 1
            to_place.setdefault(chosen.id, []).append(burn)
    places = situation.holdings.places
    found = []
    for place_id, group in to_place.items():
        found.append(
            _move(situation, group, f"shade-move-{place_id}", f"Move {{trees}} to {places[place_id].name}")
        )
    for share, group in under_net.items():
        found.append(
            _move(
                situation,
                group,
                f"shade-net-{round(share * 100)}",
                f"Rig a net of {say(situation, share, 'share')} over {{trees}}",
            )
        )
    return found


def _shaded_places(situation: Situation) -> list[tuple[Place, FloatArray]]:
    """Places in which leaves may stand, with the sun over their horizon; least shade and shelter first."""
    indoor = situation.tables.physics.value("bench.indoor_level", "count")
    open_to_light = [place for place in situation.holdings.places.values() if place.shelter_level < indoor]
    ordered = sorted(open_to_light, key=lambda place: (place.shade_fraction, place.shelter_level))
    return [(place, place_sun_share(situation, place)) for place in ordered]


def _best_place(
    situation: Situation,
    rooms: Rooms,
    options: Sequence[tuple[Place, FloatArray]],
    state: TreeState,
    burn: Sunburn,
) -> Place | None:
    weather, limits = situation.weather, situation.tables.limits
    if weather is None:
        return None
    end = day_span(situation.holdings.garden, situation.day)[1]
    hidden = limits.value("shade.hidden_share", "share")
    second = None
    for place, sun in options:
        if place.id == state.place_id or not rooms.has(place.id):
            continue
        hours = window(weather.start_utc, sun, burn.by_utc, end)
        open_sun = float(np.nansum(hours)) if np.isfinite(hours).any() else np.inf
        if place.shade_fraction >= burn.share - 1e-9 or open_sun <= hidden * limits.value("heat.run_h", "h"):
            return place
        if place.shade_fraction >= burn.least - 1e-9:
            second = place
    return second


def _move(situation: Situation, group: Sequence[Sunburn], topic: str, do: str) -> Advice:
    garden = situation.holdings.garden
    worst = max(group, key=lambda burn: (burn.must, burn.heat, burn.margin_k))
    by = min(burn.by_utc for burn in group)
    trees = bench_order(situation, [burn.tree_id for burn in group])
    at_once = by <= situation.now_utc
    when = "now" if at_once else f"before {clock(garden, by)}"
    members = 0 if situation.members is None or not worst.heat else situation.members.sun_w_m2.shape[0]
    end = day_span(garden, situation.day)[1]
    return Advice(
        advice_id(topic, trees),
        "shade",
        "now" if at_once else "today",
        trees,
        f"{do.format(trees=names(situation, trees))} {when}: {worst.why}",
        situation.now_utc,
        min(max(by, situation.now_utc), end),
        worst.reasons,
        chance=worst.chance,
        sure=chance_words(situation.tables, worst.chance, members)
        if worst.heat
        else "by the sun over the horizon and the cloud forecast",
        changes_if="cloud, or a cooler forecast" if worst.heat else "log moved or shaded once done",
        hazard="heat",
        must=any(burn.must for burn in group),
    )


# --- pots -----------------------------------------------------------------------------------------------


def _pots(situation: Situation, pots: PotDay, usual: set[str]) -> list[Advice]:
    exposure, tables = situation.exposure, situation.tables
    if exposure is None:
        return []
    found = []
    limits = tables.limits
    silent = {tree for tree in exposure.tree_ids if is_confirmed(situation, "roots-hot", tree)} | usual
    end = day_span(situation.holdings.garden, situation.day)[1]
    hot = [tree for row, tree in enumerate(exposure.tree_ids) if pots.harm[row] and tree not in silent]
    if hot:
        trees = bench_order(situation, hot)
        worst = max(hot, key=lambda tree: float(pots.core_max_c[exposure.row(tree)]))
        row = exposure.row(worst)
        by = min(at for tree in hot if (at := pots.starts_utc[exposure.row(tree)]) is not None)
        core = float(pots.core_max_c[row])
        when = "now" if by <= situation.now_utc else f"before {clock(situation.holdings.garden, by)}"
        found.append(
            Advice(
                advice_id("shade-pot", trees),
                "shade",
                "today",
                trees,
                f"Shade the pots of {names(situation, trees)} {when} (cloth or board on the sunny side, or down to a "
                f"shaded floor): {say(situation, core, 'degC')} in the ball",
                situation.now_utc,
                max(by, situation.now_utc),
                (
                    Reason("temperature of the ball", core, "degC", limits.value("pot.core_c", "degC"), by,
                           "roots", limits.source("pot.core_c")),
                    Reason(
                        "part of the roots beyond the injury mark",
                        float(pots.hot_share[row]),
                        "share",
                        limits.value("pot.root_share", "share"),
                        by,
                        "roots",
                        limits.source("pot.root_share"),
                    ),
                ),
                sure="the pot model is right to about 2 K",
                changes_if="light pots, moss and neighbours keep the ball cooler",
                hazard="roots-hot",
            )
        )  # fmt: skip
    warm = [tree for row, tree in enumerate(exposure.tree_ids) if pots.rim_mark[row] and tree not in silent]
    if warm:
        trees = bench_order(situation, warm)
        rim = max(float(pots.rim_max_c[exposure.row(tree)]) for tree in warm)
        found.append(
            Advice(
                advice_id("shade-rim", trees),
                "shade",
                "note",
                trees,
                f"Keep the sunny pot wall of {names(situation, trees)} in shade if you can: {say(situation, rim, 'degC')} at the rim",
                situation.now_utc,
                end,
                (
                    Reason("temperature at the sunlit rim", rim, "degC", limits.value("pot.rim_note_c", "degC"), None,
                           "roots", limits.source("pot.rim_note_c")),
                ),
                sure="the pot model is right to about 3 K at the rim",
                hazard="roots-hot",
            )
        )  # fmt: skip
    return found


# --- back into sun, and what cannot be told -------------------------------------------------------------


def _back_into_sun(situation: Situation, burning: set[str]) -> list[Advice]:
    limits = situation.tables.limits
    end = day_span(situation.holdings.garden, situation.day)[1]
    found = []
    hardening = [
        tree
        for tree, state in situation.states.items()
        if state.flag(HARDENING) is not None and tree not in burning
    ]
    if hardening:
        trees = bench_order(situation, hardening)
        flag = situation.states[trees[0]].flag(HARDENING)
        day_n = 1 if flag is None else flag.day_n
        found.append(
            Advice(
                advice_id("shade-back", trees),
                "shade",
                "note",
                trees,
                f"Give {names(situation, trees)} one hour more of sun every two days (day {day_n})",
                situation.now_utc,
                end,
                (
                    Reason("days since it came into the light", float(day_n), "d", None, None,
                           "hardening" if flag is None else flag.rule.name, "common practice: growers"),
                ),
                sure="by the day it was moved",
                changes_if="leaves that bleach want a step back",
            )
        )  # fmt: skip
    deep = [tree for tree, state in situation.states.items() if _too_long_in_shade(situation, state)]
    if deep:
        trees = bench_order(situation, deep)
        days = max(
            (situation.day - since).days
            for tree in trees
            if (since := situation.states[tree].place_since) is not None
        )
        found.append(
            Advice(
                advice_id("shade-out", trees),
                "shade",
                "week",
                trees,
                f"Move {names(situation, trees)} back into the sun in steps, one hour more every two days: "
                f"{days} days under dense shade make soft growth",
                situation.now_utc,
                situation.now_utc + timedelta(days=limits.value("shade.stay_d", "d")),
                (
                    Reason("days under dense shade", float(days), "d", limits.value("shade.deep_d", "d"), None,
                           "sun-loving species", limits.source("shade.deep_d")),
                ),
                sure="by the day it was moved",
            )
        )  # fmt: skip
    return found


def _too_long_in_shade(situation: Situation, state: TreeState) -> bool:
    limits = situation.tables.limits
    caution = state.group.trait("air_caution_c", "degC")
    if caution is None or caution < limits.value("shade.sun_lover_c", "degC") or state.place_since is None:
        return False
    if state.flags or not (state.stage.stage.in_leaf or state.group.habit.startswith("evergreen")):
        return False
    place = situation.holdings.places.get(state.place_id)
    if place is None or place.shelter_level >= situation.tables.physics.value("bench.indoor_level", "count"):
        return False
    long = (situation.day - state.place_since).days > limits.value("shade.deep_d", "d")
    dense = net_share(situation, state) >= limits.value("shade.deep_share", "share")
    exposure = situation.exposure
    if not (long and dense) or exposure is None:
        return False
    row = exposure.row(state.tree.id)
    begin = this_hour(situation)
    ahead = window(
        exposure.start_utc,
        exposure.bench_temperature_c[row],
        begin,
        begin + timedelta(days=limits.value("shade.stay_d", "d")),
    )
    warmest = float(
        reduce_over(ahead, "max", minimum_coverage=limits.value("chance.coverage_share", "share")).value
    )
    return warmest < caution


def _blind(situation: Situation, trees: tuple[str, ...], why: str) -> Advice:
    end = day_span(situation.holdings.garden, situation.day)[1]
    return Advice(
        "shade-cannot-tell",
        "shade",
        "today",
        trees,
        f"Look at {names(situation, trees)} at noon: the advisor cannot tell whether sun or heat will be too much today",
        situation.now_utc,
        end,
        (
            Reason(
                "hours of sun, leaf temperature and dryness known today",
                None,
                "share",
                situation.tables.limits.value("chance.coverage_share", "share"),
                None,
                why,
                situation.tables.limits.source("chance.coverage_share"),
            ),
        ),
        sure="cannot tell",
        changes_if="the next weather that arrives",
        hazard="heat",
    )

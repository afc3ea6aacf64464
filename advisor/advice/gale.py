"""Wind and snow: which trees would fall, whose soft leaves would tatter, which nets must come down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.chance import act_at, by_members, by_spread, chance_words, gust_spread_share
from advisor.advice.grouping import advice_id, bench_order, names, say
from advisor.advice.hours import day_and_clock, hour_at, hours_at, this_hour, window
from advisor.advice.model import Advice, Reason, Situation, Urgency
from advisor.advice.places import Rooms, can_carry, is_confirmed, wind_kept
from advisor.exposure.model import Exposure
from advisor.exposure.tipping import tipping_gust_m_s
from advisor.garden.state_model import Need
from advisor.physics.missing import reduce_over

__all__ = ["Blow", "fall_measure", "judge_wind", "net_advice", "wind_advice"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Blow:
    """Wind over a span; arrays over the trees of the exposure.

    Attributes
    ----------
    gust_m_s : highest gust at the bench, NaN unknown. tips_at_m_s : tipping speed of each tree.
    fall_chance, tatter_chance, tear_chance : 0..1.
    falls, tatters, torn : chance at or above the grower's threshold.
    peak_utc : hour of the highest gust.
    """

    from_utc: datetime
    until_utc: datetime
    gust_m_s: FloatArray
    tips_at_m_s: FloatArray
    fall_chance: FloatArray
    tatter_chance: FloatArray
    tear_chance: FloatArray
    falls: BoolArray
    tatters: BoolArray
    torn: BoolArray
    peak_utc: tuple[datetime | None, ...]


def _limit(need: Need | None) -> float:
    return np.inf if need is None else need.value


def _chance_over(value: FloatArray, limit: FloatArray, spread_share: float) -> FloatArray:
    """Chance that a gust with a proportional error reaches a limit; 0 where there is none."""
    none = np.isinf(limit)
    spread = np.maximum(spread_share * value, 1e-6)
    margin = np.where(none, -np.inf, value - np.where(none, 0.0, limit))
    return by_spread(np.where(np.isnan(value), np.nan, margin), spread)


def judge_wind(situation: Situation, from_utc: datetime, until_utc: datetime) -> Blow:
    """Hold the gusts of a span against each tree's tipping speed and the limits of soft leaves.

    Raises
    ------
    ValueError
        The situation has no exposure.

    Source: ``exposure.tipping``; limits of soft leaves common practice. Checked:
    tests/advice/test_rule_cases.py.
    """
    exposure = situation.exposure
    if exposure is None:
        raise ValueError("wind needs an exposure; there is no weather")
    asked = ("judge_wind", from_utc, until_utc)
    return situation.once(asked, lambda: _judge_wind(situation, exposure, from_utc, until_utc))


def _judge_wind(situation: Situation, exposure: Exposure, from_utc: datetime, until_utc: datetime) -> Blow:
    limits = situation.tables.limits
    coverage = limits.value("chance.coverage_share", "share")

    def highest(of: FloatArray) -> FloatArray:
        return reduce_over(window(start, of, from_utc, until_utc), "max", minimum_coverage=coverage).value

    start = exposure.start_utc
    gusts = window(start, exposure.gust_m_s, from_utc, until_utc)
    left = reduce_over(
        window(start, exposure.water_left_share, from_utc, until_utc), "min", minimum_coverage=0.0
    ).value
    states = [situation.states[tree] for tree in exposure.tree_ids]
    tips = np.array(
        [
            tipping_gust_m_s(state.tree, state, float(share), situation.tables)
            for state, share in zip(states, left, strict=True)
        ]
    )
    gust, wind = highest(exposure.gust_m_s), highest(exposure.wind_m_s)
    soft_gust = np.array([_limit(state.needs.gust_m_s) for state in states])
    soft_wind = np.array([_limit(state.needs.wind_m_s) for state in states])
    tear = soft_gust * limits.value("gale.tear_factor", "1")
    past = until_utc <= situation.now_utc
    spread = 1e-6 if past else gust_spread_share(situation, from_utc)
    fall = _chance_over(gust, tips, spread)
    tatter = np.fmax(_chance_over(gust, soft_gust, spread), _chance_over(wind, soft_wind, spread))
    torn = _chance_over(gust, tear, spread)
    if situation.members is not None and not past:
        start = situation.members.start_utc
        of_members = highest(situation.members.gust_m_s)
        fall = _prefer(by_members(of_members - tips, coverage), fall)
        torn = _prefer(by_members(of_members - np.where(np.isinf(tear), 1e9, tear), coverage), torn)
    act, known = act_at(situation), ~np.isnan(gusts)
    strongest = np.where(known, gusts, -np.inf).argmax(axis=-1)
    with np.errstate(invalid="ignore"):
        return Blow(
            from_utc,
            until_utc,
            gust,
            tips,
            fall,
            tatter,
            torn,
            fall >= act,
            tatter >= act,
            torn >= act,
            hours_at(exposure.start_utc, from_utc, strongest, np.asarray(known.any(axis=-1))),
        )


def _prefer(shares: FloatArray, otherwise: FloatArray) -> FloatArray:
    return np.where(np.isnan(shares) | np.isnan(otherwise), otherwise, shares)


def wind_advice(situation: Situation) -> list[Advice]:
    """Tie down what would fall; take soft leaves out of the wind."""
    exposure, limits = situation.exposure, situation.tables.limits
    if exposure is None:
        return []
    begin = this_hour(situation)
    blow = judge_wind(situation, begin, begin + timedelta(hours=limits.value("gale.look_h", "h")))
    open_trees = [tree for tree in exposure.tree_ids if not is_confirmed(situation, "gale", tree)]
    falls = [tree for tree in open_trees if blow.falls[exposure.row(tree)]]
    tatters = [tree for tree in open_trees if blow.tatters[exposure.row(tree)] and tree not in falls]
    found = []
    if falls:
        found.append(fall_measure(situation, blow, falls, "shelter"))
    rooms, groups = Rooms(situation), dict[str, list[str]]()
    for tree in bench_order(situation, tatters):
        groups.setdefault(_lee(situation, rooms, blow, tree), []).append(tree)
    return [*found, *(_tatter_measure(situation, blow, place, trees) for place, trees in groups.items())]


def _urgency(situation: Situation, at: datetime | None) -> Urgency:
    soon = at is None or at - situation.now_utc <= timedelta(hours=24)
    return "today" if soon else "week"


def fall_measure(situation: Situation, blow: Blow, trees: Sequence[str], kind: str) -> Advice:
    """Return the measure for trees that would fall, as advice or as part of an alert."""
    exposure = situation.exposure
    assert exposure is not None  # noqa: S101 - callers hold an exposure
    ordered = bench_order(situation, trees)
    row = exposure.row(max(ordered, key=lambda tree: float(blow.fall_chance[exposure.row(tree)])))
    at, gust, tips = blow.peak_utc[row], float(blow.gust_m_s[row]), float(blow.tips_at_m_s[row])
    chance = float(blow.fall_chance[row])
    by = blow.until_utc if at is None else at
    when = "" if at is None else f" before {day_and_clock(situation, at)}"
    members = 0 if situation.members is None else situation.members.gust_m_s.shape[0]
    return Advice(
        advice_id("shelter-gale" if kind == "shelter" else "alert-gale", ordered),
        "shelter" if kind == "shelter" else "alert",
        _urgency(situation, at),
        ordered,
        f"Tie {names(situation, ordered)} down or set on the floor{when}, watered first for weight: gusts of "
        f"{say(situation, gust, 'm/s')} at the bench, {situation.states[exposure.tree_ids[row]].tree.name} "
        f"tips at {say(situation, tips, 'm/s')}",
        situation.now_utc,
        max(by, situation.now_utc),
        (
            Reason(
                "gust at the bench",
                gust,
                "m/s",
                tips,
                at,
                "tipping speed of the pot",
                situation.tables.physics.source("tipping.drag_coefficient"),
            ),
        ),
        chance=chance,
        sure=chance_words(situation.tables, chance, members),
        changes_if="a lull in the forecast; a pot already tied does not tip",
        hazard="gale",
        must=gust >= tips,
    )


def _lee(situation: Situation, rooms: Rooms, blow: Blow, tree: str) -> str:
    """Place id of the lowest shelter where the wind is below a tree's limit, and room; else empty."""
    exposure, state = situation.exposure, situation.states[tree]
    here = situation.holdings.places.get(state.place_id)
    if exposure is None or here is None or not can_carry(situation, state):
        return ""
    row, kept = exposure.row(tree), wind_kept(situation, here)
    limit = _limit(state.needs.gust_m_s)
    indoor = situation.tables.physics.value("bench.indoor_level", "count")
    for place in sorted(situation.holdings.places.values(), key=lambda place: place.shelter_level):
        if place.id == here.id or not rooms.has(place.id) or place.shelter_level >= indoor or kept <= 0.0:
            continue
        factor = wind_kept(situation, place) / kept
        if factor < 1.0 and float(blow.gust_m_s[row]) * factor < limit:
            rooms.take(place.id)
            return place.id
    return ""


def _tatter_measure(situation: Situation, blow: Blow, place_id: str, trees: Sequence[str]) -> Advice:
    exposure = situation.exposure
    assert exposure is not None  # noqa: S101 - callers hold an exposure
    ordered = bench_order(situation, trees)
    row = exposure.row(max(ordered, key=lambda tree: float(blow.tatter_chance[exposure.row(tree)])))
    needs, at = situation.states[exposure.tree_ids[row]].needs, blow.peak_utc[row]
    gust, chance = float(blow.gust_m_s[row]), float(blow.tatter_chance[row])
    need = needs.gust_m_s or needs.wind_m_s
    assert need is not None  # noqa: S101 - without a limit nothing tatters
    who = names(situation, ordered)
    when = "" if at is None else f" before {day_and_clock(situation, at)}"
    if place_id:
        do = f"Move {who} out of the wind to {situation.holdings.places[place_id].name}{when}"
    else:
        do = f"Set {who} on the floor in the lee, out of the wind{when}"
    return Advice(
        advice_id(f"shelter-wind-{place_id or 'floor'}", ordered),
        "shelter",
        _urgency(situation, at),
        ordered,
        f"{do}: gusts of {say(situation, gust, 'm/s')} at the bench ({need.set_by})",
        situation.now_utc,
        situation.now_utc if at is None else max(at, situation.now_utc),
        (Reason("gust at the bench", gust, "m/s", need.value, at, need.set_by, need.source),),
        chance=chance,
        sure=chance_words(situation.tables, chance),
        changes_if="a lull in the forecast",
        hazard="gale",
    )


def net_advice(situation: Situation) -> list[Advice]:
    """Nets tied or down before strong gusts or snow."""
    weather, limits, holdings = situation.weather, situation.tables.limits, situation.holdings
    if weather is None:
        return []
    indoor = situation.tables.physics.value("bench.indoor_level", "count")
    roofs = limits.value("gale.roof_level", "count")
    netted = [
        place
        for place in holdings.places.values()
        if place.shade_fraction > 0.0 and place.shelter_level < min(indoor, roofs)
    ]
    single = bench_order(
        situation, [tree for tree, state in situation.states.items() if state.extra_shade > 0.0]
    )
    if not netted and not single:
        return []
    begin = this_hour(situation)
    end = begin + timedelta(hours=limits.value("gale.look_h", "h"))
    gusts = window(weather.start_utc, weather.value("wind_gust_m_s"), begin, end)
    known = reduce_over(gusts, "max", minimum_coverage=0.0)
    factor = situation.tables.physics.value("bench.wind_factor", "1")
    keeps = [wind_kept(situation, place) for place in netted] + [
        wind_kept(situation, holdings.places[situation.states[tree].place_id])
        for tree in single
        if situation.states[tree].place_id in holdings.places
    ]
    gust = float(known.value) * factor * max(keeps, default=1.0)
    snow = window(weather.start_utc, weather.value("snow_depth_cm"), begin, end)
    deepest = float(reduce_over(snow, "max", minimum_coverage=0.0).value)
    fresh = deepest - float(snow[0]) if snow.size else np.nan
    limit, snow_limit = limits.value("gale.net_gust_m_s", "m/s"), limits.value("gale.net_snow_cm", "cm")
    reasons, why, hour = [], "", None
    if gust >= limit:
        hour = hour_at(weather.start_utc, begin, int(np.nanargmax(gusts)))
        reasons.append(
            Reason("gust at the nets", gust, "m/s", limit, hour, "nets", limits.source("gale.net_gust_m_s"))
        )
        why = f"gusts of {say(situation, gust, 'm/s')} {day_and_clock(situation, hour)}"
    elif fresh >= snow_limit:
        hour = hour_at(weather.start_utc, begin, int(np.nanargmax(snow)))
        reasons.append(
            Reason("new snow", fresh, "cm", snow_limit, hour, "nets", limits.source("gale.net_snow_cm"))
        )
        why = f"{say(situation, fresh, 'cm')} of snow until {day_and_clock(situation, hour)}"
    if not reasons or hour is None:
        return []
    where = [f"over {place.name}" for place in netted] + (
        [f"over {names(situation, single)}"] if single else []
    )
    under = [
        tree for tree, state in situation.states.items() if state.place_id in {place.id for place in netted}
    ]
    trees = bench_order(situation, [*under, *single])
    return [
        Advice(
            advice_id("shelter-nets", [place.id for place in netted]),
            "shelter",
            _urgency(situation, hour),
            trees,
            f"Tie the nets or take them down ({', '.join(where)}): {why}",
            situation.now_utc,
            max(hour, situation.now_utc),
            tuple(reasons),
            sure="by the forecast for the open garden",
            changes_if="a lull in the forecast",
            hazard="gale",
        )
    ]

"""Shelter: cold nights, frozen balls, wind, hail, long rain; and saying so where a night cannot be told."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.cold_shelter import carry_in
from advisor.advice.frost import Night, judge_night
from advisor.advice.gale import net_advice, wind_advice
from advisor.advice.grouping import advice_id, bench_order, names, say
from advisor.advice.hail import hail_advice
from advisor.advice.heat import rolling_margin, sun_is_on
from advisor.advice.hours import day_and_clock, day_span, eve_of, hour_at, this_hour, window
from advisor.advice.model import Advice, Reason, Situation
from advisor.advice.places import is_confirmed
from advisor.advice.readings import conditional, other_readings, told_already
from advisor.advice.settled import settled
from advisor.advice.wet import wet_advice
from advisor.physics.missing import reduce_over

__all__ = ["shelter_advice"]

FloatArray = NDArray[np.float64]


def shelter_advice(situation: Situation) -> tuple[Advice, ...]:
    """Every piece of advice on shelter for today, tonight and, as notice, the nights after.

    Trees are judged where today's moves out of the sun put them, and those moves have taken their room. What
    only threatens a tree that was not carried is told with that behind it.
    """
    if situation.exposure is None or situation.weather is None:
        return _no_weather(situation)
    after = settled(situation)
    found = [*_of_trees(after, None), *net_advice(after)]
    sure = tuple(found)
    for reading in other_readings(situation):
        pieces = _of_trees(reading.situation, reading.trees)
        found += [conditional(piece, reading) for piece in pieces if not told_already(piece, sure)]
    return tuple(found)


def _of_trees(situation: Situation, of: Collection[str] | None) -> list[Advice]:
    """Advice on all trees of the exposure, or on some, where it has only these."""
    return [
        *_cold(situation),
        *_soak_before_freeze(situation),
        *_sun_on_frozen_ball(situation),
        *wind_advice(situation),
        *hail_advice(situation, of),
        *wet_advice(situation, of),
    ]


def _no_weather(situation: Situation) -> tuple[Advice, ...]:
    limited = [
        tree
        for tree, state in situation.states.items()
        if state.needs.frost_limit_c is not None or state.needs.root_limit_c is not None
    ]
    return (_cannot_tell(situation, limited, "no weather at all"),) if limited else ()


# --- cold nights ----------------------------------------------------------------------------------------


def _confirmed_cold(situation: Situation, tree: str) -> bool:
    return is_confirmed(situation, "frost", tree) or is_confirmed(situation, "roots-cold", tree)


def _in_danger(situation: Situation, night: Night, done: set[str]) -> list[str]:
    exposure = situation.exposure
    if exposure is None:
        return []
    return [
        tree
        for row, tree in enumerate(exposure.tree_ids)
        if night.danger[row] and tree not in done and not _confirmed_cold(situation, tree)
    ]


def _cold(situation: Situation) -> list[Advice]:
    """Tonight first, then what is left of last night, then one look ahead."""
    exposure, limits, garden = situation.exposure, situation.tables.limits, situation.holdings.garden
    if exposure is None:
        return []
    here = eve_of(garden, situation.now_utc)
    tonight_eve = here if here == situation.day else situation.day
    tonight = judge_night(situation, tonight_eve, this_hour(situation))
    told: set[str] = set()
    found: list[Advice] = []
    danger = _in_danger(situation, tonight, told)
    found += carry_in(situation, tonight, danger)
    told |= set(danger)
    if here != tonight_eve:
        rest = judge_night(situation, here, this_hour(situation))
        danger = _in_danger(situation, rest, told)
        found += carry_in(situation, rest, danger)
        told |= set(danger)
    unknown = [tree for row, tree in enumerate(exposure.tree_ids) if tonight.unknown[row]]
    if unknown:
        found.append(_cannot_tell(situation, unknown, _missing_hours(situation, tonight)))
    for ahead in range(1, round(limits.value("frost.ahead_d", "d")) + 1):
        later = judge_night(situation, tonight_eve + timedelta(days=ahead))
        danger = _in_danger(situation, later, told)
        found += carry_in(situation, later, danger)
        told |= set(danger)
    return found


def _missing_hours(situation: Situation, night: Night) -> str:
    exposure = situation.exposure
    if exposure is None:
        return "no weather"
    bench = window(exposure.start_utc, exposure.bench_temperature_c, night.from_utc, night.until_utc)
    core = window(exposure.start_utc, exposure.pot_core_c, night.from_utc, night.until_utc)
    for name, values in (("temperature", bench), ("pot temperature", core)):
        gaps = np.flatnonzero(np.isnan(values).any(axis=0))
        if gaps.size:
            first = day_and_clock(situation, hour_at(exposure.start_utc, night.from_utc, int(gaps[0])))
            last = day_and_clock(situation, hour_at(exposure.start_utc, night.from_utc, int(gaps[-1]) + 1))
            return f"no {name} from {first} to {last}"
    return "hours missing"


def _cannot_tell(situation: Situation, trees: list[str], missing: str) -> Advice:
    limits = situation.tables.limits
    ordered = bench_order(situation, trees)
    needs = [situation.states[tree].needs for tree in ordered]
    highest = max(
        (
            need.value
            for each in needs
            for need in (each.frost_limit_c, each.root_limit_c)
            if need is not None
        ),
        default=0.0,
    )
    return Advice(
        "shelter-cannot-tell",
        "shelter",
        "today",
        ordered,
        f"Watch the thermometer tonight and have cover ready for {names(situation, ordered)}: the "
        "advisor cannot "
        f"tell about frost ({missing}); the first limit stands at {say(situation, highest, 'degC')}",
        situation.now_utc,
        day_span(situation.holdings.garden, situation.day)[1],
        (
            Reason(
                f"temperature of the coming night: {missing}",
                None,
                "degC",
                highest,
                None,
                "missing weather",
                limits.source("chance.coverage_share"),
            ),
        ),
        sure="cannot tell",
        changes_if="the next weather that arrives",
        hazard="frost",
    )


# --- frozen balls ---------------------------------------------------------------------------------------


def _soak_before_freeze(situation: Situation) -> list[Advice]:
    """Water at least a day before the first freeze of a spell, so that the ball drains."""
    exposure, limits = situation.exposure, situation.tables.limits
    if exposure is None:
        return []
    now = this_hour(situation)
    frozen_c = limits.value("pot.frozen_c", "degC")
    before = limits.value("frost.soak_before_h", "h")
    ahead = window(
        exposure.start_utc,
        exposure.pot_core_c,
        now,
        now + timedelta(hours=limits.value("frost.soak_look_h", "h")),
    )
    back = window(
        exposure.start_utc,
        exposure.pot_core_c,
        now - timedelta(days=limits.value("frost.thawed_d", "d")),
        now,
    )
    due: dict[str, datetime] = {}
    with np.errstate(invalid="ignore"):
        for row, tree in enumerate(exposure.tree_ids):
            rows = np.flatnonzero(ahead[row] <= frozen_c)
            thawed = not (back[row] <= frozen_c).any()
            if (
                rows.size
                and thawed
                and int(rows[0]) > before
                and not is_confirmed(situation, "roots-cold", tree)
            ):
                due[tree] = hour_at(exposure.start_utc, now, int(rows[0]))
    if not due:
        return []
    trees = bench_order(situation, due)
    first = min(due.values())
    coldest = float(
        reduce_over(ahead[[exposure.row(tree) for tree in trees]].ravel(), "min", minimum_coverage=0.0).value
    )
    by = first - timedelta(hours=before)
    return [
        Advice(
            advice_id("shelter-soak", trees),
            "shelter",
            "today",
            trees,
            f"Water {names(situation, trees)} well by {day_and_clock(situation, by)} and let the "
            "pots drain: they "
            f"freeze from {day_and_clock(situation, first)}; a dry ball freezes fastest, a soaked "
            "one splits the pot",
            situation.now_utc,
            max(by, situation.now_utc),
            (
                Reason(
                    "temperature of the ball",
                    coldest,
                    "degC",
                    frozen_c,
                    first,
                    "first freeze",
                    limits.source("frost.soak_before_h"),
                ),
            ),
            sure="by the pot model, right to about 2 K",
            changes_if="a warmer forecast",
            hazard="",
        )
    ]


def _sun_on_frozen_ball(situation: Situation) -> list[Advice]:
    """Evergreens lose water that frozen roots cannot replace: out of the sun while the ball is frozen."""
    exposure, limits, garden = situation.exposure, situation.tables.limits, situation.holdings.garden
    if exposure is None:
        return []
    begin, end = day_span(garden, situation.day)
    span = (max(begin, this_hour(situation)), end)

    def cut(values: FloatArray) -> FloatArray:
        return window(exposure.start_utc, values, *span)

    sun = sun_is_on(situation, cut(exposure.sun_w_m2), cut(exposure.sun_elevation_deg))
    core = cut(exposure.pot_core_c)
    frozen_c = limits.value("pot.frozen_c", "degC")
    with np.errstate(invalid="ignore"):
        both = np.where((sun > 0.0) & (core <= frozen_c), 0.0, -np.inf)
    runs = rolling_margin(both, limits.value("frost.ball_sun_h", "h")).max(axis=-1) >= 0.0
    trees = bench_order(
        situation,
        [
            tree
            for row, tree in enumerate(exposure.tree_ids)
            if runs[row]
            and situation.states[tree].group.habit.startswith("evergreen")
            and not is_confirmed(situation, "roots-cold", tree)
        ],
    )
    if not trees:
        return []
    rows = [exposure.row(tree) for tree in trees]
    coldest = float(reduce_over(core[rows].ravel(), "min", minimum_coverage=0.0).value)
    wind = float(reduce_over(cut(exposure.wind_m_s)[rows].ravel(), "max", minimum_coverage=0.0).value)
    windy = " and out of the wind" if wind >= limits.value("frost.ball_wind_m_s", "m/s") else ""
    most = say(situation, limits.value("shade.most_share", "share"), "share")
    least = say(situation, limits.value("shade.usual_share", "share"), "share")
    return [
        Advice(
            advice_id("shelter-ball", trees),
            "shelter",
            "today",
            trees,
            f"Shade {names(situation, trees)} from the sun{windy} while the ball is frozen "
            f"(north side, or a net of {least} to {most}): {say(situation, coldest, 'degC')} in the ball",
            situation.now_utc,
            end,
            (
                Reason(
                    "temperature of the ball with sun on the leaves",
                    coldest,
                    "degC",
                    frozen_c,
                    None,
                    "frozen ball",
                    limits.source("frost.ball_sun_h"),
                ),
            ),
            sure="by the pot model, right to about 2 K",
            changes_if="thaw",
            hazard="roots-cold",
        )
    ]

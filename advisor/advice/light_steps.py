"""The way back into the sun, in steps: out of store, and out of shade that lasted too long."""

from __future__ import annotations

from datetime import timedelta

from advisor.advice.grouping import advice_id, bench_order, names
from advisor.advice.heat import net_share
from advisor.advice.hours import day_span, this_hour, window
from advisor.advice.model import Advice, Reason, Situation
from advisor.garden.state_model import TreeState
from advisor.physics.missing import reduce_over

__all__ = ["back_into_sun"]

HARDENING = "hardening"
"""Flag of trees on their way back into the light: a row of config/aftercare.toml."""


def back_into_sun(situation: Situation, burning: set[str], moving: set[str]) -> list[Advice]:
    """Return the steps for trees being hardened, and for sun-lovers too long under dense shade.

    Trees in ``burning`` are in danger; those in ``moving`` are told where to go already.
    """
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
                    Reason(
                        "days since it came into the light",
                        float(day_n),
                        "d",
                        None,
                        None,
                        "hardening" if flag is None else flag.rule.name,
                        "common practice: growers",
                    ),
                ),
                sure="by the day it was moved",
                changes_if="leaves that bleach want a step back",
            )
        )
    deep = [
        tree
        for tree, state in situation.states.items()
        if tree not in moving and _too_long_in_shade(situation, state)
    ]
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
                    Reason(
                        "days under dense shade",
                        float(days),
                        "d",
                        limits.value("shade.deep_d", "d"),
                        None,
                        "sun-loving species",
                        limits.source("shade.deep_d"),
                    ),
                ),
                sure="by the day it was moved",
            )
        )
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

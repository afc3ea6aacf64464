"""Long rain on pots that drink little."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, timedelta

from advisor.advice.grouping import advice_id, bench_order, names, say
from advisor.advice.hours import day_span, window
from advisor.advice.model import Advice, Reason, Situation
from advisor.advice.places import is_confirmed
from advisor.exposure.places import Spot, spot_traits
from advisor.garden.state_model import Stage, TreeState
from advisor.physics.missing import reduce_over

__all__ = ["drinks_little", "wet_advice"]


def _rain_mm(situation: Situation, day: date) -> float:
    weather = situation.weather
    if weather is None:
        return float("nan")
    coverage = situation.tables.limits.value("chance.coverage_share", "share")
    hours = window(weather.start_utc, weather.value("rain_mm"), *day_span(situation.holdings.garden, day))
    return float(reduce_over(hours, "sum", minimum_coverage=coverage).value)


def _wet_days(situation: Situation, day: date) -> int:
    """Length of the run of wet days that holds ``day``; 0 where it is dry or unknown."""
    limit = situation.tables.limits.value("wet.day_mm", "mm")
    window_d = round(situation.tables.limits.value("wet.window_d", "d"))
    if not _rain_mm(situation, day) >= limit:
        return 0
    run = 1
    for step in (-1, 1):
        for distance in range(1, window_d):
            if not _rain_mm(situation, day + timedelta(days=step * distance)) >= limit:
                break
            run += 1
    return run


def _surplus_mm(situation: Situation, day: date) -> float:
    """Rain less reference evapotranspiration of the week round a day; NaN where unknown."""
    exposure, limits = situation.exposure, situation.tables.limits
    if exposure is None:
        return float("nan")
    window_d = round(limits.value("wet.window_d", "d"))
    first = day - timedelta(days=window_d // 2)
    days = [first + timedelta(days=n) for n in range(window_d)]
    rain = sum(_rain_mm(situation, each) for each in days)
    span = day_span(situation.holdings.garden, days[0])[0], day_span(situation.holdings.garden, days[-1])[1]
    coverage = limits.value("chance.coverage_share", "share")
    used = reduce_over(
        window(exposure.start_utc, exposure.reference_et_mm, *span), "sum", minimum_coverage=coverage
    )
    return rain - float(used.value)


def drinks_little(situation: Situation, state: TreeState) -> bool:
    """Return True for trees with little leaf or few roots, and for those at rest."""
    limits = situation.tables.limits
    return (
        state.water_leaf_share < limits.value("wet.low_leaf_share", "share")
        or state.root_share < limits.value("wet.low_root_share", "share")
        or state.stage.stage in {Stage.DORMANT, Stage.LEAF_FALL}
    )


def wet_advice(situation: Situation, of: Collection[str] | None = None) -> list[Advice]:
    """Prop or roof pots that drink little in a wet spell. ``of``: only these trees.

    Source: three days of 5 mm or 30 mm more than evaporates in a week, estimates after common practice;
    see config/limits.toml. Checked: tests/advice/test_rule_cases.py.
    """
    limits, holdings = situation.tables.limits, situation.holdings
    run, surplus = _wet_days(situation, situation.day), _surplus_mm(situation, situation.day)
    long = run >= limits.value("wet.days", "d")
    full = surplus > limits.value("wet.surplus_mm", "mm")
    if not (long or full):
        return []
    open_places = [
        place
        for place in holdings.places.values()
        if not spot_traits([Spot(place)], situation.tables).roofed[0, 0]
    ]
    open_ids = {place.id for place in open_places}
    chosen = [
        tree
        for tree, state in situation.states.items()
        if state.place_id in open_ids
        and (of is None or tree in of)
        and drinks_little(situation, state)
        and not is_confirmed(situation, "rain", tree)
    ]
    if not chosen:
        return []
    trees = bench_order(situation, chosen)
    conifers = [tree for tree in trees if "conifer" in situation.states[tree].group.marks]
    first = ", conifers first" if conifers and len(conifers) < len(trees) else ""
    low, high = limits.value("wet.prop_low_cm", "cm"), limits.value("wet.prop_high_cm", "cm")
    if long:
        why = f"{run} wet days on end"
        reason = Reason(
            "wet days on end",
            float(run),
            "d",
            limits.value("wet.days", "d"),
            None,
            "wet spell",
            limits.source("wet.days"),
        )
    else:
        why = f"{say(situation, surplus, 'mm', 0)} more rain than dries in a week"
        reason = Reason(
            "rain less evaporation in seven days",
            surplus,
            "mm",
            limits.value("wet.surplus_mm", "mm"),
            None,
            "wet spell",
            limits.source("wet.surplus_mm"),
        )
    before = situation.day - timedelta(days=1)
    known_yesterday = _wet_days(situation, before) >= limits.value("wet.days", "d") or (
        _surplus_mm(situation, before) > limits.value("wet.surplus_mm", "mm")
    )
    return [
        Advice(
            advice_id("shelter-wet", trees),
            "shelter",
            "note" if known_yesterday else "today",
            trees,
            f"Prop one end of the pot by {say(situation, low, 'cm').split()[0]} to "
            f"{say(situation, high, 'cm')}, or roof "
            f"{names(situation, trees)}{first}, and water only once the top has dried: {why}",
            situation.now_utc,
            day_span(holdings.garden, situation.day)[1],
            (reason,),
            sure="by the forecast rain; showers differ from yard to yard",
            changes_if="a dry day with wind",
            hazard="rain",
        )
    ]

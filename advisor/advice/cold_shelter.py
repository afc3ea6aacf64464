"""Where to carry trees before a cold night: the lowest shelter of their own that is enough and has room."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.chance import act_at, by_spread, chance_words, spread_k
from advisor.advice.frost import Night, frost_reasons
from advisor.advice.grouping import advice_id, bench_order, names, say
from advisor.advice.hours import clock, day_name, local_at, window
from advisor.advice.model import Advice, Situation, Urgency
from advisor.advice.places import Rooms, can_carry, place_temperatures, warmer_by_k
from advisor.advice.placing_solution import Task, solve
from advisor.exposure.model import Exposure
from advisor.garden.model import Place

__all__ = ["carry_in"]

FloatArray = NDArray[np.float64]


UNPLACED, NOT_ENOUGH = 100.0, 20.0
"""Costs beside which a step of shelter level is 1: no place at all, and one that is warmer but not enough.

They only put the choices in order, none of them is a limit of the trade: any place that is enough (0 to 5)
goes before any that is not (10 to 20), and that before none (100 and more).
"""
MOST_K = 10.0
"""Kelvin that order trees among equals, kept below the steps between those choices."""


def carry_in(situation: Situation, night: Night, trees: Sequence[str]) -> list[Advice]:
    """Return one piece of advice for each place that takes trees in, and for those without a place.

    All trees are placed at once: first as many as there is room for, the most endangered before others, then
    in shelter that is enough, then as low as it goes.
    """
    exposure = situation.exposure
    if exposure is None or not trees:
        return []
    rooms = Rooms(situation)
    places = sorted(situation.holdings.places.values(), key=lambda place: place.shelter_level)
    offered = {place.id: rooms.free(place.id) for place in places}
    order = bench_order(situation, trees)
    ranked = sorted(order, key=lambda tree: -night.margin_k(exposure.row(tree)))
    costs = _costs(situation, night, places, ranked)
    options = np.tile(np.arange(len(places) + 1), (len(ranked), 1))
    none = options == len(places)
    room = [offered[place.id] for place in places]
    solution = solve(Task(costs, np.where(none, -1, options), room, ~none))
    # Staying under cover where it stands is always open; with no solution all the same everybody does.
    chosen = np.full(len(ranked), len(places)) if solution is None else solution.option
    groups: dict[tuple[str, bool, bool], list[str]] = {}
    for row, tree in enumerate(ranked):
        column = int(chosen[row])
        heavy = not can_carry(situation, situation.states[tree])
        placed = column < len(places)
        enough = placed and costs[row, column] < NOT_ENOUGH - MOST_K
        groups.setdefault((places[column].id if placed else "", bool(enough), heavy), []).append(tree)
    return [_advice(situation, exposure, night, key, group, offered) for key, group in groups.items()]


def _costs(situation: Situation, night: Night, places: Sequence[Place], trees: Sequence[str]) -> FloatArray:
    """Cost of each place for each tree, and of none in the last column; infinite where it is no help."""
    exposure, weather = situation.exposure, situation.weather
    costs = np.full((len(trees), len(places) + 1), np.inf)
    if exposure is None or weather is None:
        costs[:, -1] = UNPLACED
        return costs
    temperatures = place_temperatures(situation)
    span = (night.from_utc, night.until_utc)
    spread = spread_k(situation, night.from_utc)
    roots = spread * situation.tables.limits.value("frost.root_spread", "1")
    for number, tree in enumerate(trees):
        state, row = situation.states[tree], exposure.row(tree)
        costs[number, -1] = UNPLACED + float(np.clip(night.margin_k(row), 0.0, MOST_K))
        here = situation.holdings.places.get(state.place_id)
        if not can_carry(situation, state):
            continue
        for column, place in enumerate(places):
            if place.id == state.place_id:
                continue
            if here is not None and place.shelter_level <= here.shelter_level:
                continue
            gain = 0.0
            if here is not None and here.id in temperatures and place.id in temperatures:
                gain = warmer_by_k(
                    window(weather.start_utc, temperatures[here.id], *span),
                    window(weather.start_utc, temperatures[place.id], *span),
                )
            left = max(
                _chance_left(night.shoot_margin_k[row] - gain, spread),
                _chance_left(night.root_margin_k[row] - gain, roots),
            )
            if left < act_at(situation):
                costs[number, column] = float(place.shelter_level)
            elif gain > 0.0:
                costs[number, column] = NOT_ENOUGH - min(gain, MOST_K)
    return costs


def _chance_left(margin: float, spread: float) -> float:
    return float(np.nan_to_num(by_spread(np.array(margin), spread)))


def _advice(
    situation: Situation,
    exposure: Exposure,
    night: Night,
    key: tuple[str, bool, bool],
    group: Sequence[str],
    offered: dict[str, int | None],
) -> Advice:
    holdings, limits = situation.holdings, situation.tables.limits
    place_id, enough, heavy = key
    trees = bench_order(situation, group)
    worst = exposure.row(max(trees, key=lambda tree: night.margin_k(exposure.row(tree))))
    by = local_at(holdings.garden, night.eve, limits.value("frost.by_h", "hour of day"))
    late = situation.now_utc >= by
    when = "now" if late else f"by {clock(holdings.garden, by)}"
    if not late and night.eve != situation.day:
        when += f" {day_name(situation, night.eve)}"
    who = names(situation, trees)
    if place_id:
        place = holdings.places[place_id]
        room = offered[place_id]
        has = "" if room is None else f", room for {room}"
        what = f"Carry {who} to {place.name} {when} (shelter level {place.shelter_level}{has})"
        if not enough:
            what += ", cover them there as well, for it may not be enough"
    elif heavy:
        what = f"Cover {who} where they stand {when}: fleece over the crown, the pot wrapped"
    else:
        what = (
            f"Bring {who} under cover {when}: no warmer place of the garden file has room; "
            "on the floor by a wall under fleece, or indoors for the night"
        )
    members = 0 if situation.members is None else situation.members.pot_core_c.shape[0]
    chance = max(night.chance(exposure.row(tree)) for tree in trees)
    must = night.margin_k(worst) >= limits.value("frost.must_k", "K")
    return Advice(
        advice_id(f"shelter-cold-{place_id or ('heavy' if heavy else 'none')}", trees),
        "shelter",
        _urgency(situation, night, late=late),
        trees,
        f"{what}: {_why(situation, night, worst)}",
        situation.now_utc,
        min(max(by, situation.now_utc + timedelta(hours=1)), night.until_utc)
        if not late
        else night.until_utc,
        frost_reasons(situation, night, worst),
        chance=chance,
        sure=chance_words(situation.tables, chance, members),
        changes_if="cloud or wind in the night, or a warmer forecast",
        hazard="roots-cold" if night.by_roots(worst) else "frost",
        must=must,
    )


def _urgency(situation: Situation, night: Night, *, late: bool) -> Urgency:
    if late:
        return "now"
    return "today" if night.eve <= situation.day else "week"


def _why(situation: Situation, night: Night, row: int) -> str:
    exposure = situation.exposure
    if exposure is None:
        return ""
    needs, at = situation.states[exposure.tree_ids[row]].needs, night.coldest_utc[row]
    toward = "" if at is None else f" toward {clock(situation.holdings.garden, at)}"
    if night.by_roots(row) and needs.root_limit_c is not None:
        limit = needs.root_limit_c
        return (
            f"{say(situation, float(night.root_min_c[row]), 'degC')} in the pot in the night; "
            f"roots to be kept above {say(situation, limit.value, 'degC')} ({limit.set_by})"
        )
    if needs.frost_limit_c is not None:
        limit = needs.frost_limit_c
        return (
            f"{say(situation, float(night.bench_min_c[row]), 'degC')} on the bench{toward}; "
            f"to be kept above {say(situation, limit.value, 'degC')} ({limit.set_by})"
        )
    return "cold night"

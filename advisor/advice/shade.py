"""Shade and place: who must be out of the sun today, where to, by when; pots; and the way back into sun."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from advisor.advice.chance import chance_words
from advisor.advice.grouping import advice_id, bench_order, names, say
from advisor.advice.heat import heat_day, net_share
from advisor.advice.hours import clock, day_span, this_hour, window
from advisor.advice.light_steps import back_into_sun
from advisor.advice.model import Advice, Amount, Reason, Situation
from advisor.advice.places import Rooms, can_carry, is_confirmed, place_sun_share
from advisor.advice.pot_heat import pot_day
from advisor.advice.pot_shade import pot_shade
from advisor.advice.standing import standing_advice, standing_heat, standing_pots
from advisor.advice.sunburn import Sunburn, burnt_by_heat, too_much_sun
from advisor.garden.model import Place
from advisor.garden.state_model import TreeState

__all__ = ["shade_advice"]

FloatArray = NDArray[np.float64]


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
        sun = too_much_sun(situation, tree)
        if np.isnan(today.margin_k[row]) or (sun is None):
            unknown.append(tree)
        elif today.danger[row] and (tree not in usual or today.margin_k[row] >= worse):
            burns.append(burnt_by_heat(situation, today, row, tree))
        elif isinstance(sun, Sunburn):
            burns.append(sun)
    return (
        *_moves(situation, burns),
        *pot_shade(situation, pots, set(usual_pots)),
        *standing_advice(
            situation,
            "heat",
            usual,
            "Give {trees} another place for good, or rig a net there: on {place} the heat passes "
            "the limit too often",
            "days on which leaves passed their limit",
        ),
        *standing_advice(
            situation,
            "pot",
            usual_pots,
            "Shade the pots of {trees} for good: on {place} the pots pass the limit too often",
            "days on which pots passed their limit",
        ),
        *back_into_sun(situation, {burn.tree_id for burn in burns}),
        *([_blind(situation, bench_order(situation, unknown), "hours missing")] if unknown else []),
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
    under_net: dict[bool, list[Sunburn]] = {}
    for burn in ranked:
        state = situation.states[burn.tree_id]
        chosen = None
        if can_carry(situation, state) and moves_left > 0:
            chosen = _best_place(situation, rooms, options, state, burn)
        if chosen is None:
            under_net.setdefault(net_share(situation, state) > 0.0, []).append(burn)
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
    for netted, group in under_net.items():
        share = float(np.ceil(max(burn.share for burn in group) * 10.0 - 1e-9)) / 10.0
        net = f"a net of {say(situation, share, 'share')}"
        do = (
            f"Take {net} instead of the lighter one over {{trees}}" if netted else f"Rig {net} over {{trees}}"
        )
        topic = "shade-denser" if netted else "shade-net"
        found.append(_move(situation, group, topic, do, Amount(share, "share")))
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


def _move(
    situation: Situation, group: Sequence[Sunburn], topic: str, do: str, net: Amount | None = None
) -> Advice:
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
        amount=net,
        chance=worst.chance,
        sure=chance_words(situation.tables, worst.chance, members)
        if worst.heat
        else "by the sun over the horizon and the cloud forecast",
        changes_if="cloud, or a cooler forecast" if worst.heat else "log moved or shaded once done",
        hazard="heat",
        must=any(burn.must for burn in group),
    )


def _blind(situation: Situation, trees: tuple[str, ...], why: str) -> Advice:
    end = day_span(situation.holdings.garden, situation.day)[1]
    return Advice(
        "shade-cannot-tell",
        "shade",
        "today",
        trees,
        f"Look at {names(situation, trees)} at noon: the advisor cannot tell whether sun or heat "
        "will be too much today",
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

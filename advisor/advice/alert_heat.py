"""The heat mail, two to three days ahead of each heat wave: what to do, in order, and what to stop."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta

import numpy as np

from advisor.advice.chance import act_at, chance_words
from advisor.advice.grouping import advice_id, bench_order, names, say
from advisor.advice.heat import HeatDay, heat_day
from advisor.advice.heat_reasons import heat_reasons
from advisor.advice.hours import clock, day_name, day_span, local_at, local_day, window
from advisor.advice.model import Advice, AlertEvent, Reason, Situation
from advisor.advice.places import is_confirmed
from advisor.advice.placing import Placed, place_trees, placing
from advisor.advice.placing_words import rivals_words
from advisor.advice.standing import standing_heat
from advisor.advice.sunburn import burnt_by_heat
from advisor.advice.unusual import Unusual, unusual_heat
from advisor.advice.water import TOP_THIRD
from advisor.exposure.water import watered_with_care
from advisor.garden.state_model import TreeState
from advisor.physics.missing import reduce_over
from advisor.weather.table import utc_of

__all__ = ["heat_alert", "hot_days"]


def heat_alert(situation: Situation) -> AlertEvent | None:
    """Harm for some tree on three days running, beginning within the lead time of config.

    Trees for which such days are usual where they stand have a standing measure and count only on days
    well beyond it. Days already past belong to the event, so that its first day stays the same.
    """
    exposure, garden, limits = situation.exposure, situation.holdings.garden, situation.tables.limits
    if exposure is None or not exposure.start_utc.size:
        return None
    usual = set(standing_heat(situation))
    first_known = local_day(garden, utc_of(exposure.start_utc[0]))
    last_known = local_day(garden, utc_of(exposure.start_utc[-1]))
    lead = timedelta(hours=limits.value("heat.lead_h", "h"))
    judged: dict[date, HeatDay] = {}

    def harmed(day: date) -> list[str]:
        if day not in judged:
            judged[day] = heat_day(situation, day)
        return _harmed(situation, judged[day], usual)

    run = _first_run(situation, harmed, last_known, round(limits.value("heat.wave_d", "d")), first_known)
    if run is None:
        return None
    begun, ends = run
    if day_span(garden, begun)[0] - situation.now_utc > lead:
        return None
    days = [begun + timedelta(days=n) for n in range((ends - begun).days + 1)]
    coming = [day for day in days if day >= situation.day]
    in_danger = {tree for day in coming for tree in harmed(day)}
    trees = _most_endangered_first(situation, in_danger)
    spared = bench_order(situation, set(situation.states) - in_danger)
    peak = max(coming, key=lambda day: float(np.nanmax(judged[day].air_max_c, initial=-np.inf)))
    hottest = float(np.nanmax(judged[peak].air_max_c, initial=-np.inf))
    chances = {
        day: {tree: float(judged[day].chance[exposure.row(tree)]) for tree in harmed(day)} for day in days
    }
    chance = max(max(chances[day].values()) for day in coming)
    worst_k = max(float(judged[day].margin_k[exposure.row(tree)]) for day in coming for tree in harmed(day))
    sure = [tree for day in coming for tree, each in chances[day].items() if each >= _asked(situation, day)]
    evening = local_at(garden, ends, limits.value("heat.worker_from_h", "hour of day"))
    opens = day_span(garden, begun)[0] - lead
    unusual = unusual_heat(situation, max(begun, situation.day), ends)
    return AlertEvent(
        hazard="heat",
        first_day=begun,
        last_day=ends,
        trees=trees,
        spared=spared,
        headline=(
            f"Heat {day_name(situation, max(begun, situation.day))} to {day_name(situation, ends)}, up to "
            f"{say(situation, hottest, 'degC')}: {names(situation, in_danger)} in danger"
            + ("; unusual for the season" if unusual is not None else "")
        ),
        advice=_measures(situation, judged, coming, trees, spared, ends, unusual),
        chance=chance,
        may_break_quiet_hours=False,
        expires_utc=evening,
        send_from_utc=max(situation.now_utc, opens),
        opens=_sure_enough(situation, [max(chances[day].values()) for day in days], days),
        grade=int(max(worst_k, 0.0) // limits.value("heat.grade_k", "K")),
        sure_trees=bench_order(situation, sure),
    )


def hot_days(situation: Situation, since: date) -> tuple[date, ...] | None:
    """Days from ``since`` on with heat for some tree, up to the last that keeps a told spell open.

    Whether the grower has answered it does not matter here: the heat is there. A day that cannot be told is
    none of them: a spell closed too early is told once more, one kept open too long may be silent. None
    without weather.
    """
    exposure, garden = situation.exposure, situation.holdings.garden
    if exposure is None or not exposure.start_utc.size:
        return None
    usual = set(standing_heat(situation))
    ahead = round(situation.tables.limits.value("heat.hold_d", "d"))
    first = max(since, local_day(garden, utc_of(exposure.start_utc[0])))
    found = []
    for number in range((situation.day - first).days + ahead + 1):
        day = first + timedelta(days=number)
        if _beyond(situation, heat_day(situation, day), usual):
            found.append(day)
    return tuple(found)


def _asked(situation: Situation, day: date) -> float:
    """Chance that a mail asks for, the higher the further ahead the day."""
    limits = situation.tables.limits
    far_d = max((day - situation.day).days - limits.value("heat.near_d", "d"), 0.0)
    asked = act_at(situation) + limits.value("heat.far_share", "share") * far_d
    return min(asked, limits.value("chance.almost_certain", "share"))


def _sure_enough(situation: Situation, chances: list[float], days: list[date]) -> bool:
    """Return True where days on end, enough for a mail, are likely enough for how far ahead they begin.

    The chance of all of them lies between the product, if the forecast errs on each day alone, and the least,
    if it errs on all alike; taken is the geometric mean of both, weighted.
    """
    limits = situation.tables.limits
    wanted, together = round(limits.value("heat.wave_d", "d")), limits.value("heat.together_share", "share")
    best = 0.0
    for first in range(len(days) - wanted + 1):
        if days[first + wanted - 1] >= situation.day:
            some = np.array(chances[first : first + wanted])
            best = max(best, float(some.prod() ** (1.0 - together) * some.min() ** together))
    return best >= _asked(situation, max(days[0], situation.day))


def _beyond(situation: Situation, heat: HeatDay, usual: set[str]) -> list[str]:
    """Trees in danger, those for which it is usual only well beyond their limits."""
    exposure = situation.exposure
    if exposure is None:
        return []
    worse = situation.tables.limits.value("standing.worse_k", "K")
    return [
        tree
        for row, tree in enumerate(exposure.tree_ids)
        if heat.danger[row] and (tree not in usual or heat.margin_k[row] >= worse)
    ]


def _harmed(situation: Situation, heat: HeatDay, usual: set[str]) -> list[str]:
    return [tree for tree in _beyond(situation, heat, usual) if not is_confirmed(situation, "heat", tree)]


def _first_run(
    situation: Situation, harmed: Callable[[date], list[str]], last: date, wanted: int, earliest: date
) -> tuple[date, date] | None:
    """First and last day of the first run of harm, long enough, that today or a later day is part of."""
    day = situation.day
    while day <= last:
        if not harmed(day):
            day += timedelta(days=1)
            continue
        begun = ends = day
        while begun > earliest and harmed(begun - timedelta(days=1)):
            begun -= timedelta(days=1)
        while ends < last and harmed(ends + timedelta(days=1)):
            ends += timedelta(days=1)
        if (ends - begun).days + 1 >= wanted:
            return begun, ends
        day = ends + timedelta(days=1)
    return None


def _rank(state: TreeState, small_l: float) -> int:
    """0 bare, 1 soft leaves, 2 new roots, 3 small pot, 4 the rest."""
    marks = {mark for flag in state.flags for mark in flag.rule.keeps}
    if "bare" in marks:
        return 0
    if "tender" in marks or state.stage.stage.tender:
        return 1
    if state.root_share < 1.0:
        return 2
    return 3 if state.tree.pot.volume_l < small_l else 4


def _most_endangered_first(situation: Situation, trees: set[str]) -> tuple[str, ...]:
    small = situation.tables.limits.value("water.small_pot_l", "l")
    ordered = bench_order(situation, trees)
    return tuple(
        sorted(ordered, key=lambda tree: (_rank(situation.states[tree], small), ordered.index(tree)))
    )


def _measures(
    situation: Situation,
    judged: dict[date, HeatDay],
    coming: list[date],
    trees: tuple[str, ...],
    spared: tuple[str, ...],
    ends: date,
    unusual: Unusual | None,
) -> tuple[Advice, ...]:
    """What to do, in order: net, small pots, water, what to stop, people, and what comes after."""
    exposure, garden, limits = situation.exposure, situation.holdings.garden, situation.tables.limits
    assert exposure is not None  # noqa: S101 - the caller holds an exposure
    first = coming[0]

    def at(hour: str, day: date = first) -> datetime:
        return local_at(garden, day, limits.value(hour, "hour of day"))

    until = day_span(garden, ends)[1]
    worst_day = max(coming, key=lambda day: float(np.nanmax(judged[day].margin_k, initial=-np.inf)))
    heat = judged[worst_day]
    lead_tree = max(
        trees, key=lambda tree: float(np.nan_to_num(heat.margin_k[exposure.row(tree)], neginf=-1e9))
    )
    row = exposure.row(lead_tree)
    reasons = heat_reasons(situation, heat, lead_tree)
    if unusual is not None:
        reasons = (*reasons, unusual.reason)
    members = 0 if situation.members is None else situation.members.sun_w_m2.shape[0]
    chance = float(heat.chance[row])
    sure = chance_words(situation.tables, chance, members)
    when = day_name(situation, first)
    placed = _placed(situation, judged, coming, trees)
    going = {move.tree_id for move in placed.moves if move.burn is not None}
    net, wanted = at("heat.net_up_h"), limits.value("shade.usual_share", "share")
    for tree in trees:
        begins = judged[first].starts_utc[exposure.row(tree)]
        if begins is not None and judged[first].danger[exposure.row(tree)]:
            net = min(net, begins)
        asked = situation.states[tree].needs.shade_share
        wanted = max(wanted, asked.value if asked is not None and tree not in going else 0.0)
    net = max(net, situation.now_utc)
    share = say(situation, wanted, "share")
    careful = [tree for tree in trees if watered_with_care(situation.states[tree], situation.tables)]
    small_l = limits.value("water.small_pot_l", "l")
    small = [
        tree for tree in trees if situation.states[tree].tree.pot.volume_l < small_l and tree not in going
    ]

    def piece(
        topic: str,
        do: str,
        whom: tuple[str, ...],
        why: tuple[Reason, ...],
        *,
        must: bool = False,
        because: str = "",
    ) -> Advice:
        return Advice(
            advice_id(f"alert-heat-{topic}", whom),
            "alert",
            "today" if first == situation.day else "week",
            whom,
            do,
            situation.now_utc,
            until,
            why,
            chance=chance,
            sure=sure,
            changes_if="a cooler or cloudier forecast",
            hazard="heat",
            must=must,
            because=because,
        )

    found = [
        piece(
            "net",
            f"Have ready by {clock(garden, net)} {when}: {_ready(situation, placed, trees, share)}",
            trees,
            reasons,
            must=True,
            because="; ".join(rivals_words(situation, one) for one in placed.rivalries.values()),
        )
    ]
    if small:
        found.append(
            piece(
                "small",
                f"Set the small pots down into shade, on a moist tray: {names(situation, small)}",
                tuple(small),
                reasons,
            )
        )
    early, late = clock(garden, at("heat.water_early_h")), clock(garden, at("heat.water_late_h"))
    found.append(
        piece(
            "water",
            f"Water at {early} and check again at {late}, the hose run cold first, and wet the floor"
            + (f"; {names(situation, careful)}: check, {TOP_THIRD}" if careful else ""),
            trees,
            reasons,
        )
    )
    found.append(
        piece(
            "stop",
            "Stop taking leaves off, repotting, feeding, lime-sulphur and big cuts on the trees in danger"
            " until it is over",
            trees,
            reasons,
        )
    )
    found += _people(situation, coming, piece_until=until)
    rest = limits.value("heat.rest_d", "d")
    stay = f"; {names(situation, spared)} may stay" if spared else ""
    found.append(
        piece(
            "after",
            f"Expect the end on {day_name(situation, ends)} evening; then {say(situation, rest, 'd')} without"
            f" heavy work for those that wilted or were scorched{stay}",
            trees,
            reasons,
        )
    )
    return tuple(found)


def _placed(
    situation: Situation, judged: dict[date, HeatDay], coming: list[date], trees: tuple[str, ...]
) -> Placed:
    """Who goes where: as today's advice has it, or as it will have it on the first day of the heat."""
    exposure = situation.exposure
    if coming[0] == situation.day or exposure is None:
        return placing(situation)
    burns = []
    for tree in trees:
        row = exposure.row(tree)
        day = next(day for day in coming if judged[day].danger[row])
        burns.append(burnt_by_heat(situation, judged[day], row, tree))
    return place_trees(situation, coming[0], burns)


def _ready(situation: Situation, placed: Placed, trees: tuple[str, ...], share: str) -> str:
    """``a net of 50 % over Heron; Net bench for Tansy``."""
    places = situation.holdings.places
    going: dict[str, list[str]] = {}
    for move in placed.moves:
        if move.burn is not None:
            going.setdefault(move.to_id, []).append(move.tree_id)
    moved = {tree for group in going.values() for tree in group}
    staying = [tree for tree in trees if tree not in moved]
    parts = [f"a net of {share} over {names(situation, staying)}"] if staying else []
    for place_id, group in going.items():
        part = f"{places[place_id].name} for {names(situation, group)}"
        first = [move.tree_id for move in placed.moves if move.from_id == place_id and move.kind == "room"]
        parts.append(part + (f" (once {names(situation, first)} left it)" if first else ""))
    return "; ".join(parts)


def _people(situation: Situation, coming: list[date], piece_until: datetime) -> list[Advice]:
    """The line for the person, where the heat stress passes the published limit."""
    exposure, garden, limits = situation.exposure, situation.holdings.garden, situation.tables.limits
    if exposure is None:
        return []
    span = day_span(garden, coming[0])[0], piece_until
    wbgt = float(
        reduce_over(window(exposure.start_utc, exposure.wbgt_c, *span), "max", minimum_coverage=0.0).value
    )
    limit = limits.value("heat.worker_wbgt_c", "degC")
    if not wbgt >= limit:
        return []
    before = clock(garden, local_at(garden, coming[0], limits.value("heat.worker_until_h", "hour of day")))
    after = clock(garden, local_at(garden, coming[0], limits.value("heat.worker_from_h", "hour of day")))
    return [
        Advice(
            "alert-heat-people",
            "alert",
            "week",
            (),
            f"Carry heavy pots before {before} or after {after} only; shade, drink and rest for "
            "yourself: heat stress "
            f"up to {say(situation, wbgt, 'degC')} WBGT",
            situation.now_utc,
            piece_until,
            (
                Reason(
                    "heat stress of the person (WBGT)",
                    wbgt,
                    "degC",
                    limit,
                    None,
                    "person",
                    limits.source("heat.worker_wbgt_c"),
                ),
            ),
            sure="by the forecast for the open garden",
            changes_if="local rules for work in heat come first",
            hazard="heat",
        )
    ]

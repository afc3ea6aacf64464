"""The heat mail, up to three days ahead of each spell: when it is one, whom it names, how sure it is."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import numpy as np

from advisor.advice.alert_heat_measures import Spell, heat_measures
from advisor.advice.chance import act_at
from advisor.advice.grouping import bench_order, names, say
from advisor.advice.heat import HeatDay, day_danger, heat_day
from advisor.advice.hours import day_name, day_span, local_at, local_day
from advisor.advice.model import AlertEvent, Situation
from advisor.advice.places import is_confirmed
from advisor.advice.placing import placing
from advisor.advice.settled import as_told, earlier_tellings
from advisor.advice.standing import beyond_usual, standing_heat
from advisor.advice.sunburn import burning_today
from advisor.advice.unusual import unusual_heat
from advisor.garden.state_model import TreeState
from advisor.weather.table import utc_of

__all__ = ["heat_alert", "hot_days"]


def heat_alert(situation: Situation, *, steps: bool = True) -> AlertEvent | None:
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
    found: dict[date, list[str]] = {}

    def harmed(day: date) -> list[str]:
        if day not in found:
            found[day] = _harmed(situation, day)
        return found[day]

    run = _first_run(situation, harmed, last_known, round(limits.value("heat.wave_d", "d")), first_known)
    if run is None:
        return None
    begun, ends = run
    if day_span(garden, begun)[0] - situation.now_utc > lead:
        return None
    days = [begun + timedelta(days=n) for n in range((ends - begun).days + 1)]
    judged = {day: heat_day(situation, day) for day in days}
    coming = [day for day in days if day >= situation.day]
    in_danger = {tree for day in coming for tree in harmed(day)}
    danger = {day: harmed(day) for day in coming}
    trees = _most_endangered_first(situation, in_danger)
    spared = _spared(situation, in_danger, usual, [judged[day] for day in coming])
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
    spell = Spell(tuple(coming), judged, danger, trees, unusual)
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
        advice=heat_measures(situation, spell) if steps else (),
        chance=chance,
        may_break_quiet_hours=False,
        expires_utc=evening,
        send_from_utc=max(situation.now_utc, opens),
        opens=(ends - situation.day).days >= limits.value("heat.left_d", "d")
        and _sure_enough(situation, [max(chances[day].values()) for day in days], days),
        grade=int(max(worst_k, 0.0) // limits.value("heat.grade_k", "K")),
        sure_trees=bench_order(situation, sure),
    )


def hot_days(situation: Situation, since: date) -> tuple[date, ...] | None:
    """Days from ``since`` on with heat for some tree, up to the last that keeps a told spell open.

    A tree that was told to move, and nobody logged it, counts in both places.
    Whether the grower has answered it does not matter here: the heat is there. A day that cannot be told is
    none of them: a spell closed too early is told once more, one kept open too long may be silent. None
    without weather.
    """
    own = _hot_days(situation, since)
    for telling in (situation, *earlier_tellings(situation)):
        told = as_told(telling)
        more = None if told is None else _hot_days(told, since)
        own = own if own is None or not more else tuple(sorted({*own, *more}))
    return own


def _hot_days(situation: Situation, since: date) -> tuple[date, ...] | None:
    exposure, garden = situation.exposure, situation.holdings.garden
    if exposure is None or not exposure.start_utc.size:
        return None
    ahead = round(situation.tables.limits.value("heat.hold_d", "d"))
    first = max(since, local_day(garden, utc_of(exposure.start_utc[0])))
    found = []
    for number in range((situation.day - first).days + ahead + 1):
        day = first + timedelta(days=number)
        if beyond_usual(situation, *day_danger(situation, day)).any():
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


def _harmed(situation: Situation, day: date) -> list[str]:
    exposure = situation.exposure
    if exposure is None:
        return []
    beyond = beyond_usual(situation, *day_danger(situation, day))
    trees = [tree for tree, is_beyond in zip(exposure.tree_ids, beyond, strict=True) if is_beyond]
    return [tree for tree in trees if not is_confirmed(situation, "heat", tree)]


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


def _spared(
    situation: Situation, in_danger: set[str], usual: set[str], days: list[HeatDay]
) -> tuple[str, ...]:
    """Trees that need nothing for this heat: no danger, no measure told or taken, nothing unknown."""
    exposure = situation.exposure
    if exposure is None:
        return ()
    placed = placing(situation)
    told = {move.tree_id for move in placed.moves} | {burn.tree_id for burn in placed.nets}
    told |= {tree for tree in exposure.tree_ids if is_confirmed(situation, "heat", tree)}
    told |= set(burning_today(situation).unknown)
    told |= {tree for day in days for tree in exposure.tree_ids if np.isnan(day.margin_k[exposure.row(tree)])}
    return bench_order(situation, set(situation.states) - in_danger - usual - told)


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

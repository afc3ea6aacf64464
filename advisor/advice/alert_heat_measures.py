"""What a heat mail asks for, in order: places and nets, small pots, water, what to stop, people, the end.

Whatever begins today is what the morning mail of the day says: the same moves, nets and watering rounds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

import numpy as np

from advisor.advice.alert_heat_nets import Netting, netting
from advisor.advice.chance import chance_words
from advisor.advice.grouping import advice_id, bench_order, listed, names, say
from advisor.advice.heat import HeatDay, day_danger, heat_day
from advisor.advice.heat_reasons import heat_reasons
from advisor.advice.hours import (
    clock,
    day_and_clock,
    day_name,
    day_span,
    evening_of,
    local_at,
    local_day,
    window,
)
from advisor.advice.model import Advice, Reason, Situation
from advisor.advice.placing import Placed, place_trees, placing
from advisor.advice.placing_elsewhere import doubles_of
from advisor.advice.placing_words import rivals_words, tenths
from advisor.advice.settled import settled
from advisor.advice.sunburn import Sunburn, burnt_by_heat
from advisor.advice.unusual import Unusual
from advisor.advice.water import TOP_THIRD, watering_rounds
from advisor.advice.work_case import option_words
from advisor.physics.missing import reduce_over
from advisor.weather.days import at_local

__all__ = ["Spell", "heat_measures"]


@dataclass(frozen=True, slots=True)
class Spell:
    """Days of heat still to come.

    Attributes
    ----------
    days : today or later, in order.
    judged : by day.
    danger : trees in danger, by day.
    trees : all of them, the most endangered first.
    """

    days: tuple[date, ...]
    judged: Mapping[date, HeatDay]
    danger: Mapping[date, Sequence[str]]
    trees: tuple[str, ...]
    unusual: Unusual | None


@dataclass(frozen=True, slots=True)
class _Ready:
    """What must stand ready, in words, by when, why so, and which trees go elsewhere."""

    do: str
    because: str
    going: frozenset[str]


def heat_measures(situation: Situation, spell: Spell) -> tuple[Advice, ...]:
    """Return the steps of the mail.

    Raises
    ------
    ValueError
        The situation has no exposure.
    """
    exposure = situation.exposure
    if exposure is None:
        raise ValueError("heat needs an exposure; there is no weather")
    limits, trees = situation.tables.limits, spell.trees
    worst_day = max(spell.days, key=lambda day: float(np.nanmax(spell.judged[day].margin_k, initial=-np.inf)))
    heat = spell.judged[worst_day]
    lead_tree = max(
        trees, key=lambda tree: float(np.nan_to_num(heat.margin_k[exposure.row(tree)], neginf=-1e9))
    )
    reasons = heat_reasons(situation, heat, lead_tree)
    if spell.unusual is not None:
        reasons = (*reasons, spell.unusual.reason)
    members = 0 if situation.members is None else situation.members.sun_w_m2.shape[0]
    chance = float(heat.chance[exposure.row(lead_tree)])
    until = day_span(situation.holdings.garden, spell.days[-1])[1]

    def piece(
        topic: str,
        do: str,
        whom: tuple[str, ...],
        *,
        must: bool = False,
        because: str = "",
        anywhere: bool = False,
    ) -> Advice:
        return Advice(
            advice_id(f"alert-heat-{topic}", whom),
            "alert",
            "today" if spell.days[0] == situation.day else "week",
            whom,
            do,
            situation.now_utc,
            until,
            reasons,
            chance=chance,
            sure=chance_words(situation.tables, chance, members),
            changes_if="a cooler or cloudier forecast",
            hazard="heat",
            must=must,
            because=because,
            anywhere=anywhere,
        )

    ready = _ready(situation, spell)
    found = [piece("net", ready.do, trees, must=True, because=ready.because)]
    small_l = limits.value("water.small_pot_l", "l")
    small = [
        tree
        for tree in trees
        if situation.states[tree].tree.pot.volume_l < small_l and tree not in ready.going
    ]
    if small:
        tray = f"Stand the small pots on a moist tray, shaded themselves: {names(situation, small)}"
        found.append(piece("small", tray, tuple(small)))
    found.append(piece("water", _water(situation, spell), trees, anywhere=True))
    stop = f"Stop {listed(_stopped(situation))} on the trees in danger until it is over"
    found.append(piece("stop", stop, trees, anywhere=True))
    found += _people(situation, spell.days[0], until)
    rest, ends = limits.value("heat.rest_d", "d"), evening_of(situation, spell.days[-1])
    after = (
        f"Expect the end {ends}; then {say(situation, rest, 'd')} without"
        " heavy work for those that wilted or were scorched"
    )
    found.append(piece("after", after, trees, anywhere=True))
    return tuple(found)


def _stopped(situation: Situation) -> list[str]:
    """Work that a heat warning stops, works alike under one word, in the order of config/work.toml."""
    words = (
        word
        for rule in situation.tables.works.values()
        for row in rule.checks
        if row.kind == "warning" and "heat" in option_words(row, "stopped_by")
        for word in option_words(row, "in_mail") or (rule.name,)
    )
    return list(dict.fromkeys(words))


# --- places and nets --------------------------------------------------------------------------------------


def _ready(situation: Situation, spell: Spell) -> _Ready:
    """Where trees must be and which nets must hang: today as the morning mail has it, then on later days."""
    today, garden = situation.day, situation.holdings.garden
    now = placing(situation) if spell.days[0] == today else Placed()
    sentences, because, going, by = [], [], set[str](), None
    if any(burn.heat for burn in _burns(now)):
        nets = netting(situation, now, spell.days)
        sentences.append(_words(situation, now, nets))
        because += [rivals_words(situation, one) for one in now.rivalries.values()]
        going |= {move.tree_id for move in now.moves if move.burn is not None}
        by = min(max(burn.by_utc, situation.now_utc) for burn in _burns(now) if burn.heat)
    # Once today's moves are made, and those of earlier mails with them, the rest is judged where it stands.
    base = situation
    if now.stand_of:
        base = replace(settled(situation), told_moves={}, doubles=doubles_of(situation))
    later = [day for day in spell.days if day > today]
    told = {burn.tree_id for burn in _burns(now)}
    first: dict[str, date] = {}
    for day in later:
        for tree in spell.danger[day]:
            if tree not in told and _in_danger(base, day, tree):
                first.setdefault(tree, day)
    if first:
        judged = {tree: heat_day(base, day) for tree, day in first.items()}
        burns = [burnt_by_heat(base, heat, _row(base, tree), tree) for tree, heat in judged.items()]
        # where the main forecast has cloud, and the danger comes from the runs, no hour is known
        hours = [at for tree, heat in judged.items() if (at := heat.starts_utc[_row(base, tree)]) is not None]
        begins = min(first.values())
        placed = place_trees(base, begins, burns)
        words = _words(base, placed, netting(base, placed, later))
        if words:
            ready_by = local_at(garden, begins, situation.tables.limits.value("heat.net_up_h", "hour of day"))
            ready_by = max(min([ready_by, *hours]), situation.now_utc)
            when = day_and_clock(situation, ready_by)
            sentences.append(f"from {when} on {words}" if sentences else words)
            because += [rivals_words(base, one) for one in placed.rivalries.values()]
            going |= {move.tree_id for move in placed.moves if move.burn is not None}
            by = ready_by if by is None else by
    said = "; ".join(sentence for sentence in sentences if sentence)
    if not said or by is None:
        return _Ready(
            f"Look at {names(situation, spell.trees)} at noon: they stand in the deepest shade there is, and "
            "are in danger all the same",
            "",
            frozenset(),
        )
    when = f"{clock(garden, by)} {day_name(situation, local_day(garden, by))}"
    return _Ready(f"Have ready by {when}: {said}", "; ".join(why for why in because if why), frozenset(going))


def _burns(placed: Placed) -> list[Sunburn]:
    """Everyone in danger, whether it moves or gets a net."""
    return [*(move.burn for move in placed.moves if move.burn is not None), *placed.nets]


def _row(situation: Situation, tree: str) -> int:
    assert situation.exposure is not None  # noqa: S101 - the caller holds an exposure
    return situation.exposure.row(tree)


def _in_danger(situation: Situation, day: date, tree: str) -> bool:
    return bool(day_danger(situation, day)[1][_row(situation, tree)])


def _words(situation: Situation, placed: Placed, nets: Sequence[Netting]) -> str:
    """``Net bench for Tansy, under a net of 60 % there; a net of 50 % over Heron``."""
    places = situation.holdings.places
    parts = []
    for place_id in dict.fromkeys(move.to_id for move in placed.moves if move.kind == "shade"):
        moves = placed.to(place_id, "shade")
        trees = [move.tree_id for move in moves if move.burn is not None and move.burn.heat]
        if not trees:
            continue
        part = f"{places[place_id].name} for {names(situation, trees)}"
        still = [move.burn for move in moves if move.still and move.burn is not None and move.burn.heat]
        if still:
            share = say(situation, tenths(burn.share for burn in still), "share")
            whom = [burn.tree_id for burn in still]
            part += f", under a net of {share} there" + (
                "" if len(still) == len(trees) else f" for {names(situation, whom)}"
            )
        room = [move.tree_id for move in placed.moves if move.from_id == place_id and move.kind == "room"]
        parts.append(part + (f" (once {names(situation, room)} left it)" if room else ""))
    for net in nets:
        what = f"a net of {say(situation, net.share, 'share')}" + (
            " instead of the lighter one" if net.denser else ""
        )
        if net.helped:
            parts.append(f"{what} over {names(situation, net.helped)}")
        if net.not_enough:
            parts.append(
                f"{what} over {names(situation, net.not_enough)} too, which lessens the danger but does not "
                "end it: look at noon"
            )
        if net.unknown:
            parts.append(
                f"{what} over {names(situation, net.unknown)} too, with an effect that cannot be told: look "
                "at noon"
            )
    return "; ".join(parts)


# --- water, people ----------------------------------------------------------------------------------------


def _water(situation: Situation, spell: Spell) -> str:
    """The watering rounds of the first day of heat, of today those to come, as the morning mail has them."""
    garden, first = situation.holdings.garden, spell.days[0]
    rounds = watering_rounds(situation, first)
    own = [at_local(first, at, garden.zone) for at in garden.watering_times]
    again = [at for at in own[1:] if at >= situation.now_utc]
    also = "; " + (f"look again at {clock(garden, again[-1])}, " if again else "")
    also += "run the hose cold first, and wet the floor"
    parts = []
    for verb, rest in (("water", ""), ("check", f": {TOP_THIRD}")):
        groups: dict[tuple[datetime, ...], list[str]] = {}
        for tree in spell.trees:
            times = tuple(
                one.at_utc for one in rounds if tree in (one.water if verb == "water" else one.check)
            )
            if times:
                groups.setdefault(times, []).append(tree)
        if groups:
            each = [
                f"{names(situation, bench_order(situation, trees))} at "
                + listed([day_and_clock(situation, times[0]), *(clock(garden, at) for at in times[1:])])
                for times, trees in groups.items()
            ]
            parts.append(f"{verb} {'; '.join(each)}{rest}")
    if parts:
        said = "; ".join(parts)
        return f"{said[0].upper()}{said[1:]}{also}"
    ahead = [at for at in own if at >= situation.now_utc] or own[-1:]
    times_said = listed([clock(garden, at) for at in ahead]) or "each watering time"
    return f"Check {names(situation, spell.trees)} at {times_said} {day_name(situation, first)}{also}"


def _people(situation: Situation, first: date, until: datetime) -> list[Advice]:
    """The line for the person, where the heat stress passes the published limit."""
    exposure, garden, limits = situation.exposure, situation.holdings.garden, situation.tables.limits
    if exposure is None:
        return []
    span = day_span(garden, first)[0], until
    wbgt = float(
        reduce_over(window(exposure.start_utc, exposure.wbgt_c, *span), "max", minimum_coverage=0.0).value
    )
    limit = limits.value("heat.worker_wbgt_c", "degC")
    if not wbgt >= limit:
        return []
    before = clock(garden, local_at(garden, first, limits.value("heat.worker_until_h", "hour of day")))
    after = clock(garden, local_at(garden, first, limits.value("heat.worker_from_h", "hour of day")))
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
            until,
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

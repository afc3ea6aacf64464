"""The placing in words: moves and nets as advice, and why a place went to one tree and not to another."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

import numpy as np

from advisor.advice.chance import chance_words
from advisor.advice.grouping import advice_id, bench_order, listed, names, say
from advisor.advice.heat import net_share
from advisor.advice.hours import clock, day_name, day_span
from advisor.advice.model import Advice, Amount, Reason, Situation
from advisor.advice.placing import Move, Placed, Rival, Rivalry
from advisor.advice.placing_light import sun_wanted
from advisor.advice.sunburn import Sunburn
from advisor.garden.told_moves import MoveKind

__all__ = ["placing_advice", "rivals_words", "tenths"]

_CHANGES_TOLD = "cloud, a cooler forecast, or a line that says where it stands now (log TREE moved PLACE)"
NO_LESS_H = 0.05
"""Hours a day in all under which one choice is as good as another."""


def placing_advice(situation: Situation, placed: Placed) -> list[Advice]:
    """Return the moves, a piece for each place and kind, and the nets."""
    limits, places = situation.tables.limits, situation.holdings.places
    found = []
    reasoned: set[str] = set()
    for place_id, told_on in dict.fromkeys((move.to_id, move.told_on) for move in placed.moves):
        name = places[place_id].name

        def going(kind: MoveKind, to: tuple[str, date | None] = (place_id, told_on)) -> tuple[Move, ...]:
            return tuple(move for move in placed.to(to[0], kind) if move.told_on == to[1])

        out = going("shade")
        burns = [move.burn for move in out if move.burn is not None]
        if room := going("room"):
            found.append(_room(situation, placed, room, name))
        if burns:
            because = "" if place_id in reasoned else _why_there(situation, placed, place_id)
            reasoned.add(place_id)
            topic, do = f"shade-move-{place_id}", f"Move {{trees}} to {name}"
            still = [move.burn for move in out if move.still and move.burn is not None]
            told = _told_before(situation, out)
            found.append(_out_of_sun(situation, burns, topic, do, because=because, still=still, told=told))
        if light := going("light"):
            found.append(_into_light(situation, light, name))
    under_net: dict[tuple[bool, str, str, date | None], list[Sunburn]] = {}
    for burn in placed.nets:
        netted = net_share(situation, situation.states[burn.tree_id]) > 0.0
        under_net.setdefault((netted, *_told_away(situation, burn.tree_id)), []).append(burn)
    because = ""
    if placed.moves_spent:
        most = round(limits.value("places.moves_a_day", "count"))
        because = f"{most} moves are enough for a day; of all, these lose least by waiting"
    for (netted, from_id, to_id, away), group in under_net.items():
        share = tenths(burn.share for burn in group)
        net = f"a net of {say(situation, share, 'share')}"
        do = (
            f"Take {net} instead of the lighter one over {{trees}}" if netted else f"Rig {net} over {{trees}}"
        )
        topic = "shade-denser" if netted else "shade-net"
        why = because
        if not why and any(burn.tree_id in placed.blind for burn in group):
            why = "which place would be better cannot be told: too little is known of the hours of sun"
        told = ""
        if away is not None:
            stands = "it still stands" if len(group) == 1 else "they still stand"
            told = (
                f" if {stands} on {places[from_id].name}, not on {places[to_id].name} as told "
                f"{day_name(situation, away)}"
            )
        found.append(_out_of_sun(situation, group, topic, do, Amount(share, "share"), because=why, told=told))
    return found


def _told_away(situation: Situation, tree: str) -> tuple[str, str, date | None]:
    """From where, to where and when a tree was told to go that nobody logged; no day without one."""
    move = situation.told_moves.get(tree)
    return ("", "", None) if move is None else (move.from_id, move.to_id, move.told_on)


def _why_there(situation: Situation, placed: Placed, place_id: str) -> str:
    """Why others do not go there, and which days could not count."""
    parts = [rivals_words(situation, placed.rivalries.get(place_id))]
    if placed.missing is not None:
        parts.append(f"the weather of {day_name(situation, placed.missing)} is missing and could not count")
    return "; ".join(part for part in parts if part)


def _out_of_sun(
    situation: Situation,
    group: Sequence[Sunburn],
    topic: str,
    do: str,
    net: Amount | None = None,
    *,
    because: str = "",
    still: Sequence[Sunburn] = (),
    told: str = "",
) -> Advice:
    """Return one measure; trees in ``still`` want a net where they are carried to as well.

    ``told`` stands behind a move that was told before, which nobody logged, or a net over who may have gone.
    """
    worst = max(group, key=lambda burn: (burn.must, burn.heat, burn.margin_k))
    by = min(burn.by_utc for burn in group)
    trees = bench_order(situation, [burn.tree_id for burn in group])
    members = 0 if situation.members is None or not worst.heat else situation.members.sun_w_m2.shape[0]
    end = day_span(situation.holdings.garden, situation.day)[1]
    at_once = by <= situation.now_utc
    when = _when(situation, group)
    if still:
        share = say(situation, tenths(burn.share for burn in still), "share")
        whom = names(situation, [burn.tree_id for burn in still])
        when += f", under a net of {share} there" + ("" if len(still) == len(group) else f" for {whom}")
    return Advice(
        advice_id(topic, trees),
        "shade",
        "now" if at_once else "today",
        trees,
        f"{do.format(trees=names(situation, trees))} {when}{told}: {worst.why}",
        situation.now_utc,
        min(max(by, situation.now_utc), end),
        worst.reasons,
        amount=net,
        chance=worst.chance,
        sure=chance_words(situation.tables, worst.chance, members)
        if worst.heat
        else "by the sun over the horizon and the cloud forecast",
        changes_if=_CHANGES_TOLD
        if told
        else "cloud, or a cooler forecast"
        if worst.heat
        else "log moved or shaded once done",
        hazard="heat",
        must=any(burn.must for burn in group),
        because=because,
    )


def _told_before(situation: Situation, group: Sequence[Move]) -> str:
    """``, as told Tue 7 Jul, if it still stands on South bench``; empty for what is told first today."""
    told_on = group[0].told_on
    if told_on is None:
        return ""
    places = situation.holdings.places
    where = listed([places[place_id].name for place_id in dict.fromkeys(move.from_id for move in group)])
    stands = "it still stands" if len(group) == 1 else "they still stand"
    return f", as told {day_name(situation, told_on)}, if {stands} on {where}"


def tenths(shares: Iterable[float]) -> float:
    """Return the largest share, rounded up to a net that can be had."""
    return float(np.ceil(max(shares) * 10.0 - 1e-9)) / 10.0


def _when(situation: Situation, group: Sequence[Sunburn]) -> str:
    by = min(burn.by_utc for burn in group)
    return "now" if by <= situation.now_utc else f"before {clock(situation.holdings.garden, by)}"


def _room(situation: Situation, placed: Placed, group: Sequence[Move], place: str) -> Advice:
    """Trees that go so that others may come; told with the hour and the reasons of those that come."""
    left = {move.from_id for move in group}
    came = [move.burn for move in placed.moves if move.to_id in left and move.burn is not None]
    trees = bench_order(situation, [move.tree_id for move in group])
    told = _out_of_sun(situation, came, "shade-room", "")
    where = listed([situation.holdings.places[place_id].name for place_id in dict.fromkeys(left)])
    whom = names(situation, [burn.tree_id for burn in came])
    pronoun = "it makes" if len(trees) == 1 else "they make"
    to_id = group[0].to_id
    return Advice(
        advice_id(f"shade-room-{to_id}", trees),
        "shade",
        told.urgency,
        trees,
        f"Move {names(situation, trees)} to {place} first, {_when(situation, came)}"
        f"{_told_before(situation, group)}: {pronoun} room "
        f"on {where} for {whom}",
        told.from_utc,
        told.until_utc,
        told.reasons,
        chance=told.chance,
        sure=told.sure,
        changes_if=told.changes_if,
        hazard="heat",
        must=told.must,
    )


def _into_light(situation: Situation, group: Sequence[Move], place: str) -> Advice:
    """Trees in leaf that get too little sun where they stand; no hurry, and in steps."""
    limits = situation.tables.limits
    trees = bench_order(situation, [move.tree_id for move in group])
    worst = min(group, key=lambda move: move.sun_here_h - move.sun_there_h)
    wanted = sun_wanted(situation, situation.states[worst.tree_id])
    here = situation.holdings.places[worst.from_id]
    there_h, here_h = (say(situation, hours, "h", 0) for hours in (worst.sun_there_h, worst.sun_here_h))
    deep = net_share(situation, situation.states[worst.tree_id]) >= limits.value("shade.deep_share", "share")
    steps = ", in steps, one hour more every two days" if deep else ""
    end = day_span(situation.holdings.garden, situation.day)[1]
    name = situation.states[worst.tree_id].tree.name
    return Advice(
        advice_id(f"shade-light-{worst.to_id}", trees),
        "shade",
        "week",
        trees,
        f"Move {names(situation, trees)} to {place} this week{steps}{_told_before(situation, group)}: "
        f"{name} has {here_h} of full sun a day "
        f"on {here.name} and {there_h} there",
        situation.now_utc,
        end,
        (
            Reason(
                "full sun a day",
                worst.sun_here_h,
                "h",
                None if wanted is None else wanted.hours,
                None,
                "species" if wanted is None else f"{wanted.set_by}, to grow by",
                "" if wanted is None else wanted.source,
            ),
        ),
        sure="by the sun over the horizon and the cloud forecast",
        changes_if="a hot spell, or log moved once done",
        hazard="",
    )


# --- rivals --------------------------------------------------------------------------------------------


def rivals_words(situation: Situation, rivalry: Rivalry | None) -> str:
    """Say why a full place went to one tree and not to another.

    ``Heron takes the last place on Net bench: ...; Tansy loses least by staying``.
    """
    if rivalry is None:
        return ""
    states = situation.states
    place = situation.holdings.places[rivalry.place_id].name
    worst = states[rivalry.worst].tree.name
    one = len(rivalry.came) == 1
    who = names(situation, rivalry.came)
    begin = f"{who} {'takes the last place' if one else 'take the last places'} on {place}"
    parts = [f"{begin}{_gain(situation, rivalry, 'it' if one else worst)}"]
    losing = [rival for rival in rivalry.rivals if rival.least]
    if losing:
        hours = listed([_hours(situation, rival.here_h) for rival in losing])
        lose = "loses" if len(losing) == 1 else "lose"
        parts.append(f"{_names(situation, losing)} {lose} least by staying, {hours} a day")
    order = bench_order(situation, states)
    for rival in rivalry.rivals:
        name = states[rival.tree_id].tree.name
        if rival.least or rival.extra_h is None:
            continue
        if rival.extra_h > NO_LESS_H:
            more = _hours(situation, rival.extra_h)
            parts.append(f"to give it to {name} instead would cost {more} more in all")
        elif all(order.index(tree) < order.index(rival.tree_id) for tree in rivalry.came):
            parts.append(f"{name} is as badly off, and of equals the first on the bench goes")
        else:
            parts.append(f"{name} is as badly off")
    if rivalry.others:
        parts.append(f"{rivalry.others} more would go there if there were room")
    return "; ".join(parts)


def _gain(situation: Situation, rivalry: Rivalry, whose: str) -> str:
    """What the place spares the one it helps most, in hours or else in kelvin; empty where in neither."""
    if rivalry.here_h - rivalry.there_h >= 1.0:
        here, there = _hours(situation, rivalry.here_h), _hours(situation, rivalry.there_h)
        return f": too much for {whose} about {here} a day where it stands, {there} there"
    if rivalry.here_k - rivalry.there_k >= 1.0:
        here, there = (say(situation, kelvin, "K", 0) for kelvin in (rivalry.here_k, rivalry.there_k))
        return f": up to {here} too much for {whose} where it stands, {there} there"
    return ""


def _names(situation: Situation, rivals: Sequence[Rival]) -> str:
    return listed([situation.states[rival.tree_id].tree.name for rival in rivals])


def _hours(situation: Situation, hours: float) -> str:
    return say(situation, hours, "h", 1 if hours < 1.0 else 0)

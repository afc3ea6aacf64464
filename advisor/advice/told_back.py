"""Trees that a digest told elsewhere, in danger today if they stand there: told back, or under a net."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from advisor.advice.chance import chance_words
from advisor.advice.grouping import advice_id, bench_order, names, say
from advisor.advice.hours import clock, day_name, day_span
from advisor.advice.model import Advice, Amount, Reason, Situation
from advisor.advice.placing_words import tenths
from advisor.advice.readings import only
from advisor.advice.settled import at_told_place, earlier_tellings
from advisor.advice.sunburn import Sunburn, burning_today

__all__ = ["cannot_tell", "told_back"]


def told_back(situation: Situation, spoken_of: Collection[str], netted: Collection[str]) -> list[Advice]:
    """Return the way back for trees in danger where they were told to go, but not where the journal has them.

    Where others have been told into the place since, so that it is full, or where they are in danger in both
    places, they get a net where they may stand. Who cannot be judged there is to be looked at.

    Parameters
    ----------
    situation : Situation
    spoken_of : collection of str
        Trees told to go somewhere today, or named as those that cannot be judged: they are advised anyway.
    netted : collection of str
        Trees in danger where the journal has them, that get a net there.
    """
    return [
        piece
        for telling in (situation, *earlier_tellings(situation))
        for piece in _told_back(telling, spoken_of, netted, situation)
    ]


def _told_back(
    situation: Situation, spoken_of: Collection[str], netted: Collection[str], newest: Situation
) -> list[Advice]:
    exposure = situation.exposure
    trees = bench_order(
        situation,
        [
            tree
            for tree in situation.told_moves
            if tree not in spoken_of and exposure is not None and tree in exposure.tree_ids
        ],
    )
    if not trees:
        return []
    states, there = at_told_place(situation)
    # what the journal confirmed holds for the place that they may have left
    confirmed = {key: day for key, day in situation.confirmed.items() if key[1] not in trees}
    told = replace(situation, states=states, exposure=only(there, trees), members=None, confirmed=confirmed)
    burning = burning_today(told)
    left = {place_id: _room_left(newest, place_id) for place_id in situation.holdings.places}
    groups: dict[tuple[str, str, str, str, bool], list[Sunburn]] = {}
    for burn in burning.burns:
        move = situation.told_moves[burn.tree_id]
        room, why = left[move.from_id], ""
        back = burn.tree_id not in netted
        if back and room is not None:
            left[move.from_id] = room - 1
            back = room > 0
            why = (
                "" if back else f"{_name(situation, move.from_id)} is full, if the moves told since were made"
            )
        key = (move.from_id, move.to_id, day_name(situation, move.told_on), why, back)
        groups.setdefault(key, []).append(burn)
    blind: dict[str, list[str]] = {}
    for tree in burning.unknown:
        move = situation.told_moves[tree]
        where = f"on {_name(situation, move.to_id)}, as told {day_name(situation, move.told_on)}"
        blind.setdefault(where, []).append(tree)
    return [
        *(_back(situation, *key, group) for key, group in groups.items()),
        *(cannot_tell(situation, group, "hours missing", where) for where, group in blind.items()),
    ]


def cannot_tell(situation: Situation, trees: Sequence[str], why: str, there: str = "") -> Advice:
    """Return the line for trees of which nobody can tell whether sun or heat will be too much.

    Parameters
    ----------
    situation : Situation
    trees : sequence of str
    why : str
        For the reason.
    there : str
        ``on South bench, as told Tue 7 Jul`` where only that place cannot be judged.
    """
    given = ""
    if there:
        given = f" if {'it stands' if len(trees) == 1 else 'they stand'} {there}"
    return Advice(
        advice_id("shade-if-cannot-tell", trees) if there else "shade-cannot-tell",
        "shade",
        "today",
        tuple(trees),
        f"Look at {names(situation, trees)} at noon{given}: the advisor cannot tell whether sun or heat "
        "will be too much today",
        situation.now_utc,
        day_span(situation.holdings.garden, situation.day)[1],
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


def _name(situation: Situation, place_id: str) -> str:
    return situation.holdings.places[place_id].name


def _room_left(situation: Situation, place_id: str) -> int | None:
    """Return the room of a place once each tree went where it was told last; None for any number."""
    room = situation.holdings.places[place_id].room
    if room is None:
        return None
    told = situation.told_moves
    stands = (
        told[tree].to_id if tree in told else state.place_id for tree, state in situation.states.items()
    )
    return room - sum(where == place_id for where in stands)


def _back(
    situation: Situation,
    from_id: str,
    to_id: str,
    told_on: str,
    because: str,
    back: bool,
    group: list[Sunburn],
) -> Advice:
    garden, places = situation.holdings.garden, situation.holdings.places
    worst = max(group, key=lambda burn: (burn.must, burn.heat, burn.margin_k))
    by = min(burn.by_utc for burn in group)
    at_once = by <= situation.now_utc
    when = "now" if at_once else f"before {clock(garden, by)}"
    trees = bench_order(situation, [burn.tree_id for burn in group])
    stands = "it stands" if len(trees) == 1 else "they stand"
    share = None if back else tenths(burn.share for burn in group)
    do = (
        f"Move {names(situation, trees)} back to {places[from_id].name}"
        if share is None
        else f"Rig a net of {say(situation, share, 'share')} over {names(situation, trees)}"
    )
    return Advice(
        advice_id(f"shade-if-back-{from_id}" if back else f"shade-if-net-{to_id}", trees),
        "shade",
        "now" if at_once else "today",
        trees,
        f"{do} {when} if {stands} on {places[to_id].name}, as told {told_on}: {worst.why}",
        situation.now_utc,
        min(max(by, situation.now_utc), day_span(garden, situation.day)[1]),
        worst.reasons,
        amount=None if share is None else Amount(share, "share"),
        chance=worst.chance,
        sure=chance_words(situation.tables, worst.chance)
        if worst.heat
        else "by the sun over the horizon and the cloud forecast",
        changes_if="a line that says where it stands now (log TREE moved PLACE)",
        hazard="heat",
        must=any(burn.must for burn in group),
        because=because,
    )

"""Trees that a digest told elsewhere, in danger today if they were carried there: told back."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from advisor.advice.chance import chance_words
from advisor.advice.grouping import advice_id, bench_order, names
from advisor.advice.hours import clock, day_name, day_span
from advisor.advice.model import Advice, Situation
from advisor.advice.readings import only
from advisor.advice.settled import at_told_place, earlier_tellings
from advisor.advice.sunburn import Sunburn, burning_today

__all__ = ["told_back"]


def told_back(situation: Situation, spoken_of: Collection[str]) -> list[Advice]:
    """Return the way back for trees in no danger where the journal has them, but where they were told to go.

    Parameters
    ----------
    situation : Situation
    spoken_of : collection of str
        Trees in danger where the journal has them, or told to go somewhere today: they are advised anyway.
    """
    return [
        piece
        for telling in (situation, *earlier_tellings(situation))
        for piece in _told_back(telling, spoken_of)
    ]


def _told_back(situation: Situation, spoken_of: Collection[str]) -> list[Advice]:
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
    states, there = at_told_place(situation, trees)
    # what the journal confirmed holds for the place that they may have left
    confirmed = {key: day for key, day in situation.confirmed.items() if key[1] not in trees}
    told = replace(situation, states=states, exposure=only(there, trees), members=None, confirmed=confirmed)
    burns = burning_today(told).burns
    groups: dict[tuple[str, str, str], list[Sunburn]] = {}
    for burn in burns:
        move = situation.told_moves[burn.tree_id]
        key = (move.from_id, move.to_id, day_name(situation, move.told_on))
        groups.setdefault(key, []).append(burn)
    return [_back(situation, *key, group) for key, group in groups.items()]


def _back(situation: Situation, from_id: str, to_id: str, told_on: str, group: list[Sunburn]) -> Advice:
    garden, places = situation.holdings.garden, situation.holdings.places
    worst = max(group, key=lambda burn: (burn.must, burn.heat, burn.margin_k))
    by = min(burn.by_utc for burn in group)
    at_once = by <= situation.now_utc
    when = "now" if at_once else f"before {clock(garden, by)}"
    trees = bench_order(situation, [burn.tree_id for burn in group])
    stands = "it stands" if len(trees) == 1 else "they stand"
    return Advice(
        advice_id(f"shade-if-back-{from_id}", trees),
        "shade",
        "now" if at_once else "today",
        trees,
        f"Move {names(situation, trees)} back to {places[from_id].name} {when} if {stands} on "
        f"{places[to_id].name}, as told {told_on}: {worst.why}",
        situation.now_utc,
        min(max(by, situation.now_utc), day_span(garden, situation.day)[1]),
        worst.reasons,
        chance=worst.chance,
        sure=chance_words(situation.tables, worst.chance)
        if worst.heat
        else "by the sun over the horizon and the cloud forecast",
        changes_if="a line that says where it stands now (log TREE moved PLACE)",
        hazard="heat",
        must=any(burn.must for burn in group),
    )

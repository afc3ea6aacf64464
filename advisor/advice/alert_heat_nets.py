"""Which trees a heat mail names with a net: those not yet under it, and whether it ends their danger."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from advisor.advice.chance import act_at, by_spread, spread_k
from advisor.advice.heat import day_margin, net_share
from advisor.advice.hours import day_span, this_hour
from advisor.advice.model import Situation
from advisor.advice.placing import Placed
from advisor.advice.placing_elsewhere import Stand, elsewhere
from advisor.advice.placing_words import tenths
from advisor.advice.sunburn import Sunburn

__all__ = ["Netting", "netting"]


@dataclass(frozen=True, slots=True)
class Netting:
    """One kind of net.

    Attributes
    ----------
    share : of the sun that it takes, as the morning mail has it.
    denser : it takes the place of a lighter one.
    helped : trees whose danger it ends on all the days looked at.
    not_enough : trees that it leaves in danger.
    unknown : trees for which that cannot be told.
    """

    share: float
    denser: bool
    helped: tuple[str, ...]
    not_enough: tuple[str, ...]
    unknown: tuple[str, ...] = ()


def netting(situation: Situation, placed: Placed, days: Sequence[date]) -> tuple[Netting, ...]:
    """Return the nets for trees that heat endangers where they stay, grouped as the morning mail groups them.

    Parameters
    ----------
    situation : Situation
        With the trees where they are once the moves of ``placed`` that count are made.
    placed : Placed
    days : sequence of date
        Days of the heat on which the net must help.
    """
    groups: dict[bool, list[Sunburn]] = {}
    for burn in placed.nets:
        groups.setdefault(_netted(situation, burn) > 0.0, []).append(burn)
    found = []
    for denser, group in groups.items():
        share = tenths(burn.share for burn in group)
        wanted = [burn for burn in group if burn.heat and _netted(situation, burn) < share - 1e-9]
        left, unknown = _left_in_danger(situation, placed, wanted, share, days)
        trees = [burn.tree_id for burn in wanted]
        if wanted:
            found.append(
                Netting(
                    share,
                    denser,
                    tuple(tree for tree in trees if tree not in left | unknown),
                    tuple(tree for tree in trees if tree in left),
                    tuple(tree for tree in trees if tree in unknown),
                )
            )
    return tuple(found)


def _netted(situation: Situation, burn: Sunburn) -> float:
    return net_share(situation, situation.states[burn.tree_id])


def _left_in_danger(
    situation: Situation, placed: Placed, burns: Sequence[Sunburn], share: float, days: Sequence[date]
) -> tuple[frozenset[str], frozenset[str]]:
    """Trees that are in danger on one of the days even under such a net, and those of which it is unknown.

    The placing has worked through the net that each tree asks for; only where that is not enough, or was not
    looked at, the net of the whole group is worked out.
    """
    if not burns or not days:
        return frozenset(), frozenset()
    if situation.weather is None or situation.by_journal:
        return frozenset(), frozenset(burn.tree_id for burn in burns)
    known = {burn.tree_id: placed.stand_of[burn.tree_id] for burn in burns if burn.tree_id in placed.stand_of}
    safe = set(known)
    if placed.doubles is not None and known:
        safe -= frozenset[str]().union(*_in_danger(situation, placed.doubles, known, days))
    stands = {}
    for burn in burns:
        if burn.tree_id in safe:
            continue
        state = situation.states[burn.tree_id]
        place = situation.holdings.places.get(state.place_id)
        kept = 1.0 if place is None else 1.0 - place.shade_fraction
        extra = 1.0 - (1.0 - share) / kept if kept > 0.0 else 0.0
        stands[burn.tree_id] = Stand(burn.tree_id, state.place_id, max(extra, state.extra_shade))
    if not stands:
        return frozenset(), frozenset()
    there = elsewhere(situation, list(stands.values()), float((max(days) - situation.day).days + 1))
    return _in_danger(situation, there, {tree: stand.double_id for tree, stand in stands.items()}, days)


def _in_danger(
    situation: Situation, there: Situation, double_of: Mapping[str, str], days: Sequence[date]
) -> tuple[frozenset[str], frozenset[str]]:
    """Trees whose doubles are in danger on one of the days, and those of which it is unknown on one."""
    if situation.exposure is None or there.exposure is None:
        return frozenset(), frozenset(double_of)
    earlier_k = situation.tables.limits.value("heat.earlier_k", "K")
    left, unknown = set(), set()
    for day in days:
        begin, end = day_span(situation.holdings.garden, day)
        from_utc: datetime | None = this_hour(situation) if day == situation.day else None
        used, (margins, net_used) = day_margin(situation, day)[1], day_margin(there, day, from_utc)
        spread = spread_k(situation, begin + (end - begin) / 2)
        for tree, double_id in double_of.items():
            double = there.exposure.row(double_id)
            # doubles seldom know the fortnight before: what lowers the limits is taken from the tree itself
            cool = used[situation.exposure.row(tree)] and not net_used[double]
            margin = margins[double] + (earlier_k if cool else 0.0)
            if np.isnan(margin):
                unknown.add(tree)
            elif by_spread(np.array(margin), spread) >= act_at(situation):
                left.add(tree)
    return frozenset(left), frozenset(unknown - left)

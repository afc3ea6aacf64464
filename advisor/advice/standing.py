"""Limits that a place makes a tree pass on more than a third of days: a matter of the place, told once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.grouping import bench_order, names, say
from advisor.advice.heat import past_harm
from advisor.advice.hours import day_span, local_day, this_hour
from advisor.advice.model import Advice, Reason, Situation
from advisor.advice.pot_heat import past_pots
from advisor.garden.state_model import TreeState
from advisor.weather.table import utc_of

__all__ = ["beyond_usual", "standing_advice", "standing_heat", "standing_pots"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def _past_days(situation: Situation) -> list[date]:
    exposure = situation.exposure
    if exposure is None or not exposure.start_utc.size:
        return []
    garden = situation.holdings.garden
    past = timedelta(days=situation.tables.limits.value("standing.past_d", "d"))
    first = max(utc_of(exposure.start_utc[0]), this_hour(situation) - past)
    day = local_day(garden, first)
    if day_span(garden, day)[0] < first:
        day += timedelta(days=1)
    return [day + timedelta(days=n) for n in range(max((situation.day - day).days, 0))]


def _settled(state: TreeState) -> bool:
    """Return True for trees whose limits are their own, not those of a passing state."""
    passing = any({"bare", "tender"} & flag.rule.keeps for flag in state.flags)
    evergreen = state.group.habit.startswith(("evergreen", "tropical"))
    return not passing and (state.stage.stage.in_leaf or evergreen)


def _shares(situation: Situation, harm_on: Callable[[date], FloatArray]) -> dict[str, tuple[float, int]]:
    """Share of the days in leaf and in this place with harm, and how many days, by tree."""
    exposure = situation.exposure
    if exposure is None:
        return {}
    least = situation.tables.limits.value("standing.least_d", "d")
    days = _past_days(situation)
    if len(days) < least:
        return {}
    by_day = np.array([harm_on(day) for day in days])
    ordinals, known = np.array([day.toordinal() for day in days]), np.isfinite(by_day)
    found = {}
    for row, tree in enumerate(exposure.tree_ids):
        state = situation.states[tree]
        if not _settled(state):
            continue
        since = max(
            (day for day in (state.stage.since, state.place_since) if day is not None), default=date.min
        )
        counted = (ordinals >= since.toordinal()) & known[:, row]
        count = int(counted.sum())
        if count >= least:
            found[tree] = float(by_day[counted, row].mean()), count
    limit = situation.tables.limits.value("standing.day_share", "share")
    return {tree: pair for tree, pair in found.items() if pair[0] > limit}


def standing_heat(situation: Situation) -> dict[str, tuple[float, int]]:
    """Trees whose leaves pass their limit on too many days where they stand: share and days counted."""
    return situation.once("standing_heat", lambda: _shares(situation, lambda day: past_harm(situation, day)))


def beyond_usual(situation: Situation, margin_k: FloatArray, danger: BoolArray) -> BoolArray:
    """Return which trees heat endangers on a day, those for which it is usual only well beyond their limits.

    Parameters
    ----------
    situation : Situation
        With an exposure.
    margin_k, danger : array over its trees
        Of one day, see ``HeatDay``.
    """
    exposure, often = situation.exposure, standing_heat(situation)
    trees = () if exposure is None else exposure.tree_ids
    usual = np.array([tree in often for tree in trees], dtype=bool)
    with np.errstate(invalid="ignore"):
        worse = margin_k >= situation.tables.limits.value("standing.worse_k", "K")
    return np.asarray(danger & (~usual | worse))


def standing_pots(situation: Situation) -> dict[str, tuple[float, int]]:
    """Trees whose pots pass their limit, or the mark at the rim, on too many days where they stand."""
    return situation.once("standing_pots", lambda: _shares(situation, lambda day: past_pots(situation, day)))


def standing_advice(
    situation: Situation, topic: str, trees: dict[str, tuple[float, int]], do: str, quantity: str
) -> tuple[Advice, ...]:
    """One measure for good for each place, for the trees there that it was not told of before.

    The id names the place and the trees, so that a tree that comes later is told as well.

    Parameters
    ----------
    topic : str
        ``heat`` or ``pot``: part of the id.
    trees : mapping from tree id to share of days and days counted
    do : str
        What to do, with ``{trees}`` and ``{place}``.
    quantity : str
        What the share is of.
    """
    tables, holdings = situation.tables, situation.holdings
    worse = say(situation, tables.limits.value("standing.worse_k", "K"), "K", 0)
    found = []
    for place in holdings.places.values():
        here = [tree for tree in trees if situation.states[tree].place_id == place.id]
        measure = f"standing-{topic}-{place.id}:"
        told = {
            tree
            for known in situation.told_standing
            if known.startswith(measure)
            for tree in known.removeprefix(measure).split("+")
        }
        here = list(bench_order(situation, set(here) - told))
        if not here:
            continue
        share, days = max(trees[tree] for tree in here)
        found.append(
            Advice(
                measure + "+".join(here),
                "shade",
                "week",
                tuple(here),
                do.format(trees=names(situation, here), place=place.name),
                situation.now_utc,
                situation.now_utc + timedelta(days=7),
                (
                    Reason(
                        quantity,
                        share,
                        "share",
                        tables.limits.value("standing.day_share", "share"),
                        None,
                        f"the last {days} days",
                        tables.limits.source("standing.day_share"),
                    ),
                ),
                sure=f"counted over {days} days",
                changes_if=f"said once; from now on only days at least {worse} beyond the limit are told",
                hazard="standing",
            )
        )
    return tuple(found)

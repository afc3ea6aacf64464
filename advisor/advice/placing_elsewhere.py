"""What trees would meet elsewhere: each tree doubled for every place and net that it might be given.

A double is a tree of its own in a garden of its own, so that every rule can judge it as it judges any tree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import timedelta
from functools import cache
from typing import Any

from advisor.advice.doubles import Doubles
from advisor.advice.model import Situation
from advisor.exposure.compute import compute_exposure
from advisor.exposure.model import Exposure
from advisor.garden.model import Holdings, JournalEntry
from advisor.garden.state_model import TreeState
from advisor.weather.table import WeatherTable

__all__ = ["Stand", "copied", "doubles_of", "elsewhere"]


@dataclass(frozen=True, slots=True)
class Stand:
    """One tree in one place, with a net over it that takes ``extra_shade`` of the sun there."""

    tree_id: str
    place_id: str
    extra_shade: float

    @property
    def double_id(self) -> str:
        """Id of the double; no tree of a garden has such an id."""
        return f"{self.tree_id}@{self.place_id}~{self.extra_shade:.3f}"


def copied(value: Any, kind: type, **changes: Any) -> Any:
    """Return a frozen value with some fields changed; also of what stands in for one."""
    kept = {name: getattr(value, name) for name in _given(kind) if name not in changes}
    return kind(**kept, **changes)


@cache
def _given(kind: type) -> tuple[str, ...]:
    """Names that a kind of value is made with; there are two kinds of which copies are made."""
    return tuple(each.name for each in fields(kind) if each.init)


def elsewhere(situation: Situation, stands: Sequence[Stand], ahead_d: float) -> Situation:
    """Return a situation of doubles, one for each stand, with what they would meet.

    Parameters
    ----------
    situation : Situation
        With weather.
    stands : sequence of Stand
    ahead_d : float
        Days ahead that are wanted; one more is worked out, for the last night.

    Raises
    ------
    ValueError
        The situation has no weather.
    """
    weather = situation.weather
    if weather is None:
        raise ValueError("other places need weather; there is none")
    states: dict[str, TreeState] = {}
    for stand in stands:
        state = situation.states[stand.tree_id]
        states[stand.double_id] = copied(
            state,
            TreeState,
            tree=replace(state.tree, id=stand.double_id, place_id=stand.place_id),
            place_id=stand.place_id,
            extra_shade=stand.extra_shade,
        )
    there = _holdings(situation, stands, states)
    exposure = (
        situation.expose(there, states)
        if situation.expose is not None
        else _by_weather(situation, weather, stands, states, ahead_d)
    )
    return replace(situation, holdings=there, states=states, exposure=exposure, members=None, doubles=None)


def doubles_of(situation: Situation) -> Doubles:
    """Return what remembers the doubles of a situation; to be handed on to what moving trees makes of it."""
    return situation.doubles or situation.once("doubles_of", Doubles)


def _holdings(situation: Situation, stands: Sequence[Stand], states: Mapping[str, TreeState]) -> Holdings:
    """Return a garden of some doubles, with the lines of the journal that their water is known by."""
    holdings = situation.holdings
    back = timedelta(days=situation.tables.physics.value("water.look_back_d", "d"))
    watered: dict[str, list[JournalEntry]] = {}
    for entry in holdings.journal:
        if entry.entry in {"watered", "weighed"} and situation.now_utc - back <= entry.at_utc:
            watered.setdefault(entry.tree_id, []).append(entry)
    lines = [
        replace(entry, tree_id=stand.double_id)
        for stand in stands
        if stand.double_id in states
        for entry in watered.get(stand.tree_id, ())
    ]
    trees = tuple(state.tree for state in states.values())
    return Holdings(holdings.garden, holdings.places, trees, tuple(lines))


def _by_weather(
    situation: Situation,
    weather: WeatherTable,
    stands: Sequence[Stand],
    states: Mapping[str, TreeState],
    ahead_d: float,
) -> Exposure:
    holdings, tables, now_utc = situation.holdings, situation.tables, situation.now_utc
    row = weather.index_at(now_utc)
    past_d = tables.limits.value("placing.past_d", "d")
    first = max(row - round(past_d * 24.0), 0)
    hours = min(row + round((ahead_d + 1.0) * 24.0) + 12, weather.hours) - first
    learned = {} if situation.exposure is None else situation.exposure.thirst

    def work(doubles: Sequence[str], wanted_h: int) -> Exposure:
        own = {double: states[double] for double in doubles}
        thirst = {
            stand.double_id: learned[stand.tree_id]
            for stand in stands
            if stand.double_id in own and stand.tree_id in learned
        }
        near = weather.between(first, first + wanted_h)
        there = _holdings(situation, stands, own)
        return compute_exposure(there, own, near, tables, now_utc, thirst=thirst, beside=situation.exposure)

    rests_on = (weather, tables, now_utc, learned, holdings.garden, holdings.places, holdings.journal)
    return doubles_of(situation).exposure(states, hours, rests_on, work)

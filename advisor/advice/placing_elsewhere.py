"""What trees would meet elsewhere: each tree doubled for every place and net that it might be given.

A double is a tree of its own in a garden of its own, so that every rule can judge it as it judges any tree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import timedelta
from typing import Any

from advisor.advice.model import Situation
from advisor.exposure.compute import compute_exposure
from advisor.exposure.model import Exposure
from advisor.garden.model import Holdings
from advisor.garden.state_model import TreeState

__all__ = ["Stand", "copied", "elsewhere"]


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
    kept = {
        each.name: getattr(value, each.name)
        for each in fields(kind)
        if each.init and each.name not in changes
    }
    return kind(**kept, **changes)


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
    holdings, weather = situation.holdings, situation.weather
    if weather is None:
        raise ValueError("other places need weather; there is none")
    states: dict[str, TreeState] = {}
    lines = []
    back = timedelta(days=situation.tables.physics.value("water.look_back_d", "d"))
    watered = [
        entry
        for entry in holdings.journal
        if entry.entry in {"watered", "weighed"} and situation.now_utc - back <= entry.at_utc
    ]
    for stand in stands:
        state = situation.states[stand.tree_id]
        states[stand.double_id] = copied(
            state,
            TreeState,
            tree=replace(state.tree, id=stand.double_id, place_id=stand.place_id),
            place_id=stand.place_id,
            extra_shade=stand.extra_shade,
        )
        lines += [
            replace(entry, tree_id=stand.double_id) for entry in watered if entry.tree_id == stand.tree_id
        ]
    trees = tuple(state.tree for state in states.values())
    there = Holdings(holdings.garden, holdings.places, trees, tuple(lines))
    exposure = (
        situation.expose(there, states)
        if situation.expose is not None
        else _by_weather(situation, there, states, stands, ahead_d)
    )
    return replace(situation, holdings=there, states=states, exposure=exposure, members=None)


def _by_weather(
    situation: Situation,
    holdings: Holdings,
    states: Mapping[str, TreeState],
    stands: Sequence[Stand],
    ahead_d: float,
) -> Exposure:
    weather, own = situation.weather, situation.exposure
    assert weather is not None  # noqa: S101 - elsewhere has asked
    row = weather.index_at(situation.now_utc)
    past_d = situation.tables.limits.value("placing.past_d", "d")
    near = weather.between(row - round(past_d * 24.0), row + round((ahead_d + 1.0) * 24.0) + 12)
    learned = {} if own is None else own.thirst
    thirst = {stand.double_id: learned[stand.tree_id] for stand in stands if stand.tree_id in learned}
    return compute_exposure(holdings, states, near, situation.tables, situation.now_utc, thirst=thirst)

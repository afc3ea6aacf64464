"""Which of the grower's own places would do, and has room: never a place that is full."""

from __future__ import annotations

from datetime import date

import numpy as np
from numpy.typing import NDArray

from advisor.advice.model import Situation
from advisor.exposure.places import Spot, place_temperatures_c, spot_traits
from advisor.garden.model import Place
from advisor.garden.state_model import TreeState

__all__ = [
    "Rooms",
    "can_carry",
    "is_confirmed",
    "place_temperatures",
    "warmer_by_k",
    "wind_kept",
]

FloatArray = NDArray[np.float64]


class Rooms:
    """Room left in each place, drawn on while trees are placed."""

    def __init__(self, situation: Situation) -> None:
        taken: dict[str, int] = {}
        for state in situation.states.values():
            taken[state.place_id] = taken.get(state.place_id, 0) + 1
        self._free: dict[str, int | None] = {
            place.id: None if place.room is None else max(place.room - taken.get(place.id, 0), 0)
            for place in situation.holdings.places.values()
        }

    def free(self, place_id: str) -> int | None:
        """Pots that still fit; None where the grower set no bound."""
        return self._free[place_id]

    def has(self, place_id: str) -> bool:
        """Return True while another pot fits."""
        free = self._free[place_id]
        return free is None or free > 0

    def take(self, place_id: str) -> None:
        """Count one pot in."""
        free = self._free[place_id]
        if free is not None:
            self._free[place_id] = free - 1


def is_confirmed(situation: Situation, hazard: str, tree_id: str) -> bool:
    """Return True while a logged measure silences this hazard for this tree."""
    done = situation.confirmed.get((hazard, tree_id))
    return _within(situation, done)


def _within(situation: Situation, done: date | None) -> bool:
    if done is None:
        return False
    return 0 <= (situation.day - done).days <= situation.tables.limits.value("silence.confirmed_d", "d")


def can_carry(situation: Situation, state: TreeState) -> bool:
    """Return True for pots that are carried for a day; heavy ones stay."""
    return state.tree.pot.volume_l <= situation.tables.limits.value("places.heavy_l", "l")


def place_temperatures(situation: Situation) -> dict[str, FloatArray]:
    """Air at the pots of every place over the hours of the weather table."""
    weather, holdings = situation.weather, situation.holdings
    if weather is None or not weather.hours:
        return {}
    air = place_temperatures_c(list(holdings.places.values()), weather, holdings.garden, situation.tables)
    return dict(zip(holdings.places, air, strict=True))


def warmer_by_k(night_here: FloatArray, night_there: FloatArray) -> float:
    """How much warmer the coldest hour is there than here [K]; 0 where either is unknown."""
    known = np.isfinite(night_here) & np.isfinite(night_there)
    if not known.any():
        return 0.0
    return float(night_there[known].min() - night_here[known].min())


def wind_kept(situation: Situation, place: Place) -> float:
    """Share of the wind that reaches the pots of a place, 0..1."""
    return 1.0 - float(spot_traits([Spot(place)], situation.tables).wind_shelter[0, 0])

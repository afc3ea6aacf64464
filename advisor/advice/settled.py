"""The garden once today's moves are made: every later rule judges trees where they will stand by then."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import cast

import numpy as np

from advisor.advice.hours import HOUR, this_hour
from advisor.advice.model import Situation
from advisor.advice.placing import placing
from advisor.advice.placing_elsewhere import copied
from advisor.exposure.model import HOURLY, Exposure
from advisor.garden.state_model import TreeState
from advisor.weather.table import stamp_of

__all__ = ["settled"]

_ARRAYS = (*HOURLY, "sun_w_m2", "pot_rim_shaded_c")
"""Arrays over tree and hour that follow a tree to its place."""


def settled(situation: Situation) -> Situation:
    """Return the situation with trees in the places and under the nets that today's advice gives them.

    Moves into the light have a week and are left out. From now on a tree that moves meets what it would meet
    there; the ensemble, worked out for the old place, is then unknown for it.
    """
    return situation.once("settled", lambda: _settled(situation))


def _settled(situation: Situation) -> Situation:
    placed, exposure = placing(situation), situation.exposure
    doubles = placed.doubles
    if exposure is None or doubles is None or doubles.exposure is None:
        return situation
    light = {move.tree_id for move in placed.moves if move.kind == "light"}
    going = [tree for tree in placed.stand_of if tree not in light]
    if not going:
        return situation
    states = dict(situation.states)
    for tree in going:
        double = doubles.states[placed.stand_of[tree]]
        states[tree] = copied(
            situation.states[tree], TreeState, place_id=double.place_id, extra_shade=double.extra_shade
        )
    members = situation.members
    return replace(
        situation,
        states=states,
        exposure=_moved(exposure, doubles.exposure, placed.stand_of, going, this_hour(situation)),
        members=None if members is None else _forgotten(members, going, this_hour(situation)),
    )


def _row(exposure: Exposure, at_utc: datetime) -> int:
    return max(int((stamp_of(at_utc) - exposure.start_utc[0]) // HOUR), 0)


def _moved(
    own: Exposure, there: Exposure, stand_of: Mapping[str, str], trees: Sequence[str], from_utc: datetime
) -> Exposure:
    """Return the exposure with some trees elsewhere from an hour on, as far as that is known."""
    arrays = {name: getattr(own, name).copy() for name in _ARRAYS}
    ahead = int((there.start_utc[0] - own.start_utc[0]) // HOUR)
    first = max(_row(there, from_utc), -ahead)
    last = min(there.start_utc.size, own.start_utc.size - ahead)
    for tree in trees:
        row, double = own.row(tree), there.row(stand_of[tree])
        for name, array in arrays.items():
            array[row, first + ahead : last + ahead] = getattr(there, name)[double, first:last]
    return cast("Exposure", copied(own, Exposure, **arrays))


def _forgotten(members: Exposure, trees: Sequence[str], from_utc: datetime) -> Exposure:
    """Return the ensemble with nothing known of some trees from an hour on."""
    arrays = {name: getattr(members, name).copy() for name in _ARRAYS}
    first = _row(members, from_utc)
    for tree in trees:
        for array in arrays.values():
            array[:, members.row(tree), first:] = np.nan
    return cast("Exposure", copied(members, Exposure, **arrays))

"""The garden once today's moves are made: every later rule judges trees where they will stand by then.

Moves that a digest told and nobody logged count as made too, since the hour they were told for. What would
threaten a tree that was not carried is told by ``readings``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import cast

import numpy as np

from advisor.advice.hours import HOUR, day_span, local_day, this_hour
from advisor.advice.model import Situation
from advisor.advice.placing import placing
from advisor.advice.placing_elsewhere import copied, doubles_of
from advisor.exposure.compute import PotsBefore, compute_exposure
from advisor.exposure.model import HOURLY, Exposure
from advisor.exposure.stays import SpotStay
from advisor.exposure.water_known import balance_begins_utc, watering_slots
from advisor.garden.model import Holdings
from advisor.garden.state_model import TreeState
from advisor.weather.table import stamp_of, utc_of

__all__ = [
    "as_told",
    "at_told_place",
    "earlier_tellings",
    "settled",
    "settled_by_the_hour",
    "standing_at",
    "standing_now",
]

_ARRAYS = (*HOURLY, "sun_w_m2", "pot_rim_shaded_c")
"""Arrays over tree and hour that follow a tree to its place."""
_OF_TREE = ("left_now_share", "capacity_l", "usable_l", "dry_at", "dry_known_share")
_BY_SLOT = ("waterings_l",)


def settled(situation: Situation) -> Situation:
    """Return the situation with trees in the places and under the nets that today's advice gives them.

    Moves into the light have a week and are left out. From now on a tree that goes today meets what it would
    meet there; the ensemble, worked out for the old place, is then unknown for it.
    """
    return situation.once("settled", partial(_settled, situation, at_once=True))


def settled_by_the_hour(situation: Situation) -> Situation:
    """Return ``settled``, but with each tree in its old place up to the hour by which it is told to go."""
    if not placing(situation).stand_of:
        return settled(situation)
    return situation.once("settled_by_the_hour", partial(_settled, situation, at_once=False))


def standing_now(situation: Situation) -> Mapping[str, TreeState]:
    """Return the states of the trees that ``settled`` has in another place or under another net."""
    after = settled(situation)
    if after is situation:
        return {}
    return {tree: state for tree, state in after.states.items() if state is not situation.states[tree]}


def standing_at(situation: Situation, at_utc: datetime) -> Mapping[str, TreeState]:
    """Return the states of all trees, in the places in which ``settled_by_the_hour`` has them then."""
    stays = situation.once("stays", partial(_stays, situation, at_once=False))
    begun = {
        tree: tuple(stay for stay in each if stay.from_utc is None or stay.from_utc <= at_utc)
        for tree, each in stays.items()
    }
    return _moved_states(situation, {tree: each for tree, each in begun.items() if each})


def _stays(situation: Situation, *, at_once: bool) -> dict[str, tuple[SpotStay, ...]]:
    """Where trees go that the journal does not have there: as told, then as told today."""
    stays: dict[str, tuple[SpotStay, ...]] = {}
    for tree, told in situation.told_moves.items():
        if told.taken_as_done:
            stays[tree] = (SpotStay(told.by_utc, told.to_id, situation.states[tree].extra_shade),)
    placed, begin = placing(situation), this_hour(situation)
    if placed.doubles is None:
        return stays
    leave_by: dict[str, datetime] = {}
    for move in placed.moves:
        if move.burn is not None:
            by = max(move.burn.by_utc, begin)
            leave_by[move.to_id] = min(by, leave_by.get(move.to_id, by))
    burns = {move.tree_id: move.burn for move in placed.moves} | {net.tree_id: net for net in placed.nets}
    of_tree = {move.tree_id: move for move in placed.moves}
    for tree, double_id in placed.stand_of.items():
        double, burn = placed.doubles.states[double_id], burns.get(tree)
        going = of_tree.get(tree)
        if going is not None and going.kind == "light":
            continue
        by = max(burn.by_utc, begin) if burn is not None else begin
        if burn is None and going is not None:
            by = leave_by.get(going.from_id, begin)
        before = stays.get(tree, ())
        if before and (before[0].place_id, before[0].extra_shade) == (double.place_id, double.extra_shade):
            continue
        by = begin if at_once else max(by, begin)
        stays[tree] = (*before, SpotStay(by, double.place_id, double.extra_shade))
    return stays


def _settled(situation: Situation, *, at_once: bool) -> Situation:
    exposure = situation.exposure
    if exposure is None or situation.weather is None:
        return situation
    stays = {
        tree: each for tree, each in _stays(situation, at_once=at_once).items() if tree in exposure.tree_ids
    }
    if not stays:
        return situation
    states = _moved_states(situation, stays)
    members = situation.members
    return replace(
        situation,
        states=states,
        exposure=_moved(situation, exposure, states, stays),
        members=None if members is None else _forgotten(members, stays, this_hour(situation)),
        doubles=doubles_of(situation),
    )


def at_told_place(situation: Situation) -> tuple[Mapping[str, TreeState], Exposure]:
    """Return states and exposure with each tree of ``told_moves`` where that move took it; worked out once.

    Raises
    ------
    ValueError
        There is no exposure.
    """
    return situation.once("at_told_place", partial(_at_told_place, situation))


def _at_told_place(situation: Situation) -> tuple[Mapping[str, TreeState], Exposure]:
    exposure = situation.exposure
    if exposure is None:
        raise ValueError("other places need an exposure; there is none")
    stays = {
        tree: (SpotStay(move.by_utc, move.to_id, situation.states[tree].extra_shade),)
        for tree, move in situation.told_moves.items()
        if tree in exposure.tree_ids
    }
    states = _moved_states(situation, stays)
    return states, _moved(situation, exposure, states, stays)


def as_told(situation: Situation) -> Situation | None:
    """Return the garden with every told move made since the hour it was told for; None where none is open.

    Left out is what the journal confirmed for these trees, in the place they may have left.
    """
    return situation.once("as_told", partial(_as_told, situation))


def earlier_tellings(situation: Situation) -> tuple[Situation, ...]:
    """Return the situation with ``told_moves`` of earlier tellings alone, the newest of each tree first.

    A tree told to two places on different days, with nothing logged, may stand in either. The same objects
    each time, so that what is worked out of an earlier telling is kept with it.
    """
    return situation.once("earlier_tellings", partial(_earlier_tellings, situation))


def _earlier_tellings(situation: Situation) -> tuple[Situation, ...]:
    found: list[Situation] = []
    number = 0
    while True:
        moves = {
            tree: replace(move.earlier[number], earlier=())
            for tree, move in situation.told_moves.items()
            if len(move.earlier) > number
        }
        if not moves:
            return tuple(found)
        found.append(replace(situation, told_moves=moves))
        number += 1


def _as_told(situation: Situation) -> Situation | None:
    exposure, members = situation.exposure, situation.members
    if exposure is None:
        return None
    trees = [tree for tree in situation.told_moves if tree in exposure.tree_ids]
    if not trees:
        return None
    states, there = at_told_place(situation)
    stays = {
        tree: (SpotStay(situation.told_moves[tree].by_utc, states[tree].place_id, 0.0),) for tree in trees
    }
    return replace(
        situation,
        states=states,
        exposure=there,
        members=None if members is None else _forgotten(members, stays, this_hour(situation)),
        doubles=doubles_of(situation),
        confirmed={key: day for key, day in situation.confirmed.items() if key[1] not in trees},
        told_moves={},
    )


def _moved_states(situation: Situation, stays: Mapping[str, Sequence[SpotStay]]) -> dict[str, TreeState]:
    states = dict(situation.states)
    for tree, each in stays.items():
        states[tree] = copied(
            situation.states[tree], TreeState, place_id=each[-1].place_id, extra_shade=each[-1].extra_shade
        )
    return states


def _row(exposure: Exposure, at_utc: datetime) -> int:
    return max(int((stamp_of(at_utc) - exposure.start_utc[0]) // HOUR), 0)


def _there(
    situation: Situation, states: Mapping[str, TreeState], stays: Mapping[str, Sequence[SpotStay]]
) -> Exposure:
    """What the trees of ``stays`` meet, worked out by themselves from shortly before the first goes."""
    holdings, weather, tables = situation.holdings, situation.weather, situation.tables
    trees = tuple(tree for tree in holdings.trees if tree.id in stays)
    own = Holdings(holdings.garden, holdings.places, trees, holdings.journal)
    if situation.expose is not None:
        return situation.expose(own, {tree.id: states[tree.id] for tree in trees})
    exposure = situation.exposure
    if weather is None or exposure is None:
        raise ValueError("other places need weather; there is none")
    back = balance_begins_utc(situation.now_utc, tables) - timedelta(days=1)
    begin = weather.index_at(utc_of(exposure.start_utc[0]))
    first = max(weather.index_at(back), begin)
    return compute_exposure(
        own,
        {tree.id: situation.states[tree.id] for tree in trees},
        weather.between(first, begin + exposure.start_utc.size),
        tables,
        situation.now_utc,
        told_watering=situation.told_watering,
        thirst=exposure.thirst,
        ahead=stays,
        before=_before(situation, exposure, stays, first - begin),
        beside=exposure,
    )


def _before(
    situation: Situation, exposure: Exposure, stays: Mapping[str, Sequence[SpotStay]], skipped: int
) -> PotsBefore | None:
    """The pots at the last hour up to which all is worked out already, wherever the trees of ``stays`` go.

    That is before the last watering time before the first of them goes: what is taken as given at a watering
    time hangs on what the pot uses up to the next. ``skipped`` hours of the exposure are left out of the
    table. None where it holds no such hour, and where a tree leaves a tray behind: it is then no water of the
    tree before either.
    """
    garden, places = situation.holdings.garden, situation.holdings.places
    if any(
        places[stay.place_id].tray_l < places[situation.states[tree].place_id].tray_l
        for tree, each in stays.items()
        for stay in each
    ):
        return None
    goes = min(situation.now_utc, *(each[0].from_utc or situation.now_utc for each in stays.values()))
    day = day_span(garden, local_day(garden, goes) - timedelta(days=1))[0]
    end = _row(exposure, (watering_slots(garden, day, goes) or [goes])[-1])
    rows = [exposure.row(tree) for tree in exposure.tree_ids if tree in stays]
    names = ("water_left_share", "pot_rim_c", "pot_rim_shaded_c", "pot_core_c")
    arrays = [getattr(exposure, name)[rows, skipped:end] for name in names]
    (known,) = np.isfinite(np.stack(arrays)).all(axis=(0, 1)).nonzero()
    if not known.size:
        return None
    last = int(known[-1])
    return PotsBefore(last + 1, *(array[:, last] for array in arrays))


def _moved(
    situation: Situation,
    own: Exposure,
    states: Mapping[str, TreeState],
    stays: Mapping[str, Sequence[SpotStay]],
) -> Exposure:
    """Return the exposure with some trees elsewhere from an hour on, as far as that is known."""
    there = _there(situation, states, stays)
    arrays = {name: getattr(own, name).copy() for name in (*_ARRAYS, *_OF_TREE, *_BY_SLOT)}
    ahead = int((there.start_utc[0] - own.start_utc[0]) // HOUR)
    last = min(there.start_utc.size, own.start_utc.size - ahead)
    same_slots = np.array_equal(there.slot_utc, own.slot_utc)
    for tree, each in stays.items():
        row, double = own.row(tree), there.row(tree)
        begin = each[0].from_utc or situation.now_utc
        first = max(_row(there, begin), -ahead)
        for name in _ARRAYS:
            arrays[name][row, first + ahead : last + ahead] = getattr(there, name)[double, first:last]
        if same_slots:
            for name in (*_OF_TREE, *_BY_SLOT):
                arrays[name][row] = getattr(there, name)[double]
    return cast("Exposure", copied(own, Exposure, **arrays))


def _forgotten(members: Exposure, stays: Mapping[str, Sequence[SpotStay]], from_utc: datetime) -> Exposure:
    """Return the ensemble with nothing known of some trees from the hour on in which they go."""
    arrays = {name: getattr(members, name).copy() for name in _ARRAYS}
    for tree, each in stays.items():
        first = _row(members, max(each[0].from_utc or from_utc, from_utc))
        for array in arrays.values():
            array[:, members.row(tree), first:] = np.nan
    return cast("Exposure", copied(members, Exposure, **arrays))

"""Who may go where: the trees whose place is open, what each may be given, and what a move itself costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import numpy as np

from advisor.advice.frost import judge_night
from advisor.advice.grouping import bench_order
from advisor.advice.heat import day_danger
from advisor.advice.model import Situation
from advisor.advice.places import can_carry, is_confirmed
from advisor.advice.placing_elsewhere import Stand
from advisor.advice.placing_light import HARDENING, Wanted, full_sun, sun_wanted
from advisor.advice.sunburn import Sunburn
from advisor.garden.state_model import TreeState

__all__ = ["Options"]


class Options:
    """What may be done in one garden.

    An option is a column: the open places in ``places``, the least shaded and least sheltered first, and
    after them ``net``, a net over the tree where it stands.

    Attributes
    ----------
    burns : mapping of tree id to Sunburn
        Trees in danger, whose place is open to the sky.
    days : list of date
        As far as the weather is known, one at the least.
    missing : date or None
        The first day on which too little is known to go on with.
    trees : list of str
        Those whose place is open, in bench order; empty where there is nothing to decide.
    stands : mapping of tree id to (column to Stand)
    here : mapping of tree id to the column of its place
    told : mapping of tree id to a column
        Where a digest told a tree to go that nobody logged: it may stand there by now, and keeps its room.
    """

    def __init__(self, situation: Situation, first: date, burns: Sequence[Sunburn]) -> None:
        self.situation, self.get = situation, situation.tables.limits.value
        indoor = situation.tables.physics.value("bench.indoor_level", "count")
        found = [place for place in situation.holdings.places.values() if place.shelter_level < indoor]
        self.places = sorted(found, key=lambda place: (place.shade_fraction, place.shelter_level))
        self.net = len(self.places)
        self._column = {place.id: row for row, place in enumerate(self.places)}
        self.burns = {
            burn.tree_id: burn for burn in burns if self.state(burn.tree_id).place_id in self._column
        }
        self.days, self.missing = self._known(self._days(first))
        self._light = full_sun(situation, self.places, self.days)
        self._wants: dict[str, Wanted | None] = {}
        self._lacks: dict[tuple[Wanted | None, int, float], float] = {}
        self.told = {
            tree: self._column[move.to_id]
            for tree, move in situation.told_moves.items()
            if move.to_id in self._column
        }
        self._taken: dict[str, int] = {}
        standing = [state.place_id for state in situation.states.values()]
        for place_id in (*standing, *(self.places[column].id for column in self.told.values())):
            self._taken[place_id] = self._taken.get(place_id, 0) + 1
        self.trees = self._taking_part()
        self.here = {tree: self._column[self.state(tree).place_id] for tree in self.trees}
        self.stands: Mapping[str, Mapping[int, Stand]] = {tree: self._stands(tree) for tree in self.trees}

    def state(self, tree: str) -> TreeState:
        """State of a tree."""
        return self.situation.states[tree]

    def _days(self, first: date) -> list[date]:
        """The days that count: those of config, and on to the end of a hot or cold spell.

        Where nobody is in danger there is no hurry: then it is the week that a tree would stay.
        """
        ahead, longest = (round(self.get(f"placing.{row}", "d")) for row in ("ahead_d", "longest_d"))
        days = [first + timedelta(days=n) for n in range(ahead if self.burns else longest)]
        while len(days) < longest:
            following = days[-1] + timedelta(days=1)
            hot = day_danger(self.situation, following)[1].any()
            if not hot and not judge_night(self.situation, following).danger.any():
                break
            days.append(following)
        return days

    def _known(self, days: list[date]) -> tuple[list[date], date | None]:
        """Return the days up to the first of which no tree's heat can be told, and that day."""
        for number, day in enumerate(days):
            if np.isnan(day_danger(self.situation, day)[0]).all():
                return days[: max(number, 1)], day
        return days, None

    # --- who ------------------------------------------------------------------------------------------------

    def _may_leave(self, tree: str) -> bool:
        """Return True for a tree that is in no danger and has stayed long enough where it is."""
        state = self.state(tree)
        if tree in self.burns or state.place_id not in self._column or state.flag(HARDENING) is not None:
            return False
        since, stay = state.place_since, self.get("shade.stay_d", "d")
        stayed = since is None or (self.situation.day - since).days >= stay
        return stayed and can_carry(self.situation, state) and not is_confirmed(self.situation, "heat", tree)

    def _lacks_light(self, tree: str) -> bool:
        here = self.lack_h(tree, self._column[self.state(tree).place_id])
        if here <= 0.0:
            return False
        return here - min(self.lack_h(tree, column) for column in range(self.net)) > self.move_h(tree)

    def _taking_part(self) -> list[str]:
        order = bench_order(self.situation, self.situation.states)
        exposure = self.situation.exposure
        known = set() if exposure is None else set(exposure.tree_ids)
        free = [tree for tree in order if tree in known and self._may_leave(tree)]
        lacking = {tree for tree in free if self._lacks_light(tree)}
        wanted = lacking | set(self.burns)
        if wanted:
            bounded = {place.id for place in self.places if place.room is not None}
            wanted |= {tree for tree in free if self.state(tree).place_id in bounded}
        return [tree for tree in order if tree in wanted]

    # --- where ----------------------------------------------------------------------------------------------

    def _stands(self, tree: str) -> dict[int, Stand]:
        """What a tree may be given, and where it stands.

        One on its way back into the light is not sent back again for the sun alone; it gets a net meanwhile.
        """
        state, burn = self.state(tree), self.burns.get(tree)
        here, hardening = self.here[tree], state.flag(HARDENING) is not None
        stays = hardening and (burn is None or not burn.heat)
        columns = range(self.net) if can_carry(self.situation, state) and not stays else [here]
        found = {column: Stand(tree, self.places[column].id, state.extra_shade) for column in columns}
        if burn is not None:
            kept = 1.0 - self.places[here].shade_fraction
            extra = 1.0 - (1.0 - burn.share) / kept if kept > 0.0 else 0.0
            found[self.net] = Stand(tree, self.places[here].id, max(extra, state.extra_shade))
        return found

    def is_move(self, tree: str, column: int) -> bool:
        """Return True where an option means carrying the pot."""
        return column not in (self.here[tree], self.net)

    def as_told(self, tree: str, column: int) -> bool:
        """Return True where a digest told this very move before: it may be made already."""
        return self.told.get(tree) == column

    def held(self, column: int) -> int:
        """Trees that stand in a place now, or may."""
        return self._taken.get(self.places[column].id, 0)

    def over_full(self, column: int) -> bool:
        """Return True for a place that holds more than its room: nobody is sent there."""
        room = self.places[column].room
        return room is not None and self.held(column) > room

    def room(self) -> list[int | None]:
        """How many of those that take part each place holds; None: any number."""
        found: list[int | None] = []
        for column, place in enumerate(self.places):
            there = sum(here == column for here in self.here.values())
            told = sum(self.as_told(tree, column) for tree in self.trees)
            free = None if place.room is None else place.room - (self.held(column) - there - told)
            found.append(None if free is None else max(free, there))
        return found

    # --- what it costs, but for harm ------------------------------------------------------------------------

    def move_h(self, tree: str, column: int | None = None) -> float:
        """What carrying a pot must save at the least, in hours of harm; nothing where it was told before."""
        if column is not None and self.as_told(tree, column):
            return 0.0
        share = self.state(tree).tree.pot.volume_l / self.get("places.heavy_l", "l")
        return self.get("placing.keep_h", "h") + self.get("placing.carry_h", "h") * share

    def back_h(self, tree: str, column: int) -> float:
        """What going back within the stay costs on top: only where the journal has it leave there lately."""
        lines = [entry for entry in self.situation.holdings.journal_of(tree) if entry.entry == "moved"]
        since, stay = self.state(tree).place_since, self.get("shade.stay_d", "d")
        if (
            not lines
            or since is None
            or (self.situation.day - since).days >= stay
            or self.as_told(tree, column)
        ):
            return 0.0
        before = lines[-2].amount if len(lines) > 1 else self.state(tree).tree.place_id
        return self.get("placing.back_h", "h") if before == self.places[column].id else 0.0

    def lack_h(self, tree: str, column: int, extra_shade: float | None = None) -> float:
        """Missing sun, in hours of harm, as for the days that a place is chosen for at the least."""
        if self._light is None:
            return 0.0
        extra = self.state(tree).extra_shade if extra_shade is None else extra_shade
        asked = self._wanted(tree), column, extra
        if asked not in self._lacks:
            lack = self._light.lack_h(asked[0], self.places[column].id, extra)
            per_day = lack / len(self.days)
            self._lacks[asked] = (
                per_day * self.get("placing.ahead_d", "d") * self.get("placing.lack_share", "share")
            )
        return self._lacks[asked]

    def _wanted(self, tree: str) -> Wanted | None:
        """The sun that a tree wants, which many want alike."""
        if tree not in self._wants:
            self._wants[tree] = sun_wanted(self.situation, self.state(tree))
        return self._wants[tree]

    def sun_h(self, tree: str, column: int) -> float:
        """Full sun a day that a tree gets there over the coming days; NaN unknown."""
        state = self.state(tree)
        wanted = self._wanted(tree)
        if self._light is None or wanted is None:
            return float("nan")
        return float(np.mean(self._light.sun_h(wanted, self.places[column].id, state.extra_shade)))

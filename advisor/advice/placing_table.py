"""Costs of every option of every tree, from the harm it would meet there and what the move itself costs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from advisor.advice.model import Situation
from advisor.advice.placing_costs import Harm, harm_of
from advisor.advice.placing_elsewhere import elsewhere
from advisor.advice.placing_options import Options
from advisor.advice.placing_solution import Task

__all__ = ["Table"]

FloatArray = NDArray[np.float64]


class Table:
    """The task, and what stands behind its costs.

    Attributes
    ----------
    task : Task
        Rows are ``options.trees``.
    doubles : Situation
        Every tree in every place that it may be given.
    """

    def __init__(self, options: Options) -> None:
        self._options, get = options, options.get
        listed = [stand for stands in options.stands.values() for stand in stands.values()]
        unique = list({stand.double_id: stand for stand in listed}.values())
        ahead_d = (options.days[-1] - options.situation.day).days + 1.0
        self.doubles: Situation = elsewhere(options.situation, unique, ahead_d)
        self._row = {stand.double_id: number for number, stand in enumerate(unique)}
        self._harm: Harm = harm_of(
            options.situation, self.doubles, [stand.tree_id for stand in unique], options.days
        )
        pots = self._harm.pot_h * get("placing.pot_share", "share")
        self._all_h = self._harm.weighed_h + pots + self._harm.danger_d * get("placing.danger_h", "h")
        self._costs = np.full((len(options.trees), options.net + 1), np.inf)
        moves = np.zeros(self._costs.shape, dtype=bool)
        takes = np.tile(np.arange(options.net + 1), (len(options.trees), 1))
        for number, tree in enumerate(options.trees):
            takes[number, options.net] = options.here[tree]
            for column in options.stands[tree]:
                moves[number, column] = options.is_move(tree, column) and not options.as_told(tree, column)
            (self._endangered if tree in options.burns else self._safe)(number, tree)
        most = round(get("places.moves_a_day", "count"))
        self.task = Task(self._costs, takes, options.room(), moves, most)

    def _at(self, tree: str, column: int) -> int:
        return self._row[self._options.stands[tree][column].double_id]

    def daily_h(self, tree: str, column: int) -> float:
        """Expected hours a day of too much heat or sun."""
        return float(self._harm.leaf_h[self._at(tree, column)]) / self._harm.days

    def worst_k(self, tree: str, column: int) -> float:
        """How far the worst hours lie beyond the limits [K], not below zero."""
        return max(float(np.nan_to_num(self._harm.worst_k[self._at(tree, column)], neginf=0.0)), 0.0)

    def wants_net(self, tree: str, column: int) -> bool:
        """Return True where a tree would still be in danger on the first day, for want of enough shade."""
        burn = self._options.burns.get(tree)
        if burn is None or not self._harm.first_danger[self._at(tree, column)]:
            return False
        return self._shade(tree, column) < burn.share - 1e-9

    def cannot_compare(self, tree: str) -> bool:
        """Return True where a tree might go, but it is not known what it meets here, or anywhere else."""
        options = self._options
        places = [column for column in options.stands[tree] if options.is_move(tree, column)]
        unknown = [bool(np.isnan(self._all_h[self._at(tree, column)])) for column in places]
        here = bool(np.isnan(self._all_h[self._at(tree, options.here[tree])]))
        return bool(places) and (here or all(unknown))

    def _shade(self, tree: str, column: int) -> float:
        place, stand = self._options.places[column], self._options.stands[tree][column]
        return 1.0 - (1.0 - place.shade_fraction) * (1.0 - stand.extra_shade)

    def saved_h(self, tree: str, column: int) -> float:
        """Hours of harm that a place saves over staying, all days together."""
        here = self._options.here[tree]
        return float(self._all_h[self._at(tree, here)] - self._all_h[self._at(tree, column)])

    def _entries(self, tree: str) -> list[int]:
        """Places that a tree may be carried to."""
        options = self._options
        return [
            column
            for column in options.stands[tree]
            if options.is_move(tree, column)
            and (options.as_told(tree, column) or not options.over_full(column))
            and np.isfinite(self._all_h[self._at(tree, column)])
        ]

    def _endangered(self, number: int, tree: str) -> None:
        """A tree in danger leaves or gets a net; a place must better it, or give the shade it wants.

        What a tree is carried in for counts against the best that any place of its own offers.
        """
        options, get, net = self._options, self._options.get, self._options.net
        stands, burn, here = options.stands[tree], options.burns[tree], options.here[tree]
        passing = {column: float(self._harm.passing_h[self._at(tree, column)]) for column in stands}
        stays = float(self._all_h[self._at(tree, here)])
        shaded = float(self._all_h[self._at(tree, net)])
        spared = get("placing.net_share", "share") * max(stays - shaded, 0.0)
        lack = options.lack_h(tree, here, stands[net].extra_shade)
        self._costs[number, net] = get("placing.net_h", "h") + float(np.nan_to_num(stays - spared)) + lack
        for column in self._entries(tree):
            at = self._at(tree, column)
            there = float(self._all_h[at])
            enough = (
                self._shade(tree, column) >= burn.least - 1e-9
                and not self._harm.first_danger[at]
                and there <= stays
            )
            keep_h = 0.0 if options.as_told(tree, column) else get("placing.keep_h", "h")
            if enough or there <= stays - keep_h:
                self._costs[number, column] = (
                    there
                    + passing[column]
                    - min(passing.values())
                    + options.lack_h(tree, column)
                    + options.move_h(tree, column)
                    + options.back_h(tree, column)
                )

        told = options.told.get(tree, net)
        open_to = [column for column in self._entries(tree) if np.isfinite(self._costs[number, column])]
        danger = {column: bool(self._harm.first_danger[self._at(tree, column)]) for column in open_to}
        if told in danger and (not danger[told] or all(danger.values())):
            # It may stand there by now: unless another place is safe and this one is not, it is told nothing
            # else, and keeps its room.
            self._costs[number, np.arange(net + 1) != told] = np.inf

    def _safe(self, number: int, tree: str) -> None:
        """A tree in no danger stays for nothing but the light it lacks, and is sent into no danger."""
        options = self._options
        here = options.here[tree]
        known = np.array([self._all_h[self._at(tree, column)] for column in options.stands[tree]])
        self._costs[number, here] = options.lack_h(tree, here)
        for column in self._entries(tree):
            at = self._at(tree, column)
            if self._harm.danger_d[at] > 0.0:
                continue
            self._costs[number, column] = (
                float(self._all_h[at] - np.nanmin(known) + self._harm.passing_h[at])
                + options.lack_h(tree, column)
                + options.move_h(tree, column)
                + options.back_h(tree, column)
            )

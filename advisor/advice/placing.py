"""The best place for each tree over the coming days, among the grower's own, for all trees at once.

A tree leaves its place only when it is in danger there, when it lacks light to grow by, or when it makes
room for one in danger. Of all ways to do that the one is taken that costs least over all trees, within the
room of each place and the moves of a day; see ``placing_costs`` and ``placing_table`` for what is counted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np

from advisor.advice.model import Situation
from advisor.advice.placing_options import Options
from advisor.advice.placing_solution import Assignment, least_cost, solve
from advisor.advice.placing_table import Table
from advisor.advice.sunburn import Sunburn, burning_today
from advisor.garden.told_moves import MoveKind

__all__ = ["Move", "Placed", "Rival", "Rivalry", "place_trees", "placing"]

STEP_H = 0.01
"""Costs are compared in steps of this."""
NAMED = 2
"""Rivals that are named for each place."""


@dataclass(frozen=True, slots=True)
class Move:
    """One tree to another place, out of danger, to make room, or into the light.

    ``sun_here_h`` and ``sun_there_h``: full sun a day over the coming days, NaN unknown. ``still``: better
    there, but in danger all the same unless it gets a net as well. ``told_on``: the first day on which this
    very move was told, where nobody logged it; the tree may stand there by now.
    """

    tree_id: str
    from_id: str
    to_id: str
    kind: MoveKind
    burn: Sunburn | None
    sun_here_h: float
    sun_there_h: float
    still: bool
    told_on: date | None = None


@dataclass(frozen=True, slots=True)
class Rival:
    """A tree in danger that a full place would have helped as well.

    ``here_h`` and ``there_h``: expected hours a day of too much heat or sun. ``least``: every tree that got
    in is saved more. ``extra_h``: what giving the place to this one would cost in all; None: impossible.
    """

    tree_id: str
    here_h: float
    there_h: float
    least: bool
    extra_h: float | None


@dataclass(frozen=True, slots=True)
class Rivalry:
    """A place that is full once all have moved: who came, and who would have liked to.

    ``here_h``, ``there_h`` and, in kelvin beyond the limit, ``here_k`` and ``there_k`` are those of
    ``worst``, the one of them that is saved most. ``rivals`` are those that lose most, at most two;
    ``others`` counts the rest.
    """

    place_id: str
    came: tuple[str, ...]
    worst: str
    here_h: float
    there_h: float
    here_k: float
    there_k: float
    rivals: tuple[Rival, ...]
    others: int


@dataclass(frozen=True, slots=True)
class Placed:
    """Who goes where.

    Attributes
    ----------
    moves : those to be told, in bench order.
    nets : trees in danger that stay and want a net.
    rivalries : by place.
    moves_spent : more moves than a day allows would be better still.
    missing : the first day of which too little is known, so that it could not count; None: all counted.
    blind : trees in danger for which no other place could be judged.
    doubles, stand_of : what each tree that moves or gets a net will meet: a situation of doubles, and the
        double's id by tree.
    """

    moves: tuple[Move, ...] = ()
    nets: tuple[Sunburn, ...] = ()
    rivalries: Mapping[str, Rivalry] = field(default_factory=dict)
    moves_spent: bool = False
    missing: date | None = None
    blind: frozenset[str] = frozenset()
    doubles: Situation | None = None
    stand_of: Mapping[str, str] = field(default_factory=dict)

    def to(self, place_id: str, kind: MoveKind) -> tuple[Move, ...]:
        """Moves of a kind to one place."""
        return tuple(move for move in self.moves if move.to_id == place_id and move.kind == kind)


def placing(situation: Situation) -> Placed:
    """Return who goes where today; worked out once."""
    burns = burning_today(situation).burns
    return situation.once("placing", lambda: place_trees(situation, situation.day, burns))


def place_trees(situation: Situation, first: date, burns: Sequence[Sunburn]) -> Placed:
    """Return who goes where for the days from ``first`` on.

    Parameters
    ----------
    situation : Situation
    first : date
        Today, or the first day of a hazard ahead.
    burns : sequence of Sunburn
        Trees in danger on that day.

    Source: costs and limits of config/limits.toml, [placing], mostly estimates; the optimum is exact.
    Checked: tests/advice/test_placing_cases.py.
    """
    if situation.exposure is None or situation.weather is None or situation.by_journal:
        return Placed(nets=tuple(burns))
    options = Options(situation, first, burns)
    if not any(options.is_move(tree, column) for tree, each in options.stands.items() for column in each):
        return Placed(nets=tuple(burns))
    table = Table(options)
    solution = solve(table.task)
    if solution is None:
        return Placed(nets=tuple(burns))
    return _placed(options, table, solution, burns)


def _placed(options: Options, table: Table, solution: Assignment, burns: Sequence[Sunburn]) -> Placed:
    chosen = {tree: int(solution.option[number]) for number, tree in enumerate(options.trees)}
    goes = {tree: column for tree, column in chosen.items() if options.is_move(tree, column)}
    entered = {column for tree, column in goes.items() if tree in options.burns}
    moves = []
    for tree, column in goes.items():
        here = options.here[tree]
        kind: MoveKind = "shade" if tree in options.burns else "room" if here in entered else "light"
        moves.append(
            Move(
                tree,
                options.places[here].id,
                options.places[column].id,
                kind,
                options.burns.get(tree),
                options.sun_h(tree, here),
                options.sun_h(tree, column),
                table.wants_net(tree, column),
                options.situation.told_moves[tree].told_on if options.as_told(tree, column) else None,
            )
        )
    rivalries = {
        options.places[column].id: found
        for column in sorted(entered)
        if (found := _rivalry(options, table, solution, goes, column)) is not None
    }
    return Placed(
        tuple(moves),
        tuple(burn for burn in burns if burn.tree_id not in goes),
        rivalries,
        _moves_spent(table, solution, sum(not options.as_told(*each) for each in goes.items())),
        options.missing,
        frozenset(tree for tree in options.burns if table.cannot_compare(tree)),
        table.doubles,
        {
            tree: options.stands[tree][column].double_id
            for tree, column in chosen.items()
            if tree in goes or column == options.net
        },
    )


def _moves_spent(table: Table, solution: Assignment, moves: int) -> bool:
    if moves != table.task.most_moves:
        return False
    free = least_cost(replace(table.task, most_moves=None))
    return free is not None and free < solution.cost - STEP_H


def _rivalry(
    options: Options, table: Table, solution: Assignment, goes: Mapping[str, int], column: int
) -> Rivalry | None:
    """Say who wanted a place that is full in the end; None where it is not full or nobody else did."""
    room, costs = options.places[column].room, table.task.costs
    left = sum(options.here[tree] == column for tree in goes)
    arrived = sum(where == column for where in goes.values())
    if room is None or options.held(column) - left + arrived < room:
        return None
    came = tuple(tree for tree, where in goes.items() if where == column and tree in options.burns)
    saved = [table.saved_h(tree, column) for tree in came]
    lost = {
        number: costs[number, solution.option[number]] - costs[number, column]
        for number, tree in enumerate(options.trees)
        if tree in options.burns and tree not in came
    }
    wanting = [number for number in sorted(lost, key=lambda row: (-lost[row], row)) if lost[number] > STEP_H]
    if not wanting:
        return None
    rivals = []
    for number in wanting[:NAMED]:
        tree, forced = options.trees[number], least_cost(table.task, (number, column))
        rivals.append(
            Rival(
                tree,
                table.daily_h(tree, options.here[tree]),
                table.daily_h(tree, column),
                table.saved_h(tree, column) < min(saved) - STEP_H,
                None if forced is None else forced - solution.cost,
            )
        )
    worst = came[int(np.argmax(saved))]
    return Rivalry(
        options.places[column].id,
        came,
        worst,
        table.daily_h(worst, options.here[worst]),
        table.daily_h(worst, column),
        table.worst_k(worst, options.here[worst]),
        table.worst_k(worst, column),
        tuple(rivals),
        len(wanting) - len(rivals),
    )

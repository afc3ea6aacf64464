"""The assignment itself: every tree to one option, at the least cost in all, within room and moves a day.

Knows nothing of trees and weather: costs in, choices out. Solved exactly; of equally good solutions the one
is taken in which those that come first move, each to the option that comes first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["Assignment", "Task", "least_cost", "solve"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

STEPS_PER_UNIT = 100
"""Costs are compared in hundredths: what differs by less is equal, and the order decides."""


@dataclass(frozen=True, slots=True)
class Task:
    """What is to be assigned.

    Attributes
    ----------
    costs : float array, shape (T, C)
        Cost of each option for each tree; infinite where it may not be taken.
    takes : int array, shape (T, C)
        The place in which an option of a tree takes room; -1: in none.
    room : sequence of int or None
        How many of these trees each place holds; None: any number.
    moves : bool array, shape (T, C)
        True where taking the option is a move.
    most_moves : int or None
        Moves in all; None: any number.
    """

    costs: FloatArray
    takes: IntArray
    room: Sequence[int | None]
    moves: BoolArray
    most_moves: int | None = None


@dataclass(frozen=True, slots=True)
class Assignment:
    """The option of each tree, shape (T,), and the cost in all."""

    option: IntArray
    cost: float


def solve(task: Task) -> Assignment | None:
    """Assign every tree to one option at the least cost.

    Parameters
    ----------
    task : Task

    Returns
    -------
    Assignment or None
        None where nothing satisfies room and moves.

    Source: binary linear programme, solved to optimality by HiGHS (``scipy.optimize.milp``). Checked:
    tests/advice/test_placing_solution.py against trying every assignment.
    """
    trees, _ = task.costs.shape
    if not trees:
        return Assignment(np.zeros(0, dtype=np.int64), 0.0)
    found = _cheapest(task)
    if found is None:
        return None
    row, option, whole, first = found
    least = float(whole @ first)
    taken = _best(task, row, option, _preference(task, row, option), (whole, least))
    taken = first if taken is None else taken
    chosen = np.zeros(trees, dtype=np.int64)
    chosen[row[taken > 0.5]] = option[taken > 0.5]
    return Assignment(chosen, least / STEPS_PER_UNIT)


def least_cost(task: Task, forced: tuple[int, int] | None = None) -> float | None:
    """Return the cost of ``solve`` alone, without choosing among equals.

    Parameters
    ----------
    task : Task
    forced : (int, int), optional
        A tree and the option it must take: what that would cost.
    """
    if not task.costs.shape[0]:
        return 0.0
    found = _cheapest(task if forced is None else replace(task, costs=_only(task.costs, *forced)))
    return None if found is None else float(found[2] @ found[3]) / STEPS_PER_UNIT


def _cheapest(task: Task) -> tuple[IntArray, IntArray, FloatArray, FloatArray] | None:
    """Return the open pairs of tree and option, their costs in whole steps, and 1 where one is taken."""
    if not np.isfinite(task.costs).any(axis=-1).all():
        return None
    row, option = np.nonzero(np.isfinite(task.costs))
    whole = np.round(task.costs[row, option] * STEPS_PER_UNIT)
    first = _best(task, row, option, whole)
    return None if first is None else (row, option, whole, first)


def _only(costs: FloatArray, tree: int, option: int) -> FloatArray:
    kept = costs.copy()
    kept[tree] = np.inf
    kept[tree, option] = costs[tree, option]
    return kept


def _preference(task: Task, row: IntArray, option: IntArray) -> FloatArray:
    """Of equals: fewer moves, by those that come first, to options that come first."""
    trees, options = task.costs.shape
    moving = task.moves[row, option]
    return np.where(moving, (trees + row) * options + (trees - row) * option / trees, 0.0)


def _best(
    task: Task,
    row: IntArray,
    option: IntArray,
    objective: FloatArray,
    within: tuple[FloatArray, float] | None = None,
) -> FloatArray | None:
    """Return 0 or 1 for each pair of tree and option, or None where there is no solution."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    trees, _ = task.costs.shape
    each = np.zeros((trees, row.size))
    each[row, np.arange(row.size)] = 1.0
    rules = [LinearConstraint(each, 1.0, 1.0)]
    inside = task.takes[row, option]
    for place, room in enumerate(task.room):
        if room is not None:
            rules.append(LinearConstraint((inside == place).astype(np.float64)[np.newaxis], 0.0, room))
    if task.most_moves is not None:
        moving = task.moves[row, option].astype(np.float64)
        rules.append(LinearConstraint(moving[np.newaxis], 0.0, task.most_moves))
    if within is not None:
        weights, limit = within
        rules.append(LinearConstraint(weights[np.newaxis], -np.inf, limit + 0.5))
    found = milp(
        objective,
        integrality=np.ones(row.size),
        bounds=Bounds(0.0, 1.0),
        constraints=rules,
        options={"mip_rel_gap": 0.0},
    )
    return None if found.x is None else np.round(found.x)

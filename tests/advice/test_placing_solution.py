"""The assignment against trying every one there is, on small gardens drawn at random."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.advice.placing_solution import Assignment, Task, least_cost, solve

HOURS = st.one_of(st.just(float("inf")), st.integers(0, 300).map(lambda tenths: tenths / 10.0))


@st.composite
def tasks(draw: st.DrawFn) -> Task:
    """Up to five trees, three places and a net where they stand; some places full, some not to be entered."""
    trees, places = draw(st.integers(1, 5)), draw(st.integers(1, 3))
    costs = np.array([[draw(HOURS) for _ in range(places + 1)] for _ in range(trees)])
    here = [draw(st.integers(0, places - 1)) for _ in range(trees)]
    costs[:, places] = [draw(st.integers(0, 300)) / 10.0 for _ in range(trees)]
    columns = np.arange(places + 1)
    takes = np.array(
        [[here[row] if column == places else column for column in columns] for row in range(trees)]
    )
    moves = np.array([[column not in (here[row], places) for column in columns] for row in range(trees)])
    room = [draw(st.one_of(st.none(), st.integers(here.count(place), trees))) for place in range(places)]
    return Task(costs, takes, room, moves, draw(st.one_of(st.none(), st.integers(0, trees))))


def every_cost(task: Task) -> dict[tuple[int, ...], float]:
    """Each assignment that keeps to room and moves, with what it costs."""
    trees, options = task.costs.shape
    found = {}
    for chosen in product(range(options), repeat=trees):
        rows = list(enumerate(chosen))
        cost = sum(task.costs[row, option] for row, option in rows)
        inside = [task.takes[row, option] for row, option in rows]
        crowded = any(room is not None and inside.count(place) > room for place, room in enumerate(task.room))
        moved = sum(bool(task.moves[row, option]) for row, option in rows)
        if np.isfinite(cost) and not crowded and (task.most_moves is None or moved <= task.most_moves):
            found[chosen] = float(cost)
    return found


@settings(max_examples=150, deadline=None)
@given(task=tasks())
def test_the_solution_is_as_cheap_as_the_cheapest_of_all(task: Task) -> None:
    every = every_cost(task)
    found = solve(task)
    assert isinstance(found, Assignment), "a net where it stands is always open"
    chosen = tuple(int(option) for option in found.option)
    assert chosen in every, "within room and moves"
    assert every[chosen] == pytest.approx(min(every.values()), abs=1e-6)
    assert found.cost == pytest.approx(every[chosen], abs=1e-6)
    assert least_cost(task) == found.cost


@settings(max_examples=60, deadline=None)
@given(task=tasks(), row=st.integers(0, 4), option=st.integers(0, 3))
def test_a_forced_choice_costs_what_the_cheapest_with_it_costs(task: Task, row: int, option: int) -> None:
    row, option = row % task.costs.shape[0], option % task.costs.shape[1]
    with_it = [cost for chosen, cost in every_cost(task).items() if chosen[row] == option]
    found = least_cost(task, (row, option))
    assert (found is not None) == bool(with_it)
    if found is not None:
        assert found == pytest.approx(min(with_it), abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(task=tasks())
def test_the_same_task_twice_gives_the_same_choice(task: Task) -> None:
    one, other = solve(task), solve(task)
    assert one is not None
    assert other is not None
    assert one.option.tolist() == other.option.tolist()


def test_of_equals_the_first_goes_and_nobody_without_need() -> None:
    costs = np.array([[5.0, 1.0], [5.0, 1.0], [1.0, 1.0]])
    moves = np.array([[False, True]] * 3)
    found = solve(Task(costs, np.tile([0, 1], (3, 1)), [None, 1], moves))
    assert found is not None
    assert found.option.tolist() == [1, 0, 0]


def test_no_trees_cost_nothing() -> None:
    empty = np.zeros((0, 2))
    found = solve(Task(empty, empty.astype(int), [None, None], empty.astype(bool)))
    assert found is not None
    assert found.cost == 0.0

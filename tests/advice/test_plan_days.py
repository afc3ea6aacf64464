"""Sessions on days: against looking at every way there is, for gardens small enough to do so."""

from __future__ import annotations

from collections import Counter
from itertools import product

from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.advice.plan_days import assign_days

WISHES = st.lists(
    st.permutations(range(4)).flatmap(lambda days: st.integers(0, 4).map(lambda n: days[:n])), max_size=4
)


def best_by_looking_at_all(wishes: list[list[int]], free: list[int]) -> list[int | None]:
    """The rule in words: as many of the first as possible, then the first's dearest day, and so on."""
    ways = [
        way
        for way in product(*[[*days, None] for days in wishes])
        if all(count <= free[day] for day, count in Counter(day for day in way if day is not None).items())
    ]

    def rank(way: tuple[int | None, ...]) -> tuple[list[bool], list[int]]:
        dear = [0 if day is None else wishes[row].index(day) for row, day in enumerate(way)]
        return [day is None for day in way], dear

    return list(min(ways, key=rank))


@settings(max_examples=150, derandomize=True, deadline=None, database=None)
@given(wishes=WISHES, free=st.lists(st.integers(0, 2), min_size=4, max_size=4))
def test_assigned_days_are_the_best_of_all_ways(wishes: list[list[int]], free: list[int]) -> None:
    assert assign_days(wishes, free) == best_by_looking_at_all(wishes, free)


def test_assigned_days_the_only_day_goes_to_who_has_no_other() -> None:
    assert assign_days([[0, 1], [0]], [1, 1]) == [1, 0]


def test_assigned_days_nothing_to_assign() -> None:
    assert assign_days([], [1, 1]) == []
    assert assign_days([[0], []], [0, 0]) == [None, None]

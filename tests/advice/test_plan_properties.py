"""What must hold of every plan, whatever the garden and the weather."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest
from advice.plan_builders import garden_of
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.advice.model import Situation
from advisor.advice.plan import plan
from advisor.advice.plan_model import Plan
from advisor.advice.work import judge

FEW = settings(max_examples=10, derandomize=True, deadline=None, database=None)
SPECIES = (
    "acer-palmatum",
    "acer-buergerianum",
    "fagus",
    "pinus-thunbergii",
    "ulmus-parvifolia",
    "olea-europaea",
)
DONE: tuple[list[list[Any]], ...] = (
    [["leaves-hard", 10]],
    [["leaves-hard", 4]],
    [["leaves-hard", 30], ["repotted", 100]],
    [["leaves-hard", 30], ["cut", 0, 0.4]],
    [["leaves-hard", 90], ["defoliated", 50]],
)
TREES = st.lists(
    st.tuples(st.sampled_from(SPECIES), st.sampled_from(DONE), st.sampled_from([3, 4, 5])), max_size=5
)
DAYS = st.sets(st.integers(0, 9), max_size=8)
STORM = {"wind": 15.0, "gust": 25.0, "tmax": 11.0, "tmin": 4.0}
"""No work is done in it but taking wire off."""


def rows(trees: list[tuple[str, list[list[Any]], int]]) -> list[dict[str, Any]]:
    return [
        {"id": f"t{number}", "species": species, "events": events, "strength": strength}
        for number, (species, events, strength) in enumerate(trees)
    ]


def garden(trees: list[tuple[str, list[list[Any]], int]], **case: Any) -> Situation:
    return garden_of({"tree": rows(trees), **case})


def seen(found: Plan) -> list[tuple[object, ...]]:
    return [(one.day, one.tree_id, one.works) for one in found.sessions]


@FEW
@given(trees=TREES, wet=DAYS, most=st.integers(1, 3), light=st.integers(1, 3), frost=st.integers(7, 11))
def test_plan_keeps_every_limit(
    trees: list[tuple[str, list[list[Any]], int]], wet: set[int], most: int, light: int, frost: int
) -> None:
    situation = garden(
        trees,
        rain_days=sorted(wet),
        works_per_day=most,
        light_works_per_day=light,
        frost=f"2026-{frost:02d}-12",
    )
    found = plan(situation)
    for day in found.days:
        of_day = Counter(one.major for one in found.on(day))
        assert of_day[True] <= most
        assert of_day[False] <= light
    assert len({one.tree_id for one in found.sessions}) == len(found.sessions), "one session a tree"
    cut_today = sum(any(event[:2] == ["cut", 0] for event in events) for _, events, _ in trees)
    assert sum(one.major for one in found.on(situation.day)) <= max(most - cut_today, 0)
    for one in (*found.sessions, *found.also_ready):
        for work in one.works:
            asked = judge(situation, work, one.tree_id, one.day)
            assert asked.verdict in {"suits", "suits-with-care"}
            assert asked.last_sensible_day is None or one.day <= asked.last_sensible_day
        majors = [work for work in one.works if situation.tables.works[work].effort == "major"]
        assert bool(majors) is one.major
        for work in majors:
            checks = {
                check.check: check.verdict for check in judge(situation, work, one.tree_id, one.day).checks
            }
            assert checks["major-works"] == "pass", "one major work a season"
        assert set(one.order) == set(one.works)
        assert one.half.checks
    assert {one.tree_id for one in found.sessions} | {one.tree_id for one in found.also_ready} | {
        one.tree_id for one in found.resting
    } == {tree.id for tree in situation.holdings.trees}


@FEW
@given(trees=TREES, wet=DAYS)
def test_plan_is_the_same_when_asked_twice(
    trees: list[tuple[str, list[list[Any]], int]], wet: set[int]
) -> None:
    case = {"rain_days": sorted(wet), "works_per_day": 1}
    assert plan(garden(trees, **case)) == plan(garden(trees, **case))


@FEW
@given(trees=TREES, wet=DAYS, storm=st.integers(0, 9))
def test_storm_on_a_day_adds_no_work_to_it(
    trees: list[tuple[str, list[list[Any]], int]], wet: set[int], storm: int
) -> None:
    calm = garden(trees, rain_days=sorted(wet), works_per_day=2)
    rough = garden(trees, rain_days=sorted({*wet, storm}), days={storm: STORM}, works_per_day=2)
    day = plan(calm).days[storm]
    assert {one.tree_id for one in plan(rough).on(day)} <= {one.tree_id for one in plan(calm).on(day)}


@FEW
@given(species=st.sampled_from(SPECIES), wet=DAYS, rain=st.integers(0, 9))
def test_rain_on_a_day_adds_no_work_to_it(species: str, wet: set[int], rain: int) -> None:
    tree: list[tuple[str, list[list[Any]], int]] = [(species, [["leaves-hard", 10]], 4)]
    dry, rainy = garden(tree, rain_days=sorted(wet)), garden(tree, rain_days=sorted({*wet, rain}))
    day = plan(dry).days[rain]
    before = {work for one in plan(dry).on(day) for work in one.works}
    planned_for = {one.work for one in plan(dry).sessions}
    after = {work for one in plan(rainy).on(day) for work in one.works}
    assert after <= before or not after & planned_for


@pytest.mark.parametrize("most", [1, 2])
def test_order_in_the_file_does_not_matter_but_for_ties(most: int) -> None:
    trees = [(species, [["leaves-hard", 10]], 4) for species in SPECIES]
    situation = garden(trees, works_per_day=most)
    turned = tuple(reversed(situation.holdings.trees))
    other = replace(situation, holdings=replace(situation.holdings, trees=turned))
    one, two = (
        Counter((session.day, session.work) for session in plan(each).sessions) for each in (situation, other)
    )
    assert one == two
    assert sum(one.values()) == len(trees)


def test_plan_of_tomorrow_keeps_the_days_of_what_is_left() -> None:
    species = ("acer-palmatum", "acer-buergerianum", "pinus-thunbergii", "ulmus-parvifolia", "fagus")
    wet, stormy = [2, 5], 3
    today = garden(
        [(name, [["leaves-hard", 20]], 4) for name in species],
        rain_days=wet,
        days={stormy: STORM},
        works_per_day=1,
    )
    first = plan(today)
    done = {one.tree_id: one.work for one in first.on(today.day)}
    assert done
    entry = {"candle-cut": "candle-cut", "part-defoliate": "part-defoliated", "defoliate": "defoliated"}
    case = {"tree": rows([(name, [["leaves-hard", 21]], 4) for name in species])}
    for row in case["tree"]:
        if row["id"] in done:
            word = entry[done[row["id"]]]
            row["events"] = [*row["events"], [word, 1]]
            row["flags"] = [["part-defoliated" if word == "part-defoliated" else "candle-cut", 1]]
    tomorrow = garden_of(
        {
            **case,
            "now": "2026-06-21T06:00",
            "rain_days": [day - 1 for day in wet],
            "days": {stormy - 1: STORM},
            "works_per_day": 1,
        }
    )
    second = {one.tree_id: one.day for one in plan(tomorrow).sessions if one.tree_id not in done}
    assert second == {one.tree_id: one.day for one in first.sessions if one.tree_id not in done}


def test_plan_part_for_some_trees_has_the_days_of_the_whole() -> None:
    situation = garden([("acer-palmatum", [["leaves-hard", 10]], 4)] * 3, works_per_day=1)
    whole = plan(situation)
    part = whole.of_trees(["t2"])
    assert [row for row in seen(whole) if row[1] == "t2"] == seen(part)

"""What is worked out once for many trees and half days is what each would have found alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from advice.work_builders import Weather, make_situation, make_state, make_tree

from advisor.advice.checks import CHECKS, LASTING, OF_PLACE, OF_THE_DAY
from advisor.advice.model import AlertEvent, Situation
from advisor.advice.windows import Wanted
from advisor.advice.work import WINDOW_DAYS, judge
from advisor.store.config_files import load_tables

TABLES = load_tables()
NOW = datetime(2026, 6, 20, 5, tzinfo=UTC)


def mixed_garden(stage: str) -> Situation:
    """One tree of every group, in turn bare, cut, weak, under a net of its own, in another place."""
    states = {}
    for n, group in enumerate(TABLES.species.values()):
        tree = make_tree(group.species[0], TABLES, tree_id=group.id, strength=(4, 5, 2, None)[n % 4])
        states[tree.id] = make_state(
            tree,
            TABLES,
            NOW,
            stage=stage,
            known=("seen", "estimated", "guess")[n % 3],
            events=[
                ["leaves-hard", 6],
                ["repotted", 30 + 10 * n],
                *([["cut", 40, 0.3]] if n % 5 == 0 else []),
            ],
            flags=[["leafless", 1]] if n % 4 == 3 else [],
            leaves_hard_seen=n % 2 == 0,
            place=("bench", "net", "roof")[n % 3],
            extra_shade=0.5 if n % 7 == 0 else 0.0,
        )
    weather = Weather(
        tmax=24.0,
        days={2: {"tmax": 34.0, "rh": 30.0}, 3: {"gust": 19.0, "wind": 9.0}, 5: {"tmin": -3.0, "code": 95.0}},
        rain=[(1, 9, 6.0), (4, 15, 3.0)],
    )
    return make_situation(states, weather, NOW, TABLES, places=("bench", "net", "roof"))


def test_kinds_of_check_told_apart_are_kinds_that_exist() -> None:
    assert LASTING <= OF_THE_DAY
    assert CHECKS.keys() >= OF_THE_DAY | OF_PLACE
    assert not OF_THE_DAY & OF_PLACE


@pytest.mark.parametrize("stage", ["LEAVES_HARD", "DORMANT", "SHOOTS_EXTENDING"])
def test_judging_among_others_gives_what_judging_alone_gives(stage: str) -> None:
    together = mixed_garden(stage)
    for work in TABLES.works:
        for tree in together.states:
            alone = replace(together)
            assert not alone.worked_out
            assert judge(together, work, tree, together.day) == judge(alone, work, tree, together.day)


@pytest.mark.parametrize("stage", ["LEAVES_HARD", "DORMANT", "SHOOTS_EXTENDING"])
def test_clear_half_days_looked_for_are_the_first_clear_ones_of_all(stage: str) -> None:
    situation = mixed_garden(stage)
    closed = (situation.day + timedelta(days=2), situation.day + timedelta(days=4))
    now, trees = situation.now_utc, tuple(situation.states)
    heat = AlertEvent("heat", *closed, trees, (), "heat", (), 1.0, False, now, now)
    situation, wanted = replace(situation, warnings=(heat,)), Wanted(3)
    seen = 0
    for work in TABLES.works:
        for tree in situation.states:
            whole, counted = (judge(situation, work, tree, situation.day, wanted=w) for w in (None, wanted))
            assert counted.verdict == whole.verdict
            assert counted.last_sensible_day == whole.last_sensible_day
            last = whole.last_sensible_day or situation.day + timedelta(days=WINDOW_DAYS)
            clear, first = (
                [
                    (half.from_utc, half.until_utc)
                    for half in one.windows
                    if half.verdict == "suits" and half.day <= last
                ]
                for one in (whole, counted)
            )
            assert first[:3] == clear[:3]
            seen += len(first)
    assert seen > 100

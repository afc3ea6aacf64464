"""What is worked out once for many trees and half days is what each would have found alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from advice.work_builders import Weather, make_situation, make_state, make_tree

from advisor.advice.checks import (
    CHECKS,
    LASTING,
    OF_PLACE,
    OF_PLACE_BY_DAY,
    OF_THE_DAY,
    STILL,
    applying_rows,
)
from advisor.advice.hours import HOUR
from advisor.advice.model import AlertEvent, Situation
from advisor.advice.windows import days_from, half_days, half_spans, suitable_halves
from advisor.advice.work import WINDOW_DAYS, judge, work_ahead
from advisor.advice.work_case import WorkCase
from advisor.store.config_files import load_tables

TABLES = load_tables()
NOW = datetime(2026, 6, 20, 5, tzinfo=UTC)


def mixed_garden(stage: str) -> Situation:
    """One tree of every group, in turn bare, cut, weak, under a net of its own, in another place.

    Every third group has a second tree beside the first, of another strength and past.
    """
    states = {}
    groups = [(n, group, "") for n, group in enumerate(TABLES.species.values())]
    groups += [(n + 3, group, "-beside") for n, group, _ in groups[::3]]
    for n, group, beside in groups:
        tree_id = group.id + beside
        tree = make_tree(group.species[0], TABLES, tree_id=tree_id, strength=(4, 5, 2, None)[n % 4])
        states[tree.id] = make_state(
            tree,
            TABLES,
            NOW,
            stage=stage,
            known=("seen", "estimated", "guess")[n % 3],
            events=[
                ["leaves-hard", 6],
                *([["repotted", 30 + 10 * n]] if n % 6 != 5 else []),
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


def warned(situation: Situation) -> Situation:
    """The same with a warning of heat for all trees, from the third to the fifth day."""
    closed = (situation.day + timedelta(days=2), situation.day + timedelta(days=4))
    now, trees = situation.now_utc, tuple(situation.states)
    heat = AlertEvent("heat", *closed, trees, (), "heat", (), 1.0, False, now, now)
    return replace(situation, warnings=(heat,))


def test_kinds_of_check_told_apart_are_kinds_that_exist() -> None:
    assert LASTING | OF_PLACE_BY_DAY | STILL.keys() <= OF_THE_DAY
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
def test_what_a_digest_counts_is_what_is_judged(stage: str) -> None:
    situation = warned(mixed_garden(stage))
    counted = replace(situation)  # with a memory of its own
    seen = closing = 0
    for work in TABLES.works:
        for tree in situation.states:
            whole = judge(situation, work, tree, situation.day)
            ahead = work_ahead(counted, work, tree, most=9, closing_d=60)
            assert (ahead is None) == whole.impossible
            if ahead is None:
                continue
            last = whole.last_sensible_day
            until = last or situation.day + timedelta(days=WINDOW_DAYS)
            clear = [
                (half.day, half.from_utc, half.until_utc)
                for half in whole.windows
                if half.verdict == "suits" and half.day <= until
            ]
            assert ahead.clear == tuple(clear[:9])
            near = last is not None and last <= situation.day + timedelta(days=60)
            assert ahead.closes == (last if near and whole.verdict != "does-not-suit" else None)
            seen += len(clear)
            closing += ahead.closes is not None
    assert seen > 100
    assert closing or stage == "DORMANT"


@pytest.mark.parametrize("stage", ["LEAVES_HARD", "DORMANT", "SHOOTS_EXTENDING"])
@pytest.mark.parametrize("care_in", [None, ("season",), ()], ids=["all", "season", "none"])
def test_half_days_left_at_the_first_row_that_bars_are_those_whose_checks_all_allow(
    stage: str, care_in: Sequence[str] | None
) -> None:
    """The rows are asked in another order, and fewer of them: no half day is won or lost by it."""
    situation = warned(mixed_garden(stage))
    days, alone, seen = days_from(situation.day, WINDOW_DAYS), replace(situation), 0
    for rule in TABLES.works.values():
        for state in tuple(situation.states.values())[::2]:
            all_of_them = [half for day in days for half in half_days(alone, rule, state, day)]
            allowed = [
                half
                for half in all_of_them
                if half.verdict in {"suits", "suits-with-care"}
                and all(
                    care_in is None or check.check in care_in
                    for check in half.checks
                    if check.verdict == "care"
                )
            ]
            assert list(suitable_halves(situation, rule, state, days, care_in=care_in)) == allowed
            seen += len(allowed)
    assert seen > 100


@pytest.mark.parametrize("stage", ["LEAVES_HARD", "DORMANT", "SHOOTS_EXTENDING"])
def test_a_row_held_to_be_the_same_every_day_says_the_same_every_day(stage: str) -> None:
    situation = mixed_garden(stage)
    now = situation.now_utc
    held = dict.fromkeys(STILL, 0)
    for rule in TABLES.works.values():
        for state in situation.states.values():
            for row in applying_rows(situation, rule, state):
                first, *later = (
                    WorkCase(situation, rule, row, state, day, now, now)
                    for day in days_from(situation.day, 2 * WINDOW_DAYS)
                )
                if row.kind in STILL and STILL[row.kind](first):
                    held[row.kind] += 1
                    said = CHECKS[row.kind](first)
                    assert [CHECKS[row.kind](case) for case in later] == [said] * len(later)
    unseen = {kind for kind, count in held.items() if not count}
    assert unseen <= ({"leaf-left"} if stage == "DORMANT" else set())


def test_water_of_all_trees_at_a_half_day_is_what_each_pot_has_in_its_first_hour() -> None:
    situation = mixed_garden("LEAVES_HARD")
    exposure = situation.exposure
    assert exposure is not None
    left = np.random.default_rng(3).uniform(0.0, 1.0, exposure.water_left_share.shape)
    left[::4, 1::2] = np.nan
    situation = replace(situation, exposure=replace(exposure, water_left_share=left))
    rule = TABLES.works["big-cut"]
    (row,) = (row for row in rule.checks if row.kind == "water")
    known = 0
    for state in situation.states.values():
        for day in days_from(situation.day + timedelta(days=1), 3):
            for begin, end in half_spans(situation, day):
                first = (np.datetime64(begin.replace(tzinfo=None)) - exposure.start_utc[0]) // HOUR
                expected = left[exposure.row(state.tree.id), first]
                check = CHECKS["water"](WorkCase(situation, rule, row, state, day, begin, end))
                assert check.value == (None if np.isnan(expected) else expected)
                known += check.value is not None
    assert known > 100

"""The plan of every garden in plan_cases.toml is the one that a grower would make."""

from __future__ import annotations

import tomllib
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from advice.plan_builders import garden_of, told, wanted

from advisor.advice.plan import plan

CASES = tomllib.loads(Path(__file__).with_name("plan_cases.toml").read_text(encoding="utf-8"))["case"]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_plan_case_gives_the_days_of_the_trade(case: dict[str, Any]) -> None:
    situation = garden_of(case)
    found = plan(situation)
    today = situation.day
    assert {told(one, today) for one in found.sessions} == {wanted(row) for row in case["sessions"]}
    assert {told(one, today) for one in found.also_ready} == {wanted(row) for row in case.get("also", [])}
    for row in case.get("prepare", []):
        day, tree = row.split()
        assert tree in {one.tree_id for one in found.prepared_on(today + timedelta(days=int(day)))}
    closing = {(one.work, one.tree_id): one for one in found.closing}
    for row in case.get("closing", []):
        for tree in row["trees"]:
            one = closing[(row["work"], tree)]
            if "last" in row:
                assert one.last.day == date.fromisoformat(row["last"])
            if "planned" in row:
                assert one.planned == today + timedelta(days=row["planned"])
            else:
                assert one.planned is None
                assert row["says"] in one.hindered_by.casefold()
    rests = {one.tree_id: one.why.casefold() for one in found.resting}
    planned = {one.tree_id for one in (*found.sessions, *found.also_ready)}
    assert set(rests) | planned == {row["id"] for row in case["tree"]}, "every tree is spoken of"
    assert not set(rests) & planned
    for tree, word in case.get("rests", {}).items():
        assert word in rests[tree]
    waiting = {one.tree_id: {other.work for other in one.waiting} for one in found.sessions}
    for tree, works in case.get("waits", {}).items():
        assert waiting[tree] == set(works)


def test_plan_cases_name_rule_and_evidence() -> None:
    assert len(CASES) >= 20
    for case in CASES:
        assert case["rule"], case["id"]
        assert case["evidence"], case["id"]

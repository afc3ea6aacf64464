"""The decision table: every row of work_cases/*.toml gives the verdict the trade would give."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from advice.work_builders import situation_of

from advisor.advice.work import judge

FOLDER = Path(__file__).parent / "work_cases"


def rows() -> list[Any]:
    found = []
    for file in sorted(FOLDER.glob("*.toml")):
        document = tomllib.loads(file.read_text(encoding="utf-8"))
        for case in document["case"]:
            work = case.get("work", document.get("work"))
            found.append(pytest.param(work, case, id=f"{work}:{case['id']}"))
    return found


@pytest.mark.parametrize(("work", "case"), rows())
def test_work_case_gives_the_verdict_of_the_trade(work: str, case: dict[str, Any]) -> None:
    situation, day = situation_of(case)
    judgement = judge(situation, work, "t1", day)
    told = [f"{check.gate} {check.check} {check.verdict}: {check.text}" for check in judgement.checks]
    assert judgement.verdict == case["expect"], told
    assert judgement.checks, "a verdict without a reason"
    assert judgement.impossible is case.get("impossible", False)
    if "decides" in case:
        assert judgement.checks[0].check == case["decides"], told
    if "says" in case:
        assert case["says"] in judgement.checks[0].text, told


def test_work_cases_say_yes_at_least_as_often_as_no() -> None:
    """An advisor that always says no is worthless: growers work on most fine days."""
    verdicts = [row.values[1]["expect"] for row in rows()]
    yes = sum(verdict in {"suits", "suits-with-care"} for verdict in verdicts)
    assert yes * 2 >= len(verdicts)


def test_work_cases_name_rule_and_evidence() -> None:
    for row in rows():
        case = row.values[1]
        assert case["rule"], case["id"]
        assert case["evidence"], case["id"]

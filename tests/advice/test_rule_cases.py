"""The cases of rule_cases.toml, one by one: what must be told, and where the advisor must stay quiet."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from advice.rule_builders import build

from advisor.advice.alerts import ALERTS
from advisor.advice.model import Advice, AlertEvent
from advisor.advice.registry import RULES

CASES = tomllib.loads((Path(__file__).parent / "rule_cases.toml").read_text(encoding="utf-8"))["case"]


def _all_text(case: dict[str, Any]) -> tuple[list[Advice], AlertEvent | None]:
    situation = build(case)
    if case["rule"].startswith("alert:"):
        event = ALERTS[case["rule"].removeprefix("alert:")](situation)
        return (list(event.advice) if event else []), event
    return list(RULES[case["rule"]](situation)), None


def _meets(advice: Advice, wanted: dict[str, Any]) -> bool:
    if "trees" in wanted and set(advice.trees) != set(wanted["trees"]):
        return False
    if "urgency" in wanted and advice.urgency != wanted["urgency"]:
        return False
    if not advice.id.startswith(wanted.get("id_starts", "")):
        return False
    return all(word.lower() in advice.do.lower() for word in wanted.get("words", []))


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_case_as_a_grower_would_say(case: dict[str, Any]) -> None:
    pieces, event = _all_text(case)
    told = "\n".join(f"{piece.urgency} {piece.trees}: {piece.do}" for piece in pieces)
    if case.get("silent"):
        assert not pieces, told
        assert event is None
    if event is None:
        for wanted in case.get("expect", []):
            assert any(_meets(piece, wanted) for piece in pieces), f"{wanted} not in\n{told}"
    else:
        _check_event(case, event, told)
    for word in case.get("absent", []):
        assert word.lower() not in told.lower(), told
    for word in case.get("once", []):
        assert told.lower().count(word.lower()) == 1, told
    if "count" in case:
        assert len(pieces) == case["count"], told


def _check_event(case: dict[str, Any], event: AlertEvent, told: str) -> None:
    for wanted in case.get("expect", []):
        assert set(event.trees) == set(wanted["trees"]), told
        for word in wanted["words"]:
            assert word.lower() in (event.headline + told).lower(), (
                f"{word!r} not in\n{event.headline}\n{told}"
            )
    for key in ("first_day", "last_day"):
        if key in case:
            assert getattr(event, key) == case[key]
    if "spared" in case:
        assert list(event.spared) == case["spared"]
    if "breaks_quiet" in case:
        assert event.may_break_quiet_hours
    if "quiet" in case:
        assert not event.may_break_quiet_hours


def test_cases_that_expect_an_event_get_one() -> None:
    for case in CASES:
        if case["rule"].startswith("alert:") and case.get("expect"):
            assert _all_text(case)[1] is not None, case["id"]


def test_every_case_names_its_fact_and_its_evidence() -> None:
    for case in CASES:
        assert case["fact"]
        assert case["evidence"].split(":")[0] in {"common practice", "published", "estimate", "from memory"}


def test_silence_is_tested_as_well() -> None:
    quiet = [case for case in CASES if case.get("silent") or case.get("absent") or case.get("once")]
    assert len(quiet) * 2 >= len(CASES)


def test_a_warning_without_steps_is_else_the_same() -> None:
    """Of told places only who, when and how sure is asked: definition, an answer and a part of it."""
    seen = set()
    for case in CASES:
        name = case["rule"].removeprefix("alert:")
        if name != case["rule"] and (event := ALERTS[name](build(case))) is not None:
            assert event.advice, case["id"]
            assert ALERTS[name](build(case), steps=False) == replace(event, advice=()), case["id"]
            seen.add(name)
    assert seen == set(ALERTS)

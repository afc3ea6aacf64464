"""The state of a tree, case by case; the cases were written from the trade before the code."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from garden.state_helpers import folded

from advisor.garden.state_model import Stage, TreeState

CASES: list[dict[str, Any]] = tomllib.loads(
    Path(__file__).with_name("state_cases.toml").read_text(encoding="utf-8")
)["case"]
KNOWN = {
    "stage", "certainty", "stage_at_most", "flags", "absent", "water_leaf", "sun_leaf", "root", "needs",
    "no_needs", "need_set", "questions", "no_questions", "contradictions", "hard_seen", "place",
    "extra_shade", "unlogged", "sessions", "end_holds",
}  # fmt: skip


def _state(case: dict[str, Any]) -> TreeState:
    return folded(
        case.get("journal", []),
        case["at"],
        warmth=case["warmth"],
        garden=case.get("garden", "north"),
        species=case.get("species", "maple"),
        tree_id=case.get("tree", "ember"),
        pot_l=case.get("pot_l", 2.0),
    )


def _check_flags(state: TreeState, expect: dict[str, Any]) -> None:
    for flag_id, wanted in expect.get("flags", {}).items():
        flag = state.flag(flag_id)
        assert flag is not None, f"{flag_id} not among {[flag.id for flag in state.flags]}"
        if "day" in wanted:
            assert flag.day_n == wanted["day"]
        if "phase" in wanted:
            assert flag.phase == wanted["phase"]
        if "end" in wanted:
            assert [end.isoformat() for end in flag.expected_end] == wanted["end"]
        if "known" in wanted:
            assert wanted["known"] in flag.known
    for flag_id in expect.get("absent", []):
        assert state.flag(flag_id) is None, flag_id
    if "end_holds" in expect:
        flag_id, *days = expect["end_holds"]
        flag = state.flag(flag_id)
        assert flag is not None
        for day in days:
            assert flag.expected_end[0] <= date.fromisoformat(day) <= flag.expected_end[1]


def _check_stage(state: TreeState, expect: dict[str, Any]) -> None:
    if "stage" in expect:
        assert state.stage.stage is Stage[expect["stage"]], state.stage
    if "stage_at_most" in expect:
        assert state.stage.stage.order <= Stage[expect["stage_at_most"]].order
    if "certainty" in expect:
        assert state.stage.certainty == expect["certainty"], state.stage
    if "hard_seen" in expect:
        assert state.leaves_hard_seen is expect["hard_seen"]


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_state_of_case_is_as_the_trade_says(case: dict[str, Any]) -> None:
    expect = case["expect"]
    assert expect, "a case must expect something"
    assert not set(expect) - KNOWN, "an expectation nobody checks"
    state = _state(case)
    _check_flags(state, expect)
    _check_stage(state, expect)
    for name, share in (
        ("water_leaf", state.water_leaf_share),
        ("sun_leaf", state.sun_leaf_share),
        ("root", state.root_share),
    ):
        if name in expect:
            low, high = expect[name]
            assert low <= share <= high, (name, share)
    for name, value in expect.get("needs", {}).items():
        need = getattr(state.needs, name)
        assert need is not None, name
        assert need.value == pytest.approx(value), (name, need)
        assert need.set_by
        assert need.source
    for name in expect.get("no_needs", []):
        assert getattr(state.needs, name) is None, getattr(state.needs, name)
    for name in expect.get("need_set", []):
        assert getattr(state.needs, name) is not None, name
    asked = {question.id for question in state.questions}
    assert set(expect.get("questions", [])) <= asked, asked
    assert not asked & set(expect.get("no_questions", []))
    if "contradictions" in expect:
        assert len(state.contradictions) == expect["contradictions"], state.contradictions
    if "place" in expect:
        assert state.place_id == expect["place"]
    if "extra_shade" in expect:
        assert state.extra_shade == pytest.approx(expect["extra_shade"])
    if "unlogged" in expect:
        assert state.water.unlogged is expect["unlogged"]
    if "sessions" in expect:
        assert len(state.sessions) == expect["sessions"], state.sessions


def test_cases_each_name_rule_and_evidence() -> None:
    assert len({case["name"] for case in CASES}) == len(CASES) >= 40
    for case in CASES:
        assert case["rule"]
        assert case["evidence"] in {"published", "common practice", "estimate", "from memory"}

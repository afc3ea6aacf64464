"""Drip lines and trays: the cases of water_line_cases.toml, one by one."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from advice.rule_builders import build

from advisor.advice.model import Situation
from advisor.advice.water import water_advice

TABLE = tomllib.loads((Path(__file__).parent / "water_line_cases.toml").read_text(encoding="utf-8"))
CASES = TABLE["case"]


def situation_of(case: dict[str, Any]) -> Situation:
    """The rule builder's morning with a use for each tree, and the line or tray on its bench."""
    situation = build({"now": TABLE["now"], "trees": case["trees"]})
    exposure, holdings = situation.exposure, situation.holdings
    assert exposure is not None
    use = exposure.water_use_l.copy()
    for row in case["trees"]:
        use[exposure.row(row["id"])] = row["use_l"] / 24.0
    bench = replace(holdings.places["bench"], **case["line"])
    return replace(
        situation,
        exposure=replace(exposure, water_use_l=use),
        holdings=replace(holdings, places={**holdings.places, "bench": bench}),
    )


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_line_is_told_as_counted_by_hand(case: dict[str, Any]) -> None:
    pieces = water_advice(situation_of(case))
    told = "\n".join(f"{piece.id} {piece.trees}: {piece.do}" for piece in pieces)
    for words in case["say"]:
        assert words in told, told
    for words in case.get("not_said", []):
        assert words not in "\n".join(piece.do for piece in pieces), told
    for begins, trees in case.get("ids", {}).items():
        assert any(piece.id.startswith(begins) and set(piece.trees) == set(trees) for piece in pieces), told
    assert len({piece.id for piece in pieces}) == len(pieces), told


def test_line_what_does_not_fit_is_told_once() -> None:
    case = next(case for case in CASES if case["id"].startswith("one drinks three times"))
    situation = situation_of(case)
    first = [piece for piece in water_advice(situation) if piece.hazard == "standing"]
    assert len(first) == 1
    again = replace(situation, told_standing=frozenset(piece.id for piece in first))
    assert not [piece for piece in water_advice(again) if piece.hazard == "standing"]


def test_line_no_tree_is_told_twice_for_the_same_time() -> None:
    for case in CASES:
        pieces = [piece for piece in water_advice(situation_of(case)) if piece.id[6:10].isdigit()]
        for at in {piece.from_utc for piece in pieces}:
            trees = [tree for piece in pieces if piece.from_utc == at for tree in piece.trees]
            assert len(trees) == len(set(trees)), case["id"]

"""The cases of placing_cases.toml: where each tree is told to go, and who gets a net where it stands."""

from __future__ import annotations

import re
from typing import Any

import pytest
from advice.placing_builders import CASES, evaluated

from advisor.advice.model import Advice
from advisor.service.evaluate import Evaluation

MOVES = re.compile(r"shade-(?:move|room|light)-(?P<place>[a-z]+)-")


def told_moves(found: Evaluation) -> dict[str, str]:
    """Tree -> place of every move told for today."""
    moves: dict[str, str] = {}
    for piece in found.advice:
        if match := MOVES.match(piece.id):
            for tree in piece.trees:
                assert tree not in moves, "told once"
                moves[tree] = match["place"]
    return moves


def told_nets(found: Evaluation) -> set[str]:
    return {
        tree
        for piece in found.advice
        if piece.id.startswith(("shade-net", "shade-denser"))
        for tree in piece.trees
    }


def texts(pieces: tuple[Advice, ...]) -> str:
    return "\n".join(
        f"{piece.do} [{piece.because}]" for piece in pieces if piece.kind in {"shade", "shelter"}
    )


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_trees_go_where_a_grower_would_put_them(case: dict[str, Any]) -> None:
    found = evaluated(case)
    assert found.failures == ()
    told = texts(found.advice)
    assert told_moves(found) == case["moves"], told
    assert told_nets(found) == set(case.get("net", [])), told
    if case.get("silent"):
        assert not [piece for piece in found.advice if piece.kind == "shade"], told
    for word in case.get("words", []):
        assert word in told, told
    for word in case.get("absent", []):
        assert word.casefold() not in told.casefold(), told
    alerts = "\n".join(piece.do for event in found.events for piece in event.advice)
    for word in case.get("alert_words", []):
        assert word in alerts, alerts


def test_every_case_names_its_fact_and_its_evidence() -> None:
    for case in CASES:
        assert case["fact"]
        assert case["evidence"] in {"common practice", "published", "estimate", "from memory"}
    assert len({case["id"] for case in CASES}) == len(CASES)

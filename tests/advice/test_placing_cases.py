"""The cases of placing_cases.toml: where each tree is told to go, and who gets a net where it stands."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest
from advice.placing_builders import CASES, evaluated

from advisor.advice.model import Advice
from advisor.advice.shade import shade_advice
from advisor.exposure.model import Exposure
from advisor.message.digest import digest_view
from advisor.message.html import render_html
from advisor.message.text import render_text
from advisor.message.view import DigestInput
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


def test_the_reason_for_a_choice_stands_in_text_and_page_alike() -> None:
    found = evaluated(CASES[0])
    view = digest_view(DigestInput(found.situation, found.advice, found.events))
    text, page = (" ".join(made.split()) for made in (render_text(view), render_html(view)))
    for made in (text, page):
        assert "Sorrel takes the last place on Net bench" in made
        assert "Tansy loses least by staying" in made


def test_nothing_is_worked_out_elsewhere_while_nobody_wants_to_go() -> None:
    def asked(*_: object) -> Exposure:
        raise AssertionError("no other place should be looked at")

    case = next(case for case in CASES if case["id"] == "mild-days-move-nobody")
    situation = replace(evaluated(case).situation, expose=asked)
    assert shade_advice(situation) == ()
    hot = replace(evaluated(CASES[0]).situation, expose=asked)
    with pytest.raises(AssertionError):
        shade_advice(hot)


def test_shade_and_shelter_send_no_tree_to_two_places() -> None:
    for case in CASES:
        found = evaluated(case)
        moves = told_moves(found)
        for piece in found.advice:
            if piece.kind == "shelter" and piece.id.startswith("shelter-wind-"):
                assert not set(piece.trees) & set(moves), piece.do


def test_every_case_names_its_fact_and_its_evidence() -> None:
    for case in CASES:
        assert case["fact"]
        assert case["evidence"] in {"common practice", "published", "estimate", "from memory"}
    assert len({case["id"] for case in CASES}) == len(CASES)

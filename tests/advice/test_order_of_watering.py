"""Rounds of watering stand in the order in which the grower walks them; an amount is never told as nothing.

Common practice: a day's rounds go by the clock. A litre and a tenth are what a can is read to.
"""

from __future__ import annotations

from datetime import timedelta

import pytest
from advice.test_rule_cases import CASES, build

from advisor.advice.model import Advice, Amount, Reason, Situation
from advisor.advice.registry import run_rules
from advisor.advice.water import _about

WHY = Reason("water left", 0.2, "share", 0.3, None, "logged", "house")


@pytest.fixture(scope="module")
def situation() -> Situation:
    return build(next(case for case in CASES if case["rule"] == "water"))


def test_rounds_and_looks_go_by_the_clock_and_what_has_no_hour_comes_last(situation: Situation) -> None:
    tree = next(iter(situation.states))

    def line(name: str, hour: int, trees: tuple[str, ...], litres: float | None) -> Advice:
        at = situation.now_utc + timedelta(hours=hour)
        amount = None if litres is None else Amount(litres, "l")
        return Advice(name, "water", "today", trees, name, at, at + timedelta(hours=2), (WHY,), amount=amount)

    told = (
        line("evening", 13, (tree,), 1.0),
        line("whenever", 0, (tree,), None),
        line("noon", 7, (), 1.0),
        line("look", 1, (), None),
    )
    found = run_rules(situation, {"water": lambda _: told}).advice
    assert [piece.id for piece in found] == ["look", "noon", "evening", "whenever"]


@pytest.mark.parametrize(
    ("litres", "words"), [(1.26, "about 1.3 l"), (0.06, "about 0.1 l"), (0.04, "less than 0.1 l")]
)
def test_a_little_is_told_as_little(situation: Situation, litres: float, words: str) -> None:
    assert _about(situation, litres) == words

"""Days as the grower says them: nobody says "on tomorrow" (common English)."""

from __future__ import annotations

from datetime import timedelta

import pytest
from advice.test_rule_cases import CASES, build

from advisor.advice.hours import day_name, evening_of


@pytest.mark.parametrize(("ahead", "words"), [(0, "this evening"), (1, "tomorrow evening"), (2, None)])
def test_an_evening_is_named_by_how_near_it_is(ahead: int, words: str | None) -> None:
    situation = build(CASES[0])
    day = situation.day + timedelta(days=ahead)
    assert evening_of(situation, day) == (words or f"on the evening of {day_name(situation, day)}")

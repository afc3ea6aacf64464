"""What the warnings worked out of a morning is taken over by the rules, and changes nothing that they say."""

from __future__ import annotations

from dataclasses import replace

import pytest
from advice.placing_builders import CASES, evaluated

from advisor.advice.registry import advise


@pytest.mark.parametrize("case", CASES[:12], ids=lambda case: case["id"])
def test_rules_say_the_same_with_and_without_what_the_warnings_worked_out(case) -> None:
    evaluation = evaluated(case)
    alone = replace(evaluation.situation)
    assert not alone.worked_out
    assert advise(alone).advice == evaluation.advice

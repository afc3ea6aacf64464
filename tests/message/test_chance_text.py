"""A chance as the grower reads it. Common practice: no forecast is certain, so none is told as 0 or 100 %."""

import math

import pytest

from advisor.message.words import chance_text


@pytest.mark.parametrize(
    ("chance", "text"),
    [
        (1.0, "chance over 99 %"),
        (0.996, "chance over 99 %"),
        (0.99, "chance 99 %"),
        (0.304, "chance 30 %"),
        (0.004, "chance under 1 %"),
        (0.0, "chance under 1 %"),
        (math.nan, "chance unknown"),
    ],
)
def test_no_forecast_is_told_as_certain(chance: float, text: str) -> None:
    assert chance_text(chance) == text

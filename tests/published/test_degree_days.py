"""Degree days and chill units against printed values."""

from __future__ import annotations

import numpy as np
import pytest
from published.reading import load

from advisor.physics.degree_days import degree_days_hourly, degree_days_single_sine, utah_units

ROWS = load("degree_days.json")["rows"]


@pytest.mark.parametrize("row", ROWS)
def test_single_sine_printed_cases(row: list[float]) -> None:
    low, high, base, upper, printed = row
    assert degree_days_single_sine(low, high, base, upper) == pytest.approx(printed, abs=0.005)


@pytest.mark.parametrize("row", [*ROWS, [35, 40, 12, 33, 21.0], [-5, 15, 5, 30, None]])
def test_single_sine_is_the_mean_of_the_hourly_rule_over_a_sine(row: list[float]) -> None:
    """Independent: a numeric integral with the hourly rule over many steps of the wave."""
    low, high, base, upper, _ = row
    wave = (high + low) / 2.0 + (high - low) / 2.0 * np.sin(2.0 * np.pi * (np.arange(4800) + 0.5) / 4800)
    integral = degree_days_hourly(wave, base, upper).mean() * 24.0
    assert degree_days_single_sine(low, high, base, upper) == pytest.approx(integral, abs=1e-4)


@pytest.mark.parametrize(
    ("lower", "upper", "units"),
    # Richardson, Seeley and Walker 1974, table as set in public implementations of the model.
    [
        (-30.0, 1.4, 0.0),
        (1.4, 2.4, 0.5),
        (2.4, 9.1, 1.0),
        (9.1, 12.4, 0.5),
        (12.4, 15.9, 0.0),
        (15.9, 18.0, -0.5),
        (18.0, 40.0, -1.0),
    ],
)
def test_utah_units_table(lower: float, upper: float, units: float) -> None:
    np.testing.assert_array_equal(utah_units([lower + 0.01, (lower + upper) / 2.0, upper]), units)

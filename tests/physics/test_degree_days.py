from __future__ import annotations

import numpy as np
import pytest
from published.reading import golden_day

from advisor.physics.degree_days import (
    chill_days,
    chilling_hours,
    degree_days_hourly,
    degree_days_single_sine,
)


def test_hourly_rule_by_hand() -> None:
    np.testing.assert_allclose(
        degree_days_hourly([4, 10, 22, 40, np.nan], 10, 30) * 24.0, [0.0, 0.0, 12.0, 20.0, np.nan]
    )
    assert degree_days_hourly(40, 10) * 24.0 == pytest.approx(30.0)


def test_golden_day_unchanged() -> None:
    day = golden_day()
    assert degree_days_hourly(day["T"], 10.0, 30.0).sum() == pytest.approx(13.108, abs=6e-4)
    assert degree_days_hourly(day["T"], 10.0).sum() == pytest.approx(13.433, abs=6e-4)


def test_chilling_hours_include_both_ends() -> None:
    np.testing.assert_array_equal(
        chilling_hours([-0.1, 0.0, 5.0, 7.2, 7.3, np.nan]), [0.0, 1.0, 1.0, 1.0, 0.0, np.nan]
    )


def test_chill_days_include_the_limit() -> None:
    np.testing.assert_array_equal(chill_days([4, 5, 6, np.nan]), [1.0, 1.0, 0.0, np.nan])


def test_single_sine_of_a_constant_and_of_a_wrong_day() -> None:
    assert degree_days_single_sine(15, 15, 10) == 5.0
    assert degree_days_single_sine(5, 5, 10) == 0.0
    assert np.isnan(degree_days_single_sine(20, 10, 5))

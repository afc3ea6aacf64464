from __future__ import annotations

import numpy as np
import pytest

from advisor.physics.heat_stress import heat_index_c, niosh_recommended_limit_c, wbgt_c


def test_wbgt_one_gap_leaves_the_rest() -> None:
    air = np.array([[30.0, np.nan], [25.0, 35.0]])
    result = wbgt_c(air, 50.0, 1000.0, 2.0, 600.0, 0.6, 0.8)
    assert result.shape == (2, 2)
    assert np.isnan(result[0, 1])
    alone = wbgt_c(35, 50, 1000, 2, 600, 0.6, 0.8)
    assert result[1, 1] == pytest.approx(float(alone), abs=1e-9)


def test_wbgt_unknown_sun_is_not_night() -> None:
    assert np.isnan(wbgt_c(30.0, 50.0, 1000.0, 2.0, 600.0, 0.6, np.nan))
    assert np.isnan(wbgt_c(30.0, 150.0, 1000.0, 2.0, 600.0, 0.6, 0.8))


def test_wbgt_rises_with_sun_and_falls_with_wind() -> None:
    shade, sun = wbgt_c(30.0, 50.0, 1000.0, 2.0, [0.0, 800.0], 0.7, 0.8)
    calm, windy = wbgt_c(30.0, 50.0, 1000.0, [1.0, 6.0], 800.0, 0.7, 0.8)
    assert sun > shade + 2.0
    assert calm > windy


def test_heat_index_adjusts_dry_and_damp_air() -> None:
    """Worked by hand from the regression: 95 F, 10 % loses 0.75; 85 F, 95 % gains 0.4."""

    def regression(t: float, r: float) -> float:
        row = np.array([1.0, t, r, t * r, t * t, r * r, t * t * r, t * r * r, t * t * r * r])
        terms = [
            -42.379,
            2.04901523,
            10.14333127,
            -0.22475541,
            -6.83783e-3,
            -5.481717e-2,
            1.22874e-3,
            8.5282e-4,
        ]
        return float(row @ [*terms, -1.99e-6])

    dry = float(heat_index_c(35.0, 10.0)) * 1.8 + 32.0
    damp = float(heat_index_c((85.0 - 32.0) / 1.8, 95.0)) * 1.8 + 32.0
    assert dry == pytest.approx(regression(95.0, 10.0) - 0.75, abs=1e-6)
    assert damp == pytest.approx(regression(85.0, 95.0) + 0.4, abs=1e-6)


def test_heat_index_cool_is_simple() -> None:
    """50 F, 50 %: mean of T and 0.5 (T + 61 - 21.6 + 4.7) = (50 + 47.05) / 2."""
    assert heat_index_c(10.0, 50.0) * 1.8 + 32.0 == pytest.approx(48.525)


def test_niosh_limit_of_moderate_work() -> None:
    """log10 300 = 2.47712, so 56.7 - 28.4869 = 28.2131."""
    assert niosh_recommended_limit_c(300) == pytest.approx(28.2131, abs=1e-3)
    assert np.isnan(niosh_recommended_limit_c(0))

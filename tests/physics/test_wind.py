from __future__ import annotations

import numpy as np
import pytest

from advisor.physics.wind import bench_wind_m_s, wind_at_height_m_s


def test_bench_wind_takes_factor_and_shelter() -> None:
    np.testing.assert_allclose(bench_wind_m_s([4, 8], [0.2, 1.0], 0.75), [2.4, 0.0])


def test_wind_at_its_own_height_is_itself() -> None:
    assert wind_at_height_m_s(3.0, 2.0, 2.0) == 3.0
    assert wind_at_height_m_s(3.0, 10.0, 10.0) == pytest.approx(3.0)


def test_wind_below_the_profile_is_unknown() -> None:
    assert np.isnan(wind_at_height_m_s(3.0, 10.0, 0.05))

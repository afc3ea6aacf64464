from __future__ import annotations

import numpy as np
import pytest

from advisor.physics.evapotranspiration import (
    cloudiness_factor,
    reference_et_daily_mm,
    reference_et_hourly_mm,
)
from advisor.physics.radiation import (
    clear_sky_shortwave_mj_m2,
    extraterrestrial_hourly_mj_m2,
    fao_sun_sine,
)

HOUR = np.timedelta64(1, "h")
START = np.datetime64("2024-06-20T00:00", "s") + np.arange(72) * HOUR


def clear_w_m2(start: np.ndarray, latitude: float, share: np.ndarray | float) -> np.ndarray:
    clear = clear_sky_shortwave_mj_m2(extraterrestrial_hourly_mj_m2(start, latitude, 0.0), 0.0)
    return np.asarray(share) * clear / 0.0036


def test_cloudiness_of_the_evening_is_carried_through_the_night() -> None:
    share = np.repeat([0.9, 0.5, 0.7], 24)
    fcd = cloudiness_factor(START, clear_w_m2(START, 45.0, share), 45.0, 0.0, 0.0)
    low = fao_sun_sine(START, 45.0, 0.0) < np.sin(0.3)
    expected_day = 1.35 * share - 0.35
    np.testing.assert_allclose(fcd[~low], expected_day[~low])
    assert low[24]
    np.testing.assert_allclose(fcd[24], expected_day[23])
    np.testing.assert_allclose(fcd[0], expected_day[12])  # nothing before: the first day to come


def test_cloudiness_unknown_day_does_not_reach_over_a_day() -> None:
    radiation = clear_w_m2(START, 45.0, 0.8)
    radiation[24:48] = np.nan
    fcd = cloudiness_factor(START, radiation, 45.0, 0.0, 0.0)
    assert np.isnan(fcd[36])  # noon of the unknown day
    assert np.isfinite(fcd[26])  # its early morning still has the evening before
    assert np.isfinite(fcd[60])


def test_cloudiness_in_a_winter_without_high_sun_comes_from_the_day() -> None:
    start = np.datetime64("2024-12-20T00:00", "s") + np.arange(72) * HOUR
    assert fao_sun_sine(start, 55.0, 0.0).max() < np.sin(0.3)
    fcd = cloudiness_factor(start, clear_w_m2(start, 55.0, np.repeat([0.9, 0.5, 0.7], 24)), 55.0, 0.0, 0.0)
    np.testing.assert_allclose(fcd[[14, 38, 62]], 1.35 * np.array([0.9, 0.5, 0.7]) - 0.35)
    assert np.isfinite(fcd).all()


def test_cloudiness_in_the_polar_night_is_unknown() -> None:
    start = np.datetime64("2024-12-20T00:00", "s") + np.arange(48) * HOUR
    assert np.isnan(cloudiness_factor(start, np.zeros(48), 80.0, 0.0, 0.0)).all()


def test_shade_lowers_the_day_and_keeps_the_cloud_of_the_open_sky() -> None:
    open_sky = clear_w_m2(START, 45.0, 0.9)
    arguments = (START, 25.0, 1.5, 1.0, open_sky, 45.0, 0.0, 0.0)
    full = reference_et_hourly_mm(*arguments)
    shaded = reference_et_hourly_mm(*arguments, shortwave_at_surface_w_m2=0.5 * open_sky)
    noon, midnight = 12, 24
    assert shaded[noon] < 0.8 * full[noon]
    assert shaded[midnight] == full[midnight]


def test_members_and_places_broadcast_before_the_hours() -> None:
    rng = np.random.default_rng(7)
    air = 20.0 + 5.0 * rng.random((3, 2, 72))
    radiation = clear_w_m2(START, 45.0, 0.3 + 0.6 * rng.random((3, 1, 72)))
    both = reference_et_hourly_mm(START, air, 1.2, 2.0, radiation, 45.0, 0.0, 100.0)
    assert both.shape == (3, 2, 72)
    one = reference_et_hourly_mm(START, air[2, 1], 1.2, 2.0, radiation[2, 0], 45.0, 0.0, 100.0)
    np.testing.assert_array_equal(both[2, 1], one)


def test_unknown_surface_and_standard_raise() -> None:
    with pytest.raises(ValueError, match="moss"):
        reference_et_hourly_mm(START, 20.0, 1.0, 1.0, np.zeros(72), 45.0, 0.0, 0.0, surface="moss")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="fao57"):
        reference_et_daily_mm(20, 10, 1, 1, 20, 45, 180, 0, standard="fao57")  # type: ignore[arg-type]

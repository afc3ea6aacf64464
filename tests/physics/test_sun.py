from __future__ import annotations

import numpy as np
import pytest

from advisor.physics.sun import clear_sky_w_m2, day_length_h, hourly_sun, solar_hour, sun_position

DAY = np.datetime64("2024-06-21T00:00", "s") + np.arange(24) * np.timedelta64(1, "h")


def test_hourly_sun_uses_the_middles_of_the_parts() -> None:
    sun = hourly_sun(DAY, 48.0, 11.0, 500.0, steps=4)
    assert sun.elevation_deg.shape == sun.azimuth_deg.shape == (24, 4)
    third = sun_position(DAY + np.timedelta64(37 * 60 + 30, "s"), 48.0, 11.0, 500.0)
    np.testing.assert_allclose(sun.elevation_deg[:, 2], third.apparent_elevation_deg)
    np.testing.assert_allclose(sun.azimuth_deg[:, 2], third.azimuth_deg)


def test_hourly_sun_mean_sine_near_a_fine_mean() -> None:
    coarse, fine = hourly_sun(DAY, 48.0, 11.0), hourly_sun(DAY, 48.0, 11.0, steps=60)
    np.testing.assert_allclose(coarse.mean_sin_elevation, fine.mean_sin_elevation, atol=0.002)
    np.testing.assert_allclose(coarse.sunlit_share, fine.sunlit_share, atol=0.125)
    assert set(np.unique(coarse.sunlit_share)) <= {0.0, 0.25, 0.5, 0.75, 1.0}


def test_clear_sky_is_zero_at_night_and_nan_where_unknown() -> None:
    start = DAY.copy()
    start[5] = np.datetime64("NaT")
    clear = clear_sky_w_m2(hourly_sun(start, 48.0, 11.0))
    assert np.isnan(clear[5])
    assert clear[0] == 0.0
    assert 800.0 < clear[11] < 1000.0


def test_day_length_at_the_poles() -> None:
    np.testing.assert_array_equal(day_length_h([80, -80, 0], 172)[:2], [24.0, 0.0])
    assert day_length_h(0, 172) == pytest.approx(12.0)


def test_solar_time_of_whole_hours_is_that_of_each_instant() -> None:
    """Middles of hours go by blocks; beside an instant off the middle each is worked out for itself."""
    middles = np.datetime64("2024-02-27T00:30", "s") + np.arange(24 * 25) * np.timedelta64(3600, "s")
    alone = solar_hour(np.append(middles, np.datetime64("2024-01-01T00:01", "s")), -73.9)[:-1]
    np.testing.assert_allclose(solar_hour(middles, -73.9), alone, atol=1e-9)
    np.testing.assert_array_equal(solar_hour(middles[7:9], -73.9), solar_hour(middles, -73.9)[7:9])


def test_solar_hour_is_twelve_when_the_sun_is_highest() -> None:
    minutes = np.datetime64("2024-11-03T00:00", "s") + np.arange(1440) * np.timedelta64(1, "m")
    highest = sun_position(minutes, 48.0, 11.0).elevation_deg.argmax()
    assert solar_hour(minutes[highest], 11.0) == pytest.approx(12.0, abs=0.05)
    assert ((solar_hour(minutes, 179.0) >= 0.0) & (solar_hour(minutes, 179.0) < 24.0)).all()


def test_hourly_sun_refuses_a_table_and_no_steps() -> None:
    with pytest.raises(ValueError, match="shape"):
        hourly_sun(DAY.reshape(2, 12), 48.0, 11.0)
    with pytest.raises(ValueError, match="steps"):
        hourly_sun(DAY, 48.0, 11.0, steps=0)

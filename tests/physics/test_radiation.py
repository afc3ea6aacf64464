from __future__ import annotations

import numpy as np
import pytest

from advisor.physics.radiation import (
    clear_share_from_temperature_range,
    extraterrestrial_daily_mj_m2,
    extraterrestrial_hourly_mj_m2,
    shortwave_from_cloud_w_m2,
    sky_longwave_w_m2,
    split_shortwave,
)
from advisor.physics.sun import clear_sky_w_m2, hourly_sun

DAY = np.datetime64("2024-06-21T00:00", "s") + np.arange(24) * np.timedelta64(1, "h")


def test_hourly_extraterrestrial_sums_to_the_daily() -> None:
    """Two equations of one standard; the day of the year changes at local midnight."""
    start = np.datetime64("2024-04-10T00:00", "s") + np.arange(24) * np.timedelta64(1, "h")
    hourly = extraterrestrial_hourly_mj_m2(start, 45.0, 0.0).sum()
    assert hourly == pytest.approx(float(extraterrestrial_daily_mj_m2(45.0, 101)), rel=2e-3)


def test_split_keeps_energy_and_never_exceeds_the_sun() -> None:
    sun = hourly_sun(DAY, 48.0, 11.0)
    clear = clear_sky_w_m2(sun)
    for share in (0.1, 0.5, 0.8, 1.0, 1.4):
        direct, diffuse = split_shortwave(share * clear, sun, DAY)
        np.testing.assert_allclose(diffuse + direct * sun.mean_sin_elevation, share * clear, atol=1e-9)
        assert (direct >= 0.0).all()
        assert (diffuse >= 0.0).all()
        assert direct.max() < 1420.0


def test_split_overcast_is_diffuse_and_clear_is_mostly_beam() -> None:
    sun = hourly_sun(DAY, 48.0, 11.0)
    clear = clear_sky_w_m2(sun)
    noon = 11
    _, overcast = split_shortwave(0.15 * clear, sun, DAY)
    assert overcast[noon] > 0.95 * 0.15 * clear[noon]
    _, bright = split_shortwave(clear, sun, DAY)
    assert bright[noon] < 0.35 * clear[noon]


def test_split_unknown_or_negative_radiation_is_unknown_also_at_night() -> None:
    sun = hourly_sun(DAY, 48.0, 11.0)
    shortwave = clear_sky_w_m2(sun)
    shortwave[[0, 12]], shortwave[1] = np.nan, -5.0
    direct, diffuse = split_shortwave(shortwave, sun, DAY)
    assert np.isnan(direct[[0, 1, 12]]).all()
    assert np.isnan(diffuse[[0, 1, 12]]).all()
    assert np.isfinite(np.delete(direct, [0, 1, 12])).all()


def test_cloud_leaves_a_quarter_when_overcast() -> None:
    """Kasten and Czeplak: 1 - 0.75 at eight eighths; at four eighths 1 - 0.75 x 2^-3.4 = 0.929."""
    np.testing.assert_allclose(shortwave_from_cloud_w_m2(800, [0, 50, 100]), [800, 743.2, 200], atol=0.1)
    assert np.isnan(shortwave_from_cloud_w_m2(800, 120))


def test_clear_share_at_most_one_and_unknown_without_sun() -> None:
    """0.16 sqrt(9) / 0.75 = 0.64 at sea level."""
    share = clear_share_from_temperature_range([19, 50, 20], [10, 0, 10], [40, 40, 0], 0)
    np.testing.assert_allclose(share, [0.64, 1.0, np.nan])
    assert np.isnan(clear_share_from_temperature_range(10, 12, 40, 0))


def test_sky_longwave_worked_by_hand() -> None:
    """20 degC, 11.7 hPa: emissivity 1.24 (11.7/293.15)^(1/7) = 0.783, times 418.7 W/m2."""
    assert sky_longwave_w_m2(20, 1.17, 0) == pytest.approx(327.7, abs=0.3)
    overcast = sky_longwave_w_m2(20, 1.17, 1)
    assert overcast == pytest.approx(418.7 * (0.16 * 0.783 + 0.84), abs=0.3)
    assert np.isnan(sky_longwave_w_m2(20, 1.17, 1.5))

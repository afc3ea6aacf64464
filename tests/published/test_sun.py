"""Sun against the printed example of the solar position algorithm and FAO-56."""

from __future__ import annotations

import numpy as np
import pytest
from published.reading import golden_day, golden_day_start_utc, load

from advisor.physics.sun import clear_sky_w_m2, day_length_h, hourly_sun, solar_hour, sun_position

SPA = load("solar_position.json")["spa_example"]
EXAMPLE = load("fao56_examples.json")["examples"]


def test_sun_position_nrel_example() -> None:
    sun = sun_position(
        np.datetime64(SPA["utc"]),
        SPA["latitude"],
        SPA["longitude"],
        SPA["elevation_m"],
        pressure_hpa=SPA["pressure_hpa"],
        air_temperature_c=SPA["air_temperature_c"],
    )
    assert sun.elevation_deg == pytest.approx(SPA["true_elevation"], abs=1e-5)
    assert sun.apparent_elevation_deg == pytest.approx(SPA["apparent_elevation"], abs=1e-5)
    assert 90.0 - sun.apparent_elevation_deg == pytest.approx(SPA["zenith"], abs=1e-5)
    assert sun.azimuth_deg == pytest.approx(SPA["azimuth"], abs=1e-5)
    assert np.degrees(np.arccos(sun.cos_zenith)) == pytest.approx(90.0 - SPA["true_elevation"], abs=1e-5)


def test_solar_hour_nrel_equation_of_time() -> None:
    """Printed equation of time 14.641503 min; 19:30:30 UTC is 12:29:47.1 mean solar time there."""
    mean_solar_h = 19.0 + 30.5 / 60.0 - 105.1786 / 15.0
    expected = mean_solar_h + SPA["equation_of_time_min"] / 60.0
    assert solar_hour(np.datetime64(SPA["utc"]), SPA["longitude"]) == pytest.approx(expected, abs=1e-5)


def test_day_length_fao_example_9() -> None:
    example = EXAMPLE["9"]
    length = day_length_h(example["latitude"], example["J"])
    assert length == pytest.approx(example["N"][0], abs=example["N"][1])


def test_sun_of_the_golden_day_unchanged() -> None:
    """SPA at mid-hour, refraction included."""
    day = golden_day()
    mid = golden_day_start_utc() + np.timedelta64(30, "m")
    sun = sun_position(mid, 48.0, 11.0, 500.0)
    np.testing.assert_allclose(sun.apparent_elevation_deg, day["elSPA"], atol=0.006)
    np.testing.assert_allclose(sun.azimuth_deg, day["azSPA"], atol=0.006)


def test_clear_sky_day_sum_near_fao_clear_sky_radiation() -> None:
    """FAO-56 example 18 prints Rso 30.90 MJ/m2 at 50.8 N, 100 m, 6 July; Haurwitz is another model."""
    start = np.datetime64("2023-07-06T00:00") + np.arange(24) * np.timedelta64(1, "h")
    total = clear_sky_w_m2(hourly_sun(start, 50.8, 0.0, 100.0)).sum() * 0.0036
    assert total == pytest.approx(EXAMPLE["18"]["Rso"][0], rel=0.02)

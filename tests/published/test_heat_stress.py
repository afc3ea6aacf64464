"""Worker heat stress against the authors' reference code and the weather service."""

from __future__ import annotations

import numpy as np
import pytest
from published.reading import load

from advisor.physics.heat_stress import heat_index_c, wbgt_c
from advisor.physics.sun import sun_position

HEAT = load("heat_stress.json")
TO_10M = 5.0**0.15
"""All four rows fall in stability classes 1 and 2, urban exponent 0.15 (Liljegren et al. 2008)."""
JULY_DISTANCE_AU = 1.0167


@pytest.mark.parametrize("row", HEAT["wbgt_rows"])
def test_wbgt_agrees_with_the_reference_code(row: list[float]) -> None:
    at, sun, air, humidity, wind_2m, _, _, printed = row
    cos_zenith = float(sun_position(np.datetime64(str(at)), 50.8, 0.0).cos_zenith)
    share = min(sun / (1367.0 * cos_zenith / JULY_DISTANCE_AU**2), 0.85)
    beam = float(np.exp(3.0 - 1.34 * share - 1.65 / share))
    ours = wbgt_c(air, humidity, 1003.0, wind_2m * TO_10M, sun, beam, cos_zenith)
    assert ours == pytest.approx(printed, abs=0.05)


def test_wbgt_of_globe_and_wet_bulb_printed_beside_it() -> None:
    """The printed parts make the printed index by the definition of ISO 7243: guards the data file."""
    for _, _, air, _, _, globe, wet, printed in HEAT["wbgt_rows"]:
        assert 0.7 * wet + 0.2 * globe + 0.1 * air == pytest.approx(printed, abs=0.001)


@pytest.mark.parametrize(("fahrenheit", "humidity", "printed"), HEAT["heat_index_rows"])
def test_heat_index_weather_service(fahrenheit: float, humidity: float, printed: float) -> None:
    ours = heat_index_c((fahrenheit - 32.0) / 1.8, humidity) * 1.8 + 32.0
    assert ours == pytest.approx(printed, abs=0.5)

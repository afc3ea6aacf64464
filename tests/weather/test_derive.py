"""What a source leaves out is worked out as published, marked, and never written over what is given."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from servers.observations import STATIONS, observed
from weather.weather_tables import DERIVE, QUALITY, numbers, table

from advisor.weather.derive import complete
from advisor.weather.table import VARIABLES

CASES = json.loads((Path(__file__).parent / "weather_cases.json").read_text())
LAT, LON, HEIGHT = 48.0, 11.0, 500.0
HOURS = np.arange(24)
AIR = 18.0 + 7.0 * np.cos((HOURS - 14) / 24 * 2 * np.pi)


def _complete(weather, latitude=LAT, longitude=LON, elevation=HEIGHT):
    return complete(weather, latitude, longitude, elevation, derive=DERIVE, quality=QUALITY)


def test_humidity_and_dew_point_come_from_one_another():
    """Recorded from psychrolib 2.5.0 (ASHRAE Handbook 2017); the Tetens curve here differs by up to 0.3 %."""
    given = table(air_temperature_c=AIR, dew_point_c=9.0)
    humidity = _complete(given).value("relative_humidity_pct")
    warming = [82.193, 86.085, 87.459, 86.085, 82.193, 76.401, 69.528, 62.383, 55.618, 49.666, 44.758, 40.976]
    cooling = [38.318, 36.746, 36.227, 36.746, 38.318, 40.976, 44.758, 49.666, 55.618, 62.383, 69.528, 76.401]
    expected = warming + cooling
    np.testing.assert_allclose(humidity, expected, rtol=4e-3)
    dew = _complete(table(air_temperature_c=AIR, relative_humidity_pct=expected)).value("dew_point_c")
    np.testing.assert_allclose(dew, 9.0, atol=0.08)


def test_humidity_of_real_reports_is_met():
    """Humidity reported beside dew point at LaGuardia (CC0): the network's own formula.

    One report in fifteen carries a humidity that its own rounded temperatures do not give (special
    reports in whole degrees), so nine in ten are held against it.
    """
    reports = [r for _, r in sorted(observed("LGA").items())][:2000]
    weather = table(
        "2013-01-01T06",
        len(reports),
        air_temperature_c=[(r.temperature_f - 32) / 1.8 for r in reports],
        dew_point_c=[(r.dew_point_f - 32) / 1.8 for r in reports],
    )
    got = _complete(weather, 40.78, -73.87, 3.0).value("relative_humidity_pct")
    theirs = np.array([r.humidity_pct for r in reports])
    assert np.quantile(np.abs(got - theirs), 0.9) < 0.3


def test_pressure_is_that_of_the_height():
    case = CASES["pressure"]
    out = _complete(table(), elevation=case["elevation_m"])
    np.testing.assert_allclose(out.value("pressure_hpa"), case["pressure_hpa"], atol=case["tolerance"])


def test_shortwave_under_cloud_is_a_share_of_the_clear_sky():
    clear = _complete(table(cloud_cover_pct=0.0)).value("shortwave_w_m2")
    overcast = _complete(table(cloud_cover_pct=100.0)).value("shortwave_w_m2")
    day = clear > 20
    np.testing.assert_allclose(overcast[day] / clear[day], CASES["overcast"]["share"], rtol=1e-9)
    assert clear.max() > 700
    assert clear[0] == clear[23] == 0.0


def test_shortwave_without_cloud_comes_from_the_temperature_range_of_the_day():
    case = CASES["range_day"]
    middle, half = (
        (case["temperature_max_c"] + case["temperature_min_c"]) / 2,
        (case["temperature_max_c"] - case["temperature_min_c"]) / 2,
    )
    weather = table(
        f"{case['day']}T00",
        72,
        air_temperature_c=np.tile(middle + half * np.cos((HOURS - 14) / 24 * 2 * np.pi), 3),
    )
    out = _complete(weather, case["latitude_deg"], case["longitude_deg"], case["elevation_m"])
    got = out.value("shortwave_w_m2")[24:48].sum() * 0.0036
    assert got == pytest.approx(case["shortwave_mj_m2"], rel=case["tolerance_share"])
    assert "shortwave_w_m2" in out.provenance.derived


def test_nothing_is_made_from_a_day_of_which_too_little_is_known():
    air = AIR.copy()
    air[[2, 3, 4]] = np.nan
    out = _complete(table(air_temperature_c=air), longitude=0.0)
    assert np.isnan(out.value("shortwave_w_m2")).all()
    assert "shortwave_w_m2" in out.provenance.missing
    assert np.isnan(out.value("reference_et_mm")).all()
    air[[3, 4]] = 12.0
    enough = _complete(table(air_temperature_c=air), longitude=0.0).value("shortwave_w_m2")
    assert np.isfinite(enough).all()


def test_parts_of_the_radiation_add_up_to_the_whole():
    """Conservation: diffuse + direct normal x mean sine of the sun's height."""
    from advisor.physics.sun import hourly_sun

    out = _complete(table(air_temperature_c=AIR, cloud_cover_pct=40.0))
    sine = hourly_sun(out.start_utc, LAT, LON, HEIGHT).mean_sin_elevation
    whole = out.value("diffuse_w_m2") + out.value("direct_normal_w_m2") * sine
    np.testing.assert_allclose(whole, out.value("shortwave_w_m2"), atol=0.5)


def test_reference_evapotranspiration_of_a_day_is_that_of_an_independent_library():
    """refet 0.5 (ASCE-EWRI 2005, hourly, short), sun above 0.3 rad where the two agree."""
    import refet

    shortwave = np.array(
        [
            0,
            0,
            0,
            14,
            92,
            228,
            372,
            520,
            648,
            752,
            828,
            868,
            866,
            690,
            512,
            430,
            402,
            258,
            96,
            12,
            0,
            0,
            0,
            0.0,
        ]
    )
    air, dew, wind = AIR + 4.0, np.full(24, 13.0), np.full(24, 2.5)
    weather = table(
        "2023-07-15T00",
        air_temperature_c=air,
        dew_point_c=dew,
        wind_speed_10m_m_s=wind,
        shortwave_w_m2=shortwave,
    )
    got = _complete(weather).value("reference_et_mm")
    theirs = refet.Hourly(
        tmean=air, ea=0.6108 * np.exp(17.27 * dew / (dew + 237.3)), rs=shortwave * 0.0036, uz=wind, zw=10.0,
        elev=HEIGHT, lat=LAT, lon=LON, doy=196, time=HOURS.astype(float), method="asce",
    ).eto()  # fmt: skip
    np.testing.assert_allclose(got[7:16], np.asarray(theirs)[7:16], atol=0.01)


def test_gusts_that_are_missing_come_from_the_wind():
    out = _complete(table(hours=3, wind_speed_10m_m_s=5.0, wind_gust_m_s=[np.nan, 11.0, np.nan]))
    np.testing.assert_allclose(
        out.value("wind_gust_m_s"), [5.0 * DERIVE.gust_factor, 11.0, 5.0 * DERIVE.gust_factor]
    )


@pytest.mark.parametrize("station", STATIONS)
def test_gust_factor_lies_in_its_range_of_real_gusts(station):
    """Reported gusts over wind at three airports, 2013 (CC0); gusts are reported when they are strong."""
    row = numbers()["weather.gust_factor"]
    ratios = [r.gust_mph / r.wind_mph for r in observed(station).values() if r.gust_mph and r.wind_mph]
    assert row.low < float(np.median(ratios)) < row.high


def test_what_is_given_is_never_written_over_and_gaps_without_inputs_stay():
    given = table(
        air_temperature_c=np.where(HOURS == 4, np.nan, AIR), dew_point_c=np.where(HOURS == 6, np.nan, 5.0),
        relative_humidity_pct=50.0, pressure_hpa=np.where(HOURS == 7, np.nan, 900.0), wind_speed_10m_m_s=2.0,
        wind_gust_m_s=6.0, shortwave_w_m2=np.where(HOURS == 12, np.nan, 10.0), reference_et_mm=0.07,
    )  # fmt: skip
    out = _complete(given)
    for name, before in given.values.items():
        known = np.isfinite(before)
        np.testing.assert_array_equal(out.value(name)[known], before[known])
    assert np.isnan(out.value("air_temperature_c")[4])
    assert np.isfinite(out.value("dew_point_c")[6])
    assert np.isfinite(out.value("pressure_hpa")[7])
    assert "wind_gust_m_s" not in out.provenance.derived
    assert "derived: dew_point_c, 1 h from humidity" in out.provenance.notes


def test_derived_and_missing_names_cover_every_variable_once():
    out = _complete(table(air_temperature_c=AIR, dew_point_c=8.0, wind_speed_10m_m_s=2.0))
    assert set(out.provenance.missing) == {
        name for name in VARIABLES if not np.isfinite(out.value(name)).any()
    }
    assert {"rain_mm", "cloud_cover_pct", "weather_code"} <= set(out.provenance.missing)
    assert {"relative_humidity_pct", "shortwave_w_m2", "direct_normal_w_m2", "reference_et_mm"} <= set(
        out.provenance.derived
    )
    assert not set(out.provenance.missing) & set(out.provenance.derived)


def test_doing_it_twice_changes_nothing():
    members = {"air_temperature_c": np.stack([AIR, AIR + 2]), "shortwave_w_m2": np.full((2, 24), 100.0)}
    once = _complete(
        replace(table(air_temperature_c=AIR, dew_point_c=8.0, wind_speed_10m_m_s=2.0), members=members)
    )
    twice = _complete(once)
    for name in once.values:
        np.testing.assert_array_equal(twice.value(name), once.value(name))
    for name in once.members:
        np.testing.assert_array_equal(twice.member(name), once.member(name))
    assert twice.provenance == once.provenance


def test_members_get_their_own_radiation_parts_and_evapotranspiration_only_within_their_span():
    air = np.stack([AIR, AIR + 5.0])
    air[:, 20:] = np.nan
    shortwave = np.stack([np.full(24, 100.0), np.full(24, 300.0)])
    given = table(air_temperature_c=AIR, dew_point_c=8.0, wind_speed_10m_m_s=2.0, shortwave_w_m2=200.0)
    out = _complete(replace(given, members={"air_temperature_c": air, "shortwave_w_m2": shortwave}))
    assert out.member("reference_et_mm").shape == (2, 24)
    assert (out.member("reference_et_mm")[1, 8:16] > out.member("reference_et_mm")[0, 8:16]).all()
    assert np.isnan(out.member("reference_et_mm")[:, 20:]).all()
    assert (out.member("diffuse_w_m2")[0] <= 100.0 + 1e-9).all()
    assert (out.member("dew_point_c")[:, :20] <= air[:, :20]).all()


def test_an_empty_table_stays_empty():
    assert _complete(table().between(0, 0)).hours == 0


def test_an_absurd_wind_is_not_passed_on_to_gusts_or_evapotranspiration():
    case = CASES["absurd_wind"]
    report = next(
        r for at, r in observed(case["station"]).items() if f"{at:%Y-%m-%dT%H:%M:%SZ}" == case["start_utc"]
    )
    wind = np.full(24, 3.0)
    wind[8] = report.wind_mph * 0.44704
    out = _complete(table(air_temperature_c=AIR, dew_point_c=5.0, wind_speed_10m_m_s=wind))
    assert np.isnan(out.value("wind_gust_m_s")[8])
    assert np.isnan(out.value("reference_et_mm")[8])
    assert np.nanmax(out.value("reference_et_mm")) < 1.5


def test_what_neither_members_nor_main_forecast_have_is_missing_and_not_derived():
    """Members lack cloud and so does the main forecast: nothing can have been derived from it."""
    given = table(air_temperature_c=AIR, dew_point_c=8.0, wind_speed_10m_m_s=2.0)
    said = replace(given, provenance=replace(given.provenance, derived=("cloud_cover_pct",)))
    out = _complete(said)
    assert "cloud_cover_pct" in out.provenance.missing
    assert "cloud_cover_pct" not in out.provenance.derived

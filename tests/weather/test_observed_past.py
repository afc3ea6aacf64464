"""Stations judged, their air brought to the garden's height, what they do not measure patched and said."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from weather.weather_tables import table

from advisor.weather.blend import blend
from advisor.weather.height import at_height
from advisor.weather.patch import patched
from advisor.weather.stations import ListedStation, StationNumbers, is_station_id, nearest, where_it_stands

DAY = datetime(2026, 6, 10, tzinfo=UTC)
TODAY = date(2026, 6, 10)
NUMBERS = StationNumbers(
    reach_km=50.0, height_m=300.0, height_counts_km=10.0, most=3, recent_d=90.0, daily_years=15.0
)
GOING_ON = (date(1990, 1, 1), date(2026, 6, 1))
LAPSE = 0.0065


def listed(name, latitude=50.0, longitude=8.0, elevation=200.0, hourly=GOING_ON, daily=GOING_ON):
    return ListedStation(name, name.title(), latitude, longitude, elevation, hourly, daily)


def order(stations, record="hourly", elevation=200.0):
    return [one.id for one in nearest(stations, 50.0, 8.0, elevation, record, TODAY, NUMBERS)]


# --- stations --------------------------------------------------------------------------------------


def test_distance_is_that_of_the_sphere():
    """Frankfurt (50.0333 N 8.5706 E) to Munich (48.1375 N 11.575 E): about 300 km (atlas, from memory)."""
    station = where_it_stands(listed("munich", 48.1375, 11.575, 520.0), 50.0333, 8.5706, 112.0)
    assert station.distance_km == pytest.approx(300.0, abs=10.0)
    assert station.height_difference_m == pytest.approx(408.0)


def test_one_degree_of_latitude_is_sixty_nautical_miles():
    """Definition of the nautical mile of old: a minute of latitude, 1.852 km."""
    there = where_it_stands(listed("north", 51.0), 50.0, 8.0, 200.0)
    assert there.distance_km == pytest.approx(60 * 1.852, rel=0.005)
    across = where_it_stands(listed("across", 0.0, -179.9), 0.0, 179.9, 200.0)
    assert across.distance_km == pytest.approx(0.2 * 60 * 1.852, rel=0.005), "over the date line"


def test_nearest_comes_first_and_height_counts_as_way():
    near_high = listed("near-high", 50.05, elevation=450.0)
    far_level = listed("far-level", 50.2)
    assert order([near_high, far_level]) == ["far-level", "near-high"]
    assert order([listed("b", 50.1), listed("a", 50.1), listed("c", 50.05)]) == ["c", "a", "b"]


def test_too_far_too_high_or_silent_for_long_is_left_out():
    assert order([listed("far", 50.5)]) == []
    assert order([listed("high", elevation=501.0)]) == []
    ended = (date(1990, 1, 1), date(2025, 1, 1))
    assert order([listed("ended", hourly=ended), listed("other", 50.1)]) == ["other"]
    assert order([listed("days-only", hourly=None), listed("other", 50.1)]) == ["other"]


def test_a_climate_wants_years_of_days_or_of_hours():
    young = (date(2020, 1, 1), date(2026, 6, 1))
    assert order([listed("young", hourly=None, daily=young), listed("old", hourly=None)], "daily") == ["old"]
    assert order([listed("hours", daily=None)], "daily") == ["hours"]


def test_list_without_any_record_leaves_none_out_for_it():
    assert order([listed("one", hourly=None, daily=None)]) == ["one"]


@pytest.mark.parametrize("text", ["10532", "D1424", "0CNUO", "ABC-1", "1"])
def test_station_ids(text):
    assert is_station_id(text)


# --- height ----------------------------------------------------------------------------------------


def test_air_cools_with_height_as_in_the_standard_atmosphere():
    """ISO 2533: 15.0 degC at sea level, 8.5 degC at 1000 m; 1013.25 and 898.7 hPa (from memory)."""
    low = table(
        hours=3, air_temperature_c=15.0, relative_humidity_pct=60.0, pressure_hpa=1013.25, rain_mm=1.0
    )
    high = at_height(low, 0.0, 1000.0, LAPSE)
    np.testing.assert_allclose(high.value("air_temperature_c"), 8.5)
    np.testing.assert_allclose(high.value("pressure_hpa"), 898.7, atol=3.0)
    np.testing.assert_array_equal(high.value("relative_humidity_pct"), 60.0)
    np.testing.assert_array_equal(high.value("rain_mm"), 1.0)
    assert any("-6.5 K" in note and "1000 m lower" in note for note in high.provenance.notes)


def test_same_height_changes_nothing_and_there_and_back_is_the_same():
    one = table(air_temperature_c=np.linspace(-5.0, 30.0, 24), pressure_hpa=990.0)
    assert at_height(one, 186.0, 186.0, LAPSE) is one
    back = at_height(at_height(one, 186.0, 640.0, LAPSE), 640.0, 186.0, LAPSE)
    np.testing.assert_allclose(back.value("air_temperature_c"), one.value("air_temperature_c"), atol=1e-9)
    np.testing.assert_allclose(back.value("pressure_hpa"), one.value("pressure_hpa"), atol=1e-9)


def test_gaps_stay_gaps_and_a_dew_point_that_no_longer_fits_goes():
    air = np.where(np.arange(24) == 5, np.nan, 10.0)
    humid = np.where(np.arange(24) < 12, 80.0, np.nan)
    moved = at_height(
        table(air_temperature_c=air, relative_humidity_pct=humid, dew_point_c=6.7), 0.0, 100.0, LAPSE
    )
    assert np.isnan(moved.value("air_temperature_c")[5])
    assert np.isnan(moved.value("dew_point_c")[:12]).all()
    np.testing.assert_allclose(moved.value("dew_point_c")[12:], 6.7 - 0.65)


# --- patch -----------------------------------------------------------------------------------------


def test_rain_that_the_station_does_not_report_comes_from_the_forecasts_past_and_is_said():
    seen = table("2026-06-10T00", 12, DAY + timedelta(hours=14), "station", relative_humidity_pct=70.0)
    past = table(
        "2026-06-10T00", 48, DAY + timedelta(hours=1), "forecast", air_temperature_c=25.0, rain_mm=2.0
    )
    whole = patched(seen, [past])
    np.testing.assert_array_equal(whole.value("rain_mm"), 2.0)
    np.testing.assert_array_equal(whole.value("air_temperature_c"), 20.0)
    assert whole.source_by_hour == ("station+forecast",) * 12
    assert "patched: rain_mm, 12 h from forecast" in whole.provenance.notes
    assert whole.provenance.attribution == ("by station", "by forecast")
    joined = blend([whole, past], DAY, DAY + timedelta(hours=48), DAY + timedelta(hours=14))
    assert joined.source_by_hour == ("station+forecast",) * 12 + ("forecast",) * 36
    assert joined.provenance.source == "forecast", "what lies ahead speaks for the whole"
    np.testing.assert_array_equal(joined.value("air_temperature_c"), [20.0] * 12 + [25.0] * 36)


def test_what_the_station_measured_is_never_overwritten_and_dry_is_dry():
    rain = np.where(np.arange(12) < 6, 0.0, np.nan)
    seen = table("2026-06-10T00", 12, DAY, "station", rain_mm=rain, relative_humidity_pct=70.0)
    past = table(
        "2026-06-10T00", 12, DAY, "forecast", rain_mm=5.0, relative_humidity_pct=10.0, dew_point_c=1.0
    )
    whole = patched(seen, [past])
    np.testing.assert_array_equal(whole.value("rain_mm"), [0.0] * 6 + [5.0] * 6)
    np.testing.assert_array_equal(whole.value("relative_humidity_pct"), 70.0)
    assert np.isnan(whole.value("dew_point_c")).all(), "it follows from the station's own humidity"
    assert whole.source_by_hour == ("station",) * 6 + ("station+forecast",) * 6


def test_radiation_parts_come_together_from_one_table():
    seen = table("2026-06-10T00", 4, DAY, "station", relative_humidity_pct=70.0)
    first = table("2026-06-10T00", 2, DAY, "first", shortwave_w_m2=100.0, diffuse_w_m2=60.0)
    second = table(
        "2026-06-10T00", 4, DAY, "second", shortwave_w_m2=300.0, diffuse_w_m2=90.0, direct_normal_w_m2=400.0
    )
    whole = patched(seen, [first, second])
    np.testing.assert_array_equal(whole.value("shortwave_w_m2"), [100.0, 100.0, 300.0, 300.0])
    np.testing.assert_array_equal(whole.value("diffuse_w_m2"), [60.0, 60.0, 90.0, 90.0])
    np.testing.assert_array_equal(whole.value("direct_normal_w_m2"), [np.nan, np.nan, 400.0, 400.0])


def test_humidity_is_patched_as_dew_point():
    seen = table("2026-06-10T00", 4, DAY, "station")
    past = table("2026-06-10T00", 4, DAY, "forecast", relative_humidity_pct=40.0, dew_point_c=9.0)
    whole = patched(seen, [past])
    np.testing.assert_array_equal(whole.value("dew_point_c"), 9.0)
    assert "relative_humidity_pct" not in whole.values


def test_hour_that_the_station_did_not_observe_is_left_to_others():
    air = np.where(np.arange(6) == 2, np.nan, 20.0)
    seen = table("2026-06-10T00", 6, DAY, "station", air_temperature_c=air)
    past = table("2026-06-10T00", 6, DAY, "forecast", rain_mm=1.0)
    whole = patched(seen, [past])
    assert np.isnan(whole.value("rain_mm")[2])
    assert whole.source_by_hour[2] == "station"
    joined = blend([whole, past], DAY, DAY + timedelta(hours=6), DAY + timedelta(hours=9))
    assert joined.source_by_hour[2] == "forecast"
    assert joined.value("rain_mm")[2] == 1.0


def test_nothing_to_patch_with_is_no_change():
    seen = table("2026-06-10T00", 6, DAY, "station")
    assert patched(seen, []) is seen
    assert patched(seen, [table("2026-07-10T00", 6, DAY, "elsewhen", rain_mm=1.0)]) is seen


@given(
    st.lists(st.one_of(st.none(), st.floats(0.0, 50.0)), min_size=8, max_size=8),
    st.lists(st.one_of(st.none(), st.floats(0.0, 50.0)), min_size=8, max_size=8),
)
@settings(derandomize=True, max_examples=100, deadline=None)
def test_patching_keeps_what_is_known_and_invents_nothing(own, theirs):
    def array(values):
        return np.array([np.nan if value is None else value for value in values])

    seen = table("2026-06-10T00", 8, DAY, "station", rain_mm=array(own), relative_humidity_pct=70.0)
    past = table("2026-06-10T00", 8, DAY, "forecast", rain_mm=array(theirs))
    got = patched(seen, [past]).value("rain_mm")
    for mine, other, value in zip(own, theirs, got, strict=True):
        wanted = mine if mine is not None else other
        assert np.isnan(value) if wanted is None else value == wanted
    again = patched(patched(seen, [past]), [past]).value("rain_mm")
    np.testing.assert_array_equal(again, got)

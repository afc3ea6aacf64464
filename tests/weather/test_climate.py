"""A climate of a daily record: what counts, what is refused, what is kept."""

from __future__ import annotations

import json
from datetime import date
from itertools import pairwise

import numpy as np
import pytest
from weather.daily_records import made, next_day, rows_of, station_record

from advisor.store.config_files import load_tables
from advisor.weather.climate import TooThin, best_climate, climate_from_daily, climate_text
from advisor.weather.climate_codec import climate_from_plain, plain_climate
from advisor.weather.climate_frost import frost_dates
from advisor.weather.climate_heat import maximum_percentiles_c
from advisor.weather.climate_warmth import warmth_to_come

NUMBERS = load_tables().climate
FIRST, LAST, BEFORE = date(1996, 1, 1), date(2025, 12, 31), date(2026, 1, 1)


def test_three_years_are_no_climate():
    with pytest.raises(TooThin, match=r"3 years .* at least 10"):
        climate_from_daily(made(date(2023, 1, 1), LAST, 5.0, 15.0), 50.0, BEFORE, NUMBERS)


def test_years_of_nothing_are_no_climate():
    with pytest.raises(TooThin, match="0 years"):
        climate_from_daily(made(FIRST, LAST, np.nan, np.nan), 50.0, BEFORE, NUMBERS)


def test_empty_record_is_no_climate():
    table = made(FIRST, FIRST, 1.0, 2.0)
    with pytest.raises(TooThin, match="0 years"):
        climate_from_daily(table, 50.0, date(1996, 1, 1), NUMBERS)


def test_record_that_ended_long_ago_is_no_climate():
    with pytest.raises(TooThin, match="since 1996"):
        climate_from_daily(made(date(1930, 1, 1), date(1985, 12, 31), 5.0, 15.0), 50.0, BEFORE, NUMBERS)


def test_last_thirty_years_count_and_nothing_after_the_asked_day():
    climate = climate_from_daily(made(date(1950, 1, 1), LAST, 5.0, 15.0), 50.0, date(2020, 7, 1), NUMBERS)
    assert climate.years == tuple(range(1990, 2020))
    assert climate.day[-1] == np.datetime64("2020-06-30")


def test_year_with_less_than_four_fifths_of_its_days_does_not_count():
    table = made(FIRST, LAST, 5.0, 15.0)
    for name in table.values:
        table.values[name][rows_of(table, date(2001, 3, 1), date(2001, 5, 31))] = np.nan
        table.values[name][rows_of(table, date(2002, 3, 1), date(2002, 4, 30))] = np.nan
    climate = climate_from_daily(table, 50.0, BEFORE, NUMBERS)
    assert 2001 not in climate.years  # 92 of 365 days missing
    assert 2002 in climate.years  # 61 of 365


def test_missing_minimum_leaves_the_heat_and_takes_frost_and_warmth():
    climate = climate_from_daily(made(FIRST, LAST, np.nan, 25.0), 50.0, BEFORE, NUMBERS)
    assert len(climate.years) == 30
    assert np.isfinite(maximum_percentiles_c(climate, 0.9, NUMBERS)).all()
    assert frost_dates(climate, "first", 0.0, NUMBERS).winters == ()
    assert warmth_to_come(climate, 5.0, NUMBERS, day_length_limit_h=12.0) is None


def test_winters_missing_half_the_year_say_nothing_of_frost():
    table = made(FIRST, LAST, 5.0, 15.0)
    for year in range(1996, 2026):
        for begin, end in (((1, 1), (3, 31)), ((10, 1), (12, 31))):
            rows = rows_of(table, date(year, *begin), date(year, *end))
            table.values["air_temperature_min_c"][rows] = np.nan
    climate = climate_from_daily(table, 50.0, BEFORE, NUMBERS)
    assert frost_dates(climate, "first", 0.0, NUMBERS).winters == ()
    assert frost_dates(climate, "last", 0.0, NUMBERS).winters == ()
    assert warmth_to_come(climate, 5.0, NUMBERS, day_length_limit_h=12.0) is not None


def test_impossible_days_are_left_out_and_said():
    table = made(FIRST, LAST, 5.0, 15.0)
    table.values["air_temperature_min_c"][100] = 30.0  # above the maximum
    table.values["air_temperature_max_c"][200] = 999.9
    climate = climate_from_daily(table, 50.0, BEFORE, NUMBERS)
    assert np.flatnonzero(np.isnan(climate.maximum_c)).tolist() == [100, 200]
    assert np.flatnonzero(np.isnan(climate.minimum_c)).tolist() == [100, 200]
    assert any("2 days left out" in note for note in climate.notes)
    assert table.values["air_temperature_max_c"][200] == 999.9  # the argument is left as it was


def test_tropics_have_years_and_no_frost():
    table = station_record("hyderabad")
    climate = climate_from_daily(table, 17.45, next_day(table), NUMBERS)
    dates = frost_dates(climate, "first", -1.5, NUMBERS)
    assert dates.frost_free == len(dates.winters) == 10
    assert dates.date_of(0.2, 2026) is None
    assert dates.share_until(date(2026, 12, 31), 2026) == 0.0


def test_best_record_is_the_nearest_that_is_long_enough():
    near_short = made(date(2012, 1, 1), LAST, 5.0, 15.0, distance_km=3, name="Near")
    far_long = made(FIRST, LAST, 5.0, 15.0, distance_km=30, name="Far")
    high_long = made(FIRST, LAST, 5.0, 15.0, distance_km=10, height_difference_m=400, name="High")
    thin = made(date(2020, 1, 1), LAST, 5.0, 15.0, distance_km=1, name="Thin")
    away = made(FIRST, LAST, 5.0, 15.0, distance_km=300, name="Away")
    found, reasons = best_climate((near_short, far_long, high_long, thin, away), 50.0, BEFORE, NUMBERS)
    assert found is not None
    assert found.station.name == "Far"  # 400 m of height count as 40 km
    assert [reason.split(":")[0] for reason in reasons] == ["Thin", "Away"]
    alone, _ = best_climate((near_short, thin), 50.0, BEFORE, NUMBERS)
    assert alone is not None
    assert alone.station.name == "Near"
    assert best_climate((thin, away), 50.0, BEFORE, NUMBERS)[0] is None
    assert best_climate((), 50.0, BEFORE, NUMBERS) == (None, ())


def test_text_names_years_station_distance_and_height():
    high = climate_from_daily(
        made(FIRST, LAST, 5.0, 15.0, height_difference_m=400, name="Giessen"), 50.0, BEFORE, NUMBERS
    )
    assert climate_text(high) == "30 years of Giessen, 12 km, 400 m higher"
    assert climate_text(high, 28).startswith("28 years of Giessen")


# --- kept and read back -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["brussels", "cordoba"])
def test_climate_kept_as_json_is_the_same_and_small(name):
    table = station_record(name, distance_km=7.5)
    table.values["air_temperature_min_c"][50:60] = np.nan
    climate = climate_from_daily(table, table.station.latitude_deg, next_day(table), NUMBERS)
    text = json.dumps(plain_climate(climate), allow_nan=False)
    assert len(text) < 60_000
    back = climate_from_plain(json.loads(text))
    for field in ("station", "latitude_deg", "years", "attribution", "notes"):
        assert getattr(back, field) == getattr(climate, field)
    np.testing.assert_array_equal(back.day, climate.day)
    np.testing.assert_array_equal(back.minimum_c, climate.minimum_c)
    np.testing.assert_array_equal(back.maximum_c, climate.maximum_c)


def test_damaged_or_foreign_climate_is_refused():
    climate = climate_from_daily(made(FIRST, LAST, 5.0, 15.0), 50.0, BEFORE, NUMBERS)
    plain = plain_climate(climate)
    for spoiled in (
        {},
        {**plain, "version": 99},
        {**plain, "minimum_c": plain["minimum_c"][:-8]},
        {**plain, "minimum_c": "not base64"},
        {**plain, "days": 3},
        {**plain, "station": {"id": "x"}},
        {key: value for key, value in plain.items() if key != "years"},
    ):
        with pytest.raises(ValueError, match="make it anew"):
            climate_from_plain(spoiled)


def test_days_of_the_kept_record_rise_by_one():
    climate = climate_from_plain(
        plain_climate(climate_from_daily(made(FIRST, LAST, 5.0, 15.0), 50.0, BEFORE, NUMBERS))
    )
    assert all(int((b - a).astype(int)) == 1 for a, b in pairwise(climate.day[:400]))

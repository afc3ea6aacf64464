"""Unusual heat: percentile of a calendar day, three days on end, never below the floor."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from weather.daily_records import made, next_day, station_record, wave

from advisor.store.config_files import load_tables
from advisor.weather.climate import climate_from_daily
from advisor.weather.climate_heat import maximum_percentiles_c, share_of_years_cooler, unusual_days

NUMBERS = load_tables().climate
FIRST, LAST, BEFORE = date(1996, 1, 1), date(2025, 12, 31), date(2026, 1, 1)


@pytest.fixture(scope="module")
def brussels():
    table = station_record("brussels")
    return climate_from_daily(table, 50.8, next_day(table), NUMBERS)


def test_three_days_over_the_percentile_and_the_floor_are_unusual(brussels):
    # xclim: 90th percentile of 15 July in Brussels is 28.4 degC (tests/published/climate_xclim.json)
    july = date(2026, 7, 14)
    assert unusual_days(brussels, july, [31, 33, 32], NUMBERS) == (True, True, True)
    assert unusual_days(brussels, july, [31, 33], NUMBERS) == (False, False)
    assert unusual_days(brussels, july, [31, 29.5, 32, 33, 31], NUMBERS) == (False, False, True, True, True)
    assert unusual_days(brussels, july, [31, float("nan"), 32, 33], NUMBERS) == (False,) * 4
    assert unusual_days(brussels, july, [], NUMBERS) == ()


def test_warm_april_is_not_called_heat(brussels):
    # 25 degC in April passes the 90th percentile (16.8 on 10 April) by far
    assert share_of_years_cooler(brussels, date(2026, 4, 10), 25.0, NUMBERS) == 1.0
    assert unusual_days(brussels, date(2026, 4, 9), [25, 26, 25, 24], NUMBERS) == (False,) * 4


def test_ordinary_heat_of_a_hot_climate_is_not_unusual():
    table = station_record("hyderabad")
    climate = climate_from_daily(table, 17.45, next_day(table), NUMBERS)
    # common knowledge: Hyderabad reaches 38 to 40 degC on ordinary days of May
    assert unusual_days(climate, date(2026, 5, 10), [38, 38, 38, 38], NUMBERS) == (False,) * 4


def test_share_of_years_cooler_counts_days_of_the_window():
    day = np.arange(np.datetime64(FIRST), np.datetime64(LAST) + 1)
    year = day.astype("datetime64[Y]").astype(int) + 1970
    climate = climate_from_daily(made(FIRST, LAST, 0.0, year - 1995.0), 50.0, BEFORE, NUMBERS)
    # maxima of 1, 2 ... 30 degC by year: 24 of 30 years lie below 24.5
    assert share_of_years_cooler(climate, date(2026, 7, 1), 24.5, NUMBERS) == pytest.approx(24 / 30)
    assert share_of_years_cooler(climate, date(2026, 7, 1), float("nan"), NUMBERS) is None
    # 29 February is answered as the 28th
    assert share_of_years_cooler(climate, date(2028, 2, 29), 24.5, NUMBERS) == pytest.approx(24 / 30)


def test_days_of_the_year_without_enough_years_have_no_percentile():
    table = made(FIRST, LAST, 0.0, wave(FIRST, LAST, mean_c=10.0, half_range_k=8.0))
    high = table.values["air_temperature_max_c"]
    month = table.day.astype("datetime64[M]").astype(int) % 12 + 1
    high[month == 7] = np.nan
    climate = climate_from_daily(table, 50.0, BEFORE, NUMBERS)
    found = maximum_percentiles_c(climate, 0.9, NUMBERS)
    assert np.isnan(found[195])  # 15 July
    assert np.isfinite(found[160])
    assert share_of_years_cooler(climate, date(2026, 7, 15), 40.0, NUMBERS) is None
    assert unusual_days(climate, date(2026, 7, 14), [45, 45, 45], NUMBERS) == (False,) * 3

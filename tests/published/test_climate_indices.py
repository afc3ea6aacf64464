"""Percentiles, spells and frost days against xclim 0.62.0, whose values stand in climate_xclim.json."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from weather.daily_records import made, next_day, station_record

from advisor.store.config_files import load_tables
from advisor.weather.calendar_days import by_calendar_day, days_above, warm_spell_days, window_percentile
from advisor.weather.climate import climate_from_daily
from advisor.weather.climate_frost import frost_dates
from advisor.weather.climate_heat import maximum_percentiles_c

CASES = json.loads(Path(__file__).with_name("climate_xclim.json").read_text(encoding="utf-8"))
CLOSED = CASES["closed_form"]
STATIONS = CASES["records"]["stations"]
HALF_DIGIT = 5.1e-5


def closed_form() -> np.ndarray:
    n = np.arange(10950)
    d = n % 365 + 1
    maximum = 15 + 10 * np.sin(2 * np.pi * (d - 105) / 365)
    return (maximum + 3 * np.sin(2.399963 * n) + 2 * np.sin(0.7548777 * n)).reshape(30, 365)


@pytest.mark.parametrize("share", [0.5, 0.9, 0.95])
def test_percentile_of_the_closed_form(share):
    found = window_percentile(closed_form(), share, 5)
    days = np.array(CLOSED["calendar_days"]) - 1
    assert found[days] == pytest.approx(CLOSED[f"p{share * 100:.0f}"], abs=HALF_DIGIT)


def test_another_kind_of_quantile_would_be_seen():
    found = window_percentile(closed_form(), 0.9, 5)
    days = np.array(CLOSED["type_7_p90"]["calendar_days"]) - 1
    assert (np.abs(found[days] - CLOSED["type_7_p90"]["values"]) > 100 * HALF_DIGIT).sum() >= 3


def test_warm_days_and_spells_of_the_closed_form():
    p90 = window_percentile(closed_form(), 0.9, 5)
    year = p90 - 1
    for begin, length, above in CLOSED["spells"]:
        year[begin - 1 : begin - 1 + length] = p90[begin - 1 : begin - 1 + length] + above
    assert days_above(year, p90).value == CLOSED["tx90p_days"]
    assert warm_spell_days(year, p90, 6).value == CLOSED["wsdi_6_days"]
    assert warm_spell_days(year, p90, 3).value == CLOSED["wsdi_3_days"]


def matrix_of(name: str) -> tuple[np.ndarray, np.ndarray]:
    table = station_record(name)
    return by_calendar_day(table.day, table.values["air_temperature_max_c"])


@pytest.mark.parametrize("name", STATIONS)
def test_percentiles_and_warm_days_of_a_real_record(name):
    case = STATIONS[name]
    years, matrix = matrix_of(name)
    base = matrix[(years >= case["base_years"][0]) & (years <= case["base_years"][1])]
    days = np.array(case["calendar_days"]) - 1
    for share in (0.5, 0.9, 0.95):
        found = window_percentile(base, share, 5)
        assert found[days] == pytest.approx(case["tx_percentiles"][f"{share * 100:.0f}"], abs=HALF_DIGIT)
    p90 = window_percentile(base, 0.9, 5)
    year = matrix[years == case["test_year"]][0]
    assert days_above(year, p90).value == case["tx90p_days"]
    assert warm_spell_days(year, p90, 3).value == case["wsdi_3_days"]
    assert warm_spell_days(year, p90, 6).value == case["wsdi_6_days"]


@pytest.mark.parametrize("name", ["brussels", "cordoba"])
def test_percentile_of_a_climate_is_that_of_its_record(name):
    case = STATIONS[name]
    first, last = case["base_years"]
    table = station_record(name)
    climate = climate_from_daily(
        table, table.station.latitude_deg, date(last + 1, 1, 1), load_tables().climate
    )
    found = maximum_percentiles_c(climate, 0.9, load_tables().climate)
    assert [climate.day[0].astype(object).year, climate.day[-1].astype(object).year] == [first, last]
    days = np.array(case["calendar_days"]) - 1
    assert found[days] == pytest.approx(case["tx_percentiles"]["90"], abs=HALF_DIGIT)


@pytest.mark.parametrize("which", ["first", "last"])
@pytest.mark.parametrize("name", STATIONS)
def test_frost_dates_of_a_real_record(name, which):
    case = STATIONS[name]
    table = station_record(name)
    numbers = load_tables().climate
    climate = climate_from_daily(table, table.station.latitude_deg, next_day(table), numbers)
    found = frost_dates(climate, which, 0.0, numbers)
    assert len(found.winters) >= 28
    for winter, after in zip(found.winters, found.after_d, strict=True):
        assert after is not None
        frost = found.date_in(winter, after)
        # the library counts a last frost of the north by the year it falls in
        year = winter + 1 if which == "last" and not climate.southern else winter
        expected = date(year, 1, 1) + timedelta(days=case[f"{which}_frost_day_of_year"][str(year)] - 1)
        assert frost == expected


@pytest.mark.parametrize("name", STATIONS)
def test_frost_days_of_each_year_are_those_of_the_library(name):
    # the yearly number of frost days by the library, from our own threshold on the same record
    table = station_record(name)
    years, matrix = by_calendar_day(table.day, table.values["air_temperature_min_c"])
    for year, row in zip(years, matrix, strict=True):
        leap_day = table.values["air_temperature_min_c"][table.day == np.datetime64(f"{year}-02-28") + 1]
        extra = float((leap_day < 0).sum()) if year % 4 == 0 else 0.0
        assert days_above(-row, np.zeros(365)).value + extra == STATIONS[name]["frost_days"][str(year)]


def test_closed_form_as_a_dated_record_differs_only_by_its_leap_days():
    flat = closed_form().reshape(-1)
    day = np.arange(np.datetime64("1991-01-01"), np.datetime64("2021-01-01"))
    leap = np.array([one.astype(object).month == 2 and one.astype(object).day == 29 for one in day])
    maxima = np.full(day.size, 99.0)  # a leap day that is hotter than any other must change nothing
    maxima[~leap] = flat
    table = made(date(1991, 1, 1), date(2020, 12, 31), 0.0, maxima)
    years, matrix = by_calendar_day(table.day, table.values["air_temperature_max_c"])
    assert years.size == 30
    days = np.array(CLOSED["calendar_days"]) - 1
    assert window_percentile(matrix, 0.9, 5)[days] == pytest.approx(CLOSED["p90"], abs=HALF_DIGIT)

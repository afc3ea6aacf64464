"""Days of the calendar: leap days, quantiles of type 8, windows across New Year, spells."""

from __future__ import annotations

import calendar
import tomllib
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from weather.daily_records import days_between

from advisor.weather.calendar_days import (
    by_calendar_day,
    calendar_day,
    days_above,
    type_8_quantile,
    warm_spell_days,
    window_values,
)

CASES = tomllib.loads(Path(__file__).with_name("climate_cases.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("case", CASES["quantile"])
def test_quantile_type_8_is_as_worked_out_by_hand(case):
    found = type_8_quantile(case["values"], case["share"])
    assert found == pytest.approx(case["expected"], abs=5e-5)


def test_quantile_with_gaps_is_that_of_the_values_known():
    assert type_8_quantile([3.0, np.nan, 1.0, 2.0], 0.5) == 2.0
    assert np.isnan(type_8_quantile([np.nan, np.nan], 0.5))
    assert type_8_quantile([[1.0, 2.0], [np.nan, np.nan]], 0.5).tolist()[0] == 1.5


@pytest.mark.parametrize("year", [1900, 1999, 2000, 2001, 2004, 2100])
def test_calendar_day_gives_every_date_of_a_year_its_place(year):
    first = date(year, 1, 1)
    found = [calendar_day(first + timedelta(days=n)) for n in range(366 if calendar.isleap(year) else 365)]
    expected = list(range(365))
    if calendar.isleap(year):
        expected.insert(59, 58)  # 29 February is answered as 28 February
    assert found == expected


def test_record_over_a_leap_year_keeps_all_days_but_the_leap_day():
    day = days_between(date(1999, 12, 30), date(2001, 1, 2))
    values = np.array([one.astype(object).month * 100.0 + one.astype(object).day for one in day])
    years, found = by_calendar_day(day, values)
    assert years.tolist() == [1999, 2000, 2001]
    assert found[1, 58] == 228
    assert found[1, 59] == 301
    assert found[1, 364] == 1231
    assert found[0, 363:].tolist() == [1230, 1231]
    assert np.isnan(found[0, :363]).all()
    assert found[2, :2].tolist() == [101, 102]
    assert not (found == 229).any()


def test_window_runs_across_new_year_into_the_neighbouring_year():
    matrix = np.arange(2 * 365, dtype=float).reshape(2, 365)
    windows = window_values(matrix, 5)
    assert windows.shape == (365, 10)
    assert windows[0].tolist()[5:] == [363, 364, 365, 366, 367]
    assert windows[364].tolist()[:5] == [362, 363, 364, 365, 366]
    assert np.isnan(windows[0][:2]).all()


def test_spell_is_ended_by_a_missing_day():
    limits = np.zeros(12)
    values = np.array([1, 1, 1, np.nan, 1, 1, -1, 1, 1, 1, 1, -1.0])
    assert warm_spell_days(values, limits, 3, minimum_coverage=0.0).value == 7
    assert warm_spell_days(values, limits, 4, minimum_coverage=0.0).value == 4
    assert np.isnan(warm_spell_days(values, limits, 3).value)
    assert days_above(values, limits, minimum_coverage=0.0).value == 9
    assert np.isnan(days_above(values, limits).value)


def test_day_as_hot_as_its_limit_is_not_above_it():
    assert days_above([30.0, 30.1], [30.0, 30.0]).value == 1

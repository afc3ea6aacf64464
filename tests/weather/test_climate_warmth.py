"""Warmth still to come in past seasons: days times kelvin on made records, order and gaps."""

from __future__ import annotations

import tomllib
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from weather.daily_records import made, next_day, rows_of, station_record, wave

from advisor.store.config_files import load_tables
from advisor.weather.climate import climate_from_daily
from advisor.weather.climate_warmth import warmth_to_come

CASES = tomllib.loads(Path(__file__).with_name("climate_cases.toml").read_text(encoding="utf-8"))
NUMBERS = load_tables().climate
FIRST, LAST, BEFORE = date(1996, 1, 1), date(2025, 12, 31), date(2026, 1, 1)


@pytest.mark.parametrize("case", CASES["warmth"])
def test_warmth_to_come_of_constant_days_is_days_times_kelvin(case):
    warm = case["temperature_c"]
    table = made(FIRST, LAST, warm, warm, latitude_deg=case["latitude_deg"])
    climate = climate_from_daily(table, case["latitude_deg"], BEFORE, NUMBERS)
    left = warmth_to_come(climate, case["base_c"], NUMBERS, day_length_limit_h=case["day_length_h"])
    assert left is not None
    over = max(warm - case["base_c"], 0.0)
    day = date.fromisoformat(case["from"])
    for share in (0.1, 0.5):
        assert left.reached(share, day) == pytest.approx(
            case["days"] * over, abs=case["within_d"] * max(over, 1e-9)
        )


def test_share_of_seasons_is_that_of_warm_and_cool_years():
    # ten even years of 15 degC, twenty odd ones of 20 degC: a tenth to a fifth lies among the cool ones
    day = np.arange(np.datetime64(FIRST), np.datetime64(LAST) + 1)
    year = day.astype("datetime64[Y]").astype(int) + 1970
    warm = np.where(year % 3 == 0, 15.0, 20.0)
    climate = climate_from_daily(made(FIRST, LAST, warm, warm), 50.0, BEFORE, NUMBERS)
    left = warmth_to_come(climate, 5.0, NUMBERS, day_length_limit_h=12.0)
    assert left is not None
    cool, hot = left.reached(0.2, date(2026, 8, 1)), left.reached(0.5, date(2026, 8, 1))
    assert hot / cool == pytest.approx(1.5)


def test_count_can_end_on_a_date():
    climate = climate_from_daily(made(FIRST, LAST, 15.0, 15.0), 50.0, BEFORE, NUMBERS)
    left = warmth_to_come(climate, 10.0, NUMBERS, until=(10, 15))
    assert left is not None
    assert left.reached(0.2, date(2026, 10, 1)) == pytest.approx(14 * 5.0)  # 1 to 14 October
    assert left.reached(0.2, date(2026, 10, 15)) == 0.0
    with pytest.raises(ValueError, match="not both"):
        warmth_to_come(climate, 10.0, NUMBERS, until=(10, 15), day_length_limit_h=12.0)


@pytest.mark.parametrize(("station", "day"), [("brussels", date(2026, 7, 1)), ("cordoba", date(2026, 1, 1))])
def test_last_day_is_the_last_with_enough(station, day):
    table = station_record(station)
    climate = climate_from_daily(table, table.station.latitude_deg, next_day(table), NUMBERS)
    left = warmth_to_come(climate, 5.0, NUMBERS, day_length_limit_h=12.0)
    assert left is not None
    last = left.last_day(720.0, 0.2, day)
    assert left.reached(0.2, last) >= 720.0 > left.reached(0.2, last + timedelta(days=1))
    # the season's year: January 2026 lies in the southern season that began in July 2025
    assert last.year == 2026
    assert left.last_day(720.0, 0.1, day) <= last <= left.last_day(720.0, 0.5, day)
    never = left.last_day(1e6, 0.2, day)
    assert never == (date(2025, 6, 30) if climate.southern else date(2025, 12, 31))


def test_southern_season_begun_in_july_has_its_last_day_before_new_year_where_autumn_is_early():
    warm = wave(FIRST, LAST, mean_c=8.0, half_range_k=6.0, southern=True)
    climate = climate_from_daily(made(FIRST, LAST, warm, warm, latitude_deg=-45.0), -45.0, BEFORE, NUMBERS)
    left = warmth_to_come(climate, 5.0, NUMBERS, day_length_limit_h=12.0)
    assert left is not None
    early = left.last_day(750.0, 0.2, date(2026, 1, 10))
    assert early.year == 2025
    assert early.month >= 10
    assert left.reached(0.2, early) >= 750.0


@settings(max_examples=25, deadline=None, derandomize=True, database=None)
@given(seed=st.integers(0, 999), share=st.floats(0.02, 0.98), holes=st.floats(0.0, 0.15))
def test_later_day_never_has_more_to_come_whatever_is_missing(seed, share, holes):
    random = np.random.default_rng(seed)
    low = wave(FIRST, LAST, mean_c=6.0, half_range_k=9.0)
    low = low + random.normal(0.0, 3.0, low.size)
    low[random.random(low.size) < holes] = np.nan
    climate = climate_from_daily(made(FIRST, LAST, low, low + 8.0), 50.0, BEFORE, NUMBERS)
    left = warmth_to_come(climate, 5.0, NUMBERS, day_length_limit_h=12.0)
    if left is None:
        return
    course = [left.reached(share, date(2026, 1, 1) + timedelta(days=n)) for n in range(365)]
    assert all(later <= earlier + 1e-9 for earlier, later in pairwise(course))


def test_more_cautious_share_never_promises_more_warmth():
    table = station_record("champion")
    climate = climate_from_daily(table, 40.4, next_day(table), NUMBERS)
    left = warmth_to_come(climate, 5.0, NUMBERS, day_length_limit_h=12.0)
    assert left is not None
    for day in (date(2026, 4, 1), date(2026, 7, 1), date(2026, 9, 1)):
        reached = [left.reached(share, day) for share in (0.05, 0.1, 0.2, 0.5, 0.9)]
        assert reached == sorted(reached)


def test_days_that_never_grow_short_give_no_count():
    table = station_record("hyderabad")
    climate = climate_from_daily(table, 17.45, next_day(table), NUMBERS)
    assert warmth_to_come(climate, 5.0, NUMBERS, day_length_limit_h=10.0) is None


def test_seasons_with_a_long_gap_do_not_count_and_too_few_give_none():
    table = made(FIRST, LAST, 10.0, 20.0)
    low = table.values["air_temperature_min_c"]
    for year in range(1996, 2016):
        low[rows_of(table, date(year, 6, 1), date(year, 7, 15))] = np.nan
    climate = climate_from_daily(table, 50.0, BEFORE, NUMBERS)
    left = warmth_to_come(climate, 5.0, NUMBERS, day_length_limit_h=12.0)
    assert left is not None
    assert left.seasons == tuple(range(2016, 2026))
    low[rows_of(table, date(2016, 6, 1), date(2016, 7, 15))] = np.nan
    thinner = climate_from_daily(table, 50.0, BEFORE, NUMBERS)
    assert warmth_to_come(thinner, 5.0, NUMBERS, day_length_limit_h=12.0) is None


def test_winter_gaps_cost_the_frost_but_not_the_warmth():
    table = made(FIRST, LAST, 10.0, 20.0)
    low = table.values["air_temperature_min_c"]
    full = climate_from_daily(table, 50.0, BEFORE, NUMBERS)
    for year in range(1996, 2026):
        low[rows_of(table, date(year, 11, 1), date(year, 12, 31))] = np.nan
    holey = climate_from_daily(table, 50.0, BEFORE, NUMBERS)
    both = [warmth_to_come(one, 5.0, NUMBERS, day_length_limit_h=12.0) for one in (full, holey)]
    assert both[0] is not None
    assert both[1] is not None
    assert both[0].reached(0.2, date(2026, 7, 1)) == pytest.approx(both[1].reached(0.2, date(2026, 7, 1)))


def test_short_gap_takes_what_these_days_gave_in_the_other_years_and_is_no_cold():
    table = made(FIRST, LAST, 10.0, 20.0)
    whole = climate_from_daily(table, 50.0, BEFORE, NUMBERS)
    for year in range(1996, 2026, 2):
        rows = rows_of(table, date(year, 7, 5), date(year, 7, 15))
        table.values["air_temperature_min_c"][rows] = np.nan
    holey = climate_from_daily(table, 50.0, BEFORE, NUMBERS)
    both = [warmth_to_come(one, 5.0, NUMBERS, day_length_limit_h=12.0) for one in (whole, holey)]
    assert both[0] is not None
    assert both[1] is not None
    assert len(both[1].seasons) == 30
    assert both[0].reached(0.2, date(2026, 7, 1)) == pytest.approx(both[1].reached(0.2, date(2026, 7, 1)))

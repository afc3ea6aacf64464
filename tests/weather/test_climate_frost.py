"""First and last frosts: by the calendar on made records, and against what towns know."""

from __future__ import annotations

import tomllib
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from weather.daily_records import made, next_day, rows_of, station_record, wave

from advisor.store.config_files import load_tables
from advisor.units import Number, NumberTable
from advisor.weather.climate import Climate, climate_from_daily
from advisor.weather.climate_frost import FrostDates, frost_dates, winter_of_season

CASES = tomllib.loads(Path(__file__).with_name("climate_cases.toml").read_text(encoding="utf-8"))
NUMBERS = load_tables().climate


def with_values(**values: float) -> NumberTable:
    rows = dict(NUMBERS)
    for key, value in values.items():
        name = key.replace("__", ".")
        rows[name] = Number(value, rows[name].unit, "estimate", "house")
    return NumberTable("climate.toml", rows)


def climate_of(case: dict) -> Climate:
    first, last = date.fromisoformat(case["first"]), date.fromisoformat(case["last"])
    table = made(first, last, 5.0, 15.0, latitude_deg=case["latitude_deg"])
    low = table.values["air_temperature_min_c"]
    for day in case["frosts"]:
        low[(date.fromisoformat(day) - first).days] = -2.0
    for begin, end in case.get("missing", []):
        low[rows_of(table, date.fromisoformat(begin), date.fromisoformat(end))] = np.nan
    return climate_from_daily(
        table, case["latitude_deg"], last + timedelta(days=1), with_values(record__years_least=1)
    )


@pytest.mark.parametrize("which", ["first", "last"])
@pytest.mark.parametrize("case", CASES["frost"], ids=lambda case: case["why"][:40])
def test_frost_of_each_winter_is_as_counted_on_the_calendar(case, which):
    found = frost_dates(climate_of(case), which, 0.0, with_values(record__years_least=1))
    place = 0 if which == "first" else 1
    expected = {
        int(winter): None if both[place] == "-" else date.fromisoformat(both[place])
        for winter, both in case["winters"].items()
        if both[place] != "?"
    }
    got = {
        winter: None if after is None else found.date_in(winter, after)
        for winter, after in zip(found.winters, found.after_d, strict=True)
    }
    assert got == expected


def test_too_few_winters_say_nothing():
    case = CASES["frost"][0]
    found = frost_dates(climate_of(case), "first", 0.0, NUMBERS)
    assert found.winters == ()
    assert found.date_of(0.2, 2004) is None
    assert found.share_until(date(2004, 12, 1), 2004) is None


def written(text: str, year: int = 2010) -> date:
    return date.fromisoformat(f"{year}-{text}")


@pytest.mark.parametrize("case", CASES["dates"])
def test_date_and_chance_count_winters_without_frost(case):
    begins = date(2010, 8, 1)
    after = [None if text == "-" else (written(text) - begins).days for text in case["first_frosts"]]
    dates = FrostDates("first", tuple(range(2000, 2010)), tuple(after), (8, 1))
    for share, text in case["date_by_share"].items():
        assert dates.date_of(float(share), 2010) == (None if text == "-" else written(text)), share
    for text, share in case["share_until"].items():
        assert dates.share_until(written(text), 2010) == pytest.approx(share)
    assert dates.frost_free == 4


def test_last_frost_rounds_to_the_later_side_and_free_winters_are_over_at_once():
    dates = FrostDates("last", tuple(range(10)), (None, None, 240, 250, 251, 252, 253, 254, 255, 256), (8, 1))
    begins = date(2010, 8, 1)
    assert dates.share_until(begins, 2010) == pytest.approx(0.2)
    # position (10 + 1/3) 0.8 + 1/3 = 8.6, between 254 and 255
    assert dates.date_of(0.8, 2010) == begins + timedelta(days=255)
    assert dates.date_of(0.1, 2010) is None


@pytest.mark.parametrize("case", CASES["town"], ids=lambda case: case["station"])
def test_town_has_its_frost_when_it_is_known_to_have_it(case):
    table = station_record(case["station"])
    climate = climate_from_daily(table, table.station.latitude_deg, next_day(table), NUMBERS)
    # "<= 32 degF" counts a night of exactly 0 degC as frost
    first = frost_dates(climate, "first", -0.01, NUMBERS)
    last = frost_dates(climate, "last", -0.01, NUMBERS)
    if "frost_free_share_at_least" in case:
        assert first.frost_free / len(first.winters) >= case["frost_free_share_at_least"]
    for dates, wanted in ((first, "first_frost_by_share"), (last, "last_frost_by_share")):
        for share, text in case.get(wanted, {}).items():
            winter = 2009 if wanted.startswith("last") and not climate.southern else 2010
            found = dates.date_of(float(share), winter)
            assert found is not None
            assert abs((found - written(text)).days) <= case["within_d"], (found, text)


def test_colder_bench_has_its_first_frost_no_later_and_its_last_no_earlier():
    table = station_record("brussels")
    climate = climate_from_daily(table, 50.8, next_day(table), NUMBERS)
    for share in (0.1, 0.2, 0.5, 0.8):
        first = [frost_dates(climate, "first", -k, NUMBERS).date_of(share, 2010) for k in (0.0, 1.0, 2.0)]
        last = [frost_dates(climate, "last", -k, NUMBERS).date_of(share, 2009) for k in (0.0, 1.0, 2.0)]
        assert first == sorted(first, reverse=True)
        assert last == sorted(last)
    assert len(set(first)) == 3


def test_station_400_m_higher_is_brought_down_to_the_garden():
    # a lapse of 3 K/km over 400 m is 1.2 K: frost nights of -1 degC up there are none below, of -2 degC are
    first, last = date(1996, 1, 1), date(2025, 12, 31)
    low = wave(first, last, mean_c=8.0, half_range_k=9.5)
    high_up = made(first, last, low, low + 8.0, height_difference_m=400.0)
    level = made(first, last, low, low + 8.0)
    before = date(2026, 1, 1)
    up = climate_from_daily(high_up, 50.0, before, NUMBERS)
    here = climate_from_daily(level, 50.0, before, NUMBERS)
    assert up.minimum_c - here.minimum_c == pytest.approx(1.2, abs=0.011)
    assert up.maximum_c - here.maximum_c == pytest.approx(2.6, abs=0.011)
    assert frost_dates(here, "first", 0.0, NUMBERS).frost_free == 0
    assert frost_dates(up, "first", -1.2, NUMBERS).date_of(0.5, 2026) == frost_dates(
        here, "first", 0.0, NUMBERS
    ).date_of(0.5, 2026)


def test_winter_of_a_season_is_the_one_that_ends_it():
    first, last = date(2000, 1, 1), date(2012, 12, 31)
    north = climate_from_daily(made(first, last, 5.0, 15.0), 50.0, date(2013, 1, 1), NUMBERS)
    south = climate_from_daily(
        made(first, last, 5.0, 15.0, latitude_deg=-35.0), -35.0, date(2013, 1, 1), NUMBERS
    )
    assert winter_of_season(north, date(2026, 6, 1)) == 2026
    # the southern season from July 2025 to June 2026 is ended by the winter that begins in February 2026
    assert winter_of_season(south, date(2025, 12, 1)) == 2026
    assert winter_of_season(south, date(2026, 3, 1)) == 2026
    assert winter_of_season(south, date(2026, 7, 1)) == 2027

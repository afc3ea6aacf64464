"""Local days against the time zone database, worked out by hand, and their properties in any zone."""

import json
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from weather.weather_tables import table

from advisor.weather.days import (
    at_local,
    daily,
    day_bounds_utc,
    day_value,
    days_in,
    hours_of_day,
    local_day_of,
    rows_of_day,
)
from advisor.weather.table import utc_of

CASES = json.loads((Path(__file__).parent / "local_days.json").read_text())
ZONES = [
    "Europe/Berlin", "America/New_York", "America/Santiago", "Australia/Lord_Howe", "America/Havana",
    "Asia/Kolkata", "Pacific/Apia", "America/St_Johns", "Africa/Cairo", "Asia/Gaza", "UTC",
]  # fmt: skip
zones = st.sampled_from(ZONES).map(ZoneInfo)
dates = st.dates(date(2000, 1, 2), date(2035, 12, 30))


@pytest.mark.parametrize(("zone", "day", "first", "until", "hours"), CASES["days"])
def test_day_bounds_are_those_of_the_clock(zone, day, first, until, hours):
    bounds = day_bounds_utc(date.fromisoformat(day), ZoneInfo(zone))
    assert bounds == (datetime.fromisoformat(first), datetime.fromisoformat(until))
    assert (bounds[1] - bounds[0]) / timedelta(hours=1) == hours
    assert all(bound.tzinfo is UTC for bound in bounds)


@pytest.mark.parametrize(("zone", "day", "at", "expected", "why"), CASES["instants"])
def test_local_times_of_day_become_instants(zone, day, at, expected, why):
    got = at_local(date.fromisoformat(day), time.fromisoformat(at), ZoneInfo(zone))
    assert got == datetime.fromisoformat(expected), why


@given(zones, dates)
@settings(derandomize=True, max_examples=400, deadline=None)
def test_a_day_begins_where_the_last_one_ends_and_its_first_instant_is_its_own(zone, day):
    first, until = day_bounds_utc(day, zone)
    assert day_bounds_utc(day + timedelta(days=1), zone)[0] == until
    assert timedelta(0) <= until - first <= timedelta(hours=26)
    if until > first:
        assert local_day_of(first, zone) == day
        assert local_day_of(first - timedelta(microseconds=1), zone) < day


@given(zones, st.datetimes(datetime(2000, 1, 2), datetime(2035, 12, 30), timezones=st.just(UTC)))  # noqa: DTZ001
@settings(derandomize=True, max_examples=400, deadline=None)
def test_every_instant_lies_in_the_bounds_of_its_day_except_while_a_date_repeats(zone, instant):
    day = local_day_of(instant, zone)
    first, until = day_bounds_utc(day, zone)
    # Where clocks go back over midnight a date comes twice; the second time counts to the day after.
    assert first <= instant
    assert instant < until or instant < until + timedelta(hours=1)


@pytest.mark.parametrize(
    ("zone", "spring", "autumn"),
    [
        ("Europe/Berlin", "2026-03-28", "2026-10-24"),
        ("America/New_York", "2026-03-07", "2026-10-31"),
        ("America/Santiago", "2026-09-05", "2026-04-03"),
        ("Australia/Lord_Howe", "2026-10-03", "2026-04-04"),
    ],
)
def test_rows_of_consecutive_days_share_out_the_table_over_both_clock_changes(zone, spring, autumn):
    for start in (spring, autumn):
        weather = table(f"{start}T00", 24 * 5)
        seen = []
        for day in days_in(weather, ZoneInfo(zone)):
            rows = rows_of_day(weather, day, ZoneInfo(zone))
            seen += list(range(rows.start, rows.stop))
            for row in (rows.start, rows.stop - 1):
                assert local_day_of(utc_of(weather.start_utc[row]), ZoneInfo(zone)) == day
        assert seen == list(range(weather.hours))


def test_coverage_counts_hours_outside_the_table_as_unknown():
    weather = table("2026-03-29T06", 10, rain_mm=1.0)
    zone, day = ZoneInfo("Europe/Berlin"), date(2026, 3, 29)
    assert hours_of_day(day, zone) == 23
    strict = day_value(weather, "rain_mm", "sum", day, zone, minimum_coverage=1.0)
    loose = day_value(weather, "rain_mm", "sum", day, zone, minimum_coverage=0.4)
    assert np.isnan(strict.value)
    assert float(loose.value) == 10.0
    assert float(loose.coverage) == pytest.approx(10 / 23)


def test_a_gap_in_the_day_is_not_a_dry_hour():
    rain = np.ones(48)
    rain[30] = np.nan
    found = daily(table("2026-06-10T00", 48, rain_mm=rain), "rain_mm", "sum", ZoneInfo("UTC"), 1.0)
    assert found.days == (date(2026, 6, 10), date(2026, 6, 11))
    assert found.values[0] == 24.0
    assert np.isnan(found.values[1])


def test_a_name_the_table_lacks_gives_nan_and_an_unknown_name_an_error():
    assert np.isnan(daily(table(), "cape_j_kg", "max", ZoneInfo("UTC"), 0.5).values).all()
    with pytest.raises(KeyError):
        daily(table(), "colour", "max", ZoneInfo("UTC"), 0.5)


def test_an_instant_without_offset_is_refused():
    with pytest.raises(ValueError, match="offset"):
        local_day_of(datetime(2026, 6, 10), ZoneInfo("UTC"))  # noqa: DTZ001

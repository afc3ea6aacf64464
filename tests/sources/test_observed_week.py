"""Real observations through server, HTTP, parser and local days, against the file read by hand."""

import csv
import gzip
import json
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from time import monotonic
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from servers.forecast_server import ForecastServer
from servers.observations import weather_csv

from advisor.sources.budget import Budget
from advisor.sources.http import HttpClient
from advisor.sources.model import Site
from advisor.sources.open_meteo import fetch_forecast
from advisor.weather.days import daily, days_in

WEEK = json.loads((Path(__file__).parent / "laguardia_july_2013.json").read_text())
ZONE = ZoneInfo(WEEK["zone"])
NOW = datetime(2013, 7, 17, 9, 40, tzinfo=UTC)


def _by_hand(station):
    """Rows of the file by UTC label, with definitions of degF, inch and mile only."""
    with gzip.open(weather_csv(), "rt", newline="") as lines:
        return {
            datetime.strptime(row["time_hour"], "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC): row
            for row in csv.DictReader(lines)
            if row["origin"] == station
        }


def _fetch(server, past_days=4, forecast_days=5, now=NOW):
    client = HttpClient("grower@example.org")
    try:
        site = Site(40.7772, -73.8726, 3.0)
        return fetch_forecast(
            client, site, now, past_days, forecast_days, Budget(monotonic), base_url=server.base_url
        ).table
    finally:
        client.close()


@pytest.fixture(scope="module")
def table():
    with ForecastServer(NOW) as server:
        return _fetch(server)


def test_daily_maxima_of_the_hot_week_are_those_observed(table):
    """Daily maxima at LaGuardia, 14 to 20 July 2013: see ``source`` in the data file."""
    found = daily(table, "air_temperature_c", "max", ZONE, 1.0)
    by_day = dict(zip(found.days, found.values, strict=True))
    for day, highest in WEEK["daily_max_c"].items():
        assert by_day[date.fromisoformat(day)] == pytest.approx(highest, abs=WEEK["tolerance_k"])


def test_maxima_in_the_data_file_are_those_of_the_observations():
    rows = _by_hand(WEEK["station"])
    for day, highest in WEEK["daily_max_c"].items():
        temperatures = [
            (float(row["temp"]) - 32) / 1.8
            for start, row in rows.items()
            if row["temp"] != "NA" and start.astimezone(ZONE).date().isoformat() == day
        ]
        assert len(temperatures) == 24
        assert max(temperatures) == pytest.approx(highest, abs=0.05)


def test_instants_stay_and_sums_and_gusts_move_to_the_hour_they_fell_in(table):
    rows = _by_hand("LGA")
    seen = {"rain_mm": 0, "wind_gust_m_s": 0, "air_temperature_c": 0, "wind_speed_10m_m_s": 0}
    # The last hour's sums are stamped one hour later than the reply reaches.
    for place in range(table.hours - 1):
        row = rows.get(datetime.fromisoformat(f"{table.start_utc[place]}+00:00"))
        if row is None:
            continue
        for ours, theirs, convert in (
            ("air_temperature_c", "temp", lambda f: (f - 32) / 1.8),
            ("wind_speed_10m_m_s", "wind_speed", lambda mph: mph * 1609.344 / 3600),
            ("rain_mm", "precip", lambda inch: inch * 25.4),
            ("wind_gust_m_s", "wind_gust", lambda mph: mph * 1609.344 / 3600),
        ):
            got = table.value(ours)[place]
            if row[theirs] == "NA":
                assert np.isnan(got)
            else:
                assert got == pytest.approx(convert(float(row[theirs])), abs=0.051)
                seen[ours] += float(row[theirs]) > 0
    assert seen["air_temperature_c"] > 200
    assert seen["wind_speed_10m_m_s"] > 200
    assert seen["rain_mm"] >= 3
    assert seen["wind_gust_m_s"] >= 20


def test_what_was_not_observed_is_missing_and_said(table):
    assert {"shortwave_w_m2", "cloud_cover_pct", "weather_code"} <= set(table.provenance.missing)
    assert np.isnan(table.value("shortwave_w_m2")).all()


def test_request_carries_contact_utc_metric_units_and_four_decimals_at_most():
    with ForecastServer(NOW) as server:
        _fetch(server, 2, 3)
        (request,) = server.requests
    assert request["headers"]["User-Agent"].endswith("(grower@example.org)")
    query = request["query"]
    assert query["timezone"] == "GMT"
    assert query["forecast_days"] == "4"
    assert query["past_days"] == "2"
    assert query["elevation"] == "3"
    assert "daily" not in query
    assert all(len(query[key].partition(".")[2]) <= 4 for key in ("latitude", "longitude"))


@pytest.mark.parametrize(
    ("now", "day", "hours", "reported"),
    [("2013-03-09", "2013-03-10", 23, 23), ("2013-11-02", "2013-11-03", 25, 24)],
    ids=["spring", "autumn, midnight not reported"],
)
def test_days_of_the_clock_change_hold_the_hours_they_had(now, day, hours, reported):
    at = datetime.fromisoformat(f"{now}T12:30:00+00:00")
    with ForecastServer(at) as server:
        table = _fetch(server, 1, 3, at)
    wanted = [
        (float(row["temp"]) - 32) / 1.8
        for start, row in _by_hand("LGA").items()
        if start.astimezone(ZONE).date().isoformat() == day and row["temp"] != "NA"
    ]
    assert len(wanted) == reported
    found = daily(table, "air_temperature_c", "mean", ZONE, reported / hours)
    place = found.days.index(date.fromisoformat(day))
    assert found.values[place] == pytest.approx(sum(wanted) / reported, abs=0.05)
    assert found.coverage[place] == pytest.approx(reported / hours)


def test_days_in_counts_every_local_day_touched(table):
    days = days_in(table, ZONE)
    assert days[0] == date(2013, 7, 12)
    assert days[-1] == date(2013, 7, 22)
    assert all(b - a == timedelta(days=1) for a, b in pairwise(days))


def test_one_absurd_wind_value_is_dropped_and_said():
    """Newark reported 1048 mph on 12 February 2013: see absurd_wind in tests/weather/weather_cases.json."""
    now = datetime(2013, 2, 12, 12, tzinfo=UTC)
    with ForecastServer(now, "EWR") as server:
        table = _fetch(server, 1, 2, now)
    row = table.index_at(datetime(2013, 2, 12, 8, tzinfo=UTC))
    assert np.isnan(table.value("wind_speed_10m_m_s")[row])
    assert np.isfinite(table.value("air_temperature_c")[row])
    assert any("wind_speed_10m_m_s, 1 h" in note for note in table.provenance.notes)


def test_a_warped_week_differs_only_where_it_was_warped():
    def hotter(name, values):
        return [None if v is None else v + 4.0 for v in values] if name == "temperature_2m" else values

    with ForecastServer(NOW) as plain, ForecastServer(NOW, warp=hotter) as warped:
        one, other = _fetch(plain), _fetch(warped)
    np.testing.assert_allclose(
        other.value("air_temperature_c") - one.value("air_temperature_c"), 4.0, atol=0.051
    )
    np.testing.assert_array_equal(other.value("rain_mm"), one.value("rain_mm"))

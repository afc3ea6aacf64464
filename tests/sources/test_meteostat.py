"""Station records: a real year against the file read by eye; everything that must never become an address."""

import csv
import gzip
import io
import json
import logging
from datetime import UTC, date, datetime
from pathlib import Path
from time import monotonic
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from servers.station_server import FIXTURES, StationServer, daily_file, hourly_file

from advisor.errors import SourceError
from advisor.sources.budget import Budget
from advisor.sources.http import HttpClient
from advisor.sources.meteostat import HOURLY, parse_daily, parse_hourly
from advisor.sources.meteostat_codes import WMO_OF_CONDITION
from advisor.sources.meteostat_files import fetch_year_file
from advisor.sources.meteostat_library import is_model, read_year
from advisor.sources.meteostat_text import BadFileError, station_path, year_file_path
from advisor.weather.days import daily
from advisor.weather.stations import Station

YEAR = json.loads((Path(__file__).parent / "giessen_2024.json").read_text(encoding="utf-8"))
BODY = (FIXTURES / "hourly_10532_2024.csv.gz").read_bytes()
GIESSEN = Station("10532", "Giessen", 50.5833, 8.7, 186.0, 12.3, 86.0)
NOW = datetime(2025, 1, 2, 9, tzinfo=UTC)


def at(text):
    return datetime.fromisoformat(text)


def cell(table, stamp, name):
    return table.value(name)[table.index_at(at(stamp))]


@pytest.fixture(scope="module")
def table():
    """The real file through server, HTTP and parser."""
    with StationServer() as server:
        server.put("/hourly/2024/10532.csv.gz", BODY)
        client = HttpClient("grower@example.org")
        try:
            reply = fetch_year_file(client, server.base_url, "hourly", 2024, "10532", NOW, Budget(monotonic))
        finally:
            client.close()
    return parse_hourly({2024: reply.body}, GIESSEN, NOW)


def test_frost_of_april_and_heat_of_august_come_through(table):
    """Giessen 2024: see ``source`` in the data file."""
    for row in YEAR["hours_utc"]:
        for name in ("air_temperature_c", "relative_humidity_pct"):
            assert cell(table, row["start_utc"], name) == row[name]
    berlin = ZoneInfo("Europe/Berlin")
    lowest, highest = (daily(table, "air_temperature_c", how, berlin, 0.9) for how in ("min", "max"))
    lows = dict(zip(lowest.days, lowest.values, strict=True))
    highs = dict(zip(highest.days, highest.values, strict=True))
    air, days = table.value("air_temperature_c"), table.start_utc.astype("datetime64[D]")
    for night in YEAR["nights"]:
        assert lows[date.fromisoformat(night["day"])] == night["lowest_c"]
        rows = days == np.datetime64(night["day"])
        assert int((air[rows] < 0.0).sum()) == night["hours_below_zero"]
    for day in YEAR["hot_days"]:
        assert highs[date.fromisoformat(day["day"])] == day["highest_c"]


def test_data_file_says_what_the_published_file_says():
    """The expected values are held against the CSV itself, with nothing but the csv module."""
    with gzip.open(io.BytesIO(BODY), "rt", newline="") as lines:
        rows = {
            datetime(*(int(row[part]) for part in ("year", "month", "day", "hour")), tzinfo=UTC): row
            for row in csv.DictReader(lines)
        }
    for hour in YEAR["hours_utc"]:
        row = rows[at(hour["start_utc"])]
        assert (float(row["temp"]), row["temp_source"]) == (hour["air_temperature_c"], "dwd_poi")
    mixed = rows[at(YEAR["mixed_hour"]["start_utc"])]
    assert (mixed["temp_source"], mixed["coco_source"]) == ("dwd_poi", "dwd_mosmix")
    for name, hours in YEAR["model_hours"].items():
        if name == "note":
            continue
        theirs = next(column.name for column in HOURLY if column.ours == name)
        assert sum(row[f"{theirs}_source"] == "dwd_mosmix" for row in rows.values()) == hours


def test_model_values_are_left_out_each_by_its_own_source(table):
    for name, hours in YEAR["model_hours"].items():
        if name != "note":
            assert f"model: {name}, {hours} h left out" in table.provenance.notes
    mixed = YEAR["mixed_hour"]
    assert cell(table, mixed["start_utc"], "air_temperature_c") == mixed["air_temperature_c"]
    assert np.isnan(cell(table, mixed["start_utc"], "weather_code"))


def test_units_labels_and_pressure_are_ours(table):
    gust = YEAR["unit_cells"]["gust_m_s"]
    assert cell(table, gust["start_utc"], "wind_gust_m_s") == pytest.approx(gust["value"], abs=5e-5)
    for stamp, value in YEAR["unit_cells"]["cloud_pct"]:
        assert cell(table, stamp, "cloud_cover_pct") == value
    pressure = YEAR["pressure"]
    got = cell(table, pressure["start_utc"], "pressure_hpa")
    assert got == pytest.approx(pressure["value"], abs=pressure["tolerance_hpa"])


def test_sunshine_shows_that_a_stamp_closes_its_hour():
    """Sums around sunrise: the file's minutes against the almanac's sunrise, no parser between."""
    with gzip.open(io.BytesIO(BODY), "rt", newline="") as lines:
        shone = {
            int(row["hour"]): float(row["tsun"])
            for row in csv.DictReader(lines)
            if (row["month"], row["day"]) == ("4", "23") and row["tsun"]
        }
    rise = at(YEAR["sunrise"]["sunrise_utc"])
    assert shone[rise.hour] == 0.0, "the hour that ends before sunrise"
    assert 0.0 < shone[rise.hour + 1] <= 60 - rise.minute, "the hour in which the sun rises"
    assert {column.ours for column in HOURLY if column.label == "end"} == {"rain_mm", "wind_gust_m_s"}


def test_condition_codes_keep_hail_and_thunder_apart():
    """WMO-No. 306 code table 4677: 89 and 90 hail without thunder, 95 to 99 thunderstorm."""
    assert set(WMO_OF_CONDITION) == set(range(1, 28))
    assert WMO_OF_CONDITION[24] in (89, 90)
    assert {code for code, wmo in WMO_OF_CONDITION.items() if 95 <= wmo <= 99} == {25, 26}
    assert [WMO_OF_CONDITION[code] for code in (1, 2, 3, 4)] == [0, 1, 2, 3]
    assert all(WMO_OF_CONDITION[code] in (66, 67) for code in (10, 11)), "freezing rain"


@pytest.mark.parametrize(
    ("source", "model"),
    [
        ("dwd_mosmix", True),
        ("metno_forecast", True),
        ("dwd_poi metno_forecast", True),
        ("dwd_poi", False),
        ("isd_lite", False),
        ("synop", False),
        ("", False),
    ],
)
def test_models_are_told_from_instruments(source, model):
    assert is_model(source) is model


BAD_IDS = (
    "../x",
    "10532/../..",
    "",
    "a b",
    "10532\n",
    "ü",
    "a" * 17,
    "-1",
    "%2e%2e",
    "10532?x=1",
    ".",
    "x.y",
    "٣٣",
)


@pytest.mark.parametrize("name", BAD_IDS)
def test_what_is_no_station_id_becomes_neither_address_nor_path(name):
    with StationServer() as server:
        client = HttpClient("")
        with pytest.raises(ValueError, match="no station id"):
            fetch_year_file(client, server.base_url, "hourly", 2024, name, NOW, Budget(monotonic))
        client.close()
        assert server.requests == []
    for make in (lambda: year_file_path("hourly", 2024, name), lambda: station_path(name)):
        with pytest.raises(ValueError, match="no station id"):
            make()


@pytest.mark.parametrize(
    ("mode", "words", "transient"),
    [
        ("cut", "cut short", False),
        ("html", "web page", True),
        ("bomb", "larger than 16384 KiB after unzipping", False),
        ("huge", "larger than 4096 KiB", False),
        ("server-error", "HTTP 503", True),
        ("rate-limit", "too often", True),
        ("reset", "broke off", True),
        ("wrong-header", "instead of year,month,day,hour", False),
        ("garbage", "no CSV text", False),
        ("empty", "begins with ''", False),
        ("redirect", "another host", False),
    ],
)
def test_spoilt_answer_is_named(mode, words, transient):
    with StationServer() as server:
        server.put("/hourly/2024/10532.csv.gz", BODY)
        server.fail(mode)
        client = HttpClient("")
        with pytest.raises(SourceError, match=words) as caught:
            fetch_year_file(client, server.base_url, "hourly", 2024, "10532", NOW, Budget(monotonic))
        client.close()
    assert caught.value.transient is transient
    assert "meteostat" in str(caught.value)


def test_unchanged_file_is_not_sent_again():
    with StationServer() as server:
        server.put("/hourly/2024/10532.csv.gz", BODY)
        client = HttpClient("")

        def ask(etag=""):
            return fetch_year_file(
                client, server.base_url, "hourly", 2024, "10532", NOW, Budget(monotonic), etag=etag
            )

        first = ask()
        assert (first.answer, first.body) == ("new", BODY)
        assert ask(first.etag).answer == "same"
        client.close()


def test_file_unzipped_on_the_way_is_read_too(table):
    plain = parse_hourly({2024: gzip.decompress(BODY)}, GIESSEN, NOW)
    np.testing.assert_array_equal(plain.value("air_temperature_c"), table.value("air_temperature_c"))


def test_years_join_without_a_seam_and_a_bad_one_is_left_out_and_named():
    old = hourly_file(datetime(2025, 12, 31, tzinfo=UTC), 24, rain=1.0)
    new = hourly_file(datetime(2026, 1, 1, tzinfo=UTC), 24, rain=2.0)
    both = parse_hourly({2025: old, 2026: new}, GIESSEN, at("2026-01-03T00:00:00+00:00"))
    assert np.isfinite(both.value("air_temperature_c")[1:]).all()
    assert cell(both, "2025-12-31T23:00:00+00:00", "rain_mm") == 2.0, "stamped 00 UTC of the new year"
    one = parse_hourly({2025: old[:50], 2026: new}, GIESSEN, at("2026-01-03T00:00:00+00:00"))
    assert any("2025" in note and "cut short" in note for note in one.provenance.notes)
    assert cell(one, "2026-01-01T12:00:00+00:00", "air_temperature_c") == 15.0
    with pytest.raises(SourceError, match="cut short"):
        parse_hourly({2025: old[:50]}, GIESSEN, NOW)


def test_thirty_years_of_days_are_one_record():
    files = {year: daily_file(year, lowest=float(year - 2000)) for year in range(1996, 2026) if year != 2003}
    record = parse_daily(files, GIESSEN, at("2026-06-01T00:00:00+00:00"))
    assert (str(record.day[0]), str(record.day[-1])) == ("1996-01-01", "2025-12-31")
    assert record.station == GIESSEN
    year = record.day.astype("datetime64[Y]").astype(int) + 1970
    lowest = record.values["air_temperature_min_c"]
    assert np.isnan(lowest[year == 2003]).all()
    assert set(lowest[year == 2011]) == {11.0}
    assert set(record.values["air_temperature_max_c"][year == 2011]) == {21.0}


def test_today_and_later_are_no_days_of_record():
    record = parse_daily({2026: daily_file(2026)}, GIESSEN, at("2026-06-10T09:00:00+00:00"))
    assert str(record.day[-1]) == "2026-06-09"


def test_reading_is_silent_and_leaves_the_library_as_it_was(caplog):
    import meteostat
    from meteostat.providers.meteostat import hourly

    before = hourly.ENDPOINT, meteostat.config.cache_enable, logging.getLogger("meteostat").level
    bad = b"year,month,day,hour,temp,temp_source\n2024,2,30,0,x,dwd_poi\n"
    with caplog.at_level(logging.DEBUG), pytest.raises(BadFileError):
        read_year("hourly", "10532", 2024, bad)
    assert caplog.records == []
    assert before == (hourly.ENDPOINT, meteostat.config.cache_enable, logging.getLogger("meteostat").level)

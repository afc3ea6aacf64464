"""The list of stations: sound or refused by name; only stations that can be, near the garden."""

import json
import sqlite3
from datetime import UTC, date, datetime
from time import monotonic

import pytest
from servers.station_server import FIXTURES, SCHEMA, StationServer, stations_db

from advisor.errors import SourceError
from advisor.sources.budget import Budget
from advisor.sources.http import HttpClient
from advisor.sources.meteostat_stations import fetch_list, fetch_station, near_in_list, station_of_json

NOW = datetime(2026, 6, 10, 9, tzinfo=UTC)
GIESSEN = {
    "id": "10532",
    "name": "Giessen",
    "place": (50.5833, 8.7, 186),
    "records": {
        "dwd_hourly": ("1999-01-01", "2026-06-08"),
        "dwd_poi": ("2020-01-01", "2026-06-09"),
        "dwd_mosmix": ("2026-06-09", "2026-06-20"),
        "dwd_daily": ("1946-01-01", "2026-06-07"),
        "monthly": ("1946-01-01", "2026-05-31"),
    },
}
AWAY = {"id": "10384", "name": "Berlin / Tempelhof", "place": (52.4667, 13.4, 50)}


def near(body, latitude=50.6, longitude=8.65, reach=50.0):
    return near_in_list(body, latitude, longitude, reach)


def test_station_near_the_garden_with_its_records_and_without_models():
    (found,) = near(stations_db([GIESSEN, AWAY]))
    assert (found.id, found.name, found.elevation_m) == ("10532", "Giessen", 186.0)
    assert found.hourly == (date(1999, 1, 1), date(2026, 6, 9)), "the forecast of MOSMIX is no record"
    assert found.daily == (date(1946, 1, 1), date(2026, 6, 7))


def test_box_holds_over_the_date_line_and_near_the_pole():
    rows = [
        {"id": "1", "name": "East", "place": (0.0, 179.95, 5)},
        {"id": "2", "name": "West", "place": (0.0, -179.95, 5)},
        {"id": "3", "name": "Pole", "place": (89.9, 100.0, 5)},
    ]
    assert [one.id for one in near(stations_db(rows), 0.0, 180.0)] == ["1", "2"]
    assert [one.id for one in near(stations_db(rows), 89.8, -80.0)] == ["3"]


def test_rows_that_cannot_be_are_left_out():
    rows = [
        {"id": "../x", "name": "Out", "place": (50.6, 8.65, 100)},
        {"id": "1", "name": "No height", "place": (50.6, 8.65, None)},
        {"id": "2", "name": "Word", "place": (50.6, "eight", 100)},
        {"id": "3", "name": "Off the map", "place": (50.6, 988.65, 100)},
        {"id": "4", "name": "Good\nline", "place": (50.6, 8.65, 100)},
    ]
    (found,) = near(stations_db(rows))
    assert (found.id, found.name) == ("4", "Good line")


def test_span_that_is_no_date_is_no_record():
    row = {
        **GIESSEN,
        "records": {"dwd_hourly": ("soon", "2026-06-08"), "nobody": ("1990-01-01", "2026-06-08")},
    }
    (found,) = near(stations_db([row]))
    assert (found.hourly, found.daily) == (None, None)


WHOLE = stations_db([{**GIESSEN, "id": f"{n:05}"} for n in range(2000)])
BROKEN = {
    "cut short": WHOLE[: len(WHOLE) // 2],
    "overwritten": WHOLE[:8192] + b"\xff" * (len(WHOLE) - 8192),
    "no table": stations_db([], SCHEMA.replace("CREATE TABLE inventory", "CREATE TABLE other")),
    "no column": stations_db([], SCHEMA.replace("elevation INTEGER", "height INTEGER")),
    "a view": stations_db(
        [],
        SCHEMA.replace("TABLE stations(", "TABLE others(") + "CREATE VIEW stations AS SELECT * FROM others;",
    ),
}


@pytest.mark.parametrize("case", BROKEN)
def test_broken_list_is_refused_and_named(case):
    with pytest.raises(SourceError, match="list of stations") as caught:
        near(BROKEN[case])
    assert caught.value.transient is False


def test_list_that_is_no_database_is_refused_at_the_door():
    for mode in ("garbage", "empty", "html"):
        with StationServer() as server:
            server.fail(mode)
            client = HttpClient("")
            with pytest.raises(SourceError, match=r"SQLite|web page"):
                fetch_list(client, server.base_url, NOW, Budget(monotonic))
            client.close()


def test_list_comes_whole_through_http():
    with StationServer() as server:
        server.put("/stations.db", WHOLE)
        client = HttpClient("")
        assert fetch_list(client, server.base_url, NOW, Budget(monotonic)) == WHOLE
        client.close()


def test_named_station_is_looked_up_alone():
    body = (FIXTURES / "station_10532.json").read_bytes()
    with StationServer() as server:
        server.put("/stations/10532.json", body)
        client = HttpClient("")
        found = fetch_station(client, server.base_url, "10532", NOW, Budget(monotonic))
        assert fetch_station(client, server.base_url, "99999", NOW, Budget(monotonic)) is None
        client.close()
    assert found is not None
    assert (found.name, found.latitude_deg, found.elevation_m) == ("Giessen", 50.5833, 186.0)


@pytest.mark.parametrize(
    "change",
    [
        {"id": "10533"},
        {"location": None},
        {"location": {"latitude": 50.0, "longitude": 8.0, "elevation": None}},
        {"location": {"latitude": "50", "longitude": 8.0, "elevation": 10}},
    ],
)
def test_station_file_that_does_not_say_where_it_stands_is_refused(change):
    whole = json.loads((FIXTURES / "station_10532.json").read_text(encoding="utf-8"))
    with pytest.raises(SourceError, match="10532"):
        station_of_json("10532", json.dumps({**whole, **change}).encode())
    with pytest.raises(SourceError):
        station_of_json("10532", b"{")


def test_the_file_is_left_as_it_came_and_nothing_is_written(tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    import tempfile

    monkeypatch.setattr(tempfile, "tempdir", None)
    near(WHOLE)
    assert list(tmp_path.iterdir()) == []
    assert sqlite3.sqlite_version_info >= (3, 31), "trusted_schema is known"

"""Station records in the service: fetched a few a pass, never lost, blended first, said once."""

from __future__ import annotations

import csv
import gzip
import io
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest
from servers.forecast_server import ForecastServer
from servers.station_server import FIXTURES, StationServer, daily_file, hourly_file, stations_db
from service.pass_garden import Yard, environment, local, text_of

from advisor.garden.model import Garden
from advisor.service.clock import monotonic_s
from advisor.service.fetch import Gathered, keep_table
from advisor.service.observations import daily_tables, observed_table, observed_tables
from advisor.service.station_choice import chosen, known_list
from advisor.service.station_fetch import gather_observations, past_from_utc
from advisor.service.weather_now import assemble
from advisor.store import backoff
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.ledger import LedgerRow, write_ledger
from advisor.store.service_files import ServiceSettings
from advisor.store.station_files import station_file
from advisor.weather.csv_out import weather_csv
from advisor.weather.table import Provenance, WeatherTable, stamp_of

NOW = datetime(2024, 4, 24, 9, 5, tzinfo=UTC)
TABLES = load_tables()
NUMBERS = TABLES.operation
GIESSEN = json.loads(
    (Path(__file__).parents[1] / "sources" / "giessen_2024.json").read_text(encoding="utf-8")
)
GARDEN = Garden("Test yard", 50.60, 8.65, 186.0, "Europe/Berlin")
RECORDS = {"dwd_hourly": ("1999-01-01", "2024-04-23"), "dwd_daily": ("1946-01-01", "2024-04-23")}
NEAR = {"id": "10532", "name": "Giessen", "place": (50.5833, 8.7, 186), "records": RECORDS}
NEXT = {"id": "10533", "name": "Second", "place": (50.70, 8.70, 200), "records": RECORDS}
FAR = {"id": "10534", "name": "Third", "place": (50.95, 8.70, 250), "records": RECORDS}
HOURLY = "/hourly/2024/10532.csv.gz"


@pytest.fixture
def server() -> Iterator[StationServer]:
    with StationServer() as running:
        running.put("/stations.db", stations_db([NEAR]))
        running.put(HOURLY, (FIXTURES / "hourly_10532_2024.csv.gz").read_bytes())
        yield running


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "state", NOW, "given") as opened:
        yield opened


def settings_for(server: StationServer, *pins: str) -> ServiceSettings:
    return ServiceSettings(
        contact="grower@example.org",
        base_urls=MappingProxyType({"meteostat": server.base_url}),
        stations=pins,
    )


def gathered(
    store: Store,
    server: StationServer,
    now: datetime = NOW,
    garden: Garden = GARDEN,
    pins: tuple[str, ...] = (),
) -> Gathered:
    server.requests.clear()
    return gather_observations(store, settings_for(server, *pins), garden, now, monotonic_s, NUMBERS)


def host(server: StationServer) -> str:
    return server.base_url.removeprefix("http://")


# --- fetching --------------------------------------------------------------------------------------


def test_files_come_six_a_pass_the_most_useful_first_until_all_are_there(
    store: Store, server: StationServer
) -> None:
    server.put("/hourly/2023/10532.csv.gz", hourly_file(datetime(2023, 1, 1, tzinfo=UTC), 365 * 24))
    for year in range(1994, 2024):
        server.put(f"/daily/{year}/10532.csv.gz", daily_file(year))
    assert gathered(store, server).problems == ()
    assert server.paths == [
        "/stations.db",
        HOURLY,
        "/hourly/2023/10532.csv.gz",
        *(f"/daily/{year}/10532.csv.gz" for year in (2023, 2022, 2021, 2020)),
    ]
    asked: list[str] = list(server.paths)
    for step in range(1, 9):
        gathered(store, server, NOW + step * timedelta(minutes=15))
        assert len(server.paths) <= 6
        asked += server.paths
    assert len(asked) == len(set(asked)) == 1 + 2 + 30
    assert server.paths == [], "nothing is left to ask for"
    (record,) = daily_tables(store, settings_for(server), GARDEN, NOW + timedelta(hours=3))
    assert (str(record.day[0]), str(record.day[-1])) == ("1994-01-01", "2023-12-31")
    assert record.station.id == "10532"


def test_running_year_is_asked_for_daily_and_conditionally_the_year_before_weekly(
    store: Store, server: StationServer
) -> None:
    server.put("/hourly/2023/10532.csv.gz", hourly_file(datetime(2023, 1, 1, tzinfo=UTC), 365 * 24))
    for step in range(8):
        gathered(store, server, NOW + step * timedelta(minutes=15))
    gathered(store, server, NOW + timedelta(hours=23))
    assert server.paths == []
    gathered(store, server, NOW + timedelta(hours=24))
    assert server.paths == [HOURLY]
    assert server.requests[0]["headers"]["If-None-Match"].startswith('"')
    kept = station_file(store, server.base_url + HOURLY, NOW + timedelta(hours=25))
    assert kept is not None
    assert kept.fetched_at_utc == NOW, "unchanged: the file is still the first one"
    gathered(store, server, NOW + timedelta(days=7))
    assert server.paths == [HOURLY, "/hourly/2023/10532.csv.gz"]


def test_missing_file_is_remembered_and_asked_for_again_rarely(store: Store, server: StationServer) -> None:
    for step in range(8):
        gathered(store, server, NOW + step * timedelta(minutes=15))
    for days in range(1, 29):
        gathered(store, server, NOW + timedelta(days=days))
        assert set(server.paths) <= {HOURLY}, days
    gathered(store, server, NOW + timedelta(days=31))
    assert "/hourly/2023/10532.csv.gz" in server.paths


@pytest.mark.parametrize(
    "mode", ["cut", "html", "bomb", "server-error", "rate-limit", "reset", "wrong-header"]
)
def test_failed_refresh_is_named_and_leaves_the_good_file(
    store: Store, server: StationServer, mode: str
) -> None:
    for step in range(8):
        gathered(store, server, NOW + step * timedelta(minutes=15))
    server.fail(mode)
    later = NOW + timedelta(days=1, hours=1)
    assert gathered(store, server, later).problems
    kept = station_file(store, server.base_url + HOURLY, later)
    assert kept is not None
    assert kept.payload == server.files[HOURLY]
    assert observed_table(store, settings_for(server), GARDEN, later) is not None
    gathered(store, server, later + timedelta(minutes=5))
    assert server.paths == [], "left alone for a while"
    server.heal()
    gathered(store, server, later + timedelta(days=2))
    assert HOURLY in server.paths
    assert backoff.pause(store, host(server), later + timedelta(days=2)) is None


def test_failing_host_is_left_alone_longer_each_time(store: Store, server: StationServer) -> None:
    """A quarter of an hour, an hour, six hours: common practice of backing off."""
    server.fail("server-error")
    asked = []
    for minutes in range(0, 9 * 60, 15):
        gathered(store, server, NOW + timedelta(minutes=minutes))
        if server.paths:
            asked.append(minutes)
    assert asked == [0, 15, 75, 435]


def test_one_damaged_file_does_not_hold_up_the_others(store: Store, server: StationServer) -> None:
    server.put("/daily/2023/10532.csv.gz", daily_file(2023))
    server.fail("cut", HOURLY)
    found = gathered(store, server)
    assert len(found.problems) == 1
    assert "cut short" in found.problems[0]
    assert station_file(store, server.base_url + "/daily/2023/10532.csv.gz", NOW) is not None
    assert backoff.may_ask(store, host(server), NOW)
    gathered(store, server, NOW + timedelta(hours=2))
    assert HOURLY not in server.paths
    gathered(store, server, NOW + timedelta(days=1))
    assert HOURLY in server.paths


@pytest.mark.parametrize("mode", ["cut", "garbage", "empty", "html", "server-error"])
def test_broken_list_is_named_and_the_last_good_one_kept(
    store: Store, server: StationServer, mode: str
) -> None:
    gathered(store, server)
    before = known_list(store, NOW)
    server.fail(mode, "/stations.db")
    later = NOW + timedelta(days=40)
    found = gathered(store, server, later)
    assert any("station" in problem or "meteostat" in problem for problem in found.problems)
    assert known_list(store, later) == before
    assert [one.id for one in chosen(store, settings_for(server), GARDEN, later, NUMBERS, "hourly")] == [
        "10532"
    ]


def test_broken_list_at_the_beginning_is_tried_again_next_day(store: Store, server: StationServer) -> None:
    server.fail("cut", "/stations.db")
    assert "list of stations" in gathered(store, server).problems[0]
    gathered(store, server, NOW + timedelta(hours=3))
    assert server.paths == []
    server.heal()
    gathered(store, server, NOW + timedelta(days=1))
    assert server.paths[:2] == ["/stations.db", HOURLY]


def test_time_that_is_used_up_stops_the_round_without_blame(store: Store, server: StationServer) -> None:
    found = gather_observations(store, settings_for(server), GARDEN, NOW, monotonic_s, NUMBERS, spent_s=118.0)
    assert server.paths == []
    assert found == Gathered()
    assert backoff.pause(store, host(server), NOW) is None


def test_switched_off_service_is_never_asked(store: Store, server: StationServer) -> None:
    off = replace(settings_for(server), base_urls=MappingProxyType({"meteostat": ""}))
    assert gather_observations(store, off, GARDEN, NOW, monotonic_s, NUMBERS) == Gathered()
    assert observed_table(store, off, GARDEN, NOW) is None
    assert daily_tables(store, off, GARDEN, NOW) == ()
    assert server.paths == []


# --- choosing --------------------------------------------------------------------------------------


def ids(store: Store, server: StationServer, now: datetime = NOW, pins: tuple[str, ...] = ()) -> list[str]:
    return [one.id for one in chosen(store, settings_for(server, *pins), GARDEN, now, NUMBERS, "hourly")]


def test_station_without_files_makes_room_for_the_next(store: Store, server: StationServer) -> None:
    server.put("/stations.db", stations_db([NEAR, NEXT, FAR, {**FAR, "id": "10535"}, {**FAR, "id": "10536"}]))
    del server.files[HOURLY]
    server.put("/hourly/2024/10533.csv.gz", hourly_file(datetime(2024, 1, 1, tzinfo=UTC), 24 * 110))
    gathered(store, server)
    assert ids(store, server) == ["10533", "10535", "10536"], "of 10532 and 10534 there is nothing"


def test_stations_that_are_named_count_whatever_their_distance(store: Store, server: StationServer) -> None:
    server.put_station("99999", (40.0, 8.0, 900.0), "Far away")
    found = gathered(store, server, pins=("99999", "00000"))
    assert server.paths[:2] == ["/stations/99999.json", "/stations/00000.json"]
    assert "/stations.db" not in server.paths
    assert ids(store, server, pins=("99999", "00000")) == ["99999"]
    assert "Meteostat knows no station 00000" in found.notes[0]


def test_other_stations_named_or_a_garden_moved_want_the_list_anew(
    store: Store, server: StationServer
) -> None:
    gathered(store, server)
    server.put_station("10532", (50.5833, 8.7, 186.0))
    gathered(store, server, NOW + timedelta(hours=1), pins=("10532",))
    assert server.paths[0] == "/stations/10532.json"
    gathered(store, server, NOW + timedelta(hours=2))
    assert server.paths[0] == "/stations.db"
    gathered(store, server, NOW + timedelta(hours=3), replace(GARDEN, latitude_deg=50.7))
    assert server.paths[0] == "/stations.db"


@pytest.mark.parametrize(
    "rows", [[], [{**FAR, "place": (53.0, 8.7, 10)}], [{**NEAR, "place": (50.58, 8.7, 900)}]]
)
def test_no_station_in_reach_is_said_in_one_digest_and_is_no_fault(
    store: Store, server: StationServer, rows: list[dict[str, Any]]
) -> None:
    server.put("/stations.db", stations_db(rows))
    first = gathered(store, server)
    assert first.problems == ()
    assert "No weather station" in first.notes[0]
    assert "50 km" in first.notes[0]
    night = NOW + timedelta(hours=12)
    assert gathered(store, server, night).notes == first.notes, "until a digest has said it"
    with store.transaction() as tx:
        row = LedgerRow("digest", "2024-04-25", date(2024, 4, 25), "queued", night + timedelta(hours=7), "")
        write_ledger(tx, row)
    for hours in (8, 30, 24 * 45):
        again = gathered(store, server, night + timedelta(hours=hours))
        assert (again.problems, again.notes) == ((), ())


# --- the past as observed --------------------------------------------------------------------------


def forecast(now: datetime, days_back: int = 60, days_ahead: int = 10, **values: float) -> WeatherTable:
    """A forecast and its past: 18 degC in every hour where nothing else is said.

    The dew point swings by half a degree, since air that stands still with its dew point is taken for stuck.
    """
    first = stamp_of(now.replace(hour=0, minute=0) - timedelta(days=days_back))
    axis = first + np.arange((days_back + days_ahead) * 24) * np.timedelta64(3600, "s")
    given = {
        "air_temperature_c": 18.0,
        "dew_point_c": 2.0,
        "wind_speed_10m_m_s": 2.0,
        "shortwave_w_m2": 50.0,
    } | values
    return WeatherTable(
        axis,
        {
            name: np.full(axis.size, value)
            + (np.arange(axis.size) % 2 * 0.5 if name == "dew_point_c" else 0.0)
            for name, value in given.items()
        },
        Provenance("open-meteo", None, now, attribution=("Forecast by somebody",)),
        source_by_hour=("open-meteo",) * axis.size,
    )


def weather(store: Store, server: StationServer, now: datetime, garden: Garden = GARDEN) -> WeatherTable:
    table = assemble(store, (), None, garden, TABLES, now, settings=settings_for(server))
    assert table is not None
    return table


def value(table: WeatherTable, stamp: str, name: str = "air_temperature_c") -> float:
    return float(table.value(name)[table.index_at(datetime.fromisoformat(stamp))])


def test_frost_of_april_2024_wins_over_the_forecasts_past(store: Store, server: StationServer) -> None:
    """Giessen, 22 and 23 April 2024: see ``source`` in the data file."""
    keep_table(store, "forecast", forecast(NOW, rain_mm=0.3), NOW)
    gathered(store, server)
    table = weather(store, server, NOW)
    for row in GIESSEN["hours_utc"][:5]:
        assert value(table, row["start_utc"]) == row["air_temperature_c"]
        assert value(table, row["start_utc"], "relative_humidity_pct") == row["relative_humidity_pct"]
    assert value(table, "2024-04-25T12:00:00+00:00") == 18.0, "what lies ahead is forecast"
    assert table.seam_utc == datetime(2024, 4, 24, 9, tzinfo=UTC)
    assert table.provenance.source == "open-meteo"
    rows = {row["start_utc"]: row for row in csv.DictReader(io.StringIO(weather_csv(table)))}
    assert rows["2024-04-23T04:00:00Z"]["source"] == "meteostat:10532+open-meteo"
    assert rows["2024-04-23T04:00:00Z"]["air_temperature_c"] == "-2.1"
    assert rows["2024-04-23T04:00:00Z"]["shortwave_w_m2"] == "50", "no station measures it"
    assert rows["2024-04-24T12:00:00Z"]["source"] == "open-meteo"
    credit = " ".join(table.provenance.attribution)
    assert "Giessen (10532" in credit
    assert "Deutscher Wetterdienst" in credit
    assert "CC BY 4.0" in credit
    assert "Forecast by somebody" in credit
    assert any(note.startswith("patched: shortwave_w_m2") for note in table.provenance.notes)
    assert np.isfinite(table.value("reference_et_mm")[table.index_at(NOW) - 40 : table.index_at(NOW)]).all()


def test_heat_of_august_2024_wins_over_the_forecasts_past(store: Store, server: StationServer) -> None:
    """Giessen, 12 and 13 August 2024: see ``source`` in the data file."""
    now = datetime(2024, 8, 14, 4, 5, tzinfo=UTC)
    going_on = {"dwd_hourly": ("1999-01-01", "2024-08-12")}
    server.put("/stations.db", stations_db([{**NEAR, "records": going_on}]))
    keep_table(store, "forecast", forecast(now), now)
    gathered(store, server, now)
    table = weather(store, server, now)
    for row in GIESSEN["hours_utc"][5:]:
        assert value(table, row["start_utc"]) == row["air_temperature_c"]
    for day in GIESSEN["hot_days"]:
        rows = table.start_utc.astype("datetime64[D]") == np.datetime64(day["day"])
        assert np.nanmax(table.value("air_temperature_c")[rows]) == day["highest_c"]


def test_observed_past_reaches_back_to_the_winter_that_no_forecast_knows(
    store: Store, server: StationServer
) -> None:
    keep_table(store, "forecast", forecast(NOW, days_back=2), NOW)
    gathered(store, server)
    table = weather(store, server, NOW)
    assert value(table, "2024-01-01T01:00:00+00:00") == 6.8, "the file's second line"
    assert value(table, "2024-01-01T01:00:00+00:00", "rain_mm") == 0.0
    derived = np.isfinite(table.value("shortwave_w_m2")[: 24 * 60])
    assert derived.mean() > 0.95, "radiation from clear sky and the station's cloud"
    assert "shortwave_w_m2" in table.provenance.derived


def test_garden_a_hundred_metres_higher_is_colder_by_the_lapse_rate(
    store: Store, server: StationServer
) -> None:
    """ISO 2533: 6.5 K per km."""
    keep_table(store, "forecast", forecast(NOW), NOW)
    gathered(store, server)
    table = weather(store, server, NOW, replace(GARDEN, elevation_m=286.0))
    assert value(table, "2024-04-23T04:00:00+00:00") == pytest.approx(-2.1 - 0.65)
    assert value(table, "2024-04-25T12:00:00+00:00") == 18.0
    assert any(
        "height: air_temperature_c -0.7 K" in note or "-0.6 K" in note for note in table.provenance.notes
    )


def test_station_without_rain_takes_it_from_the_forecasts_past(store: Store, server: StationServer) -> None:
    server.put(HOURLY, hourly_file(datetime(2024, 1, 1, tzinfo=UTC), 24 * 114, rain=None))
    keep_table(store, "forecast", forecast(NOW, rain_mm=0.7), NOW)
    gathered(store, server)
    table = weather(store, server, NOW)
    assert value(table, "2024-04-22T12:00:00+00:00") == 15.0
    assert value(table, "2024-04-22T12:00:00+00:00", "rain_mm") == 0.7
    assert any(
        note.startswith("patched: rain_mm") and "open-meteo" in note for note in table.provenance.notes
    )


def test_rain_of_a_station_too_far_off_is_not_that_of_the_garden(store: Store, server: StationServer) -> None:
    server.put("/stations.db", stations_db([FAR]))
    server.put("/hourly/2024/10534.csv.gz", hourly_file(datetime(2024, 1, 1, tzinfo=UTC), 24 * 114, rain=9.0))
    keep_table(store, "forecast", forecast(NOW, rain_mm=0.7), NOW)
    gathered(store, server)
    table = weather(store, server, NOW)
    assert value(table, "2024-04-22T12:00:00+00:00", "rain_mm") == 0.7
    assert any(note.startswith("rain: left out") for note in table.provenance.notes)


def test_stuck_station_is_left_out_for_the_forecasts_past(store: Store, server: StationServer) -> None:
    text = gzip.decompress(hourly_file(datetime(2024, 1, 1, tzinfo=UTC), 24 * 114)).decode().splitlines()
    for line in range(24 * 100 + 1, 24 * 102 + 1):  # two days on which nothing moves: 10 and 11 April
        cells = text[line].split(",")
        cells[4], cells[6] = "7.7", "66"
        text[line] = ",".join(cells)
    server.put(HOURLY, gzip.compress("\n".join([*text, ""]).encode()))
    keep_table(store, "forecast", forecast(NOW), NOW)
    gathered(store, server)
    table = weather(store, server, NOW)
    assert value(table, "2024-04-10T12:00:00+00:00") == 18.0
    assert value(table, "2024-04-12T12:00:00+00:00") == 15.0
    assert any(note.startswith("stuck: air_temperature_c, 48 h") for note in table.provenance.notes)


def test_second_station_fills_the_hours_the_first_did_not_observe(
    store: Store, server: StationServer
) -> None:
    server.put("/stations.db", stations_db([NEAR, NEXT]))
    server.put(HOURLY, hourly_file(datetime(2024, 3, 1, tzinfo=UTC), 24 * 54))
    server.put("/hourly/2024/10533.csv.gz", hourly_file(datetime(2024, 1, 1, tzinfo=UTC), 24 * 114, 0.0))
    gathered(store, server)
    found = observed_table(store, settings_for(server), replace(GARDEN, elevation_m=200.0), NOW)
    assert found is not None
    assert found.source_by_hour[found.index_at(datetime(2024, 2, 1, tzinfo=UTC))] == "meteostat:10533"
    assert found.source_by_hour[found.index_at(datetime(2024, 4, 1, tzinfo=UTC))] == "meteostat:10532"
    assert value(found, "2024-02-01T12:00:00+00:00") == 5.0, "at its own height"


def test_station_that_knows_too_few_hours_is_not_used(store: Store, server: StationServer) -> None:
    whole = gzip.decompress(hourly_file(datetime(2024, 1, 1, tzinfo=UTC), 24 * 114)).decode().splitlines()
    server.put(HOURLY, gzip.compress("\n".join([whole[0], *whole[1::3], ""]).encode()))
    gathered(store, server)
    assert observed_tables(store, settings_for(server), GARDEN, NOW) == ()


def test_nothing_is_known_before_it_was_fetched(store: Store, server: StationServer) -> None:
    gathered(store, server)
    assert observed_table(store, settings_for(server), GARDEN, NOW - timedelta(hours=1)) is None
    found = observed_table(store, settings_for(server), GARDEN, NOW + timedelta(days=3))
    assert found is not None
    assert found.start_utc[-1] == np.datetime64("2024-04-24T08:00", "s"), "the last hour that had ended then"


def test_observations_that_cannot_be_read_cost_only_themselves(
    store: Store, server: StationServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep_table(store, "forecast", forecast(NOW), NOW)
    gathered(store, server)

    def fails(*_: object) -> None:
        raise RuntimeError("no such thing")

    monkeypatch.setattr("advisor.service.weather_now.observed_tables", fails)
    table = weather(store, server, NOW)
    assert value(table, "2024-04-23T04:00:00+00:00") == 18.0
    assert any("observations left out" in note and "no such thing" in note for note in table.provenance.notes)


def test_season_begins_in_the_autumn_before_on_both_halves_of_the_earth() -> None:
    southern = replace(GARDEN, latitude_deg=-35.0)
    assert past_from_utc(GARDEN, NOW, NUMBERS).date() == date(2023, 10, 18)
    assert past_from_utc(southern, NOW, NUMBERS).date() == date(2023, 4, 17)


# --- the whole pass --------------------------------------------------------------------------------


@pytest.fixture
def observed_yard(tmp_path: Path) -> Iterator[tuple[Yard, StationServer]]:
    """The New York garden of the other tests, with a station beside it that has a day of its own."""
    begin = datetime(2013, 1, 1, tzinfo=UTC)
    with ForecastServer(local("2013-07-13T01:00")) as forecasts, StationServer() as stations:
        records = {"isd_lite": ("1973-01-01", "2013-07-12")}
        row = {"id": "72503", "name": "LaGuardia", "place": (40.7772, -73.8726, 7), "records": records}
        stations.put("/stations.db", stations_db([row]))
        stations.put("/hourly/2013/72503.csv.gz", hourly_file(begin, 24 * 193, 22.0, "isd_lite"))
        yield Yard.write(tmp_path / "yard", forecasts, trees=("wren",), stations=stations.base_url), stations


def test_tick_fetches_the_mail_credits_and_questions_ask_nobody(
    observed_yard: tuple[Yard, StationServer],
) -> None:
    yard, stations = observed_yard
    assert yard.tick("2013-07-13T01:00").exit_code == 0
    assert stations.paths[:2] == ["/stations.db", "/hourly/2013/72503.csv.gz"]
    assert yard.tick("2013-07-13T06:00").exit_code == 0
    (mail,) = yard.mails("digest")
    text = " ".join(text_of(mail).split())
    assert "Observations at LaGuardia (72503" in text
    assert "Meteostat" in text
    assert "Past weather comes from the station LaGuardia (72503" in text, "said once"
    stations.requests.clear()
    rows = list(csv.DictReader(io.StringIO(yard.command("weather", "--csv", now="2013-07-13T07:00").stdout)))
    assert stations.paths == []
    noon = next(row for row in rows if row["start_utc"] == "2013-07-12T12:00:00Z")
    assert (noon["air_temperature_c"], noon["source"]) == ("27", "meteostat:72503+open-meteo")
    shown = json.loads(yard.command("weather", "--json", now="2013-07-13T07:00").stdout)["weather"]
    assert shown["source"] == "open-meteo"
    assert any(note.startswith("patched: ") for note in shown["notes"])
    assert yard.tick("2013-07-14T06:00").exit_code == 0
    assert "Past weather comes from the station" not in " ".join(text_of(yard.mails("digest")[-1]).split())


def test_host_of_the_records_that_is_down_is_named_and_the_morning_mail_goes(
    observed_yard: tuple[Yard, StationServer],
) -> None:
    yard, stations = observed_yard
    stations.fail("server-error")
    report = yard.tick("2013-07-13T06:00")
    assert report.exit_code == 1
    assert any("meteostat" in line for line in report.lines)
    assert len(yard.mails("digest")) == 1


def test_idle_tick_with_records_imports_neither_pandas_nor_the_library(
    observed_yard: tuple[Yard, StationServer],
) -> None:
    yard, stations = observed_yard
    begin = local("2013-07-13T07:00")
    for minutes in range(0, 40, 5):
        yard.tick(begin + timedelta(minutes=minutes))
    stations.requests.clear()
    idle = [sys.executable, "-X", "importtime", "-m", "advisor.cli", "--garden", str(yard.folder)]
    done = subprocess.run(
        [*idle, "--now", (begin + timedelta(minutes=41)).isoformat(), "tick"],
        capture_output=True,
        text=True,
        timeout=120,
        env=environment(),
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    modules = {
        line.rsplit("|", 1)[-1].strip().split(".")[0] for line in done.stderr.splitlines() if "|" in line
    }
    assert "advisor" in modules
    assert not modules & {"pandas", "meteostat", "requests"}
    assert stations.paths == []

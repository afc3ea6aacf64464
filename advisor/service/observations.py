"""What weather stations near the garden observed: hours for the running year, days for the climate.

Reads what the store keeps; asks nobody (see ``station_fetch``).
"""

from __future__ import annotations

import logging
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from advisor.errors import SourceError
from advisor.garden.model import Garden
from advisor.garden.tables import Tables
from advisor.service.station_choice import chosen
from advisor.service.station_fetch import climate_years, past_from_utc
from advisor.sources.meteostat_text import Kind, year_file_path
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.service_files import ServiceSettings
from advisor.store.station_files import station_file
from advisor.units import NumberTable
from advisor.weather.blend import blend
from advisor.weather.daily_table import DailyTable
from advisor.weather.height import at_height
from advisor.weather.quality import QualityNumbers, checked
from advisor.weather.stations import Station
from advisor.weather.table import WeatherTable, utc_of

__all__ = ["daily_tables", "observed_table", "observed_tables"]

log = logging.getLogger(__name__)


def _kept_files(
    store: Store,
    settings: ServiceSettings,
    station: Station,
    kind: Kind,
    years: tuple[int, ...],
    now_utc: datetime,
) -> tuple[dict[int, bytes], datetime | None]:
    """Files of a station by year, and when the newest of them was fetched."""
    files: dict[int, bytes] = {}
    newest: datetime | None = None
    for year in years:
        url = settings.base_urls["meteostat"] + year_file_path(kind, year, station.id)
        found = station_file(store, url, now_utc)
        if found is not None:
            files[year] = found.payload
            newest = found.fetched_at_utc if newest is None else max(newest, found.fetched_at_utc)
    return files, newest


def daily_tables(
    store: Store, settings: ServiceSettings, garden: Garden, now_utc: datetime
) -> tuple[DailyTable, ...]:
    """Return the daily records kept at ``now_utc``, one for each chosen station, best station first.

    Values are as measured at the station's own height (``station.height_difference_m``), from up to
    thirty finished years, as many as have arrived; model values are left out. Empty where nothing is kept.
    """
    numbers = load_tables().operation
    tables = []
    for station in chosen(store, settings, garden, now_utc, numbers, "daily"):
        files, fetched = _kept_files(
            store, settings, station, "daily", climate_years(now_utc, numbers), now_utc
        )
        if fetched is None:
            continue
        table = _daily(files, station, fetched)
        if table is not None:
            tables.append(table)
    return tuple(tables)


def _daily(files: dict[int, bytes], station: Station, fetched_at_utc: datetime) -> DailyTable | None:
    from advisor.sources.meteostat import parse_daily

    try:
        return parse_daily(files, station, fetched_at_utc)
    except SourceError as error:
        log.warning("event=station-record-empty station=%s why=%s", station.id, error)
        return None


def observed_tables(
    store: Store,
    settings: ServiceSettings,
    garden: Garden,
    now_utc: datetime,
    tables: Tables | None = None,
    from_utc: datetime | None = None,
    until_utc: datetime | None = None,
) -> tuple[WeatherTable, ...]:
    """Return what stations observed, brought to the garden's height, best first.

    Hours begin at ``from_utc``, else where the running season of the trees begins, and end with the record
    or at ``until_utc``. A station is left out
    if it knows too few hours, and farther ones are read only while hours are missing. Rain of a station
    beyond its reach is left out.
    """
    tables = tables or load_tables()
    numbers = tables.operation
    from_utc = from_utc or past_from_utc(garden, now_utc, numbers)
    years = tuple(range(from_utc.year, (until_utc or now_utc).year + 1))
    found: list[WeatherTable] = []
    for station in chosen(store, settings, garden, now_utc, numbers, "hourly"):
        files, fetched = _kept_files(store, settings, station, "hourly", years, now_utc)
        if fetched is None:
            continue
        table = _hourly(files, station, fetched, garden, tables, from_utc, until_utc)
        if table is None:
            continue
        found.append(table)
        if _known_share(found, from_utc) >= numbers.value("stations.enough", "share"):
            break
    return tuple(found)


def observed_table(
    store: Store,
    settings: ServiceSettings,
    garden: Garden,
    now_utc: datetime,
    from_utc: datetime | None = None,
    until_utc: datetime | None = None,
) -> WeatherTable | None:
    """Return ``observed_tables`` joined, the best station first; None where nothing was observed.

    Only years whose hourly files are kept can be had: those of the running season, and those named in
    service.toml (``past_years``).
    """
    found = observed_tables(store, settings, garden, now_utc, None, from_utc, until_utc)
    if not found:
        return None
    if len(found) == 1:
        return found[0]
    first = min(utc_of(table.start_utc[0]) for table in found)
    last = max(utc_of(table.start_utc[-1]) for table in found) + timedelta(hours=1)
    return blend(found, first, last, now_utc)


def _hourly(
    files: dict[int, bytes],
    station: Station,
    fetched_at_utc: datetime,
    garden: Garden,
    tables: Tables,
    from_utc: datetime,
    until_utc: datetime | None,
) -> WeatherTable | None:
    """One station's hours, checked, at the garden's height; None where they are too few to be used."""
    from advisor.sources.meteostat import parse_hourly

    numbers = tables.operation
    try:
        table = parse_hourly(files, station, fetched_at_utc)
    except SourceError as error:
        log.warning("event=station-record-empty station=%s why=%s", station.id, error)
        return None
    last = table.hours if until_utc is None else min(table.index_at(until_utc), table.hours)
    table = table.between(table.index_at(from_utc), last)
    if not table.hours:
        return None
    table = checked(table, QualityNumbers.from_numbers(tables.physics))
    recent_h = round(24.0 * numbers.value("stations.coverage_over", "d"))
    air = np.isfinite(table.value("air_temperature_c"))[-recent_h:]
    if not air.size or air.mean() < numbers.value("stations.coverage", "share"):
        log.info("event=station-too-few-hours station=%s", station.id)
        return None
    table = _rain_within_reach(table, station, numbers)
    return at_height(
        table, station.elevation_m, garden.elevation_m, numbers.value("stations.lapse", "degC/m")
    )


def _rain_within_reach(table: WeatherTable, station: Station, numbers: NumberTable) -> WeatherTable:
    reach = numbers.value("stations.rain_reach", "km")
    if station.distance_km <= reach or "rain_mm" not in table.values:
        return table
    origin = table.provenance
    note = (
        f"rain: left out, {origin.source} is {station.distance_km:.0f} km away, farther than {reach:.0f} km"
    )
    return replace(
        table,
        values={name: array for name, array in table.values.items() if name != "rain_mm"},
        provenance=replace(
            origin, missing=tuple(sorted({*origin.missing, "rain_mm"})), notes=(*origin.notes, note)
        ),
    )


def _known_share(tables: list[WeatherTable], from_utc: datetime) -> float:
    """Share of the hours from the season's begin to the end of the longest record that some table knows."""
    last = max(utc_of(table.start_utc[-1]) for table in tables)
    hours = int((last - from_utc) / timedelta(hours=1)) + 1
    known = np.zeros(max(hours, 1), dtype=np.bool_)
    for table in tables:
        air = np.isfinite(table.value("air_temperature_c"))
        first = int((utc_of(table.start_utc[0]) - from_utc) / timedelta(hours=1))
        rows = np.flatnonzero(air) + first
        known[rows[(rows >= 0) & (rows < known.size)]] = True
    return float(known.mean())
